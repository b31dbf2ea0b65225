"""Turn modes, sensors, chips and workloads into the arrays that the kernel reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.firmware.mode import FanControl, Mode
from thermnet.firmware.sensor import Sensor
from thermnet.firmware.workload import Workload
from thermnet.network.graph import nearest
from thermnet.solve import kernel
from thermnet.solve.machine import Machine
from thermnet.solve.plant import Plant

Array = NDArray[np.float64]
NEVER = 1e30


@dataclass(frozen=True)
class SensorSet:
    """Sensors of a run: the design's own, then one undelayed sensor per hot spot."""

    names: tuple[str, ...]
    sensors: tuple[Sensor, ...]

    def index(self, name: str) -> int:
        """Position of a sensor by name."""
        try:
            return self.names.index(name)
        except ValueError:
            raise NetworkError(f"no sensor {name!r}{nearest(name, self.names)}") from None


def sensor_set(machine: Machine, period: float) -> SensorSet:
    """All sensors of the machine, with a direct one for each hot spot."""
    direct = {chip.hot_spot: Sensor(reads=(chip.hot_spot,), period=period) for chip in machine.chips}
    both = {**machine.sensors, **{name: s for name, s in direct.items() if name not in machine.sensors}}
    return SensorSet(tuple(both), tuple(both.values()))


def ticks(duration: float, period: float) -> int:
    """Whole control samples in a duration, at least one."""
    return max(1, round(duration / period))


def pack_sensors(plant: Plant, sensors: SensorSet) -> kernel.Senses:
    """Arrays of the sensors; what varies by sample has the samples before the sensors."""
    count = len(sensors.names)
    weight = np.zeros((count, plant.size))
    for s, sensor in enumerate(sensors.sensors):
        for node in sensor.reads:
            if node not in plant.state_of:
                raise NetworkError(f"sensor {sensors.names[s]!r} reads {node!r}{nearest(node, plant.state_of)}")
            weight[s] += plant.weights(node) / len(sensor.reads)

    def over(name: str) -> Array:
        values = [np.asarray(getattr(sensor, name), dtype=float) for sensor in sensors.sensors]
        return np.stack(np.broadcast_arrays(*values), axis=-1)

    polls = np.maximum(1, np.rint(over("period") / plant.period)).astype(np.int64)
    lag, seconds = over("lag"), polls * plant.period
    alpha = np.where(lag > 0, -np.expm1(-seconds / np.where(lag > 0, lag, 1.0)), 1.0)
    delay = np.rint(over("delay") / seconds).astype(np.int64)
    return kernel.Senses(weight, over("offset"), alpha, over("resolution"), polls, delay)


def pack_silicon(plant: Plant, workload: Workload, samples: int) -> kernel.Silicon:
    """Arrays of the chips, the demand and the heat of other parts."""
    machine, quick = plant.machine, plant.quick
    chips = machine.chips
    metered = metered_demand(plant, workload, samples)
    unknown = [name for name in workload.watts if name not in {chip.name for chip in chips}]
    if unknown:
        raise NetworkError(f"workload {workload.name!r} loads {unknown[0]!r}{nearest(unknown[0], [c.name for c in chips])}")
    demand = metered
    if workload.holds == "frequency":
        demand = np.vstack([
            demand_at_voltage(row, float(sum(law.power for _, law in chip.leaks)), chip.dynamic_scale, chip.leak_scale)
            for chip, row in zip(chips, metered, strict=True)
        ])  # fmt: skip
    heaviest = metered.max(axis=1, keepdims=True)
    share, follow = np.zeros((len(chips), quick)), np.zeros((len(chips), quick))
    entries: list[tuple[int, str, Any]] = []
    for c, chip in enumerate(chips):
        for node, value in chip.share.items():
            share[c, plant.quick_input[node]] += value
        for node, value in chip.follow.items():
            follow[c, plant.quick_input[node]] += value
        entries += [(c, node, law) for node, law in chip.leaks]
    base = np.zeros(len(plant.held_input))
    for name, (nodes, watts) in machine.sources.items():
        level = float(workload.other.get(name, watts))
        for node, value in nodes.items():
            base[plant.held_input[node]] += value * level
    return kernel.Silicon(
        np.ascontiguousarray(demand), np.array([1 if workload.holds == "frequency" else 0]), share, follow,
        np.array([(c, plant.quick_input[n], plant.state_of[n]) for c, n, _ in entries], dtype=np.int64).reshape(-1, 3),
        np.array([(law.power, law.reference, law.slope) for *_, law in entries], dtype=float).reshape(-1, 3),
        np.array([float(c.leak_voltage_exponent) for c in chips]), _curves([c.curve for c in chips]), base,
        np.ascontiguousarray(metered / np.where(heaviest > 0, heaviest, 1.0)),
    )  # fmt: skip


def metered_demand(plant: Plant, workload: Workload, samples: int) -> Array:
    """Demand of every chip over the control samples as the load was metered, W; one column where it is constant."""
    demand = np.vstack([workload.sampled(chip.name, plant.period, samples) for chip in plant.machine.chips])
    return demand[:, :1] if samples > 1 and np.all(demand == demand[:, :1]) else demand


def demand_at_voltage(metered: Array, leakage: float, dynamic_scale: float, leak_scale: float) -> Array:
    """Demand in W at the chip's voltage of a load that holds its frequency, metered at the curve's own voltage.

    Dynamic power goes with the square of the voltage and leakage with the chip's own power of it, hence two scales;
    ``leakage`` is the rated leakage at the chip's voltage, W.  Below the rated leakage only the part of the chip that
    is awake leaks.
    """
    if dynamic_scale == 1.0 and leak_scale == 1.0:
        return metered
    before = leakage / leak_scale
    awake = np.minimum(metered / before, 1.0) if before > 0 else np.ones_like(metered)
    return np.maximum(metered - before, 0.0) * dynamic_scale + awake * leakage


def _curves(curves: list[tuple[tuple[float, float], ...]]) -> Array:
    """Voltage-frequency curves of all chips as (frequency, voltage, slope) rows; level before the first point."""
    longest = max(len(curve) for curve in curves)
    result = np.zeros((len(curves), longest + 1, 3))
    for c, curve in enumerate(curves):
        points = np.array(curve, dtype=float)
        rows = np.zeros((longest + 1, 3))
        rows[0] = (0.0, points[0, 1], 0.0)
        rows[1 : len(points) + 1, :2] = points
        rows[1 : len(points), 2] = np.diff(points[:, 1]) / np.diff(points[:, 0])
        # Rows that a shorter curve does not need are never reached.
        rows[len(points) + 1 :] = (2.0, points[-1, 1], 0.0)
        result[c] = rows
    return result


def speed_cap(machine: Machine, mode: Mode, fan: str) -> Any:
    """Highest speed a fan may take in a mode: its own maximum, the mode's cap, and the noise cap, in rpm.

    A noise cap lowers all fans to the same share of their maxima; found by bisection on the summed level (for all
    samples at once where the fans' noise is an array).
    """
    own = next(f.maximum for f in machine.fans if f.name == fan)
    cap: Any = own
    control = mode.fans.get(fan)
    if control is not None and control.speed_cap is not None:
        cap = np.minimum(cap, control.speed_cap)
    if mode.noise_cap is not None:
        loudest = np.asarray(machine.noise({f.name: f.maximum for f in machine.fans}), dtype=float)
        low, high = np.zeros(loudest.shape), np.ones(loudest.shape)
        for _ in range(60):
            middle = 0.5 * (low + high)
            level = machine.noise({f.name: np.maximum(middle * f.maximum, 1.0) for f in machine.fans})
            too_loud = np.asarray(level) > mode.noise_cap
            low, high = np.where(too_loud, low, middle), np.where(too_loud, middle, high)
        cap = np.minimum(cap, np.where(loudest > mode.noise_cap, low, 1.0) * own)
    return float(cap) if np.ndim(cap) == 0 else cap


def fan_caps(machine: Machine, mode: Mode) -> Array:
    """Speed cap of each fan on its speed grid: (fans,) or (fans, samples) rpm.

    A cap between two speeds of the grid becomes the lower one, so that the cap holds.
    """
    caps = [np.floor(np.asarray(speed_cap(machine, mode, f.name)) / f.grid + 1e-9) * f.grid for f in machine.fans]
    return np.array(np.broadcast_arrays(*caps) if caps else [], dtype=float)


def pack_rules(plant: Plant, mode: Mode, sensors: SensorSet) -> kernel.Rules:
    """Arrays of a mode."""
    machine, period = plant.machine, plant.period
    chips = [mode.chips.get(chip.name) for chip in machine.chips]
    for chip, control in zip(machine.chips, chips, strict=True):
        if control is None:
            raise NetworkError(f"the mode sets no power limits for chip {chip.name!r}; it has {sorted(mode.chips)}")
    controls = [c for c in chips if c is not None]

    def per_chip(read: Any, kind: Any = float) -> NDArray[Any]:
        return np.array([read(c) for c in controls], dtype=kind)

    averaging = per_chip(lambda c: c.averaging_time)
    throttle_ticks = per_chip(lambda c: ticks(c.throttle_period, period), np.int64)
    tables, first, on, speed = [], [0], [], []
    fans: list[FanControl] = [mode.fans.get(fan.name, FanControl()) for fan in machine.fans]
    for f, drive in enumerate(fans):
        for own in drive.tables:
            tables.append((f, sensors.index(own.sensor), own.hysteresis))
            on += [row[0] for row in own.steps]
            speed += [row[1] for row in own.steps]
            first.append(len(on))
    fan_ticks = np.array([ticks(c.period, period) for c in fans], dtype=np.int64)
    asked = mode.noise_cap, *(fan.speed_cap for fan in fans)
    if asked not in plant.speed_caps:
        plant.speed_caps[asked] = fan_caps(machine, mode)
    caps = plant.speed_caps[asked]
    skins = mode.skin_limits
    skin_ticks = np.array([ticks(s.period, period) for s in skins], dtype=np.int64)
    charger = mode.charger
    charger_input = -1
    if charger is not None:
        nodes, _ = machine.sources[charger.charger]
        charger_input = plant.held_input[next(iter(nodes))]
    rows = charger.steps if charger is not None else ()
    return kernel.Rules(
        per_chip(lambda c: c.burst_limit), per_chip(lambda c: c.sustained_limit), -np.expm1(-period / averaging),
        per_chip(lambda c: NEVER if c.peak_limit is None else c.peak_limit), per_chip(lambda c: c.floor),
        np.array(
            [sensors.index(c.junction_sensor or chip.hot_spot) for c, chip in zip(controls, machine.chips, strict=True)],
            dtype=np.int64,
        ),
        per_chip(lambda c: c.power_step if c.throttle == "step" else 0.0),
        np.array([chip.junction_limit - c.throttle_margin for c, chip in zip(controls, machine.chips, strict=True)]),
        per_chip(lambda c: c.proportional_gain), per_chip(lambda c: c.integral_gain) * throttle_ticks * period,
        throttle_ticks, per_chip(lambda c: c.weight),
        np.array([NEVER if mode.shared_budget is None else mode.shared_budget]),
        np.array([sensors.index(s.sensor) for s in skins], dtype=np.int64),
        np.array([s.limit for s in skins], dtype=float), np.array([s.release for s in skins], dtype=float),
        np.array([s.proportional_gain for s in skins], dtype=float),
        np.array([s.integral_gain for s in skins], dtype=float) * skin_ticks * period,
        np.array([s.recovery for s in skins], dtype=float) * skin_ticks * period,
        np.array([s.floor for s in skins], dtype=float), skin_ticks,
        np.array([t[0] for t in tables], dtype=np.int64), np.array([t[1] for t in tables], dtype=np.int64),
        np.array([t[2] for t in tables], dtype=float), np.array(first, dtype=np.int64), np.array(on, dtype=float),
        np.array(speed, dtype=float), np.array([min(c.idle_speed, cap) for c, cap in zip(fans, caps, strict=True)], dtype=float),
        caps, np.array([c.rise for c in fans], dtype=float) * fan_ticks * period,
        np.array([c.fall for c in fans], dtype=float) * fan_ticks * period,
        np.array([round(c.dwell / period) for c in fans], dtype=np.int64), fan_ticks,
        np.array([fan.grid for fan in machine.fans], dtype=float), np.array(plant.strides, dtype=np.int64),
        np.array([charger_input]),
        np.array([sensors.index(charger.sensor) if charger is not None else 0], dtype=np.int64),
        np.array([r[0] for r in rows], dtype=float), np.array([r[1] for r in rows], dtype=float),
        np.array([charger.hysteresis if charger is not None else 0.0]),
        np.array([ticks(charger.period, period) if charger is not None else 1], dtype=np.int64),
    )  # fmt: skip


def pack_watch(plant: Plant, limits: Any, *, stop: bool = False, marks: Any = ()) -> kernel.Watch:
    """Arrays of the limits to look out for."""
    state, law, value = [], [], []
    for limit in limits:
        state.append(plant.state_of[limit.node] if limit.node else -1)
        law.append(plant.law_names.index(limit.link) if limit.link else -1)
        value.append(float(limit.value))
    count = len(state)
    return kernel.Watch(
        np.array(state, dtype=np.int64), np.array(law, dtype=np.int64), np.array(value, dtype=float),
        np.full(count, -NEVER), np.full(count, -1, dtype=np.int64), np.array([int(stop)]),
        np.full(count, -NEVER), np.full(count, NEVER),
        np.array(marks, dtype=np.int64), np.full((len(marks), count), -NEVER),
    )  # fmt: skip


def fresh_state(
    plant: Plant, rules: kernel.Rules, senses: kernel.Senses, x: Array, *, average: Array, indices: NDArray[np.int64],
    table_step: NDArray[np.int64] | None = None, slow_limit: int = 10,
) -> kernel.State:  # fmt: skip
    """State at the start of a run."""
    chips, tables, skins = rules.burst.size, rules.table_fan.size, rules.skin_limit.size
    top = np.minimum(rules.burst, rules.peak)
    total = min(float(top.sum()), float(rules.shared_budget[0]))
    count = np.zeros(6, dtype=np.int64)
    count[3] = count[4] = slow_limit
    delays = int(senses.delay.max(initial=0)) + 1
    seen = senses.weight @ x + senses.offset  # lag and delay have passed
    return kernel.State(
        x.copy(), np.zeros(seen.size), seen, np.tile(seen[:, None], delays),
        average.copy(), top.copy(), top.copy(), np.full(skins, total), np.full(skins, total),
        np.zeros(skins, dtype=np.int64), np.zeros(tables, dtype=np.int64) if table_step is None else table_step.copy(),
        np.full(tables, -1_000_000_000, dtype=np.int64), indices * rules.fan_grid, indices.astype(np.int64).copy(),
        np.zeros(1, dtype=np.int64), np.zeros((plant.laws.size, 2)),
        np.zeros(len(plant.surfaces[3])), np.zeros(plant.size + 1),
        average.copy(), np.ones(chips), np.zeros(chips, dtype=np.int64), np.zeros(chips), np.zeros((chips, kernel.POWER_SUM + 1)), np.zeros(3), count,
    )  # fmt: skip


def mode_of(modes: Mapping[str, Mode], name: str) -> Mode:
    """Look a mode up by name."""
    if name not in modes:
        raise NetworkError(f"no mode {name!r}{nearest(name, modes)}")
    return modes[name]
