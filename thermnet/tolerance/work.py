"""A population of units to be solved: what is asked of each, and how a piece of it is drawn and solved.

Units are drawn piece by piece, so that memory does not grow with their number.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.assemble import build_machine
from thermnet.design.design import Design
from thermnet.design.ensembles import ensemble_task
from thermnet.design.samples import taken
from thermnet.solve.ensemble import Task, chunk_size, solve_chunk
from thermnet.solve.machine import Machine
from thermnet.solve.steady_units import SteadyUnits
from thermnet.tolerance.sampling import Method, Population

Array = NDArray[np.float64]
AT_REST = 1024
"""Units at rest solved together."""

PIECES_KEPT = 4
"""Pieces of a population kept at hand: one for every thread of a common machine."""


@dataclass(frozen=True)
class Work:
    """Everything that a worker needs to solve any piece; small, and safe to send.

    Attributes
    ----------
    design : nominal design of plain numbers
    samples, seed, method : the population's units
    settings : keyword arguments of :func:`thermnet.design.ensembles.ensemble_task`
    sustained : also find each unit's sustained power
    steady : no run; every unit rests under the mean power of the load
    """

    design: Design
    population: Population
    samples: int
    seed: int
    method: Method
    mode: str
    workload: Any
    settings: Mapping[str, Any]
    sustained: bool = True
    steady: bool = False

    def units(self, part: slice | None = None) -> dict[str, Array]:
        """Parameters of all units, or of a piece."""
        part = slice(0, self.samples) if part is None else part
        if self.method != "latin_hypercube":
            return self.population.sample(part.stop - part.start, self.seed, self.method, first=part.start)
        # A Latin hypercube is laid out as a whole.
        whole = self.population.sample(self.samples, self.seed, self.method)
        return {key: values[part] for key, values in whole.items()}

    def task(self) -> Task:
        """Describe the ensemble of all units, drawn when they are asked for."""
        some = self.design.replace(**self.units(slice(0, min(2, self.samples))))
        task = ensemble_task(some, self.workload, self.mode, **self.settings)
        pieces = _Pieces(self, task.template.machine.ambient, 1)
        pieces.size = self.chunk(task)
        return replace(
            task, samples=self.samples, machines=pieces.machines, mode=pieces.mode if callable(task.mode) else task.mode,
            sensors=None if task.sensors is None else pieces.sensors,
        )  # fmt: skip

    def chunk(self, task: Task) -> int:
        """Units solved together; follows from the machine and how many there are, so that results do not depend on who works."""
        return AT_REST if self.steady else chunk_size(replace(task, samples=self.samples))


@dataclass
class _Pieces:
    """The last pieces of a population that were drawn."""

    work: Work
    ambient: float
    size: int

    def __post_init__(self) -> None:
        self._kept: OrderedDict[tuple[int, int], Design] = OrderedDict()
        self._lock = threading.Lock()

    def __getstate__(self) -> dict[str, Any]:
        return {"work": self.work, "ambient": self.ambient, "size": self.size}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self.__post_init__()

    def _design(self, part: slice) -> Design:
        key = (part.start, part.stop)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        drawn = self.work.design.replace(**self.work.units(part))
        with self._lock:
            self._kept[key] = drawn
            while len(self._kept) > PIECES_KEPT:
                self._kept.popitem(last=False)
        return drawn

    def _around(self, i: int) -> tuple[Design, int]:
        start = i // self.size * self.size
        return self._design(slice(start, min(start + self.size, self.work.samples))), i - start

    def machines(self, part: slice) -> Machine:
        some = self._design(part)
        return build_machine(some, self.ambient if self.work.settings.get("ambient") is not None else some.ambient)

    def mode(self, i: int) -> Any:
        some, at = self._around(i)
        return taken(some.modes[self.work.mode], at)

    def sensors(self, i: int | slice) -> Any:
        if isinstance(i, slice):
            return self._design(i).sensors
        some, at = self._around(i)
        return taken(some.sensors, at)


def chunks_of(work: Work, task: Task) -> list[slice]:
    """Canonical pieces of a population."""
    size = work.chunk(task)
    return [slice(a, min(a + size, work.samples)) for a in range(0, work.samples, size)]


def solve_part(work: Work, task: Task, chunk: slice) -> tuple[dict[str, Array], dict[str, Array]]:
    """Solve one piece; returns (outputs, traces)."""
    split = np.full(len(task.template.machine.chips), np.nan)
    split[0] = 1.0
    units = SteadyUnits(task, chunk, split) if work.steady or work.sustained else None
    outputs: dict[str, Array]
    traces: dict[str, Array] = {}
    if work.steady and units is not None:
        outputs = _at_rest(task, units)
    else:
        outputs, traces = solve_chunk(task, chunk)
    if work.sustained and units is not None:
        best = units.sustained()
        outputs["sustained_power_W"], outputs["sustained_binds"] = best.power, best.binds.astype(float)
    return outputs, traces


def _at_rest(task: Task, units: SteadyUnits) -> dict[str, Array]:
    """Outputs of units that rest under the mean power of the load, named as those of a run that lasted for ever."""
    load, chips = task.workload, [chip.name for chip in task.template.machine.chips]
    samples = max(1, round(task.duration / task.template.period))
    watts = np.array([float(np.mean(load.sampled(name, task.template.period, samples))) for name in chips])
    rest = units.settled(np.tile(watts, (units.count, 1)))
    found: dict[str, Array] = {}
    for q, limit in enumerate(units.limits):
        if limit.node:
            found[f"peak.{limit.name}_degC"] = rest.temperature[:, task.template.nodes.index(limit.node)]
        found[f"margin.{limit.name}_{'K' if limit.node else 'W'}"] = -rest.excess[:, q]
    fans = units.machine.fans
    if fans:
        speeds: dict[str, Any] = {fan.name: rest.fans[:, f] * float(fan.grid) for f, fan in enumerate(fans)}
        found |= {f"final_fan_speed.{name}_rpm": speed for name, speed in speeds.items()}
        turning: dict[str, Any] = {name: np.maximum(speed, 1.0) for name, speed in speeds.items()}
        noise = units.machine.noise(turning)
        found["final_noise_dBA"] = np.broadcast_to(np.asarray(noise, dtype=float), (units.count,)).copy()
    for c, name in enumerate(chips):
        found[f"mean_power.{name}_W"] = np.full(units.count, watts[c])
    return found


__all__ = ["Work", "chunks_of", "solve_part"]
