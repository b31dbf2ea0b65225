"""A machine, a mode and a workload: the transient with the firmware in the loop."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.firmware.controller import Command, Controller, Seen
from thermnet.firmware.mode import Mode
from thermnet.firmware.workload import Workload
from thermnet.network.graph import nearest
from thermnet.run import Run, RunLimit
from thermnet.solve import kernel
from thermnet.solve.going_on import continued
from thermnet.solve.history import to_run
from thermnet.solve.machine import Machine
from thermnet.solve.pack import (
    NEVER,
    SensorSet,
    fresh_state,
    pack_rules,
    pack_sensors,
    pack_silicon,
    pack_watch,
    sensor_set,
    ticks,
)
from thermnet.solve.plant import Plant
from thermnet.solve.start import Soak, settle, within_melting_ranges

Array = NDArray[np.float64]
CEILING = 400.0
"""degC: past this nothing in a notebook is real any more, and the run is reported as a runaway."""

LARGEST_HISTORY = 2_000_000_000
"""Bytes of history kept at most; longer runs are thinned, and say so."""


@dataclass
class Loop:
    """A closed loop ready to run: plant, packed arrays and the state; the unit that studies reuse."""

    plant: Plant
    mode: Mode
    sensors: SensorSet
    senses: kernel.Senses
    silicon: kernel.Silicon
    rules: kernel.Rules
    state: kernel.State
    record: kernel.Record
    watch: kernel.Watch
    tuning: kernel.Tuning
    boundary: Array | None = None
    memory: tuple[Any] | None = None
    """State of a controller in Python, between calls."""

    def __post_init__(self) -> None:
        if self.plant.used == 0:
            self.plant.provide(self.plant.level(self.state.fan_index.tolist()))
        self.dry_at_start = self.state.law_state[:, kernel.DRY].copy()
        self.work_space = kernel.work_space(self.plant.thermal(self.boundary), self.silicon, self.senses, self.rules)

    def run(self, last: int) -> int:
        """Run to control sample ``last``, providing fan levels as they are met; returns the kernel's reason."""
        announce()
        while True:
            reason: int = kernel.run_loop(
                self.plant.thermal(self.boundary), self.silicon, self.senses, self.rules, self.state, self.record,
                self.watch, self.work_space, self.tuning, last,
            )  # fmt: skip
            if reason != kernel.NEED_LEVEL:
                return reason
            self.plant.provide(int(self.state.count[1]) - 1)


_announced = False


def announce() -> None:
    """Say once, on stderr, that the kernel is being compiled when no compiled copy is on disk."""
    global _announced
    if _announced or not hasattr(kernel.run_loop, "_cache"):  # said already, or nothing to compile
        _announced = True
        return
    _announced = True
    folder = getattr(getattr(kernel.run_loop, "_cache", None), "cache_path", None)
    if folder is None:
        often = "as at every start, for want of a folder to keep it in; NUMBA_CACHE_DIR can name one"
    elif not any(Path(folder).glob("loop.run_loop-*.nbi")):
        often = "once on this machine"
    else:
        return
    print(f"thermnet: compiling its numerical core, {often} (about half a minute) ...", file=sys.stderr, flush=True)  # noqa: T201


def simulate(
    plant: Plant, mode: Mode, workload: Workload, *, duration: float | None = None,
    start: str | float | Mapping[str, float] | Run = "idle", tolerance: float = 0.01, every: int = 1,
    ambient: Any = None, controller: Controller | None = None, progress: bool = False,
    provenance: Mapping[str, Any] | None = None,
) -> Run:  # fmt: skip
    """Simulate a machine in a mode under a workload.

    Parameters
    ----------
    plant : Plant
        The machine at its ambient and control period.
    duration : float, optional
        s; the workload's own length if left out.
    start : "idle", "cold", W, mapping or Run
        Soaked at the idle power, everything at ambient, soaked at a power (W, on the first chip or by chip), or
        where another run ended (:func:`thermnet.solve.going_on.continued` tells what is kept).
    tolerance : float
        K; error estimate above which a control sample is solved in smaller steps.
    every : int
        Keep every n-th control sample.
    ambient : (times, degC), optional
        Room temperature over time, linear between the points; the plant's own if left out.
    controller : Controller, optional
        Decides power limits and fan speeds in place of the mode's governor, throttles and tables.

    Raises
    ------
    NetworkError
        Names that do not fit the machine.
    """
    length = workload.duration if duration is None else float(duration)
    if not (np.isfinite(length) and length > 0):
        raise ValueError(f"duration {duration!r} s; expected more than 0")
    samples = ticks(length, plant.period)
    loop = prepare(plant, mode, workload, samples, start=start, tolerance=tolerance, every=every, ambient=ambient)
    bar = _bar(samples * plant.period, progress)
    chunk = max(1, samples // 50) if bar is not None else samples
    reason = kernel.DONE
    try:
        for last in [*range(chunk, samples, chunk), samples]:
            reason = loop.run(last) if controller is None else run_controlled(loop, controller, last)
            if bar is not None:
                bar.update(chunk * plant.period)
            if reason != kernel.DONE:
                break
    finally:
        if bar is not None:
            bar.close()
    return to_run(loop, reason, workload, {**(provenance or {}), "start": start if isinstance(start, str) else repr(start)})


def run_controlled(loop: Loop, controller: Controller, last: int) -> int:
    """Run to control sample ``last`` with a controller in Python: its commands are written over the mode's rules.

    The kernel then carries out the sample as always, from the fan level on.
    """
    state, rules, machine = loop.state, loop.rules, loop.plant.machine
    chips, fans = [chip.name for chip in machine.chips], [fan.name for fan in machine.fans]
    memory: Any = None
    reason = kernel.DONE
    while int(state.count[0]) < last:
        tick = int(state.count[0])
        senses = loop.senses
        kernel.sense(
            tick, np.where(tick % senses.ticks == 0, tick, -1), state.x, senses.weight, senses.offset, senses.alpha, senses.resolution, senses.ticks, senses.delay,
            state.sensor, state.sensor_lagged, state.sensor_ring,
        )
        seen = Seen(
            tick * loop.plant.period, loop.plant.period, dict(zip(loop.sensors.names, state.sensor.tolist(), strict=True)),
            dict(zip(chips, state.power.tolist(), strict=True)),
            dict(zip(chips, loop.silicon.demand[:, min(tick, loop.silicon.demand.shape[1] - 1)].tolist(), strict=True)),
            dict(zip(fans, (state.fan_index * rules.fan_grid).tolist(), strict=True)),
        )  # fmt: skip
        if loop.memory is None:
            loop.memory = (controller.start(seen),)
        command, memory = controller.step(loop.memory[0], seen)
        loop.memory = (memory,)
        _obey(loop, command, chips, fans)
        reason = loop.run(tick + 1)
        row = tick // int(loop.record.every[0])
        if tick % int(loop.record.every[0]) == 0 and row < len(loop.record.bound):
            kept = loop.record.bound[row]
            kept[(kept == kernel.BURST) | (kept == kernel.SUSTAINED)] = kernel.CONTROLLER
        if reason != kernel.DONE:
            break
    return reason


def _obey(loop: Loop, command: Command, chips: list[str], fans: list[str]) -> None:
    """Write a command into the rules and fan positions of the sample about to be run."""
    state, rules = loop.state, loop.rules
    for name in [*command.power_limit, *command.fan_speed]:
        if name not in chips and name not in fans:
            raise NetworkError(f"the controller commands {name!r}{nearest(name, [*chips, *fans])}")
    for c, name in enumerate(chips):
        limit = float(command.power_limit.get(name, NEVER))
        if not (np.isfinite(limit) and limit >= 0):
            raise ValueError(f"the controller limits {name!r} to {limit!r} W; expected a finite power of 0 W or more")
        rules.burst[c] = rules.sustained[c] = limit
        rules.peak[c] = state.throttle[c] = NEVER
        rules.floor[c] = 0.0
    state.skin[:] = NEVER
    for f, name in enumerate(fans):
        if name in command.fan_speed:
            speed = float(np.clip(command.fan_speed[name], 0.0, rules.fan_cap[f]))
            state.fan_speed[f] = speed
            state.fan_index[f] = int(speed / rules.fan_grid[f] + 0.5)
    # The stage that tells the kernel that sensors, throttles and fans are done for this sample.
    state.count[1] = loop.plant.level(state.fan_index.tolist()) + 1


def prepare(
    plant: Plant, mode: Mode, workload: Workload, samples: int, *, start: Any = "idle", tolerance: float = 0.01,
    every: int = 1, ambient: Any = None, watch: Sequence[RunLimit] | None = None, stop: bool = False, keep: bool = True,
) -> Loop:  # fmt: skip
    """Pack everything and settle the start state."""
    machine = plant.machine
    sensors = sensor_set(machine, plant.period)
    senses = pack_sensors(plant, sensors)
    rules = pack_rules(plant, mode, sensors)
    silicon = pack_silicon(plant, workload, samples)
    slow = max(1, round(1.0 / plant.period))
    state = start_state(plant, silicon, senses, rules, start, slow)
    limits = machine.limits if watch is None else watch
    record = _record(plant, senses, samples if keep else 0, every)
    tuning = kernel.Tuning(plant.period, float(tolerance), slow, CEILING)
    boundary = None if ambient is None else _ambient_samples(plant, ambient, samples)
    return Loop(
        plant, mode, sensors, senses, silicon, rules, state, record, pack_watch(plant, limits, stop=stop), tuning, boundary
    )


def start_state(
    plant: Plant, silicon: kernel.Silicon, senses: kernel.Senses, rules: kernel.Rules, start: Any, slow: int
) -> kernel.State:
    """State for a start given by word, power or run."""
    machine = plant.machine
    chips = [chip.name for chip in machine.chips]
    idle_index = np.floor(rules.fan_idle / rules.fan_grid + 0.5).astype(np.int64)
    if isinstance(start, Run):
        final = start.final_state
        if final is None:
            raise ValueError("this run keeps no final state to start from; run it again, or give a power in W")
        return continued(plant, sensor_set(machine, plant.period).names, senses, rules, final, slow)
    if isinstance(start, str):
        if start == "cold":
            x = np.full(plant.active.size, float(np.mean(plant.boundary[plant.boundaries.index("ambient")]))
                        if "ambient" in plant.boundaries else float(plant.boundary[0]))  # fmt: skip
            x = within_melting_ranges(plant, plant.states(x))
            return fresh_state(plant, rules, senses, x, average=np.zeros(len(chips)), indices=idle_index, slow_limit=slow)
        if start != "idle":
            raise ValueError(f'start {start!r}; expected "idle", "cold", a number of W, or a Run')
        power = np.array([machine.idle_power.get(c, 2.0) for c in chips], dtype=float)
    elif isinstance(start, Mapping):
        unknown = [name for name in start if name not in chips]
        if unknown:
            raise NetworkError(f"start: no chip {unknown[0]!r}{nearest(unknown[0], chips)}")
        power = np.array([float(start.get(c, machine.idle_power.get(c, 2.0))) for c in chips])
    else:
        power = np.array([float(start)] + [machine.idle_power.get(c, 2.0) for c in chips[1:]])
    if not np.all(np.isfinite(power)) or np.any(power < 0):
        raise ValueError(f"start {start!r}; expected a finite power of 0 W or more")
    soak: Soak = settle(plant, silicon, senses, rules, power)
    return fresh_state(plant, rules, senses, soak.x, average=soak.power, indices=soak.indices,
                       table_step=soak.table_step, slow_limit=slow)  # fmt: skip


def _ambient_samples(plant: Plant, ambient: Any, samples: int) -> Array:
    times, values = np.asarray(ambient[0], dtype=float), np.asarray(ambient[1], dtype=float)
    if times.shape != values.shape or times.ndim != 1 or np.any(np.diff(times) <= 0) or not np.all(np.isfinite(values)):
        raise ValueError("ambient: (times, degC) must be equally long and finite, with times rising")
    boundary = np.tile(plant.boundary, (samples, 1))
    middle = (np.arange(samples) + 0.5) * plant.period
    boundary[:, plant.boundaries.index("ambient")] = np.interp(middle, times, values)
    return boundary


def _record(plant: Plant, senses: kernel.Senses, samples: int, every: int) -> kernel.Record:
    """Room for the history, with one row more for the state after the last sample."""
    chips, fans = len(plant.machine.chips), len(plant.machine.fans)
    width = plant.size + len(plant.heat_nodes) + 5 * chips + fans + senses.offset.size
    every = max(int(every), 1, -(-samples * width * 8 // LARGEST_HISTORY))
    rows, sensors = -(-samples // every) + 1, senses.offset.size
    # One block for all: the system gives out a large one in large pages, many smaller ones page by page.
    widths = (plant.size, len(plant.heat_nodes), chips, chips, chips, chips, 1, fans, sensors, chips)
    kinds: tuple[Any, ...] = (float,) * 5 + (np.int8, np.int32, np.int32, float, float)
    sizes = [-(-rows * width * np.dtype(kind).itemsize // 64) * 64 for width, kind in zip(widths, kinds, strict=True)]
    ends = np.cumsum(sizes)
    block = np.empty(int(ends[-1]), dtype=np.uint8)
    parts = [
        block[end - size : end].view(kind)[: rows * width].reshape((rows, width))
        for end, size, width, kind in zip(ends.tolist(), sizes, widths, kinds, strict=True)
    ]
    x, u, power, frequency, work, bound, level, fan, sensor, average = parts
    return kernel.Record(np.array([every]), x, u, power, frequency, work, bound, level[:, 0], fan, sensor, average)


def _bar(total: float, progress: bool) -> Any:
    if not progress:
        return None
    from tqdm.auto import tqdm

    return tqdm(total=total, unit="s", desc="closed loop", mininterval=0.2, leave=False)


__all__ = ["Loop", "Machine", "prepare", "simulate", "to_run"]
