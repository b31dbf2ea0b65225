"""Highest powers for many durations at once: every run at a power tells all durations up to its own.

A run at a constant power gives the excess over every limit at all shorter durations too, and the budget of a longer
duration is a lower bound for a shorter one, so that a handful of runs bracket most durations already; each is then
closed in on like a single one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from thermnet.studies.held_power import HIGHEST_POWER

Array = NDArray[np.float64]
Excess = Callable[[float, Sequence[int]], Array]


def budget_curve(
    excess: Excess, samples: Sequence[int], guess: float, *, accuracy: float = 0.005,
    steps: Callable[[Iterable[int]], Iterable[int]] = iter,
) -> tuple[Array, NDArray[np.int64]]:  # fmt: skip
    """Highest power for each duration at which no limit is exceeded, W, and the limit that binds (-1: none).

    As :func:`thermnet.studies.held_power.highest_power` finds them one by one.

    Parameters
    ----------
    excess : callable
        Of a power in W and control samples (rising): highest excess over each limit up to each, (samples, limits).
        Must grow with power.
    samples : durations in control samples
    guess : float
        W, about right for the longest.
    accuracy : float
        W.
    steps : callable
        Wraps the durations as they are worked through (for a progress bar).
    """
    marks, place = np.unique(np.asarray(samples, dtype=np.int64), return_inverse=True)
    known = _Known(excess, marks.tolist())
    power, binds = np.empty(marks.size), np.empty(marks.size, dtype=np.int64)
    # From the longest to the shortest: each answer is a lower bound and a good guess for the next.
    for k in steps(range(marks.size - 1, -1, -1)):
        if k + 2 < marks.size and power[k + 2] > 0:
            # Along the last two answers, over the logarithm of the duration.
            slope = np.log(power[k + 1] / power[k + 2]) / np.log(marks[k + 1] / marks[k + 2])
            guess = power[k + 1] * float(np.exp(slope * np.log(marks[k] / marks[k + 1])))
        power[k], binds[k] = _close_in(known, k, max(guess, 1.0), accuracy)
        guess = max(power[k], 1.0) * 1.02
    return power[place], binds[place]


class _Known:
    """What the runs so far have told: worst excess and its limit by power, for every duration."""

    def __init__(self, excess: Excess, marks: list[int]) -> None:
        self._excess, self._marks = excess, marks
        self._runs: list[tuple[float, Array, NDArray[np.int64]]] = []

    def ask(self, power: float, k: int) -> tuple[float, int]:
        """Run at a power for duration ``k``; returns the worst excess and its limit."""
        values = self._excess(power, self._marks[: k + 1])
        self._runs.append((power, values.max(axis=1), values.argmax(axis=1)))
        return float(values[k].max()), int(values[k].argmax())

    def at(self, k: int) -> list[tuple[float, float, int]]:
        """Powers in rising order, with their worst excess and its limit, for duration ``k``."""
        return sorted((power, float(worst[k]), int(limit[k])) for power, worst, limit in self._runs if worst.size > k)


def _close_in(known: _Known, k: int, guess: float, accuracy: float) -> tuple[float, int]:
    """Highest power for one duration: bracket from what is known, then secant steps that stay inside it."""
    low, high = _bracket(known, k, guess)
    if high is None:
        return HIGHEST_POWER, -1
    if low is None:
        return 0.0, high[2]
    stuck = 0
    for _ in range(80):
        width = high[0] - low[0]
        if width < accuracy:
            break
        zero = _interpolated(known.at(k), low, high) if stuck < 3 else 0.5 * (low[0] + high[0])
        # First just below the estimate, then just above it, so that the bracket shuts around it.
        new = zero + (0.4 if zero - low[0] < 0.6 * accuracy else -0.4) * accuracy
        new = min(max(new, low[0] + 0.2 * accuracy), high[0] - 0.2 * accuracy)
        value, q = known.ask(new, k)
        low, high = ((new, value, q), high) if value < 0 else (low, (new, value, q))
        stuck = stuck + 1 if high[0] - low[0] > 0.5 * width else 0
    return low[0], high[2]


Point = tuple[float, float, int]


def _bracket(known: _Known, k: int, guess: float) -> tuple[Point | None, Point | None]:
    """Nearest powers that keep and exceed the limits; None where there is none from 0 W to the highest power."""
    points = known.at(k)
    low = max((p for p in points if p[1] < 0), default=None)
    high = min((p for p in points if p[1] >= 0 and (low is None or p[0] > low[0])), default=None)
    power, stride = guess, 1.01
    if low is not None:
        power = max(guess, low[0] * 1.002)
    while low is None or high is None:
        if high is None:
            power = min(power, HIGHEST_POWER)
        value, q = known.ask(power, k)
        if value < 0:
            low = (power, value, q)
            if power >= HIGHEST_POWER:
                return low, None
            power = power * stride if high is None else 0.5 * (power + high[0])
        else:
            high = (power, value, q)
            if power == 0.0:
                return None, high
            if low is None:
                power = 0.0 if power < 2.0 else power / stride
        stride = min(stride**4, 1.6)
    return low, high


def _interpolated(points: list[Point], low: Point, high: Point) -> float:
    """Zero of the excess: on the line through the two points nearest to it, or between ``low`` and ``high``."""
    first, second = sorted(points, key=lambda p: abs(p[1]))[:2]
    if first[1] != second[1]:
        zero = first[0] - first[1] * (second[0] - first[0]) / (second[1] - first[1])
        if low[0] <= zero <= high[0]:
            return zero
    return (low[0] * high[1] - high[0] * low[1]) / (high[1] - low[1])


__all__ = ["budget_curve"]
