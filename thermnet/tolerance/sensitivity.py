"""Shares of an output's variance: by regression on units at hand, or Sobol indices of parameters of any distribution."""

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


def regression_shares(columns: Mapping[str, Array], values: Array) -> Array:
    """Share of an output's variance that goes with each independent parameter alone, from units already solved.

    Squares of the standardised coefficients of a linear regression, less what chance adds to them; their sum falls short
    of one by what is not linear or acts together.  Of an output that does not differ, all shares are zero.

    Parameters
    ----------
    columns : (units,) values of every parameter; twice as many units as parameters at least
    values : (units,) of the output

    Raises
    ------
    ValueError
        Too few units.

    Source: A. Saltelli et al., Global Sensitivity Analysis: The Primer, 2008, section 1.2.5 (from memory); the
    expectation of a squared estimate is the square plus its variance.
    """
    inputs = np.stack([np.asarray(column, dtype=float) for column in columns.values()], axis=1)
    units, parameters = inputs.shape
    if units < 2 * parameters + 2:
        raise ValueError(f"{units} units for {parameters} parameters; expected at least {2 * parameters + 2}")
    inputs, output = inputs - inputs.mean(axis=0), values - values.mean()
    spread, whole = inputs.std(axis=0), float(output.std())
    if not whole > 1e-12 * max(1.0, float(np.max(np.abs(values)))):
        return np.zeros(parameters)
    inputs = inputs / np.where(spread > 0, spread, 1.0)
    inverse = np.linalg.pinv(inputs.T @ inputs, hermitian=True)
    slopes = inverse @ (inputs.T @ (output / whole))
    left = output / whole - inputs @ slopes
    noise = float(left @ left) / (units - parameters - 1)
    shares: Array = slopes**2 - noise * np.diag(inverse)
    return shares


__all__ = ["regression_shares", "sobol_indices"]
