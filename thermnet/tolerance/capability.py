"""Process capability: indices, their confidence intervals, sample sizes, yield, and the share of the gauge.

Standard formulas of statistical process control on scipy's distributions.  Limits may be one-sided: pass None for
the side that does not exist.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
CAPABLE = 4.0 / 3.0
"""Index from which a process is commonly called capable."""


def cp(sigma: float, lower: float, upper: float) -> float:
    """Capability of a centred process: tolerance over six sigma (NIST/SEMATECH e-Handbook, section 6.1.6)."""
    _limits(lower, upper)
    return (upper - lower) / (6.0 * sigma)


def cpk(mean: float, sigma: float, lower: float | None = None, upper: float | None = None) -> float:
    """Capability with the mean where it is: distance to the nearer limit over three sigma (e-Handbook 6.1.6)."""
    _limits(lower, upper)
    sides = []
    if upper is not None:
        sides.append((upper - mean) / (3.0 * sigma))
    if lower is not None:
        sides.append((mean - lower) / (3.0 * sigma))
    return float(min(sides))


def cpm(mean: float, sigma: float, target: float, lower: float, upper: float) -> float:
    """Capability about a target: tolerance over six root-mean-square distances from the target (e-Handbook 6.1.6)."""
    _limits(lower, upper)
    return float((upper - lower) / (6.0 * np.hypot(sigma, mean - target)))


def cp_interval(estimate: float, count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided interval of Cp or Pp from ``count`` samples, by the chi-square distribution of the variance.

    Source: Y.-M. Chou, D. B. Owen, S. A. Borrego, J. Quality Technology 22, 1990, 223-229.
    """
    from scipy.stats import chi2

    _count(count)
    low, high = chi2.ppf([(1.0 - confidence) / 2.0, (1.0 + confidence) / 2.0], count - 1)
    return float(estimate * np.sqrt(low / (count - 1))), float(estimate * np.sqrt(high / (count - 1)))


def cpk_interval(estimate: float, count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided interval of Cpk or Ppk from ``count`` samples.

    Source: A. F. Bissell, Applied Statistics 39, 1990, 331-340:
    ``Cpk +- z sqrt(1/(9 n) + Cpk^2/(2 (n - 1)))``.
    """
    from scipy.stats import norm

    half = float(norm.ppf((1.0 + confidence) / 2.0)) * _spread_of_cpk(estimate, count)
    return estimate - half, estimate + half


def cpk_lower_bound(estimate: float, count: int, confidence: float = 0.95) -> float:
    """One-sided lower bound of Cpk (Bissell 1990, as :func:`cpk_interval`)."""
    from scipy.stats import norm

    return estimate - float(norm.ppf(confidence)) * _spread_of_cpk(estimate, count)


def samples_needed(
    estimate: float, required: float, confidence: float = 0.95, largest: int = 1_000_000
) -> int:
    """Fewest samples at which an estimated Cpk shows at least ``required`` with one-sided ``confidence``.

    Raises
    ------
    ValueError
        The estimate does not exceed what is required, so that no number of samples would show it.
    """
    if not estimate > required:
        raise ValueError(
            f"an estimated Cpk of {estimate:g} never shows {required:g}; expected an estimate above it"
        )
    low, high = 2, largest
    while low < high:
        middle = (low + high) // 2
        if cpk_lower_bound(estimate, middle, confidence) >= required:
            high = middle
        else:
            low = middle + 1
    return low


def fraction_outside(
    mean: float, sigma: float, lower: float | None = None, upper: float | None = None
) -> float:
    """Fraction of a normal distribution outside the limits."""
    from scipy.stats import norm

    _limits(lower, upper)
    below = float(norm.cdf((lower - mean) / sigma)) if lower is not None else 0.0
    above = float(norm.sf((upper - mean) / sigma)) if upper is not None else 0.0
    return below + above


def centred_fraction_outside(index: ArrayLike) -> Any:
    """Fraction outside two limits of a centred normal process with this Cpk: ``2 Phi(-3 Cpk)``."""
    from scipy.stats import norm

    return 2.0 * norm.cdf(-3.0 * np.asarray(index, dtype=float))


def percentile_cpk(values: ArrayLike, lower: float | None = None, upper: float | None = None) -> float:
    """Ppk of data of any shape, from the median and the 0.135 % and 99.865 % points of the sample.

    Infinite where the sample has no spread towards the limit.

    Source: ISO 22514-2 method of percentiles (from memory).  Needs some thousands of values to be more than a guess.
    """
    _limits(lower, upper)
    data = np.asarray(values, dtype=float)
    low, median, high = np.quantile(data, [0.00135, 0.5, 0.99865])
    sides = []
    if upper is not None:
        sides.append((upper - median) / (high - median) if high > median else np.inf)
    if lower is not None:
        sides.append((median - lower) / (median - low) if median > low else np.inf)
    return float(min(sides))


def yield_interval(
    passed: int, count: int, confidence: float = 0.95, *, effective: float | None = None
) -> tuple[float, float]:  # fmt: skip
    """Exact (Clopper-Pearson) two-sided interval of a yield from ``passed`` of ``count``.

    ``effective`` is the number of independent units that the sample is worth (:func:`effective_count`); the same
    interval at that number (E. L. Korn, B. I. Graubard, Survey Methodology 24, 1998, 193-201).
    """
    from scipy.stats import beta

    if not 0 <= passed <= count or count < 1:
        raise ValueError(f"{passed} of {count} passed; expected 0 to {count} of at least 1")
    n = float(count) if effective is None else float(min(effective, count))
    good, outside = n * passed / count, 0.5 * (1.0 - confidence)
    low = float(beta.ppf(outside, good, n - good + 1.0)) if passed else 0.0
    high = float(beta.ppf(1.0 - outside, good + 1.0, n - good)) if passed < count else 1.0
    return low, high


def effective_count(good: ArrayLike, lot_size: int, lot_share: float) -> float:
    """Independent units that a sample made lot by lot is worth.

    Count over the design effect: variance of the lots' yields over that of independent units (L. Kish, Survey Sampling,
    1965).  Where all units pass, or none, the lots tell nothing, and the largest ``lot_share`` of any parameter stands
    for their likeness.
    """
    units = np.asarray(good, dtype=float)
    lots = [units[a : a + lot_size] for a in range(0, units.size, lot_size)]
    share = float(units.mean())
    if 0.0 < share < 1.0 and len(lots) > 1:
        squares = sum((lot.sum() - lot.size * share) ** 2 for lot in lots) * len(lots) / (len(lots) - 1)
        effect = float(squares) / (units.size * share * (1.0 - share))
    else:
        effect = 1.0 + (min(lot_size, units.size) - 1) * lot_share
    return units.size / max(effect, 1.0)


def success_run(coverage: float, confidence: float) -> int:
    """Fewest samples, none failing, that show ``coverage`` with ``confidence``: ``ln(1 - c)/ln p`` (Wilks 1941)."""
    _share(coverage, "coverage")
    _share(confidence, "confidence")
    return int(np.ceil(np.log(1.0 - confidence) / np.log(coverage) - 1e-12))


def two_sided_run(coverage: float, confidence: float) -> int:
    """Fewest samples whose extremes enclose ``coverage`` with ``confidence`` (Wilks 1941, first order, two-sided)."""
    _share(coverage, "coverage")
    _share(confidence, "confidence")
    n = 2
    while 1.0 - n * coverage ** (n - 1) + (n - 1) * coverage**n < confidence:
        n += 1
    return n


def tolerance_factor(
    count: int, coverage: float, confidence: float, *, sided: Literal["one", "two"] = "one"
) -> float:
    """Factor ``k`` so that mean +- k sigma covers ``coverage`` of a normal population with ``confidence``.

    One-sided exact by the noncentral t distribution; two-sided by W. G. Howe's approximation (J. Am. Stat. Assoc. 64,
    1969, 610-620).  NIST/SEMATECH e-Handbook, section 7.2.6.3.
    """
    from scipy.stats import chi2, nct, norm

    _count(count)
    if sided == "one":
        shift = float(norm.ppf(coverage)) * np.sqrt(count)
        return float(nct.ppf(confidence, count - 1, shift) / np.sqrt(count))
    z = float(norm.ppf((1.0 + coverage) / 2.0))
    degrees = count - 1
    return float(z * np.sqrt(degrees * (1.0 + 1.0 / count) / chi2.ppf(1.0 - confidence, degrees)))


@dataclass(frozen=True)
class Gauge:
    """Variance shares of a measurement study, and the gauge's spread against a tolerance.

    Attributes
    ----------
    repeatability, reproducibility, part : standard deviations (same unit as the readings)
    share : gauge variance over total variance
    tolerance_ratio : six gauge sigmas over the tolerance (nan without limits)
    """

    repeatability: float
    reproducibility: float
    part: float
    share: float
    tolerance_ratio: float

    @property
    def sigma(self) -> float:
        """Standard deviation of the gauge: repeatability and reproducibility together."""
        return float(np.hypot(self.repeatability, self.reproducibility))


def gauge_study(readings: ArrayLike, tolerance: float | None = None) -> Gauge:
    """Repeatability and reproducibility by analysis of variance.

    Parameters
    ----------
    readings : (parts, operators, repeats)
        Every operator measures every part several times.
    tolerance : float, optional
        Upper minus lower limit.

    Source: standard two-way random-effects analysis with interaction (D. C. Montgomery, Introduction to Statistical
    Quality Control, chapter on gauge capability); negative variance estimates count as zero.
    """
    data = np.asarray(readings, dtype=float)
    if data.ndim != 3 or min(data.shape) < 2 or not np.all(np.isfinite(data)):
        raise ValueError(
            f"readings of shape {data.shape}; expected finite readings (parts, operators, repeats), at least 2 of each"
        )
    parts, operators, repeats = data.shape
    grand = data.mean()
    by_part, by_operator, by_cell = data.mean(axis=(1, 2)), data.mean(axis=(0, 2)), data.mean(axis=2)
    square_part = operators * repeats * np.sum((by_part - grand) ** 2) / (parts - 1)
    square_operator = parts * repeats * np.sum((by_operator - grand) ** 2) / (operators - 1)
    mixed = by_cell - by_part[:, None] - by_operator[None, :] + grand
    square_mixed = repeats * np.sum(mixed**2) / ((parts - 1) * (operators - 1))
    square_error = np.sum((data - by_cell[:, :, None]) ** 2) / (parts * operators * (repeats - 1))
    variance_mixed = max((square_mixed - square_error) / repeats, 0.0)
    variance_operator = max((square_operator - square_mixed) / (parts * repeats), 0.0) + variance_mixed
    variance_part = max((square_part - square_mixed) / (operators * repeats), 0.0)
    gauge = square_error + variance_operator
    total = gauge + variance_part
    ratio = float("nan") if tolerance is None else 6.0 * np.sqrt(gauge) / tolerance
    return Gauge(
        float(np.sqrt(square_error)), float(np.sqrt(variance_operator)), float(np.sqrt(variance_part)),
        float(gauge / total) if total > 0 else 0.0, float(ratio),
    )  # fmt: skip


def guard_band(
    lower: float | None, upper: float | None, gauge_sigma: float, confidence: float = 0.95
) -> tuple[float | None, float | None]:
    """Test limits moved inwards so that a unit at the limit passes by error with at most ``1 - confidence``."""
    from scipy.stats import norm

    _limits(lower, upper)
    move = float(norm.ppf(confidence)) * gauge_sigma
    inner = (None if lower is None else lower + move, None if upper is None else upper - move)
    if inner[0] is not None and inner[1] is not None and inner[0] >= inner[1]:
        raise ValueError(
            f"a guard band of {move:g} on each side leaves nothing between {lower:g} and {upper:g}"
        )
    return inner


def worst_case_stack(tolerances: Sequence[float]) -> float:
    """Sum of absolute tolerances: every part at its end at once."""
    return float(np.sum(np.abs(tolerances)))


def root_sum_square_stack(tolerances: Sequence[float]) -> float:
    """Root of the sum of squares: independent centred contributions of one capability."""
    return float(np.sqrt(np.sum(np.square(tolerances))))


def _spread_of_cpk(estimate: float, count: int) -> float:
    _count(count)
    return float(np.sqrt(1.0 / (9.0 * count) + estimate**2 / (2.0 * (count - 1))))


def _limits(lower: float | None, upper: float | None) -> None:
    if lower is None and upper is None:
        raise ValueError("no limit given; expected a lower or an upper limit")
    if lower is not None and upper is not None and not lower < upper:
        raise ValueError(f"limits {lower:g} to {upper:g} are the wrong way round; expected lower below upper")


def _count(count: int) -> None:
    if count < 2:
        raise ValueError(f"{count} samples; expected at least 2")


def _share(value: float, name: str) -> None:
    if not 0.0 < value < 1.0:
        raise ValueError(f"{name} {value!r}; expected between 0 and 1")
