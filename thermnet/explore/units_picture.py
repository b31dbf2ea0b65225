"""What the units explorer shows: units, their limit, capability and histogram as plain data, and words for them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.explore.units_line import NOISE, POWER
from thermnet.studies.tolerance_tables import Requirement

Array = NDArray[np.float64]


@dataclass(frozen=True)
class UnitsPicture:
    """What the units explorer shows.

    Attributes
    ----------
    what, unit : what is looked at, in words, and its unit
    values : (units,) of the units solved so far; ``whole`` when all are there
    nominal : value of the machine as drawn
    need : limit
    width, edges, counts : histogram of the values
    normal : whether the values look normal (Anderson-Darling at 1 %)
    answers : columns of :func:`thermnet.studies.tolerance_tables.against`
    kept_all : share of units that keep every limit of the machine, with its interval, in percent; None where not asked
    names, widths : tolerances with a slider, and what they are set to; the last name stands for all others
    shares : share of the variance that goes with each of them, None while not all units are there
    largest_other : (name, share) of the strongest tolerance without a slider
    measured : (parts, low, high): interval of the index that so many measured parts would give
    """

    what: str
    unit: str
    values: Array
    whole: bool
    nominal: float
    need: Requirement
    width: float
    edges: Array
    counts: NDArray[np.int64]
    normal: bool
    answers: Mapping[str, Any]
    kept_all: tuple[float, float, float] | None
    names: tuple[str, ...]
    widths: tuple[str, ...]
    shares: Array | None
    largest_other: tuple[str, float]
    measured: tuple[int, float, float]

    @property
    def mean(self) -> float:
        """Mean of the units."""
        return float(self.values.mean())

    @property
    def sigma(self) -> float:
        """Standard deviation of the units."""
        return float(self.values.std(ddof=1))


def bin_width(sigma: float, samples: int) -> float:
    """Width that suits so many normal values (Scott 1979), in round numbers: 1, 2 or 5 times a power of ten."""
    wide = 3.49 * max(sigma, 1e-6) * samples ** (-1.0 / 3.0)
    size = 10.0 ** np.floor(np.log10(wide))
    return float(size * min((1.0, 2.0, 5.0, 10.0), key=lambda share: abs(np.log(share * size / wide))))


def histogram(values: Array, width: float) -> tuple[Array, NDArray[np.int64]]:
    """Edges at multiples of a width, and counts between them."""
    places = np.floor(values / width + 1e-9).astype(np.int64)
    first = int(places.min())
    counts = np.bincount(places - first)
    edges = np.asarray(width * (first + np.arange(counts.size + 1)), dtype=np.float64)
    return edges, counts.astype(np.int64)


def unit_of(output: str) -> str:
    """Unit of an output, as written on the screen."""
    return {POWER: "W", NOISE: "dBA"}.get(output, "°C")


def spread_unit(unit: str) -> str:
    """Unit of a difference."""
    return {"°C": "K", "dBA": "dB"}.get(unit, unit)


def limit_text(picture: UnitsPicture) -> str:
    """Limit in words."""
    need = picture.need
    return f"at most {need.upper:g} {picture.unit}" if need.upper is not None else f"at least {need.lower:g} {picture.unit}"


def percent(failing: float) -> str:
    """Share of good units in percent from failing ones per million."""
    return f"{100.0 - 1e-4 * failing:.4g}"


def millions(number: float) -> str:
    """Failing units per million, to three digits."""
    return "under 0.1" if number < 0.1 else f"{float(f'{number:.3g}'):,.10g}".replace(",", " ")


__all__ = ["UnitsPicture", "bin_width", "histogram", "limit_text", "millions", "percent", "spread_unit", "unit_of"]
