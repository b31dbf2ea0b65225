"""Many units of one design at rest: where their fans settle, and the highest power that each holds for ever.

The questions of :class:`thermnet.studies.steady_machine.SteadyMachine`, asked of all units at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import ConvergenceError
from thermnet.network.compiled import CompiledNetwork
from thermnet.solve.batch import picked, spread
from thermnet.solve.ensemble import Packed, Task
from thermnet.solve.in_pieces import InPieces, finished
from thermnet.solve.rest_level import Heat, RestLevel

Array = NDArray[np.float64]
Rows = NDArray[np.int64]
HIGHEST_POWER = 1000.0
"""W: no notebook chip is asked for more."""

LEVELS_KEPT = 24
"""Fan speeds whose linear answers are kept."""


@dataclass(frozen=True, eq=False)
class Rest:
    """Units at rest.

    Attributes
    ----------
    power : (s,) W of all chips of the split
    binds : (s,) index of the limit that binds, -1 if none
    temperature : (s, n) degC of all nodes
    excess : (s, limits) K or W over every limit, margins counted
    fans : (s, fans) positions on the fans' speed grids
    """

    power: Array
    binds: Rows
    temperature: Array
    excess: Array
    fans: Rows


class SteadyUnits:
    """Units ``chunk`` of an ensemble.

    Parameters
    ----------
    task : Task
        Its workload gives the heat of other parts only.
    chunk : slice of the ensemble's samples
    split : (chips,)
        Share of the power on each chip; nan for chips that stay at idle power.
    """

    def __init__(self, task: Task, chunk: slice, split: Array) -> None:
        self.task, self.count = task, chunk.stop - chunk.start
        self.machine = task.machines(chunk)
        self.template, self.limits = task.template, task.template.machine.limits
        packed = Packed(task, _Count(self.count), self.machine, chunk, 1)  # type: ignore[arg-type]
        self._values = packed.limits
        self._idle = np.array([task.template.machine.idle_power.get(c.name, 2.0) for c in task.template.machine.chips])
        self._split = np.asarray(split, dtype=float)
        self._firmware(packed, chunk)
        self._heat(packed)
        self._levels: dict[tuple[int, int], RestLevel] = {}
        self._networks: dict[int, CompiledNetwork] = {}
        names = self.template.compiled(self.template.levels - 1).law_names
        self._nodes = np.array([self.template.nodes.index(q.node) if q.node else -1 for q in self.limits], dtype=np.int64)
        self._laws = np.array([names.index(q.link) if q.link else -1 for q in self.limits], dtype=np.int64)
        self._all = np.arange(self.count)

    def _firmware(self, packed: Packed, chunk: slice) -> None:
        """Fan tables, caps and sensors of all units as arrays over them."""
        if packed.mode is None:
            rules = [packed.rules_of(i) for i in range(self.count)]
        else:
            rules = [packed.rules_of(0)]
        first = rules[0]
        self._rules = first

        def over(name: str) -> Array:
            return np.broadcast_to(np.stack([getattr(r, name) for r in rules]), (self.count, getattr(first, name).size))

        self._on, self._speed, self._charger_on = over("step_on"), over("step_speed"), over("charger_on")
        self.caps = np.broadcast_to(np.asarray(packed._caps, dtype=float), (self.count, first.fan_grid.size))
        if packed.mode is None:
            self.caps = over("fan_cap")
        self._idle_speed = np.minimum(over("fan_idle"), self.caps)
        senses = packed.senses
        self._weight = senses.weight
        shape = (self.count, senses.weight.shape[0])
        self._offset, self._resolution = np.broadcast_to(senses.offset, shape), np.broadcast_to(senses.resolution, shape)

    def _heat(self, packed: Packed) -> None:
        """Heat of chips, leaks and other parts over the rows of the network, for each back-off step of the charger."""
        t, quick = self.template, self.template.quick
        chips = packed.follow.shape[1]
        share, follow = np.zeros((2, self.count, chips, len(t.nodes)))
        for column, row in enumerate(t.heat_rows[:quick]):
            share[:, :, row] += packed.share[:, :, column]
            follow[:, :, row] += packed.follow[:, :, column]
        index = packed.silicon.leak_index
        bases = [packed.base]
        if self._rules.charger_input[0] >= 0:
            for part in self._rules.charger_share:
                eased = packed.base.copy()
                eased[:, self._rules.charger_input[0]] *= part
                bases.append(eased)
        self._heats = []
        for held in bases:
            base = np.zeros((self.count, len(t.nodes)))
            for column, row in enumerate(t.heat_rows[quick:]):
                base[:, row] += held[:, column]
            self._heats.append(Heat(base, share, follow, index[:, 0], t.heat_rows[index[:, 1]], t.state_rows[index[:, 2]], packed.leaks))

    # -- fans ----------------------------------------------------------------------------------------------

    def level(self, speeds: Mapping[str, Any], eased: int = 0) -> RestLevel:
        """Fans at speeds in rpm (numbers, or arrays over the units)."""
        return RestLevel(without_leaks(spread(self.machine.assemble(speeds), (self.count,))), self._heats[eased])

    def _on_grid(self, number: int, eased: int) -> RestLevel:
        key = (number, eased)
        if key not in self._levels:
            if len(self._levels) >= LEVELS_KEPT:
                self._levels.pop(next(iter(self._levels)))
            self._provide([number])
            self._levels[key] = RestLevel(self._networks[number], self._heats[eased])
        return self._levels[key]

    def _provide(self, numbers: Sequence[int]) -> None:
        """Put together the networks of fan levels not met yet, which takes hardly longer for many than for one.

        The first time all levels come along that the tables ask for where they rise together.
        """
        fresh: dict[int, None] = dict.fromkeys(number for number in numbers if number not in self._networks)
        if not fresh:
            return
        if not self._networks:
            fresh |= dict.fromkeys(self._ladder())
        elif len(self._networks) + len(fresh) > 2 * LEVELS_KEPT:
            self._networks.clear()
            fresh = dict.fromkeys(numbers)
        speeds = {name: np.asarray(at)[:, None] for name, at in self.template.speeds(np.array(list(fresh))).items()}
        line = spread(self.machine.assemble(speeds), (len(fresh), self.count))
        for k, number in enumerate(fresh):
            self._networks[number] = without_leaks(picked(line, (k, slice(None))))

    def _ladder(self) -> list[int]:
        """Levels of most units when all tables stand at the same step, and those of their caps."""
        rows = np.diff(self._rules.table_first)
        steps = [np.tile(np.minimum(k, rows), (self.count, 1)) for k in range(int(np.max(rows, initial=0)) + 1)]
        asked = [self._request(self._all, at) for at in steps]
        levels = np.vstack([*asked, self.positions(self.caps)]) @ np.asarray(self.template.strides, dtype=np.int64)
        found, often = np.unique(levels, return_counts=True)
        return [int(number) for number in found[np.argsort(-often, kind="stable")][:LEVELS_KEPT]]

    def positions(self, speeds: Array) -> Rows:
        """Positions on the fans' grids of speeds (r, fans) in rpm."""
        return np.asarray(np.floor(speeds / self._rules.fan_grid + 0.5), dtype=np.int64)

    def _request(self, rows: Rows, steps: Rows) -> Rows:
        speeds = self._idle_speed[rows].copy()
        rules = self._rules
        for t in range(rules.table_fan.size):
            at = np.maximum(rules.table_first[t] + steps[:, t] - 1, rules.table_first[t])
            asked = np.where(steps[:, t] > 0, self._speed[rows, at], 0.0)
            speeds[:, rules.table_fan[t]] = np.maximum(speeds[:, rules.table_fan[t]], asked)
        return self.positions(np.minimum(speeds, self.caps[rows]))

    def _readings(self, rows: Rows, temperature: Array) -> Array:
        raw = temperature[:, self.template.active] @ self._weight.T + self._offset[rows]
        step = self._resolution[rows]
        readings: Array = np.where(step > 0, np.floor(raw / np.where(step > 0, step, 1.0) + 0.5) * step, raw)
        return readings

    def _table_steps(self, rows: Rows, readings: Array) -> Rows:
        rules = self._rules
        steps = np.zeros((rows.size, rules.table_fan.size), dtype=np.int64)
        for t in range(rules.table_fan.size):
            on = self._on[rows, rules.table_first[t] : rules.table_first[t + 1]]
            steps[:, t] = np.sum(readings[:, rules.table_sensor[t], None] >= on, axis=1)
        return steps

    def _charger_steps(self, rows: Rows, readings: Array) -> Rows:
        if self._rules.charger_input[0] < 0:
            return np.zeros(rows.size, dtype=np.int64)
        return np.asarray(np.sum(readings[:, self._rules.charger_sensor[0], None] >= self._charger_on[rows], axis=1), dtype=np.int64)

    # -- states --------------------------------------------------------------------------------------------

    def demand(self, power: Array) -> Array:
        """Chip powers (r, chips) in W when ``power`` (r,) W are held in all."""
        return np.where(np.isnan(self._split), self._idle, power[:, None] * self._split)

    def excess(self, level: RestLevel, rows: Rows, temperature: Array, margins: tuple[float, float] = (0.0, 0.0)) -> Array:
        """Excess over every limit, (r, limits) K or W."""
        return level.excess(rows, temperature, self._values, self._nodes, self._laws, margins)

    def settled(self, power: Array) -> Rest:
        """Units at chip powers (s, chips) W, fans where their tables settle them (see :func:`thermnet.solve.start.settle`)."""
        return finished(self.settling(power))

    def settling(self, power: Array) -> InPieces[Rest]:
        """As :meth:`settled`, in pieces."""
        return self._settled(self._all, power)

    def _settled(self, rows: Rows, power: Array) -> InPieces[Rest]:
        tables = np.zeros((rows.size, self._rules.table_fan.size), dtype=np.int64)
        fans, eased = self._request(rows, tables), np.zeros(rows.size, dtype=np.int64)
        temperature = np.full((rows.size, len(self.template.nodes)), np.nan)
        excess = np.empty((rows.size, self._nodes.size))
        moving = np.arange(rows.size)
        for _ in range(200):
            for level, group in self._groups(fans[moving], eased[moving]):
                own = moving[group]
                guess = temperature[own]
                known = None if np.isnan(guess[:, 0]).any() else guess
                temperature[own], _ = level.temperatures(rows[own], power[own], known)
                excess[own] = self.excess(level, rows[own], temperature[own])
                yield
            readings = self._readings(rows[moving], temperature[moving])
            higher = np.maximum(tables[moving], np.minimum(self._table_steps(rows[moving], readings), tables[moving] + 1))
            rising = np.any(higher != tables[moving], axis=1)
            asked = np.maximum(fans[moving], self._request(rows[moving], higher))
            easing = ~rising & (self._charger_steps(rows[moving], readings) > eased[moving])
            fans[moving[rising]], tables[moving] = asked[rising], higher
            eased[moving[easing]] += 1
            moving = moving[rising | easing]
            if not moving.size:
                break
        return Rest(power.sum(axis=1), np.argmax(excess, axis=1), temperature, excess, fans)

    def _groups(self, fans: Rows, eased: Rows) -> Iterator[tuple[RestLevel, Rows]]:
        """Levels that some units share, and which."""
        keys = np.column_stack([fans, eased])
        different, place = np.unique(keys, axis=0, return_inverse=True)
        place = np.ravel(place)
        numbers = [self.template.level(row[:-1].tolist()) for row in different]
        self._provide([n for n, row in zip(numbers, different, strict=True) if (n, int(row[-1])) not in self._levels])
        for k, row in enumerate(different):
            yield self._on_grid(numbers[k], int(row[-1])), np.flatnonzero(place == k)

    # -- highest power -------------------------------------------------------------------------------------

    def highest(self, fans: Rows, guess: Array | float = 20.0, margins: tuple[float, float] = (0.0, 0.0)) -> Rest:
        """Highest power that keeps every limit with fans at positions (s, fans), and what binds."""
        return finished(self._highest(self._all, fans, np.broadcast_to(np.asarray(guess, dtype=float), self.count), margins))

    def _highest(self, rows: Rows, fans: Rows, guess: Array, margins: tuple[float, float]) -> InPieces[Rest]:
        eased = np.zeros(rows.size, dtype=np.int64)
        power, binds = guess.copy(), np.full(rows.size, -1, dtype=np.int64)
        temperature = np.empty((rows.size, len(self.template.nodes)))
        excess = np.empty((rows.size, self._nodes.size))
        moving = np.arange(rows.size)
        while moving.size:
            for level, group in self._groups(fans[moving], eased[moving]):
                own = moving[group]
                found = self.highest_at(level, rows[own], np.maximum(power[own], 1.0), margins)
                power[own], binds[own], temperature[own], excess[own] = found
                yield
            wanted = self._charger_steps(rows[moving], self._readings(rows[moving], temperature[moving]))
            moving = moving[wanted > eased[moving]]
            eased[moving] += 1
        return Rest(power, binds, temperature, excess, fans)

    def highest_at(
        self, level: RestLevel, rows: Rows, guess: Array, margins: tuple[float, float] = (0.0, 0.0)
    ) -> tuple[Array, Rows, Array, Array]:
        """Highest power at one level: (power, binds, temperatures, excess) of some units.

        Newton's method on the power: each limit's excess is extended along its slope, the nearest zero is the next
        power; 0 W where a limit is passed without any.
        """
        power, binds = guess.copy(), np.full(rows.size, -1, dtype=np.int64)
        temperature, response = level.temperatures(rows, self.demand(power))
        excess = self.excess(level, rows, temperature, margins)
        split = np.nan_to_num(self._split)
        moving = np.arange(rows.size)
        for _ in range(60):
            own, at = rows[moving], temperature[moving]
            along = response[moving] @ split
            little = 1e-4 / np.maximum(np.max(np.abs(along), axis=1, keepdims=True), 1e-9)
            slope = (self.excess(level, own, at + little * along, margins) - excess[moving]) / little
            rising = slope > 1e-12
            step = np.where(rising, -excess[moving] / np.where(rising, slope, 1.0), np.inf)
            which = np.argmin(step, axis=1)
            room = step[np.arange(moving.size), which]
            new = np.where(np.isfinite(room), np.clip(power[moving] + room, 0.0, HIGHEST_POWER), HIGHEST_POWER)
            # Past dry-out the slope is another one; long steps are taken in two.
            new = np.minimum(new, 2.0 * power[moving] + 10.0)
            binds[moving] = np.where(np.isfinite(room), which, -1)
            moved = np.abs(new - power[moving])
            power[moving] = new
            temperature[moving], response[moving] = level.temperatures(own, self.demand(new), at)
            excess[moving] = self.excess(level, own, temperature[moving], margins)
            moving = moving[moved >= 1e-7]
            if not moving.size:
                return power, np.where(power >= HIGHEST_POWER, -1, binds), temperature, excess
        raise ConvergenceError(f"highest power of unit {int(rows[moving[0]])}: not settled near {power[moving[0]]:g} W")

    def sustained(self, margins: tuple[float, float] = (0.0, 0.0)) -> Rest:
        """Highest power that keeps every limit with the fans where the mode's tables settle them.

        The search comes down from the fans' caps: the highest power at a speed is allowed if the tables hold that
        speed there; else at the speed where they settle.
        """
        return finished(self.sustaining(margins))

    def sustaining(self, margins: tuple[float, float] = (0.0, 0.0)) -> InPieces[Rest]:
        """As :meth:`sustained`, in pieces."""
        fans = self.positions(self.caps)
        best = yield from self._highest(self._all, fans, np.full(self.count, 20.0), margins)
        power, binds, temperature, excess = best.power.copy(), best.binds.copy(), best.temperature, best.excess
        moving = self._all
        for _ in range(200):
            rest = yield from self._settled(moving, self.demand(power[moving]))
            settled = np.minimum(rest.fans, fans[moving])
            lower = np.any(settled != fans[moving], axis=1)
            moving, settled = moving[lower], settled[lower]
            if not moving.size:
                break
            fans[moving] = settled
            again = yield from self._highest(moving, settled, power[moving], margins)
            power[moving], binds[moving] = again.power, again.binds
            temperature[moving], excess[moving] = again.temperature, again.excess
        return Rest(power, binds, temperature, excess, fans)


def without_leaks(network: CompiledNetwork) -> CompiledNetwork:
    """Network whose leaks are worked out elsewhere."""
    return replace(network, leak_node=np.zeros(0, dtype=np.int64), leakages=())


class _Count:
    """What :class:`Packed` needs of a stack of propagators, without the propagators."""

    def __init__(self, samples: int) -> None:
        self.samples = samples


__all__ = ["Rest", "SteadyUnits"]
