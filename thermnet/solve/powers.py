"""Heat put into the nodes of a bare network over time: constant, stepped, or a function of time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network.compiled import CompiledNetwork, power_rows

Array = NDArray[np.float64]

SAME_TIME = 1e-12
"""Steps of different sources closer than this share of the time are one step (rounding of the times given)."""


@dataclass(frozen=True)
class Powers:
    """Heat into every node over time.

    Attributes
    ----------
    nodes : names of the nodes, for messages
    constant : (n,) W
    stepped : (row, times in s, watts) of piecewise constant sources; 0 W before the first time
    varying : (row, callable of time in s giving W)
    """

    nodes: tuple[str, ...]
    constant: Array
    stepped: tuple[tuple[int, Array, Array], ...]
    varying: tuple[tuple[int, Callable[[float], float]], ...]

    def at(self, time: float, piece: float | None = None) -> Array:
        """Heat in W into every node at ``time``.

        ``piece`` is the start of the interval between two steps in which ``time`` lies: stepped powers then keep the
        value they have just after it, up to and including the interval's end.

        Raises
        ------
        NetworkError
            A callable gives something that is not a finite number.
        """
        watts = self.constant.copy()
        now = time if piece is None else piece
        for row, times, values in self.stepped:
            k = int(np.searchsorted(times, now, side="right")) - 1
            watts[row] += values[k] if k >= 0 else 0.0
        for row, function in self.varying:
            watts[row] += finite_watts(function(time), self.nodes[row], time)
        return watts

    def over(self, times: Array) -> Array:
        """Heat in W into every node at each of the ``times``: (times, n); as :meth:`at`, all at once."""
        watts = np.tile(self.constant, (times.size, 1))
        for row, steps, values in self.stepped:
            k = np.searchsorted(steps, times, side="right") - 1
            watts[:, row] += np.where(k >= 0, values[np.maximum(k, 0)], 0.0)
        for row, function in self.varying:
            watts[:, row] += [finite_watts(function(time), self.nodes[row], time) for time in times.tolist()]
        return watts

    @property
    def breaks(self) -> Array:
        """Times at which a stepped power changes, s."""
        return np.unique(np.concatenate([np.zeros(0), *(times for _, times, _ in self.stepped)]))


def finite_watts(value: Any, node: str, time: float | None = None) -> float:
    """``value`` as a power in W.

    Raises
    ------
    NetworkError
        It is not a finite number; the node (and the time) are named.
    """
    try:
        watts = float(value)
    except (TypeError, ValueError):
        watts = float("nan")
    if not np.isfinite(watts):
        when = "" if time is None else f" at {time:g} s"
        raise NetworkError(f"power at {node!r} is {value!r}{when}; expected a finite number of W")
    return watts


def read_powers(compiled: CompiledNetwork, power: Mapping[str, Any]) -> Powers:
    """Sort a mapping of node name to number, (times, watts) or callable.

    Raises
    ------
    NetworkError
        Unknown nodes, and values of any other kind, by name.
    """
    constant = np.zeros(compiled.size)
    stepped: list[tuple[int, Array, Array]] = []
    varying: list[tuple[int, Any]] = []
    for row, value in power_rows(compiled, power).items():
        name = compiled.nodes[row]
        if callable(value):
            varying.append((row, value))
        elif isinstance(value, tuple | list):
            stepped.append((row, *_steps(value, name)))
        elif np.ndim(value):
            raise NetworkError(
                f"power at {name!r} is an array; expected a number of W, (times, watts), or a callable of time"
            )
        else:
            constant[row] = finite_watts(value, name)
    return Powers(compiled.nodes, constant, _on_common_times(stepped), tuple(varying))


def _steps(value: Any, name: str) -> tuple[Array, Array]:
    try:
        times, watts = (np.array(part, dtype=float) for part in value)
    except (TypeError, ValueError):
        raise NetworkError(f"power at {name!r}: expected a pair (times in s, watts) of numbers") from None
    if times.ndim != 1 or times.shape != watts.shape or times.size == 0 or np.any(np.diff(times) <= 0):
        raise NetworkError(f"power at {name!r}: (times, watts) must be equally long, with times rising")
    if not (np.all(np.isfinite(times)) and np.all(np.isfinite(watts))):
        raise NetworkError(f"power at {name!r}: (times, watts) must be finite")
    return times, watts


def _on_common_times(stepped: list[tuple[int, Array, Array]]) -> tuple[tuple[int, Array, Array], ...]:
    """Let steps of several sources that differ by rounding only fall on one time."""
    if len(stepped) < 2:
        return tuple(stepped)
    every = np.unique(np.concatenate([times for _, times, _ in stepped]))
    fresh = np.concatenate([[True], np.diff(every) > SAME_TIME * np.abs(every[1:])])
    common = every[fresh][np.cumsum(fresh) - 1]
    return tuple((row, common[np.searchsorted(every, times)], watts) for row, times, watts in stepped)
