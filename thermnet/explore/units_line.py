"""A line of units for an explorer: drawn with the same points in every state, and solved piece by piece, first a few."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.assemble import build_machine
from thermnet.design.design import Design
from thermnet.design.ensembles import ensemble_task
from thermnet.design.replace import parameters, values_of
from thermnet.design.samples import taken
from thermnet.explore import machine as shared
from thermnet.explore.session import Kept
from thermnet.firmware.workload import Workload
from thermnet.parameter import Declaration
from thermnet.solve.ensemble import Task, solving
from thermnet.solve.in_pieces import InPieces, finished
from thermnet.solve.steady_units import SteadyUnits
from thermnet.tolerance.distribution import Distribution, declared
from thermnet.tolerance.population import declared_population
from thermnet.tolerance.sampling import Population

Array = NDArray[np.float64]
SEED = 1
"""The same points for every state, so that a histogram moves with a slider and not with chance."""

REST, RUN = "rest", "run"
"""How units are asked: at rest under a power, or in a run of the closed loop."""

POWER, NOISE, KEPT_ALL = "power", "noise", "kept"
"""Outputs beside the temperatures under the design's limits: W, dBA, and 1 where every limit of the machine is kept."""

PIECES = {REST: (64, 448, 512), RUN: (8, 24, 32)}
"""Units solved together: the first ones, the next ones, and all later ones."""

LINES_KEPT = 2
"""Lines whose answers to power at rest are kept; they are large."""


@dataclass(frozen=True)
class Question:
    """What every unit is asked.

    Attributes
    ----------
    asked : REST or RUN
    mode : str
    ambient : float, degC
    power : float or None
        W held by all chips together; None asks for the highest that keeps every limit (at rest).
    load, duration : name of the load of a run, and its length in s
    """

    asked: str
    mode: str
    ambient: float
    power: float | None = None
    load: str = ""
    duration: float = 0.0


@dataclass(frozen=True, eq=False)
class Answers:
    """What the units solved so far answered.

    Attributes
    ----------
    values : output to (units,) in degC, W, dBA
    nominal : output of the machine as drawn
    whole : bool
        Whether all units are there.
    """

    values: Mapping[str, Array]
    nominal: Mapping[str, float]
    whole: bool

    @property
    def count(self) -> int:
        """Units solved."""
        return int(next(iter(self.values.values())).size)


class Line:
    """Units of one design.

    Attributes
    ----------
    declared : dotted key to distribution, from the declared tolerances
    declarations : dotted key to declaration
    nominal : dotted key to the value drawn
    """

    def __init__(self, design: Design) -> None:
        self.design = design
        self.declared = dict(declared_population(design).distributions)
        known = parameters(design)
        self.declarations: dict[str, Declaration] = {key: known[key] for key in self.declared}
        drawn = values_of(design)
        self.nominal = {key: float(np.asarray(drawn[key])) for key in self.declared}
        if not self.declared:
            raise ValueError(f"{design.name} declares no tolerances; expected at least one for its units to differ")

    def half(self, key: str) -> float:
        """Declared half width (three sigma), inside unit."""
        own = self.declarations[key]
        width = float(own.tolerance or 0.0)
        return width * abs(self.nominal[key]) if own.tolerance_is_relative else width

    def population(self, factors: Mapping[str, float], moved: Mapping[str, float]) -> Population:
        """Population with other tolerances.

        Parameters
        ----------
        factors : dotted key to factor on the declared half width (1 where left out)
        moved : dotted key to how far the mean stands off the drawn value, inside unit
        """
        chosen: dict[str, Distribution] = {}
        for key, own in self.declared.items():
            factor, away = factors.get(key, 1.0), moved.get(key, 0.0)
            if factor == 1.0 and away == 0.0:
                chosen[key] = own
                continue
            width = dataclasses.replace(
                self.declarations[key], tolerance=factor * self.half(key), tolerance_is_relative=False
            )
            made = declared(self.nominal[key] + away, width)
            assert made is not None  # a slider ends above zero
            chosen[key] = made
        return Population(chosen, source=f"tolerances set for {self.design.name}")

    def columns(self, people: Population, count: int, kept: Kept) -> dict[str, Array]:
        """Parameters of the first units: what :meth:`Population.sample` gives, its points drawn once."""

        def points() -> dict[str, Array]:
            even = Distribution(shape="uniform", low=0.0, high=1.0)
            return Population(dict.fromkeys(self.declared, even)).sample(count, SEED)

        shares: dict[str, Array] = kept.get(("points", count), points)
        return {key: shape.quantile(shares[key]) for key, shape in people.distributions.items()}

    def answers(self, people: Population, asked: Question, count: int, kept: Kept) -> Iterator[Answers]:
        """Answers of the first ``count`` units as they get ready; the last one is whole.

        After the first ones the same answers come again and again, so that whoever asks can turn away.
        """
        key = ("answers", *people.distributions.items(), asked, count)
        if key in kept:
            yield kept.get(key, lambda: None)
            return
        columns = self.columns(people, count, kept)
        found: list[Mapping[str, Array]] = []
        nominal: dict[str, float] = {}
        latest = Answers({}, nominal, False)
        for k, part in enumerate(pieces(count, asked.asked)):
            # The machine as drawn is one unit more of the first piece.
            some = {
                name: np.append(column[part], self.nominal[name]) if k == 0 else column[part]
                for name, column in columns.items()
            }
            line = (*people.distributions.items(), asked.mode, asked.ambient, part.start, part.stop) if k < 2 else None
            work = self.solving(some, asked, kept, line)
            if k == 0:
                piece = finished(work)
                nominal = {name: float(answer[-1]) for name, answer in piece.items()}
                piece = {name: answer[:-1] for name, answer in piece.items()}
            else:
                while True:
                    try:
                        next(work)
                    except StopIteration as end:
                        piece = end.value
                        break
                    yield latest
            found.append(piece)
            together = {name: np.concatenate([one[name] for one in found]) for name in piece}
            latest = Answers(together, nominal, part.stop == count)
            if not latest.whole:
                yield latest
        yield kept.get(key, lambda: latest)

    def solving(
        self, columns: Mapping[str, Array], asked: Question, kept: Kept, line: Any = None
    ) -> InPieces[dict[str, Array]]:
        """Outputs of units with these parameters, in pieces; ``line`` is what their answers at rest are kept by."""
        count = len(next(iter(columns.values())))
        if asked.asked == RUN:
            task = self._task(self.design.replace(**columns), count, asked, kept)
            yield
            outputs, _ = yield from solving(task, slice(0, count))
            return _in_run(outputs)
        at_rest = kept.get("units at rest", lambda: Kept(2 * LINES_KEPT))
        if line is None or line not in at_rest:
            many = self.design.replace(**columns)
            yield
            task = self._task(many, count, asked, kept)
            split = shared.shares(self.design, asked.mode)
            shares = np.array([split.get(chip.name, np.nan) for chip in task.template.machine.chips])
            units = SteadyUnits(task, slice(0, count), shares)
            yield
            if line is not None:
                at_rest.get(line, lambda: units)
        else:
            units = at_rest.get(line, lambda: None)
        if asked.power is None:
            rest = yield from units.sustaining()
            return {POWER: rest.power, KEPT_ALL: np.ones(units.count)}
        rest = yield from units.settling(units.demand(np.full(units.count, asked.power)))
        nodes = units.template.nodes
        found = {q.name: rest.temperature[:, nodes.index(q.node)] for q in units.limits if q.node}
        found[KEPT_ALL] = np.all(rest.excess <= 0.0, axis=1).astype(float)
        fans = units.machine.fans
        if fans:
            speeds = {fan.name: np.maximum(rest.fans[:, f] * float(fan.grid), 1.0) for f, fan in enumerate(fans)}
            noise = np.asarray(units.machine.noise(speeds), dtype=float)
            found[NOISE] = np.broadcast_to(noise, (units.count,)).copy()
        return found

    def _task(self, many: Design, count: int, asked: Question, kept: Kept) -> Task:
        """Ensemble of units given as a design with arrays; what does not differ between lines is put together once."""

        def template() -> Task:
            two = {name: np.full(2, value) for name, value in self.nominal.items()}
            some = self.design.replace(**two)
            chips = shared.chips_of(self.design)
            idle = Workload(name="held", watts=dict.fromkeys(chips, np.zeros(1)))
            load: Any = idle if asked.asked == REST else shared.load_of(self.design, asked.load)
            return ensemble_task(some, load, asked.mode, room, asked.duration or 1.0)

        # At rest only the structure counts; a run has its start from there too.
        room = self.design.ambient if asked.asked == REST else asked.ambient
        key = ("template", asked.asked, asked.mode, room, asked.load, asked.duration)
        own: Task = kept.get(key, template)
        return dataclasses.replace(
            own, samples=count, machines=lambda part: build_machine(_part(many, part, count), asked.ambient),
            sensors=None if own.sensors is None else lambda part: _part(many, part, count).sensors,
        )  # fmt: skip


def pieces(count: int, asked: str) -> list[slice]:
    """Cut units into those solved together."""
    first, second, later = PIECES[asked]
    ends = [0, *(end for end in (first, first + second) if end < count)]
    ends += [*range(ends[-1] + later, count, later), count]
    return [slice(a, b) for a, b in pairwise(ends)]


def _part(many: Design, part: slice | int, count: int) -> Design:
    return many if part == slice(0, count) else taken(many, part)


def _in_run(outputs: Mapping[str, Array]) -> dict[str, Array]:
    found = {
        name.removeprefix("peak.").removesuffix("_degC"): peak
        for name, peak in outputs.items() if name.startswith("peak.")
    }  # fmt: skip
    found[POWER] = np.sum([v for name, v in outputs.items() if name.startswith("mean_power.")], axis=0)
    margins = np.array([v for name, v in outputs.items() if name.startswith("margin.")])
    found[KEPT_ALL] = np.all(margins >= 0.0, axis=0).astype(float)
    if "final_noise_dBA" in outputs:
        found[NOISE] = outputs["final_noise_dBA"]
    return found


__all__ = ["KEPT_ALL", "NOISE", "POWER", "REST", "RUN", "Answers", "Line", "Question"]
