"""Many machines through the closed loop: one at a time per core, statistics streamed, chosen traces kept.

Each sample is solved exactly as a single machine would be (same kernel, same propagators), independently of how
samples are grouped or how many threads work, so results do not depend on either.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermnet.firmware.mode import Mode
from thermnet.firmware.workload import Workload
from thermnet.network.graph import nearest
from thermnet.solve import batch, kernel
from thermnet.solve.closed_loop import CEILING, announce
from thermnet.solve.in_pieces import InPieces, finished
from thermnet.solve.machine import Machine
from thermnet.solve.pack import (
    NEVER,
    demand_at_voltage,
    fan_caps,
    fresh_state,
    metered_demand,
    pack_rules,
    pack_sensors,
    pack_silicon,
    pack_watch,
    sensor_set,
    ticks,
)
from thermnet.solve.plant import Plant
from thermnet.solve.stack import Stack, per_sample
from thermnet.solve.start import (
    charger_steps,
    fan_request,
    fan_steps,
    settled_readings,
    within_melting_ranges,
)

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

Array = NDArray[np.float64]
CHUNK_BYTES = 128 * 2**20
"""Memory for the networks of the samples in work at a time, per thread."""


@dataclass(frozen=True, eq=False)
class EnsembleRun:
    """What many machines did.

    Attributes
    ----------
    parameters : dotted key to (samples,) values of what varied
    outputs : name to (samples,) values; names carry their unit (``peak.cpu.junction_degC``)
    traces : name to (samples, times) values, for the traces asked for
    trace_time : (times,) s
    done : (samples,) bool: solved (False where the work was interrupted)
    solver, provenance : as for a run
    """

    parameters: Mapping[str, Array]
    outputs: Mapping[str, Array]
    traces: Mapping[str, Array]
    trace_time: Array
    done: NDArray[np.bool_]
    solver: Mapping[str, Any] = field(default_factory=dict)
    provenance: Mapping[str, Any] = field(default_factory=dict)

    @property
    def samples(self) -> int:
        """Number of samples, solved or not."""
        return int(self.done.size)

    def output(self, name: str) -> Array:
        """Values of one output over all samples (nan where not solved)."""
        if name not in self.outputs:
            raise KeyError(f"no output {name!r}{nearest(name, self.outputs)}")
        return self.outputs[name]

    @property
    def dataset(self) -> xr.Dataset:
        """Parameters, outputs and traces over the sample axis."""
        import xarray as xr

        data: dict[str, Any] = {f"parameter.{k}": ("sample", v) for k, v in self.parameters.items()}
        data |= {k: ("sample", v, {"units": unit_of(k)}) for k, v in self.outputs.items()}
        data |= {f"trace.{k}": (("sample", "time"), v, {"units": unit_of(k)}) for k, v in self.traces.items()}
        data["done"] = ("sample", self.done)
        coordinates = {"sample": np.arange(self.samples), "time": ("time", self.trace_time, {"units": "s"})}
        return xr.Dataset(data, coordinates)

    def to_dataframe(self) -> pd.DataFrame:
        """One row per sample: parameters, then outputs."""
        import pandas as pd

        return pd.DataFrame({**self.parameters, **self.outputs}, index=pd.Index(np.arange(self.samples), name="sample"))

    def quantiles(self, shares: Sequence[float] = (0.05, 0.5, 0.95)) -> pd.DataFrame:
        """Quantiles of every output over the samples solved."""
        import pandas as pd

        nothing = np.full(len(shares), np.nan)
        values = {k: np.quantile(v[self.done], shares) if self.done.any() else nothing for k, v in self.outputs.items()}
        return pd.DataFrame(values, index=pd.Index(list(shares), name="quantile")).T

    def __repr__(self) -> str:
        missing = "" if self.done.all() else f", {int((~self.done).sum())} not solved"
        return f"<EnsembleRun: {self.samples} machines{missing}, {len(self.outputs)} outputs, {len(self.traces)} traces>"


def unit_of(name: str) -> str:
    """Unit at the end of an output's name."""
    for unit in ("degC", "dBA", "rpm", "W", "K", "s", "J"):
        if name.endswith(f"_{unit}"):
            return unit
    return "1"


@dataclass(frozen=True, kw_only=True)
class Task:
    """One ensemble: the same workload and mode for every sample of a family of machines.

    Attributes
    ----------
    template : Plant of one sample, for the structure
    machines : gives the machines of a slice of samples (numbers as arrays)
    mode : the mode of all samples, or a function giving that of one sample
    sensors : gives the sensors of a slice of samples (numbers as arrays), where they vary
    traces : node names, ``power.<chip>``, ``fan_speed.<fan>``
    """

    template: Plant
    machines: Callable[[slice], Machine]
    samples: int
    mode: Mode | Callable[[int], Mode]
    sensors: Callable[[slice], Mapping[str, Any]] | None
    workload: Workload
    duration: float
    start: Any = "idle"
    tolerance: float = 0.01
    traces: tuple[str, ...] = ()
    trace_period: float = 10.0


def run_ensemble(
    task: Task, parameters: Mapping[str, Array], *, workers: int | None = None, progress: bool = False,
    provenance: Mapping[str, Any] | None = None, only: Sequence[int] | None = None,
    on_chunk: Callable[[slice, Mapping[str, Array], Mapping[str, Array]], None] | None = None,
) -> EnsembleRun:  # fmt: skip
    """Solve all samples; interruption keeps what is done.

    Parameters
    ----------
    workers : int, optional
        Threads; one more than cores if left out.
    only : sequence of int, optional
        Chunk numbers to solve (others stay undone), for resuming.
    on_chunk : callable, optional
        Told the slice, outputs and traces of every chunk as it is finished.
    """
    announce()
    size = chunk_size(task)
    chunks = [slice(a, min(a + size, task.samples)) for a in range(0, task.samples, size)]
    times = trace_times(task)
    outputs: dict[str, Array] = {}
    traces = {name: np.full((task.samples, times.size), np.nan) for name in task.traces}
    done = np.zeros(task.samples, dtype=bool)
    bar = None
    if progress:
        from tqdm.auto import tqdm

        bar = tqdm(total=task.samples, desc="machines", unit="machine", mininterval=0.2)
    todo = [chunk for k, chunk in enumerate(chunks) if only is None or k in set(only)]
    # One thread more than cores: while one waits for the interpreter, another runs the kernel (6 % quicker on two cores).
    workers = workers or (os.cpu_count() or 1) + 1
    pending: dict[Future[tuple[dict[str, Array], dict[str, Array]]], slice] = {}
    interrupted = False
    with ThreadPoolExecutor(workers) as pool:
        try:
            while todo or pending:
                while todo and len(pending) < workers:
                    chunk = todo.pop(0)
                    pending[pool.submit(solve_chunk, task, chunk)] = chunk
                finished, _ = wait(pending, return_when=FIRST_COMPLETED)
                for future in finished:
                    chunk = pending.pop(future)
                    values, kept = future.result()
                    for name, column in values.items():
                        outputs.setdefault(name, np.full(task.samples, np.nan))[chunk] = column
                    for name, rows in kept.items():
                        traces[name][chunk] = rows
                    done[chunk] = True
                    if on_chunk is not None:
                        on_chunk(chunk, values, kept)
                    if bar is not None:
                        bar.update(chunk.stop - chunk.start)
        except KeyboardInterrupt:
            interrupted = True
            for future in pending:
                future.cancel()
        finally:
            if bar is not None:
                bar.close()
    return EnsembleRun(
        parameters, outputs, traces, times, done,
        {"method": "exponential, second order", "period_s": task.template.period, "chunk": size, "interrupted": interrupted},
        dict(provenance or {}),
    )  # fmt: skip


def chunk_size(task: Task) -> int:
    """Samples solved together: an eighth of all, so that threads share the work, as far as their networks fit the memory set aside."""
    network = task.template.compiled(task.template.levels - 1)
    numbers = sum(a.size for a in (network.capacity, network.link_conductance, network.law_parameters, network.stream_rate))
    one = 8 * numbers * task.template.line(0)[0].size
    return int(np.clip(task.samples // 8, 16, np.clip(CHUNK_BYTES // one, 16, 512)))


def trace_times(task: Task) -> Array:
    """Times of the traces, s."""
    if not task.traces:
        return np.zeros(0)
    period = task.template.period
    every = ticks(task.trace_period, period)
    samples = ticks(task.duration, period)
    return np.asarray(np.arange(-(-samples // every)) * every * period, dtype=np.float64)


def solve_chunk(task: Task, chunk: slice) -> tuple[dict[str, Array], dict[str, Array]]:
    """Solve the samples of a slice; returns (outputs, traces)."""
    return finished(solving(task, chunk))


def solving(task: Task, chunk: slice) -> InPieces[tuple[dict[str, Array], dict[str, Array]]]:
    """As :func:`solve_chunk`, pausing after every sample."""
    template, count = task.template, chunk.stop - chunk.start
    machine = task.machines(chunk)
    stack = Stack(template, machine, count)
    samples = ticks(task.duration, template.period)
    packed = Packed(task, stack, machine, chunk, samples)
    yield
    starts = start_states(task, stack, packed)
    yield
    every = ticks(task.trace_period, template.period) if task.traces else samples + 1
    outputs: dict[str, list[float]] = {}
    traces = {name: np.empty((count, trace_times(task).size)) for name in task.traces}
    tuning = kernel.Tuning(template.period, task.tolerance, packed.slow, CEILING)
    space = kernel.work_space(stack.thermal(), packed.silicon, packed.senses_of(0), packed.rules_of(0))
    for i in range(count):
        silicon, rules, senses = packed.silicon_of(i), packed.rules_of(i), packed.senses_of(i)
        x, indices, steps, power = starts[i]
        state = fresh_state(template, rules, senses, x, average=power, indices=indices, table_step=steps, slow_limit=packed.slow)
        record = _record(template, senses, samples if task.traces else 0, every)
        watch = packed.watch_of(i)
        stack.take(i)
        while True:
            reason = kernel.run_loop(
                stack.thermal(), silicon, senses, rules, state, record, watch, space, tuning, samples
            )
            if reason != kernel.NEED_LEVEL:
                break
            stack.provide(int(state.count[1]) - 1)
        for name, value in _outputs(task, state, watch, reason, starts[i][0], stack.capacity[i]).items():
            outputs.setdefault(name, []).append(value)
        _keep_traces(task, record, template, traces, i)
        yield
    found = {name: np.array(values) for name, values in outputs.items()}
    if machine.fans:
        speeds = {fan.name: np.maximum(found[f"final_fan_speed.{fan.name}_rpm"], 1.0) for fan in machine.fans}
        found["final_noise_dBA"] = per_sample(machine.noise(speeds), count)
    return found, traces


class Packed:
    """Packed arrays of a chunk: what is common once, what differs by sample as arrays."""

    def __init__(self, task: Task, stack: Stack, machine: Machine, chunk: slice, samples: int) -> None:
        template = task.template
        mode = None if callable(task.mode) else task.mode
        self.task, self.machine, self.chunk, self.count = task, machine, chunk, stack.samples
        self.slow = max(1, round(1.0 / template.period))
        self.silicon = pack_silicon(template, task.workload, samples)
        voltages = [(sum(law.power for _, law in c.leaks), c.dynamic_scale, c.leak_scale) for c in machine.chips]
        self._voltage = np.stack(
            [np.stack([per_sample(v, self.count) for v in row], axis=1) for row in voltages], axis=1
        )
        differs = task.workload.holds == "frequency" and not np.all(self._voltage[:, :, 1:] == 1.0)
        self._metered = metered_demand(template, task.workload, samples) if differs else None
        self.sensors = sensor_set(template.machine, template.period)
        own = self.sensors
        if task.sensors is not None:
            own = sensor_set(replace(template.machine, sensors=task.sensors(chunk)), template.period)
        self.senses = pack_sensors(template, own)
        first = mode if mode is not None else task.mode(chunk.start)  # type: ignore[operator]
        self._rules = pack_rules(template, first, self.sensors)
        self._watch = pack_watch(template, template.machine.limits)
        self.mode = mode
        self._caps = np.broadcast_to(fan_caps(machine, first).T, (self.count, len(machine.fans)))
        self._fill(template)

    def _fill(self, template: Plant) -> None:
        """Arrays over samples for everything in the machine that may vary."""
        count, chips, quick = self.count, self.machine.chips, template.quick
        self.share = np.zeros((count, len(chips), quick))
        self.follow = np.zeros((count, len(chips), quick))
        self.base = np.zeros((count, len(template.held_input)))
        leaks, curves, exponents, targets = [], [], [], []
        for c, chip in enumerate(chips):
            for node, value in chip.share.items():
                self.share[:, c, template.quick_input[node]] += value
            for node, value in chip.follow.items():
                self.follow[:, c, template.quick_input[node]] += value
            for _, law in chip.leaks:
                leaks.append(np.stack([per_sample(v, count) for v in (law.power, law.reference, law.slope)], axis=1))
            curves.append([[per_sample(v, count) for v in point] for point in chip.curve])
            exponents.append(per_sample(chip.leak_voltage_exponent, count))
            targets.append(per_sample(chip.junction_limit, count) - per_sample(template.machine.chips[c].junction_limit, count))
        for name, (nodes, watts) in self.machine.sources.items():
            level = self.task.workload.other.get(name, watts)
            for node, value in nodes.items():
                self.base[:, template.held_input[node]] += np.asarray(value) * level
        self.leaks = np.stack(leaks, axis=1) if leaks else np.zeros((count, 0, 3))
        self.exponents = np.stack(exponents, axis=1)
        self.targets = np.stack(targets, axis=1)
        self.curves = self._curves(curves)
        self.limits = np.stack([per_sample(limit.value, count) for limit in self.machine.limits], axis=1)

    def _curves(self, curves: list[Any]) -> Array:
        result = np.repeat(self.silicon.curve[None], self.count, axis=0).copy()
        for c, curve in enumerate(curves):
            points = np.moveaxis(np.array(curve), -1, 0)  # (samples, points, 2)
            k = points.shape[1]
            result[:, c, 0, 1] = points[:, 0, 1]
            result[:, c, 1 : k + 1, :2] = points
            result[:, c, 1:k, 2] = np.diff(points[:, :, 1], axis=1) / np.diff(points[:, :, 0], axis=1)
        return result

    def _demand_of(self, i: int) -> Array:
        """Demand of one sample, whose voltage may differ from the template's."""
        if self._metered is None:
            shared: Array = self.silicon.demand
            return shared
        voltages = self._voltage[i].tolist()
        rows = [demand_at_voltage(row, *scales) for row, scales in zip(self._metered, voltages, strict=True)]
        return np.ascontiguousarray(np.vstack(rows))

    def silicon_of(self, i: int) -> kernel.Silicon:
        """Chips of sample ``i`` of the chunk."""
        return self.silicon._replace(
            demand=self._demand_of(i), share=self.share[i], follow=self.follow[i], base_heat=self.base[i],
            leak_value=self.leaks[i], curve=self.curves[i], leak_voltage_exponent=self.exponents[i],
        )  # fmt: skip

    def rules_of(self, i: int) -> kernel.Rules:
        """Firmware of sample ``i`` of the chunk."""
        return self._all_rules[i]

    @cached_property
    def _all_rules(self) -> list[kernel.Rules]:
        found = []
        for i in range(self.count):
            rules, caps = self._rules, self._caps[i]
            if self.mode is None:
                mode = self.task.mode(self.chunk.start + i)  # type: ignore[operator]
                rules = pack_rules(self.task.template, mode, self.sensors)
                if mode.noise_cap is not None or any(f.speed_cap is not None for f in mode.fans.values()):
                    caps = np.broadcast_to(fan_caps(self.machine, mode).T, (self.count, len(self.machine.fans)))[i]
            found.append(
                rules._replace(
                    throttle_target=rules.throttle_target + self.targets[i], fan_cap=np.ascontiguousarray(caps),
                    fan_idle=np.minimum(rules.fan_idle, caps),
                )
            )  # fmt: skip
        return found

    def senses_of(self, i: int) -> kernel.Senses:
        """Sensors of sample ``i`` of the chunk."""
        if self.task.sensors is None:
            return self.senses
        weight, *numbers = self.senses
        return kernel.Senses(weight, *(column[i] if column.ndim == 2 else column for column in numbers))

    def watch_of(self, i: int) -> kernel.Watch:
        """Limits of sample ``i`` of the chunk."""
        watch = kernel.Watch(*(array.copy() for array in self._watch))
        return watch._replace(value=np.ascontiguousarray(self.limits[i]))


Start = tuple[Array, NDArray[np.int64], NDArray[np.int64], Array]


def start_states(task: Task, stack: Stack, packed: Packed) -> list[Start]:
    """Temperatures, fan positions, table steps and power of every sample at the start."""
    template, count = task.template, stack.samples
    chips = [chip.name for chip in template.machine.chips]
    rules = [packed.rules_of(i) for i in range(count)]
    tables = np.zeros((count, rules[0].table_fan.size), dtype=np.int64)
    if isinstance(task.start, str) and task.start == "cold":
        column = template.boundaries.index("ambient")
        cold = np.repeat(stack.boundary[:, column : column + 1], template.active.size, axis=1)
        indices = np.array([np.floor(r.fan_idle / r.fan_grid + 0.5).astype(np.int64) for r in rules]).reshape(count, -1)
        return [(within_melting_ranges(template, cold[i]), indices[i], tables[i], np.zeros(len(chips))) for i in range(count)]
    power = start_power(task, chips)
    everything, indices = settle_samples(task, stack, packed, np.tile(power, (count, 1)), tables)
    return [
        (within_melting_ranges(template, everything[template.active, i]), indices[i], tables[i], power) for i in range(count)
    ]


def settle_samples(
    task: Task, stack: Stack, packed: Packed, powers: Array, tables: NDArray[np.int64] | None = None
) -> tuple[Array, NDArray[np.int64]]:
    """Steady node temperatures (n, samples) and fan positions (samples, fans) at chip powers (samples, chips).

    The fans rise from rest, step by step, until their tables ask for no more, as in :func:`thermnet.solve.start.settle`; ``tables``
    is filled with the tables' steps.
    """
    template, count = task.template, stack.samples
    rules = [packed.rules_of(i) for i in range(count)]
    if tables is None:
        tables = np.zeros((count, rules[0].table_fan.size), dtype=np.int64)
    indices = np.array([fan_request(r, t) for r, t in zip(rules, tables, strict=True)]).reshape(count, -1)
    everything = np.empty((len(template.nodes), count))
    base, eased = packed.base.copy(), np.zeros(count, dtype=np.int64)
    moving = np.arange(count)
    for _ in range(200):
        levels = np.array([template.level(indices[i].tolist()) for i in moving])
        for level in np.unique(levels):
            rows = moving[levels == level]
            everything[:, rows] = _soaked(stack, packed, int(level), powers[rows], rows, base[rows])
        still = []
        for i in moving:
            senses = packed.senses_of(int(i))
            readings = settled_readings(senses, everything[template.active, i])
            higher = np.maximum(tables[i], np.minimum(fan_steps(rules[i], readings), tables[i] + 1))
            if not np.array_equal(higher, tables[i]):
                tables[i] = higher
                indices[i] = np.maximum(indices[i], fan_request(rules[i], higher))
                still.append(i)
            elif charger_steps(rules[i], readings) > eased[i]:
                charger = rules[i].charger_input[0]
                base[i, charger] = packed.base[i, charger] * rules[i].charger_share[eased[i]]
                eased[i] += 1
                still.append(i)
        if not still:
            break
        moving = np.array(still)
    return everything, indices


def start_power(task: Task, chips: list[str]) -> Array:
    """Chip powers of the soaked start, W.

    Raises
    ------
    ValueError
        A start that an ensemble cannot have.
    """
    idle = task.template.machine.idle_power
    if isinstance(task.start, str):
        if task.start != "idle":
            raise ValueError(f'start {task.start!r}; expected "idle", "cold", or a power in W')
        return np.array([idle.get(c, 2.0) for c in chips], dtype=float)
    if isinstance(task.start, Mapping):
        return np.array([float(task.start.get(c, idle.get(c, 2.0))) for c in chips])
    if isinstance(task.start, int | float):
        return np.array([float(task.start)] + [idle.get(c, 2.0) for c in chips[1:]])
    raise ValueError("an ensemble starts from idle, cold, or a power in W; a run is of one machine only")


def _soaked(stack: Stack, packed: Packed, level: int, powers: Array, rows: NDArray[np.int64], base: Array) -> Array:
    """Steady temperatures (n, rows) at chip powers (rows, chips); see :func:`thermnet.solve.start.soaked`."""
    template = stack.template
    compiled = batch.picked(stack.compiled(level), rows)
    index, values = packed.silicon.leak_index, packed.leaks[rows]
    quick = template.quick
    base = np.hstack([np.einsum("sc,scj->sj", powers, packed.follow[rows]), base])
    heat = base.copy()
    heat[:, :quick] += np.einsum("sc,scj->sj", powers, packed.share[rows])
    everything: Array | None = None
    moving = np.ones(rows.size, dtype=bool)
    for _ in range(21):
        watts = np.zeros((compiled.size, rows.size))
        np.add.at(watts, template.heat_rows, heat.T)
        new = batch.steady(compiled, watts, everything)
        if everything is not None:
            settled = np.max(np.abs(new - everything), axis=0) < 1e-7
            new = np.where(moving, new, everything)
            moving &= ~settled
            if not moving.any():
                return new
        everything = new
        if not len(index):
            return everything
        at = everything[template.active][index[:, kernel.STATE]].T
        leaks = values[:, :, 0] * np.exp(np.minimum(values[:, :, 2] * (at - values[:, :, 1]), 6.0))
        heat = base.copy()
        for c in range(powers.shape[1]):
            own = index[:, kernel.CHIP] == c
            total = leaks[:, own].sum(axis=1)
            scale = np.where(total > 0, np.minimum(1.0, powers[:, c] / np.where(total > 0, total, 1.0)), 0.0)
            heat[:, :quick] += packed.share[rows][:, c] * (powers[:, c] - scale * total)[:, None]
            for e in np.flatnonzero(own):
                heat[:, index[e, kernel.INPUT]] += scale * leaks[:, e]
    return everything  # type: ignore[return-value]


def _record(template: Plant, senses: kernel.Senses, samples: int, every: int) -> kernel.Record:
    rows, chips, fans = -(-samples // every), len(template.machine.chips), len(template.machine.fans)
    return kernel.Record(
        np.array([every]), np.empty((rows, template.active.size)), np.empty((rows, 0)), np.empty((rows, chips)),
        np.empty((rows, chips)), np.empty((rows, chips)), np.empty((rows, chips), dtype=np.int8),
        np.empty(rows, dtype=np.int32), np.empty((rows, fans), dtype=np.int32), np.empty((rows, senses.offset.size)),
        np.empty((rows, chips)),
    )  # fmt: skip


def _keep_traces(task: Task, record: kernel.Record, template: Plant, traces: dict[str, Array], i: int) -> None:
    chips = [chip.name for chip in template.machine.chips]
    fans = {fan.name: k for k, fan in enumerate(template.machine.fans)}
    for name, rows in traces.items():
        kind, _, label = name.partition(".")
        if name in template.state_of:
            rows[i] = record.x[:, template.state_of[name]]
        elif kind == "power" and label in chips:
            rows[i] = record.power[:, chips.index(label)]
        elif kind == "fan_speed" and label in fans:
            rows[i] = record.fan[:, fans[label]] * template.machine.fans[fans[label]].grid
        else:
            known = [*template.state_of, *(f"power.{c}" for c in chips), *(f"fan_speed.{f}" for f in fans)]
            raise KeyError(f"no trace {name!r}{nearest(name, known)}")


def _outputs(
    task: Task, state: kernel.State, watch: kernel.Watch, reason: int, x0: Array, capacity: Array
) -> dict[str, float]:
    """Scalar results of one sample."""
    period, template = task.template.period, task.template
    samples = max(int(state.count[0]), 1)
    found: dict[str, float] = {}
    for q, limit in enumerate(template.machine.limits):
        first = float("nan")
        if watch.first[q] >= 0:
            # Between the ends of the sample in which the limit was crossed.
            before, after = float(watch.before[q]), float(watch.after[q])
            share = -before / (after - before) if before > -NEVER and after > before else 0.0
            first = (float(watch.first[q]) + share) * period
        if limit.node:
            found[f"peak.{limit.name}_degC"] = float(watch.worst[q] + watch.value[q])
        found[f"margin.{limit.name}_{'K' if limit.node else 'W'}"] = -float(watch.worst[q])
        found[f"first.{limit.name}_s"] = first
    for f, fan in enumerate(template.machine.fans):
        found[f"final_fan_speed.{fan.name}_rpm"] = float(state.fan_index[f] * fan.grid)
    for c, chip in enumerate(template.machine.chips):
        found[f"mean_power.{chip.name}_W"] = float(state.tally[c, kernel.POWER_SUM] / samples)
        found[f"final_power.{chip.name}_W"] = float(state.power[c])
        found[f"work.{chip.name}_s"] = float(state.work[c])
        for code, flag in enumerate(kernel.LIMIT_FLAGS):
            found[f"bound.{chip.name}.{flag}"] = float(state.tally[c, code] / samples)
    for name, row in template.state_of.items():
        found[f"final.{name}_degC"] = float(state.x[row])
    stored = float(capacity @ (state.x - x0))
    into, out = float(state.account[0]), float(state.account[1])
    found["energy_residual"] = abs(into - out - stored) / max(abs(into), 1e-12)
    found["largest_error_estimate_K"] = float(state.account[2])
    found["refined_samples"] = float(state.count[2])
    found["fan_table_steps"] = float(state.count[5])
    found["runaway"] = float(reason == kernel.RUNAWAY)
    return found
