"""What the user asks of the machine: demand on each chip over time, and the other loads that come with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Workload:
    """Demand over time.

    Attributes
    ----------
    name, title : str
    times : (n,) array
        Start of each piece, s, rising from 0; the demand of a piece holds until the next (piecewise constant).
    watts : mapping of chip name to (n,) array
        Chip power asked for, W.
    holds : "power" or "frequency"
        ``power``: the chip draws exactly what is asked unless a limit binds (a metered trace, a heat soak).
        ``frequency``: the watts are what the load draws at full frequency, the leakage reference temperature and the
        chip's curve voltage; leakage then follows the die, and a voltage offset changes what the load draws.
    duration : float
        Natural length of the run, s.
    other : mapping of source name to W
        Heat of other parts while this load runs (drive, memory, charger); parts left out keep their nominal heat.
    notes : tuple of str
        What was assumed or mended while reading the demand.
    """

    name: str
    title: str = ""
    times: Array = field(default_factory=lambda: np.zeros(1))
    watts: Mapping[str, Array] = field(default_factory=dict)
    holds: Literal["power", "frequency"] = "power"
    duration: float = 1800.0
    other: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        times = np.asarray(self.times, dtype=float)
        rising = times.ndim == 1 and times.size > 0 and times[0] == 0.0 and np.all(np.diff(times) > 0)
        if not (rising and np.isfinite(times[-1])):
            raise ValueError(f"workload {self.name!r}: times must rise from 0 s without repeats")
        if self.holds not in ("power", "frequency"):
            raise ValueError(f"workload {self.name!r}: holds {self.holds!r}; expected 'power' or 'frequency'")
        for chip, watts in self.watts.items():
            values = np.asarray(watts, dtype=float)
            if values.shape != times.shape or not np.all(np.isfinite(values)) or np.any(values < 0):
                raise ValueError(
                    f"workload {self.name!r}: demand of {chip!r} must be {times.size} finite values of 0 W or more"
                )
        if not (np.isfinite(self.duration) and self.duration > 0):
            raise ValueError(f"workload {self.name!r}: duration {self.duration!r}; expected more than 0 s")

    def sampled(self, chip: str, period: float, count: int) -> Array:
        """Mean demand of ``chip`` over each of ``count`` control samples of ``period`` s, W (energy is conserved)."""
        if chip not in self.watts:
            return np.zeros(count)
        times, watts = np.asarray(self.times, dtype=float), np.asarray(self.watts[chip], dtype=float)
        if times.size == 1:
            return np.full(count, watts[0])
        edges = np.arange(count + 1) * period
        energy = np.concatenate([[0.0], np.cumsum(watts[:-1] * np.diff(times))])
        last = np.maximum(edges - times[-1], 0.0) * watts[-1]
        total = np.interp(edges, times, energy) + last
        mean: Array = np.maximum(np.diff(total) / period, 0.0)
        return mean


def constant(watts: float | Mapping[str, float], chip: str, duration: float = 1800.0, *, holds: Any = "power") -> Workload:
    """Flat demand of ``watts`` on ``chip`` (or a mapping of chip to W)."""
    levels = dict(watts) if isinstance(watts, Mapping) else {chip: float(watts)}
    text = ", ".join(f"{value:g} W on {name}" for name, value in levels.items())
    return Workload(
        name=text, title=f"constant {text}", watts={k: np.array([v], dtype=float) for k, v in levels.items()},
        duration=duration, holds=holds,
    )  # fmt: skip
