"""Loads by name, and everything else that may stand where a workload is asked for.

Shapes and levels of the named loads: workload table of the trade survey behind the demonstration machines
(common practice, no source); levels are chip power at full frequency.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import DesignError, Problem
from thermnet.firmware.workload import Workload, constant
from thermnet.wording import any_of, found, nearest, quoted

Array = NDArray[np.float64]
Trace = tuple[list[float], list[float]]
Draw = Callable[[float, float], float]
Shape = Callable[[Draw], Trace]

HORIZON = 4 * 3600.0
"""s; a named load goes on in the same manner for this long, after that its last level holds."""
QUIET = 1.5
"""W; a chip that a load leaves alone (common practice, no source)."""
HIGHEST = 2000.0
"""W; more than this on one chip is taken for a slip of units."""


# -- shapes: each returns (start of piece in s, W) -------------------------------------------------------


def _flat(level: float) -> Shape:
    return lambda draw: ([0.0], [level])


def _spikes(
    base: float, spike: tuple[float, float], length: tuple[float, float], every: tuple[float, float]
) -> Shape:
    """Make a base level with spikes of random height and length at random distances."""

    def shape(draw: Draw) -> Trace:
        times, watts, now = [0.0], [base], 0.0
        while now < HORIZON:
            start = now + draw(*every)
            end = start + draw(*length)
            times += [start, end]
            watts += [draw(*spike), base]
            now = end
        return times, watts

    return shape


def _steps(level: tuple[float, float], length: tuple[float, float]) -> Shape:
    """One level after another, each drawn anew."""

    def shape(draw: Draw) -> Trace:
        times, watts, now = [], [], 0.0
        while now < HORIZON:
            times.append(now)
            watts.append(draw(*level))
            now += draw(*length)
        return times, watts

    return shape


def _bursts(level: tuple[float, float], length: tuple[float, float], duty: float, rest: float) -> Shape:
    """Bursts of random length, each followed by the rest that makes up the duty."""

    def shape(draw: Draw) -> Trace:
        times, watts, now = [], [], 0.0
        while now < HORIZON:
            burst = draw(*length)
            times += [now, now + burst]
            watts += [draw(*level), rest]
            now += burst / duty
        return times, watts

    return shape


@dataclass(frozen=True)
class _Named:
    """A named load: title, natural length in s, and its shapes on a processor alone, or beside graphics."""

    title: str
    duration: float
    processor: Shape
    beside_graphics: Shape | None = None
    graphics: Shape | None = None


_NAMED = {
    "idle": _Named("background work only", 1800.0, _spikes(1.5, (3.0, 6.0), (0.2, 0.6), (5.0, 20.0))),
    "typing": _Named("writing, mail, chat", 1800.0, _spikes(3.0, (8.0, 15.0), (0.2, 0.8), (1.0, 6.0))),
    "pages": _Named("page after page", 1800.0, _spikes(3.0, (25.0, 45.0), (1.0, 3.0), (10.0, 40.0))),
    "compile": _Named("compile, short pauses", 480.0, _spikes(45.0, (4.0, 8.0), (1.0, 4.0), (15.0, 60.0))),
    "render": _Named("flat out", 1800.0, _flat(60.0), _flat(45.0), _flat(80.0)),
    "call": _Named("video call", 2700.0, _steps((9.0, 14.0), (2.0, 10.0))),
    "game": _Named(
        "game", 3600.0, _steps((25.0, 45.0), (5.0, 30.0)), _steps((20.0, 45.0), (5.0, 30.0)),
        _steps((80.0, 120.0), (5.0, 30.0)),
    ),
    "inference": _Named(
        "bursts of inference", 1800.0, _bursts((45.0, 70.0), (5.0, 20.0), 0.6, 4.0), _flat(12.0),
        _bursts((45.0, 70.0), (5.0, 20.0), 0.6, 6.0),
    ),
}  # fmt: skip


def workload_names() -> tuple[str, ...]:
    """Names of the loads that come with the package."""
    return tuple(_NAMED)


def workload(name: str, chips: Sequence[str]) -> Workload:
    """Build one of the named loads.

    Parameters
    ----------
    name : str
        One of :func:`workload_names`.
    chips : sequence of str
        The machine's chips: the first is the processor; a second one is graphics and takes its share of
        ``render``, ``game`` and ``inference``.  Chips that a load leaves alone draw ``QUIET`` W.

    Returns
    -------
    Workload
        ``holds = "frequency"``; the same demand on every call (the random numbers have a fixed seed).

    Raises
    ------
    DesignError
        Unknown name, or no chip to load.
    """
    if not isinstance(name, str) or name not in _NAMED:
        raise _error("workload", found(name), any_of(_NAMED), nearest(str(name), _NAMED))
    if not chips:
        raise _error("chips", "no chip", "at least one chip to put the load on")
    named = _NAMED[name]
    shapes = [named.processor]
    if len(chips) > 1 and named.graphics is not None and named.beside_graphics is not None:
        shapes = [named.beside_graphics, named.graphics]
    traces = {}
    for index, chip in enumerate(chips):
        shape = shapes[index] if index < len(shapes) else _flat(QUIET)
        traces[chip] = shape(_draw([list(_NAMED).index(name), index]))
    times, watts = _on_one_clock(traces)
    return Workload(
        name=name, title=named.title, times=times, watts=watts, holds="frequency", duration=named.duration,
        notes=("levels and pattern are illustrative",),
    )  # fmt: skip


def _draw(seed: list[int]) -> Draw:
    """Uniform random numbers between two ends, the same for the same seed."""
    random = np.random.Generator(np.random.PCG64(seed))
    return lambda low, high: low + (high - low) * float(random.random())


def _on_one_clock(traces: Mapping[str, tuple[Any, Any]]) -> tuple[Array, dict[str, Array]]:
    """Put piecewise constant demands with clocks of their own on one clock."""
    times = np.unique(np.concatenate([np.asarray(t, dtype=float) for t, _ in traces.values()]))
    watts = {}
    for chip, (own, levels) in traces.items():
        watts[chip] = np.asarray(levels, dtype=float)[
            np.searchsorted(np.asarray(own), times, side="right") - 1
        ]
    return times, watts


def natural_duration(times: Any) -> float:
    """Length in s of a demand whose pieces start at ``times``: the last is as long as the median one."""
    starts = np.asarray(times, dtype=float)
    return float(starts[-1] + np.median(np.diff(starts))) if starts.size > 1 else 1800.0


# -- anything that stands for a workload -----------------------------------------------------------------


def as_workload(spec: Any, chips: Sequence[str], own: Mapping[str, Workload] | None = None) -> Workload:
    """Make a Workload of whatever the user gave.

    Parameters
    ----------
    spec : str, Path, Workload, number, pair or mapping
        Name of a load (of ``own`` or of this package), path of a CSV demand log, a Workload, a number of W on
        the first chip, ``(times, watts)`` held piecewise constant on the first chip (``watts`` may be a
        mapping by chip), or a mapping of chip to W or to ``(times, watts)``.
    chips : sequence of str
        The machine's chips, processor first.
    own : mapping, optional
        Loads that the design brings along, by name.

    Raises
    ------
    DesignError
        Nothing that could be meant; lists every problem.
    """
    own = own or {}
    if isinstance(spec, Workload):
        _known_chips(spec.watts, chips)
        return spec
    if isinstance(spec, Path) or (isinstance(spec, str) and spec.lower().endswith((".csv", ".tsv", ".txt"))):
        from thermnet.firmware.demand_log import read_demand_csv

        return read_demand_csv(spec, chips)
    if isinstance(spec, str):
        if spec in own:
            return own[spec]
        known = [*own, *_NAMED]
        if spec not in known and _is_file(spec):
            return as_workload(Path(spec), chips)
        if spec not in known:
            hint = nearest(spec, known) or "A demand log is given by its path, ending in .csv."
            raise _error("workload", quoted(spec), any_of(known, 20), hint)
        return workload(spec, chips)
    if not chips:
        raise _error("chips", "no chip", "at least one chip to put the load on")
    if isinstance(spec, Mapping):
        _known_chips(spec, chips)
        return _from_traces({chip: _trace(value, f"workload.{chip}") for chip, value in spec.items()})
    if _is_number(spec):
        (_, (level,)) = _trace(spec, "workload")
        return constant(level, chips[0])
    if isinstance(spec, tuple | list) and len(spec) == 2 and isinstance(spec[1], Mapping):
        _known_chips(spec[1], chips)
        return _from_traces(
            {chip: _trace((spec[0], row), f"workload.{chip}") for chip, row in spec[1].items()}
        )
    return _from_traces({chips[0]: _trace(spec, "workload")})


def _is_file(text: str) -> bool:
    try:
        return Path(text).is_file()
    except (OSError, ValueError):
        return False


def _from_traces(traces: Mapping[str, tuple[Any, Any]]) -> Workload:
    times, watts = _on_one_clock(traces)
    if times.size == 1:
        return constant({chip: float(levels[0]) for chip, levels in watts.items()}, next(iter(watts)))
    return Workload(
        name="own", title="given times and watts", times=times, watts=watts, duration=natural_duration(times)
    )


def _trace(value: Any, key: str) -> tuple[list[float], list[float]]:
    """Check a number or a (times, watts) pair; raise DesignError listing everything wrong with it."""
    expected = "a number of W, or a pair (times in s, watts in W)"
    if _is_number(value):
        times, watts = np.zeros(1), np.array([float(value)])
    else:
        if not isinstance(value, tuple | list) or len(value) != 2:
            raise _error(key, found(value), f"{expected}, the name of a load, or the path of a CSV log")
        try:
            times, watts = (np.asarray(row, dtype=float) for row in value)
        except (TypeError, ValueError):
            raise _error(key, found(value), expected) from None
    problems = []
    if times.ndim != 1 or watts.ndim != 1 or times.size == 0 or times.size != watts.size:
        text = f"times of shape {times.shape} and watts of shape {watts.shape}"
        raise _error(key, text, "two rows of the same length")
    if not np.all(np.isfinite(times)):
        problems.append(Problem(key, f"time {times[~np.isfinite(times)][0]}", "finite times in s"))
    elif times[0] != 0.0:
        problems.append(Problem(key, f"first time {times[0]:g} s", "times starting at 0 s"))
    elif np.any(np.diff(times) <= 0):
        at = int(np.argmax(np.diff(times) <= 0)) + 1
        problems.append(
            Problem(key, f"time {times[at]:g} s after {times[at - 1]:g} s", "times that rise without repeats")
        )
    bad = ~np.isfinite(watts) | (watts < 0) | (watts > HIGHEST)
    if np.any(bad):
        problems.append(Problem(key, f"{watts[bad][0]:g} W", f"demand from 0 W to {HIGHEST:g} W"))
    if problems:
        raise DesignError("workload", problems)
    return [float(t) for t in times], [float(w) for w in watts]


def _known_chips(watts: Mapping[str, Any], chips: Sequence[str]) -> None:
    problems = [
        Problem(f"workload.{chip}", "unknown chip", any_of(chips), nearest(str(chip), chips))
        for chip in watts
        if chip not in chips
    ]
    if not watts:
        problems = [Problem("workload", "an empty mapping", "W by chip")]
    if problems:
        raise DesignError("workload", problems)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool)


def _error(key: str, what: str, expected: str, hint: str = "") -> DesignError:
    return DesignError("workload", [Problem(key, what, expected, hint)])
