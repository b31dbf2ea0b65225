"""The closed loop written a second time, for any machine and mode: plain Python firmware, and the heat balance as an
ordinary right-hand side that any integrator can be given.

Of the package only data are used: the mode, sensors and chips of a machine, and the index arrays of its network.
Elimination of massless nodes, laws, leakage, firmware and integration are done here in their own way.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import numba
import numpy as np

SIGMA = 5.670374419e-8
NONE = 1e30


# -- heat balance ------------------------------------------------------------------------------------------------


@dataclass
class Level:
    """Heat balance at one set of fan speeds: ``C dx/dt = constant + spread @ heat - loss @ x`` plus laws."""

    loss: np.ndarray
    spread: np.ndarray
    constant: np.ndarray


class PlainNetwork:
    """Heat balance of a machine in the nodes that have a capacity."""

    def __init__(self, machine):
        self.machine = machine
        first = machine.assemble({fan.name: np.array([fan.maximum]) for fan in machine.fans})
        first = first.select(0) if first.batch_shape else first
        self.nodes, self.n = first.nodes, first.size
        self.boundary = np.array([float(value) for value in first.boundary_values])
        self.active = [i for i in range(self.n) if first.capacity[i] > 0]
        self.massless = [i for i in range(self.n) if first.capacity[i] == 0]
        self.state = {first.nodes[row]: i for i, row in enumerate(self.active)}
        self.row = {name: i for i, name in enumerate(first.nodes)}
        self.capacity = first.capacity[self.active].copy()
        where = {row: i for i, row in enumerate(self.active)}
        self.law_code = first.law_code.copy()
        self.law_ends = np.array(
            [[where[e] if e < self.n else -1 - (e - self.n) for e in ends] for ends in first.law_ends], dtype=np.int64
        ).reshape(-1, 2)
        self.law_parameters = first.law_parameters.copy()
        self.law_names = first.law_names
        self.leaks = [(c, self.state[node], law) for c, chip in enumerate(machine.chips) for node, law in chip.leaks]
        self.leak_state = np.array([s for _, s, _ in self.leaks], dtype=np.int64)
        self.leak_value = np.array([(law.power, law.reference, law.slope) for *_, law in self.leaks]).reshape(-1, 3)
        self.dry = np.zeros(len(self.law_code))
        self._levels = {}

    def level(self, speeds):
        """Matrices at fan speeds in rpm."""
        if speeds not in self._levels:
            names = [fan.name for fan in self.machine.fans]
            net = self.machine.assemble({name: np.array([s]) for name, s in zip(names, speeds, strict=True)})
            net = net.select(0) if net.batch_shape else net
            total = self.n + len(self.boundary)
            flow = np.zeros((total, total))
            for (a, b), g in zip(net.link_ends, net.link_conductance, strict=True):
                flow[a] += g * (np.eye(total)[a] - np.eye(total)[b])
                flow[b] += g * (np.eye(total)[b] - np.eye(total)[a])
            for (a, b), w in zip(net.stream_ends, net.stream_rate, strict=True):
                flow[b] += w * (np.eye(total)[b] - np.eye(total)[a])
            x, z = self.active, self.massless
            inner, outer = flow[: self.n, : self.n], -flow[: self.n, self.n :] @ self.boundary
            through = inner[np.ix_(x, z)] @ np.linalg.inv(inner[np.ix_(z, z)]) if z else np.zeros((len(x), 0))
            spread = np.zeros((len(x), self.n))
            spread[np.arange(len(x)), x] = 1.0
            spread[:, z] = -through
            loss = inner[np.ix_(x, x)] - through @ inner[np.ix_(z, x)]
            self._levels[speeds] = Level(np.ascontiguousarray(loss), spread, spread @ outer)
        return self._levels[speeds]

    def rewet(self, x):
        """Pipes that pass their heat limit dry out, and wet again below a share of it."""
        for k in np.flatnonzero(self.law_code == 2):
            a, b = (x[e] if e >= 0 else self.boundary[-1 - e] for e in self.law_ends[k])
            p = self.law_parameters[k]
            if p[6] >= 1.0:
                continue
            limit = pipe_limit(p, a, b)
            heat = abs(law_heat(2, p, a, b, self.dry[k]))
            if not self.dry[k] and heat > limit:
                self.dry[k] = 1.0
            elif self.dry[k] and heat < p[6] * limit:
                self.dry[k] = 0.0

    def numpy_rhs(self, level, heat, scale):
        """Right-hand side ``f(t, x)`` in numpy for constant heat (n,) in W and leakage scales (leaks,)."""
        capacity, constant, loss = self.capacity, level.constant + level.spread @ heat, level.loss
        # Ends as positions in states followed by boundaries.
        ends = np.where(self.law_ends >= 0, self.law_ends, len(capacity) - 1 - self.law_ends)
        a, b, p, size = ends[:, 0], ends[:, 1], self.law_parameters.T, len(capacity)
        surface, pipe, melt = (np.flatnonzero(self.law_code == code) for code in (1, 2, 3))
        incidence = np.zeros((size + len(self.boundary), len(a)))
        incidence[a, np.arange(len(a))] -= 1.0
        incidence[b, np.arange(len(a))] += 1.0
        incidence = incidence[:size]
        leaking = np.zeros((size, len(scale)))
        leaking[self.leak_state, np.arange(len(scale))] = 1.0
        power, reference, slope = self.leak_value.T
        dry, boundary, state = self.dry, self.boundary, self.leak_state
        flow = np.empty(len(a))

        def rhs(_, x):
            everything = np.concatenate([x, boundary])
            hot, cold = everything[a], everything[b]
            if surface.size:
                t, u, q = hot[surface] + 273.15, cold[surface] + 273.15, p[:, surface]
                rise = t - u
                flow[surface] = q[0] * SIGMA * (t**4 - u**4) + (q[1] * (np.abs(rise) + 1e-9) ** q[2] + q[3]) * rise
            for k in pipe:
                flow[k] = law_heat(2, self.law_parameters[k], hot[k], cold[k], dry[k])
            for k in melt:
                flow[k] = law_heat(3, self.law_parameters[k], hot[k], cold[k], 0.0)
            net = constant - loss @ x + incidence @ flow
            net += leaking @ (scale * power * np.exp(np.minimum(slope * (x[state] - reference), 6.0)))
            return net / capacity

        return rhs

    def arrays(self, level, heat, scale):
        """Arguments of the compiled right-hand side after ``x, out``."""
        return (level.loss, level.constant + level.spread @ heat, self.capacity, self.boundary, self.law_code, self.law_ends,
                self.law_parameters, self.dry, self.leak_state, self.leak_value, scale)  # fmt: skip


@numba.njit(cache=True)
def pipe_limit(p, hot, cold):
    mean = 0.5 * (hot + cold)
    limit = p[1] * min(max(1.0 + p[3] * (mean - p[2]), 0.05), 3.0)
    if p[7] > 0.0:
        s = min(max(mean / p[7], 0.0), 1.0)
        limit *= 0.02 + 0.98 * s * s * (3.0 - 2.0 * s)
    return limit


@numba.njit(cache=True)
def law_heat(code, p, hot, cold, dry):
    """Heat from hot to cold through a law link, W."""
    drop = hot - cold
    if code == 1:
        a, b = hot + 273.15, cold + 273.15
        return p[0] * SIGMA * (a**4 - b**4) + (p[1] * (abs(drop) + 1e-9) ** p[2] + p[3]) * drop
    if code == 3:
        molten = (cold - p[1]) / p[3] + 0.5
        room = 1.0 - molten if hot > cold else molten
        return p[0] * (1e-6 + min(max(room / p[4], 0.0), 1.0)) * drop
    limit = pipe_limit(p, hot, cold) * (p[6] if dry else 1.0)
    free = abs(drop) / p[0]
    low, high = limit * (1.0 - p[5]), limit * (1.0 + p[5])
    if free <= low:
        return drop / p[0]
    # The slope of heat over free heat falls linearly from 1 to 1/steepness between low and high.
    end, s = min(free, high), 1.0 / p[4]
    heat = low + (end - low) - (1.0 - s) * (end - low) ** 2 / (2.0 * (high - low)) + s * max(free - high, 0.0)
    return math.copysign(heat, drop)


@numba.njit(cache=True)
def rhs(x, out, loss, constant, capacity, boundary, code, ends, p, dry, leak_state, leak_value, scale):
    """Compiled right-hand side: ``dx/dt`` into ``out``."""
    for i in range(x.size):
        net = constant[i]
        for j in range(x.size):
            net -= loss[i, j] * x[j]
        out[i] = net
    for k in range(code.size):
        a, b = ends[k]
        heat = law_heat(code[k], p[k], x[a] if a >= 0 else boundary[-1 - a], x[b] if b >= 0 else boundary[-1 - b], dry[k])
        if a >= 0:
            out[a] -= heat
        if b >= 0:
            out[b] += heat
    for e in range(leak_state.size):
        exponent = min(leak_value[e, 2] * (x[leak_state[e]] - leak_value[e, 1]), 6.0)
        out[leak_state[e]] += scale[e] * leak_value[e, 0] * math.exp(exponent)
    for i in range(x.size):
        out[i] /= capacity[i]


@numba.njit(cache=True)
def jacobian(x, matrix, loss, constant, capacity, boundary, code, ends, p, dry, leak_state, leak_value, scale):
    """Derivative of the compiled right-hand side into ``matrix``."""
    for i in range(x.size):
        for j in range(x.size):
            matrix[i, j] = -loss[i, j] / capacity[i]
    for k in range(code.size):
        a, b = ends[k]
        hot = x[a] if a >= 0 else boundary[-1 - a]
        cold = x[b] if b >= 0 else boundary[-1 - b]
        d = 1e-5
        by_a = (law_heat(code[k], p[k], hot + d, cold, dry[k]) - law_heat(code[k], p[k], hot - d, cold, dry[k])) / (2 * d)
        by_b = (law_heat(code[k], p[k], hot, cold + d, dry[k]) - law_heat(code[k], p[k], hot, cold - d, dry[k])) / (2 * d)
        if a >= 0:
            matrix[a, a] -= by_a / capacity[a]
        if b >= 0:
            matrix[b, b] += by_b / capacity[b]
        if a >= 0 and b >= 0:
            matrix[a, b] -= by_b / capacity[a]
            matrix[b, a] += by_a / capacity[b]
    for e in range(leak_state.size):
        z = leak_state[e]
        exponent = leak_value[e, 2] * (x[z] - leak_value[e, 1])
        if exponent < 6.0:
            matrix[z, z] += scale[e] * leak_value[e, 0] * leak_value[e, 2] * math.exp(exponent) / capacity[z]


@numba.njit(cache=True)
def runge_kutta(x, seconds, steps, work, loss, constant, capacity, boundary, code, ends, p, dry, leak_state, leak_value, scale):
    """Classical fourth-order steps of equal length, in place; explicit, so they must be shorter than the quickest node."""
    h = seconds / steps
    for _ in range(steps):
        rhs(x, work[0], loss, constant, capacity, boundary, code, ends, p, dry, leak_state, leak_value, scale)
        for stage in range(1, 4):
            part = h if stage == 3 else 0.5 * h
            for i in range(x.size):
                work[4, i] = x[i] + part * work[stage - 1, i]
            rhs(work[4], work[stage], loss, constant, capacity, boundary, code, ends, p, dry, leak_state, leak_value, scale)
        for i in range(x.size):
            x[i] += h / 6.0 * (work[0, i] + 2.0 * work[1, i] + 2.0 * work[2, i] + work[3, i])


# -- firmware ----------------------------------------------------------------------------------------------------


@dataclass
class Probe:
    """A sensor at work."""

    rows: list
    offset: float
    alpha: float
    resolution: float
    every: int
    delay: int
    lagged: float | None = None
    past: list = field(default_factory=list)
    reading: float = 0.0

    def poll(self, tick, x):
        if tick % self.every:
            return
        raw = self.offset + sum(x[row] for row in self.rows) / len(self.rows)
        if self.lagged is None:
            self.lagged = raw
            self.past = [raw] * self.delay
        self.lagged += self.alpha * (raw - self.lagged)
        self.past.append(self.lagged)
        seen = self.past.pop(0)
        self.reading = math.floor(seen / self.resolution + 0.5) * self.resolution if self.resolution > 0 else seen


class Firmware:
    """Governor, throttles, skin limiter, fan tables and charger of one mode, sample by sample."""

    def __init__(self, network, mode, start, *, holds="frequency", base_heat=None):
        """``start`` gives ``power`` and ``fan`` (rpm) by name, and ``steps``: fan table steps by fan."""
        machine, period = network.machine, mode.period
        self.network, self.mode, self.machine, self.holds, self.period = network, mode, machine, holds, period
        sensors = dict(machine.sensors)
        for chip in machine.chips:
            if chip.hot_spot not in sensors:
                sensors[chip.hot_spot] = None
        self.probes = {}
        for name, sensor in sensors.items():
            reads = (name,) if sensor is None else sensor.reads
            every = 1 if sensor is None else self.ticks(sensor.period)
            lag = 0.0 if sensor is None else sensor.lag
            self.probes[name] = Probe(
                [network.state[node] for node in reads], 0.0 if sensor is None else sensor.offset,
                -math.expm1(-every * period / lag) if lag > 0 else 1.0, 0.0 if sensor is None else sensor.resolution, every,
                0 if sensor is None else round(sensor.delay / (every * period)),
            )  # fmt: skip
        names = [chip.name for chip in machine.chips]
        self.controls = [mode.chips[name] for name in names]
        self.power = [start["power"][name] for name in names]
        self.average = list(self.power)
        self.top = [min(c.burst_limit, NONE if c.peak_limit is None else c.peak_limit) for c in self.controls]
        self.ceiling, self.integral = list(self.top), list(self.top)
        total = min(sum(self.top), NONE if mode.shared_budget is None else mode.shared_budget)
        self.skins = [{"control": s, "ceiling": total, "integral": total, "engaged": False, "total": total} for s in mode.skin_limits]
        self.fans = []
        for fan in machine.fans:
            control = mode.fans[fan.name]
            self.fans.append({
                "fan": fan, "control": control, "cap": start["cap"][fan.name], "speed": start["fan"][fan.name],
                "tables": [[table, step, -(10**9)] for table, step in zip(control.tables, start["steps"][fan.name], strict=True)],
            })  # fmt: skip
        self.charger_step = 0
        heat = {name: watts for name, (_, watts) in machine.sources.items()}
        heat.update(base_heat or {})
        self.source_heat = {name: heat[name] for name in machine.sources}

    def ticks(self, seconds):
        return max(1, round(seconds / self.period))

    def decide(self, tick, x, asked):
        """Return (fan speeds in rpm, heat by node (n,) in W, leakage scales, binding limit by chip)."""
        for probe in self.probes.values():
            probe.poll(tick, x)
        self._throttle(tick)
        speeds = tuple(self._fan(tick, fan) for fan in self.fans)
        heat, scales, bound = self._power(x, asked)
        self._sources(tick, heat)
        return speeds, heat, scales, bound

    def _throttle(self, tick):
        for c, (control, chip) in enumerate(zip(self.controls, self.machine.chips, strict=True)):
            if tick % self.ticks(control.throttle_period):
                continue
            seen = self.probes[control.junction_sensor or chip.hot_spot].reading
            error = chip.junction_limit - control.throttle_margin - seen
            if control.throttle == "step":
                held = self.ceiling[c] + (control.power_step if error > 0 else -control.power_step)
            else:
                gain = control.integral_gain * self.ticks(control.throttle_period) * self.period
                self.integral[c] = min(max(self.integral[c] + gain * error, control.floor), self.top[c])
                held = self.integral[c] + control.proportional_gain * error
            self.ceiling[c] = min(max(held, control.floor), self.top[c])
        for skin in self.skins:
            s = skin["control"]
            every = self.ticks(s.period)
            if tick % every:
                continue
            error = s.limit - self.probes[s.sensor].reading
            if error <= 0 and not skin["engaged"]:
                skin["engaged"], skin["integral"] = True, min(skin["ceiling"], sum(self.power))
            elif error > s.release:
                skin["engaged"] = False
            if skin["engaged"]:
                gain = s.integral_gain * every * self.period
                skin["integral"] = min(max(skin["integral"] + gain * error, s.floor), skin["total"])
                held = skin["integral"] + s.proportional_gain * error
            else:
                held = skin["ceiling"] + s.recovery * every * self.period
            skin["ceiling"] = min(max(held, s.floor), skin["total"])

    def _fan(self, tick, fan):
        control, every = fan["control"], self.ticks(fan["control"].period)
        if tick % every == 0:
            request = control.idle_speed
            for entry in fan["tables"]:
                table, step, since = entry
                reading, before = self.probes[table.sensor].reading, step
                while step < len(table.steps) and reading >= table.steps[step][0]:
                    step += 1
                if step == before and tick - since >= round(control.dwell / self.period):
                    while step > 0 and reading < table.steps[step - 1][0] - table.hysteresis:
                        step -= 1
                if step != before:
                    entry[1:] = [step, tick]
                request = max(request, table.steps[step - 1][1] if step else 0.0)
            request = min(request, fan["cap"])
            change = every * self.period
            if request > fan["speed"]:
                fan["speed"] = min(request, fan["speed"] + control.rise * change)
            else:
                fan["speed"] = max(request, fan["speed"] - control.fall * change)
        grid = fan["fan"].grid
        return int(fan["speed"] / grid + 0.5) * grid

    def _power(self, x, asked):
        net, chips = self.network, self.machine.chips
        at_x = [v[0] * math.exp(min(v[2] * (x[s] - v[1]), 6.0)) for s, v in zip(net.leak_state, net.leak_value, strict=True)]
        wanted, leaks, awake, limits, bound = [], [], [], [], []
        for c, control in enumerate(self.controls):
            rated = sum(law.power for e, _, law in net.leaks if e == c)
            on = min(asked[c] / rated, 1.0) if asked[c] < rated else 1.0
            own = on * sum(now for now, (e, *_) in zip(at_x, net.leaks, strict=True) if e == c)
            dynamic = max(asked[c] - rated, 0.0)
            awake.append(on)
            leaks.append((own, dynamic))
            wanted.append(dynamic + own if self.holds == "frequency" else asked[c])
            limit, code = (control.burst_limit, 1) if self.average[c] < control.sustained_limit else (control.sustained_limit, 2)
            if control.peak_limit is not None and control.peak_limit < limit:
                limit, code = control.peak_limit, 3
            if self.ceiling[c] < limit:
                limit, code = self.ceiling[c], 4
            limits.append(max(limit, control.floor))
            bound.append(code)
        total, code = (NONE, 6) if self.mode.shared_budget is None else (self.mode.shared_budget, 6)
        for skin in self.skins:
            if skin["ceiling"] < total:
                total, code = skin["ceiling"], 5
        self._share(wanted, limits, bound, total, code)
        heat, scales = np.zeros(net.n), np.zeros(len(net.leaks))
        for c, chip in enumerate(chips):
            own, dynamic = leaks[c]
            voltage_factor, floats = 1.0, False
            if wanted[c] <= limits[c]:
                bound[c] = 0
            if self.holds == "frequency" and wanted[c] <= limits[c]:
                power, floats = wanted[c], True
            else:
                power = limits[c] if self.holds == "frequency" else min(asked[c], limits[c])
                frequency = 1.0
                if dynamic > 0 and power < dynamic + own:
                    frequency = self._frequency(chip, dynamic, own, power)
                voltage_factor = voltage(chip.curve, frequency) ** chip.leak_voltage_exponent
                if self.holds == "frequency":
                    power = max(power, own * voltage_factor)
            held = own * voltage_factor
            rest = max(power - held, 0.0)
            for node, share in chip.share.items():
                heat[net.row[node]] += share * rest
            for node, share in chip.follow.items():
                heat[net.row[node]] += share * power
            fit = 1.0 if held <= power else power / held
            for e, (owner, state, _) in enumerate(net.leaks):
                if owner == c and floats:
                    scales[e] = awake[c]
                elif owner == c:
                    heat[net.active[state]] += at_x[e] * awake[c] * voltage_factor * fit
            self.power[c] = power
        return heat, scales, bound

    def _share(self, wanted, limits, bound, total, code):
        needs = [min(w, limit) for w, limit in zip(wanted, limits, strict=True)]
        if total >= 1e29 or sum(needs) <= total:
            return
        bases = [min(need, c.floor) for need, c in zip(needs, self.controls, strict=True)]
        claims = [c.weight * (need - base) for c, need, base in zip(self.controls, needs, bases, strict=True)]
        spare = max(total - sum(bases), 0.0)
        for c, need in enumerate(needs):
            part = bases[c] + (spare * claims[c] / sum(claims) if sum(claims) > 0 else 0.0)
            if part < need:
                limits[c], bound[c] = part, code

    def _frequency(self, chip, dynamic, leakage, power):
        low, high = 0.0, 1.0
        for _ in range(50):
            f = 0.5 * (low + high)
            v = voltage(chip.curve, f)
            low, high = (low, f) if dynamic * f * v * v + leakage * v**chip.leak_voltage_exponent > power else (f, high)
        return low

    def _sources(self, tick, heat):
        charger = self.mode.charger
        if charger is not None and tick % self.ticks(charger.period) == 0:
            reading, step = self.probes[charger.sensor].reading, self.charger_step
            while step < len(charger.steps) and reading >= charger.steps[step][0]:
                step += 1
            while step > 0 and reading < charger.steps[step - 1][0] - charger.hysteresis:
                step -= 1
            self.charger_step = step
        for name, (nodes, _) in self.machine.sources.items():
            watts = self.source_heat[name]
            if charger is not None and name == charger.charger and self.charger_step:
                watts = watts * charger.steps[self.charger_step - 1][1]
            for node, share in nodes.items():
                heat[self.network.row[node]] += share * watts

    def after(self):
        """End of a sample: the running averages."""
        for c, control in enumerate(self.controls):
            self.average[c] += -math.expm1(-self.period / control.averaging_time) * (self.power[c] - self.average[c])


def voltage(curve, frequency):
    """Voltage at a frequency, both as shares of the highest; level below the first point."""
    if frequency <= curve[0][0]:
        return curve[0][1]
    for (f0, v0), (f1, v1) in itertools.pairwise(curve):
        if frequency <= f1:
            return v0 + (v1 - v0) * (frequency - f0) / (f1 - f0)
    return curve[-1][1]


# -- the loop ----------------------------------------------------------------------------------------------------


@dataclass
class Trace:
    """What a loop did: temperatures (samples + 1, states), and per sample power, fan speeds and limits."""

    temperature: np.ndarray
    power: np.ndarray
    speed: np.ndarray
    bound: np.ndarray


def run(network, firmware, demand, x, advance):
    """Run the loop over demand (chips, samples) from states ``x``.

    ``advance(network, level, heat, scales, x)`` integrates one sample and returns the new states.
    """
    x = np.array(x, dtype=float)
    network.dry[:] = 0.0
    temperatures, powers, speeds, bounds = [x.copy()], [], [], []
    for tick in range(demand.shape[1]):
        at, heat, scales, bound = firmware.decide(tick, x, demand[:, tick])
        x = np.array(advance(network, network.level(at), heat, scales, x))
        network.rewet(x)
        firmware.after()
        temperatures.append(x.copy())
        powers.append(list(firmware.power))
        speeds.append(at)
        bounds.append(bound)
    return Trace(np.array(temperatures), np.array(powers), np.array(speeds), np.array(bounds))


def start_of(loop):
    """Where the firmware of a prepared loop begins, by name."""
    machine, state = loop.plant.machine, loop.state
    steps = dict.fromkeys((fan.name for fan in machine.fans), ())
    for table, fan in zip(state.table_step.tolist(), loop.rules.table_fan.tolist(), strict=True):
        steps[machine.fans[fan].name] += (table,)
    return {
        "power": {chip.name: float(watts) for chip, watts in zip(machine.chips, state.average, strict=True)},
        "fan": {fan.name: float(rpm) for fan, rpm in zip(machine.fans, state.fan_speed, strict=True)},
        "cap": {fan.name: float(rpm) for fan, rpm in zip(machine.fans, loop.rules.fan_cap, strict=True)}, "steps": steps,
    }  # fmt: skip


def by_runge_kutta(period, share=0.25):
    """Integrate by explicit steps of ``share`` of the quickest time constant (fourth order)."""
    steps, work = {}, {}

    def advance(network, level, heat, scales, x):
        if id(level) not in steps:
            rate = np.max(np.abs(np.linalg.eigvals(level.loss / network.capacity[:, None])))
            steps[id(level)] = max(1, int(np.ceil(period * rate * 1.15 / share)))
            work[x.size] = np.empty((5, x.size))
        y = x.copy()
        runge_kutta(y, period, steps[id(level)], work[x.size], *network.arrays(level, heat, scales))
        return y

    return advance
