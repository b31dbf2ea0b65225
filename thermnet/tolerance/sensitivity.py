"""Shares of an output's variance: Sobol indices of independent parameters of any distribution."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from thermnet.tolerance.distribution import Distribution

Array = NDArray[np.float64]


def sobol_indices(
    answers: Callable[[dict[str, Array]], Array], shapes: Mapping[str, Distribution], base: int, seed: int
) -> tuple[Array, Array]:  # fmt: skip
    """First-order and total indices, in the order of ``shapes``.

    Parameters
    ----------
    answers : gives the outputs (units,) for parameters by dotted key (units,)
    shapes : distributions; correlations have no place here
    base : points, taken up to a power of two; ``base (d + 2)`` units are asked for

    Source: A. Saltelli et al., Comput. Phys. Commun. 181, 2010, 259-270 (scipy.stats.sobol_indices).
    """
    from scipy import stats

    names = list(shapes)

    def function(points: Array) -> Array:
        # The ends of a distribution without bounds lie nowhere.
        shares = np.clip(points, 1e-9, 1.0 - 1e-9)
        return answers({name: shapes[name].quantile(shares[k]) for k, name in enumerate(names)})[None, :]

    n = 2 ** int(np.ceil(np.log2(max(base, 8))))
    found = stats.sobol_indices(
        func=function, n=n, dists=[stats.uniform(0, 1)] * len(names), rng=np.random.default_rng(seed)
    )
    return np.ravel(found.first_order), np.ravel(found.total_order)


__all__ = ["sobol_indices"]
