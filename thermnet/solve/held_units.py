"""Many units of one design asked about powers held from one start state.

The units share one stack of propagators; each is solved by the same kernel as a single machine, so that a unit's
answer is that of the design with the unit's numbers.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.solve import kernel
from thermnet.solve.closed_loop import CEILING, announce
from thermnet.solve.ensemble import Packed, Task, start_power, start_states
from thermnet.solve.pack import NEVER, fresh_state
from thermnet.solve.stack import Stack
from thermnet.solve.steady_units import SteadyUnits

Array = NDArray[np.float64]


class HeldUnits:
    """Units of a slice of an ensemble, ready to be run at any power.

    Parameters
    ----------
    task : Task
        Its mode must be free of power limits and throttles; its workload does not matter.
    chunk : slice of the ensemble's samples
    split : (chips,)
        Share of the power on each chip; nan for chips that stay at idle power.
    """

    def __init__(self, task: Task, chunk: slice, split: Array) -> None:
        announce()
        self.task, self.split, self.count = task, np.asarray(split, dtype=float), chunk.stop - chunk.start
        machine = task.machines(chunk)
        self._stack = Stack(task.template, machine, self.count)
        self._packed = Packed(task, self._stack, machine, chunk, 1)
        chips = task.template.machine.chips
        self._idle = np.array([task.template.machine.idle_power.get(chip.name, 2.0) for chip in chips])
        self._start = start_states(task, self._stack, self._packed)
        packed = self._packed
        self._parts = [(packed.silicon_of(i), packed.rules_of(i), packed.senses_of(i)) for i in range(self.count)]
        self._space = kernel.work_space(self._stack.thermal(), *_in_order(self._parts[0]))
        self._tuning = kernel.Tuning(task.template.period, task.tolerance, packed.slow, CEILING)
        self.excess_at_start = self._excess_at_start([chip.name for chip in chips])

    def excess(self, unit: int, power: float, last: int) -> Array:
        """Highest excess of one unit over every limit up to control sample ``last``: (limits,) K or W."""
        reason, watch = self._run(unit, power, last, stop=False)
        worst = np.maximum(watch.worst, 1e3) if reason == kernel.RUNAWAY else watch.worst
        highest: Array = np.maximum(worst, self.excess_at_start[unit])
        return highest

    def time_to_limit(self, unit: int, power: float, last: int) -> float:
        """Time in s at which one unit meets its first limit; nan if not up to control sample ``last``."""
        if np.any(self.excess_at_start[unit] >= 0):
            return 0.0
        _, watch = self._run(unit, power, last, stop=True)
        times = []
        for q in np.flatnonzero(watch.first >= 0):
            before, after = float(watch.before[q]), float(watch.after[q])
            # Linear between the ends of the sample in which the limit was crossed.
            share = -before / (after - before) if before > -NEVER and after > before else 0.0
            times.append((float(watch.first[q]) + share) * self.task.template.period)
        return min(times, default=float("nan"))

    def _run(self, i: int, power: float, last: int, *, stop: bool) -> tuple[int, kernel.Watch]:
        template, stack = self.task.template, self._stack
        silicon, rules, senses = self._parts[i]
        watts = np.where(np.isnan(self.split), self._idle, self.split * power)
        silicon = silicon._replace(demand=np.ascontiguousarray(watts[:, None]))
        x, indices, steps, before = self._start[i]
        state = fresh_state(
            template, rules, senses, x.copy(), average=before.copy(), indices=indices.copy(), table_step=steps.copy(),
            slow_limit=self._packed.slow,
        )  # fmt: skip
        watch = self._packed.watch_of(i)._replace(stop=np.array([int(stop)]))
        if stack.sample != i:
            stack.take(i)
        record = _nothing_kept(senses, rules, template.active.size)
        while True:
            reason: int = kernel.run_loop(
                stack.thermal(), silicon, senses, rules, state, record, watch, self._space, self._tuning, last
            )
            if reason != kernel.NEED_LEVEL:
                return reason, watch
            stack.provide(int(state.count[1]) - 1)

    def _excess_at_start(self, chips: list[str]) -> Array:
        task, limits = self.task, self.task.template.machine.limits
        if isinstance(task.start, str) and task.start == "cold":
            column = task.template.boundaries.index("ambient")
            excess = self._stack.boundary[:, column : column + 1] - self._packed.limits
            # Without temperature differences no heat flows, so no heat limit is met.
            return np.where([bool(limit.node) for limit in limits], excess, -np.inf)
        powers = np.tile(start_power(task, chips), (self.count, 1))
        return SteadyUnits(task, self._packed.chunk, self.split).settled(powers).excess


def _in_order(parts: tuple[kernel.Silicon, kernel.Rules, kernel.Senses]) -> tuple[Any, Any, Any]:
    silicon, rules, senses = parts
    return silicon, senses, rules


def _nothing_kept(senses: kernel.Senses, rules: kernel.Rules, nodes: int) -> kernel.Record:
    chips, fans = rules.burst.size, rules.fan_idle.size
    return kernel.Record(
        np.array([2**40]), np.empty((0, nodes)), np.empty((0, 0)), np.empty((0, chips)), np.empty((0, chips)),
        np.empty((0, chips)), np.empty((0, chips), dtype=np.int8), np.empty(0, dtype=np.int32),
        np.empty((0, fans), dtype=np.int32), np.empty((0, senses.offset.size)), np.empty((0, chips)),
    )  # fmt: skip


__all__ = ["HeldUnits"]
