"""How a parameter differs from unit to unit: shapes with their numbers, sampled through scipy's distributions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from thermnet.parameter import Declaration

Array = NDArray[np.float64]
SHAPES = ("normal", "truncated_normal", "uniform", "triangular", "lognormal", "empirical", "lots")


@dataclass(frozen=True, kw_only=True)
class Distribution:
    """Distribution of one parameter in its inside unit.

    Attributes
    ----------
    shape : one of SHAPES
    center : float
        Mean (normal, truncated_normal), middle (uniform), mode (triangular), median (lognormal).
    sigma : float
        Standard deviation of a normal; of the logarithm for lognormal.
    low, high : float or None
        Ends of uniform, triangular and truncated_normal.
    values, weights : tuples
        Measured values (empirical: resampled with linear interpolation between them), or the values of discrete lots
        with their shares.
    lot_share : float
        Share of the variance that is common to a lot (0: every unit on its own).
    """

    shape: str
    center: float = 0.0
    sigma: float = 0.0
    low: float | None = None
    high: float | None = None
    values: tuple[float, ...] = ()
    weights: tuple[float, ...] = ()
    lot_share: float = 0.0

    def problems(self) -> list[str]:
        """Say what is wrong with the numbers, empty if nothing."""
        found = []
        if self.shape not in SHAPES:
            return [f"shape {self.shape!r}; expected one of {', '.join(SHAPES)}"]
        if not 0.0 <= self.lot_share <= 1.0:
            found.append(f"lot_share {self.lot_share!r}; expected 0 to 1")
        if self.shape in ("normal", "truncated_normal", "lognormal") and not (
            np.isfinite(self.sigma) and self.sigma > 0
        ):
            found.append(f"sigma {self.sigma!r}; expected above 0")
        if self.shape in ("uniform", "triangular", "truncated_normal"):
            if self.low is None or self.high is None or not self.low < self.high:
                found.append(f"ends {self.low!r} to {self.high!r}; expected low below high")
            elif self.shape == "triangular" and not self.low <= self.center <= self.high:
                found.append(f"mode {self.center!r}; expected between {self.low!r} and {self.high!r}")
        if self.shape == "lognormal" and not self.center > 0:
            found.append(f"median {self.center!r}; expected above 0")
        if self.shape == "empirical" and len(self.values) < 2:
            found.append(f"{len(self.values)} measured values; expected at least 2")
        if self.shape == "lots" and (
            len(self.values) < 1 or len(self.weights) != len(self.values) or min(self.weights, default=0) < 0
        ):
            found.append("lots need as many shares (0 or more) as values")
        if self.values and not np.all(np.isfinite(self.values)):
            found.append("values that are not finite")
        return found

    def quantile(self, share: ArrayLike) -> Array:
        """Value at a cumulative share (0 to 1)."""
        u = np.asarray(share, dtype=float)
        if self.shape == "empirical":
            return np.asarray(np.quantile(np.asarray(self.values, dtype=float), u))
        if self.shape == "lots":
            order = np.argsort(self.values)
            shares = np.cumsum(np.asarray(self.weights, dtype=float)[order]) / sum(self.weights)
            return np.asarray(self.values, dtype=float)[order][
                np.minimum(np.searchsorted(shares, u), len(order) - 1)
            ]
        from scipy.special import ndtr, ndtri

        # The special functions themselves: scipy's distribution objects cost more than the values of a thousand units.
        if self.shape == "normal":
            return np.asarray(self.center + self.sigma * ndtri(u), dtype=float)
        if self.shape == "lognormal":
            return np.asarray(self.center * np.exp(self.sigma * ndtri(u)), dtype=float)
        if self.shape == "truncated_normal":
            low, high = ((float(end or 0.0) - self.center) / self.sigma for end in (self.low, self.high))
            # Beyond the middle the upper tail is counted from above, where its shares are not lost in rounding.
            side = -1.0 if low + high > 0 else 1.0
            first, last, share = (low, high, u) if side > 0 else (-high, -low, 1.0 - u)
            score = side * ndtri(ndtr(first) + share * (ndtr(last) - ndtr(first)))
            return np.asarray(np.clip(self.center + self.sigma * score, self.low, self.high), dtype=float)
        return np.asarray(self._frozen().ppf(u), dtype=float)

    def moments(self) -> tuple[float, float]:
        """Mean and standard deviation."""
        if self.shape == "empirical":
            return float(np.mean(self.values)), float(np.std(self.values))
        if self.shape == "lots":
            mean = float(np.average(self.values, weights=self.weights))
            return mean, float(
                np.sqrt(np.average((np.asarray(self.values) - mean) ** 2, weights=self.weights))
            )
        frozen = self._frozen()
        return float(frozen.mean()), float(frozen.std())

    def ends(self, share: float = 0.00135) -> tuple[float, float]:
        """Low and high end: the shares that three sigma leave outside on each side of a normal."""
        low, high = self.quantile([share, 1.0 - share])
        return float(low), float(high)

    def _frozen(self) -> Any:
        from scipy import stats

        if self.shape == "normal":
            return stats.norm(self.center, self.sigma)
        if self.shape == "lognormal":
            return stats.lognorm(self.sigma, scale=self.center)
        low, high = float(self.low or 0.0), float(self.high or 0.0)
        if self.shape == "uniform":
            return stats.uniform(low, high - low)
        if self.shape == "triangular":
            return stats.triang((self.center - low) / (high - low), low, high - low)
        return stats.truncnorm(
            (low - self.center) / self.sigma, (high - self.center) / self.sigma, self.center, self.sigma
        )


def declared(value: float, declaration: Declaration) -> Distribution | None:
    """Distribution that a parameter's declaration implies at a nominal value; None where it states no tolerance.

    The declared half width is three sigma.  Hard bounds cut the tails where they lie within five sigma.
    """
    if declaration.tolerance is None:
        return None
    half = declaration.tolerance * abs(value) if declaration.tolerance_is_relative else declaration.tolerance
    sigma = half / 3.0
    if not sigma > 0:
        return None
    low = max((b for b in (declaration.above, declaration.at_least) if b is not None), default=-np.inf)
    high = min((b for b in (declaration.below, declaration.at_most) if b is not None), default=np.inf)
    # A bound that must not be reached itself is kept off by a thousandth of a sigma.
    low = low + 1e-3 * sigma if declaration.above is not None and low == declaration.above else low
    high = high - 1e-3 * sigma if declaration.below is not None and high == declaration.below else high
    if value - 5.0 * sigma < low or value + 5.0 * sigma > high:
        return Distribution(shape="truncated_normal", center=value, sigma=sigma,
                            low=max(low, value - 8.0 * sigma), high=min(high, value + 8.0 * sigma))  # fmt: skip
    return Distribution(shape="normal", center=value, sigma=sigma)
