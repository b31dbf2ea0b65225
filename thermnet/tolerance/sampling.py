"""Samples of many parameters at once: low-discrepancy or random points, correlations, lots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import DesignError, Problem
from thermnet.tolerance.distribution import Distribution

Array = NDArray[np.float64]
Method = Literal["sobol", "latin_hypercube", "random"]


@dataclass(frozen=True)
class Correlation:
    """Two parameters that move together (same supplier lot, same tool), with their correlation coefficient."""

    first: str
    second: str
    coefficient: float


@dataclass(frozen=True)
class Population:
    """Distributions by dotted key, correlations between them, and the size of a lot in units."""

    distributions: Mapping[str, Distribution]
    correlations: Sequence[Correlation] = ()
    lot_size: int = 50
    source: str = "tolerances"

    def check(self) -> None:
        """Refuse a population that cannot be sampled.

        Raises
        ------
        DesignError
            Lists every problem: numbers of a distribution, unknown names, a correlation matrix that no population has.
        """
        found = [
            Problem(f"tolerances.{key}", text, "a usable distribution")
            for key, distribution in self.distributions.items() for text in distribution.problems()
        ]  # fmt: skip
        for k, pair in enumerate(self.correlations):
            for name in (pair.first, pair.second):
                if name not in self.distributions:
                    found.append(
                        Problem(f"tolerances.correlations.{k}", repr(name), "a parameter with a distribution")
                    )
            if not -1.0 < pair.coefficient < 1.0:
                found.append(
                    Problem(
                        f"tolerances.correlations.{k}",
                        f"{pair.coefficient!r}",
                        "a coefficient between -1 and 1",
                    )
                )
        if self.lot_size < 1:
            found.append(Problem("tolerances.lot_size", str(self.lot_size), "at least 1 unit"))
        if not self.distributions:
            found.append(Problem("tolerances", "none", "at least one parameter with a distribution"))
        if not found and float(np.linalg.eigvalsh(self.correlation_matrix()).min()) <= 1e-10:
            found.append(
                Problem("tolerances.correlations", "a matrix that is not positive definite",
                        "coefficients that can all hold at once", "Lower some of them.")
            )  # fmt: skip
        if found:
            raise DesignError(self.source, found)

    def correlation_matrix(self) -> Array:
        """Correlation matrix in the order of ``distributions``."""
        names = list(self.distributions)
        matrix = np.eye(len(names))
        for pair in self.correlations:
            i, j = names.index(pair.first), names.index(pair.second)
            matrix[i, j] = matrix[j, i] = pair.coefficient
        return matrix

    def sample(self, count: int, seed: int, method: Method = "sobol", *, first: int = 0) -> dict[str, Array]:
        """Values of every parameter for units ``first .. first + count - 1`` of the population.

        Units are the same for a seed however they are cut into pieces (sobol and random; a Latin hypercube is laid
        out for its own count).  Correlations act on the normal scores (Gaussian copula); lots share part of a score.
        """
        from scipy.stats import norm

        self.check()
        scores = norm.ppf(np.clip(self._points(count, seed, method, first), 1e-12, 1.0 - 1e-12))
        scores = scores @ np.linalg.cholesky(self.correlation_matrix()).T
        lots = (first + np.arange(count)) // self.lot_size
        result = {}
        for k, (name, distribution) in enumerate(self.distributions.items()):
            score = scores[:, k]
            if distribution.lot_share > 0.0:
                common = np.array([_lot_score(seed, k, int(lot)) for lot in np.unique(lots)])
                common = common[np.searchsorted(np.unique(lots), lots)]
                score = (
                    np.sqrt(distribution.lot_share) * common + np.sqrt(1.0 - distribution.lot_share) * score
                )
            result[name] = distribution.quantile(norm.cdf(score))
        return result

    def _points(self, count: int, seed: int, method: Method, first: int) -> Array:
        from scipy.stats import qmc

        dimensions = len(self.distributions)
        if method == "sobol":
            engine = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(seed))
            if first:
                engine.fast_forward(first)
            import warnings

            with warnings.catch_warnings():
                warnings.simplefilter(
                    "ignore", UserWarning
                )  # a count that is no power of two loses only balance
                return np.asarray(engine.random(count))
        if method == "latin_hypercube":
            if first:
                raise ValueError(
                    "a Latin hypercube is one piece; use sobol or random to cut a population into chunks"
                )
            return np.asarray(qmc.LatinHypercube(dimensions, rng=np.random.default_rng(seed)).random(count))
        if method == "random":
            return np.stack(
                [np.random.default_rng([seed, first + i]).random(dimensions) for i in range(count)]
            )
        raise ValueError(f"method {method!r}; expected sobol, latin_hypercube or random")


@dataclass(frozen=True)
class GivenUnits(Population):
    """Units given one by one in place of a drawn population: ``columns`` of dotted key to (units,) values."""

    columns: Mapping[str, Array] = field(default_factory=dict)

    def sample(self, count: int, seed: int, method: Method = "sobol", *, first: int = 0) -> dict[str, Array]:
        """Units ``first .. first + count - 1`` as they were given."""
        return {key: np.asarray(values)[first : first + count] for key, values in self.columns.items()}


def _lot_score(seed: int, parameter: int, lot: int) -> float:
    return float(np.random.default_rng([seed, 1_000_003, parameter, lot]).standard_normal())
