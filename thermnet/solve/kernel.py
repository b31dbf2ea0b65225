"""The compiled core: firmware and heat balance of one machine, one control sample after another.

Everything here works on plain float64 and int64 arrays grouped in named tuples, so that the same functions run
compiled (numba) or, where numba cannot be used, as ordinary Python.  One file on purpose: a compiled function's
cache is only renewed when its own file changes.

The heat balance is ``dx/dt = A x + B u`` plus laws whose departure from a reference conductance is an input.
Over one sample of ``h`` seconds (exponential time differencing of second order, S. M. Cox and P. C. Matthews,
J. Comput. Phys. 176, 2002, 430-455)::

    x1 = exp(hA) x0 + h phi_1(hA) B u0                     predictor, exact for constant inputs
    x  = x1 + h phi_2(hA) B (u1 - u0)                      corrector, inputs taken as a ramp

with an error estimate from the inputs evaluated half way, and halved steps where it is too large.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

try:
    import numba
except ImportError:  # a platform without compiled code: same results, slowly
    numba = None

SUBDIVISIONS = 7
"""Propagators kept per fan level: steps of h, h/2 ... h/64."""

DEMAND, BURST, SUSTAINED, PEAK, JUNCTION, SKIN, SHARED = range(7)
LIMIT_FLAGS = ("demand", "burst limit", "sustained limit", "peak limit", "junction", "skin", "shared budget")

DONE, NEED_LEVEL, RUNAWAY, LIMIT_HIT = range(4)


class Thermal(NamedTuple):
    """Propagators by slot (one slot per fan level met so far) and the nonlinear laws."""

    slot_of_level: Any  # (levels,) slot or -1
    propagate: Any  # (slots, subdivisions, x + u, x): rows are the columns of [exp(hA), h phi_1 B]
    correct: Any  # (slots, subdivisions, heat inputs, x)
    out_start: Any  # (slots, subdivisions, x + u): heat out over a step per unit of start value
    out_ramp: Any  # (slots, subdivisions, heat inputs)
    capacity: Any  # (x,)
    boundary: Any  # (1 or samples, b) degC
    heat_inputs: Any  # (1,) number of heat inputs; boundaries follow them in u
    law_code: Any  # (k,)
    law_parameters: Any  # (k, 8)
    law_reference: Any  # (k,) W/K held in the propagators
    law_from: Any  # (k,) x index, or -1 - boundary index
    law_to: Any
    law_input_from: Any  # (k,) heat input index or -1
    law_input_to: Any
    law_fast: Any  # (k,) 1: evaluated every sample; 0: refreshed now and then


class Silicon(NamedTuple):
    """Chips: where their heat goes, leakage, frequency range."""

    demand: Any  # (chips, samples or 1) W
    holds_frequency: Any  # (1,) 1: demand is at full frequency and leakage reference; 0: demand is power
    share: Any  # (chips, heat inputs) of dynamic power
    follow: Any  # (chips, heat inputs) W per W of chip power
    leak_chip: Any  # (l,)
    leak_input: Any
    leak_state: Any  # (l,) x index
    leak_power: Any
    leak_reference: Any
    leak_slope: Any
    leak_voltage_exponent: Any  # (chips,)
    slowest: Any  # (chips,) lowest frequency as a share of the highest
    lowest_voltage: Any  # (chips,) voltage at the lowest frequency as a share of the highest
    base_heat: Any  # (heat inputs,) heat of other parts
    peak_demand: Any  # (chips,) W, for weighing work


class Senses(NamedTuple):
    """Sensors."""

    weight: Any  # (sensors, x)
    offset: Any
    alpha: Any  # exact discretisation of the lag at the poll period
    resolution: Any
    ticks: Any
    delay: Any  # in polls


class Rules(NamedTuple):
    """Governor, throttles, fan tables, charger: the mode as arrays."""

    burst: Any  # (chips,)
    sustained: Any
    alpha: Any
    peak: Any
    floor: Any
    throttle_sensor: Any
    throttle_step: Any  # (chips,) power step in W, or 0 for proportional-integral
    throttle_target: Any
    throttle_kp: Any
    throttle_ki: Any  # per period
    throttle_ticks: Any
    weight: Any
    shared_budget: Any  # (1,)
    skin_sensor: Any  # (skins,)
    skin_limit: Any
    skin_release: Any
    skin_kp: Any
    skin_ki: Any
    skin_recovery: Any  # W per period
    skin_floor: Any
    skin_ticks: Any
    table_fan: Any  # (tables,)
    table_sensor: Any
    table_hysteresis: Any
    table_first: Any  # (tables + 1,) into step arrays
    step_on: Any
    step_speed: Any
    fan_idle: Any  # (fans,)
    fan_cap: Any
    fan_rise: Any  # rpm per period
    fan_fall: Any
    fan_dwell: Any  # ticks
    fan_ticks: Any
    fan_grid: Any  # (fans,) rpm per step of the speed grid
    fan_stride: Any  # (fans,) of the level number
    charger_input: Any  # (1,) heat input or -1
    charger_heat: Any  # (1,)
    charger_sensor: Any
    charger_on: Any
    charger_share: Any
    charger_hysteresis: Any
    charger_ticks: Any


class State(NamedTuple):
    """All that changes: copy it and the run goes on from there, bit for bit."""

    x: Any
    sensor: Any  # (sensors,) what the firmware sees
    sensor_lagged: Any
    sensor_ring: Any  # (sensors, longest delay + 1)
    average: Any  # (chips,)
    throttle: Any  # (chips,) ceiling
    throttle_integral: Any
    skin: Any  # (skins,) ceiling
    skin_integral: Any
    skin_engaged: Any
    table_step: Any  # (tables,)
    table_since: Any  # (tables,) tick of the last change
    fan_speed: Any  # (fans,) rpm, unrounded
    fan_index: Any  # (fans,) position on the speed grid
    charger_step: Any  # (1,)
    law_departure: Any  # (k,) W
    law_dry: Any  # (k,) 1 once a heat limit was passed and not yet rewetted
    power: Any  # (chips,)
    frequency: Any  # (chips,)
    bound: Any  # (chips,) limit code
    work: Any  # (chips,) s at full frequency
    account: Any  # (3,): heat in, heat out (J); largest error estimate (K)
    count: Any  # (6,): tick, stage, refined samples, slow refresh interval, ticks since refresh, hunting changes
    scratch: Any  # (4, x + u)


class Record(NamedTuple):
    """Histories; arrays of zero length are not kept."""

    every: Any  # (1,)
    x: Any  # (records, x)
    u: Any  # (records, heat inputs)
    power: Any  # (records, chips)
    frequency: Any
    work: Any
    bound: Any  # int8
    level: Any  # (records,) int32
    fan: Any  # (records, fans)
    sensor: Any
    average: Any  # (records, chips)


class Watch(NamedTuple):
    """Limits looked at after every sample."""

    state: Any  # (limits,) x index, or -1
    law: Any  # (limits,) law index for heat limits, or -1
    value: Any  # (limits,)
    worst: Any  # (limits,) highest temperature, or heat over limit
    first: Any  # (limits,) tick of the first crossing, -1: never
    stop: Any  # (1,) 1: stop at the first crossing
    before: Any  # (limits,) excess at the start of the crossing sample
    after: Any  # (limits,) excess at its end


class Tuning(NamedTuple):
    """Numbers of the integration."""

    step: float
    tolerance: float
    slow_limit: int
    ceiling: float


def compile_when_possible(function: Any) -> Any:
    """Compile with numba and keep the result on disk; fall back to plain Python."""
    if numba is None:
        return function
    try:
        return numba.njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:  # no folder where compiled code can be kept
        return numba.njit(nogil=True, error_model="numpy")(function)


@compile_when_possible
def pipe_limit(p, hot, cold):
    """Heat limit of a pipe at the mean of its ends, nearly none when frozen (see thermnet.network.laws)."""
    mean = 0.5 * (hot + cold)
    limit = p[1] * min(max(1.0 + p[3] * (mean - p[2]), 0.05), 3.0)
    if mean < p[7]:
        place = max(mean / p[7], 0.0)
        limit *= 0.02 + 0.98 * place * place * (3.0 - 2.0 * place)
    return limit


@compile_when_possible
def law_conductance(code, p, hot, cold, dry):
    """Conductance of a coded law (see thermnet.network.laws for the formulas and their sources)."""
    if code == 1:
        a = hot + 273.15
        b = cold + 273.15
        difference = abs(hot - cold) + 1e-9
        if p[2] == 0.25:
            film = np.sqrt(np.sqrt(difference))
        else:
            film = difference ** p[2]
        return p[0] * 5.670374419e-8 * (a * a + b * b) * (a + b) + p[1] * film + p[3]
    if code == 3:
        room = (cold - p[1]) / p[3] + 0.5
        if hot > cold:
            room = 1.0 - room
        return p[0] * (1e-6 + min(max(room / p[4], 0.0), 1.0))
    limit = pipe_limit(p, hot, cold)
    if dry == 1:
        limit *= p[6]
    drop = abs(hot - cold)
    if drop < 1e-9:
        return 1.0 / p[0]
    unlimited = drop / p[0]
    low = limit * (1.0 - p[5])
    if unlimited <= low:
        return 1.0 / p[0]
    high = limit * (1.0 + p[5])
    inverse = 1.0 / p[4]
    inside = min(unlimited, high) - low
    heat = low + inside - (1.0 - inverse) * inside * inside / (2.0 * (high - low))
    if unlimited > high:
        heat += (unlimited - high) * inverse
    return heat / drop


@compile_when_possible
def dry_state(p, hot, cold, dry, conductance):
    """Whether a pipe is dry after this sample: set above its limit, cleared below the rewet share."""
    limit = pipe_limit(p, hot, cold)
    heat = conductance * abs(hot - cold)
    if dry == 0 and heat > limit:
        return 1
    if dry == 1 and heat < p[6] * limit:
        return 0
    return dry


@compile_when_possible
def multiply_rows(matrix, vector, out):
    """``out = vector @ matrix``, rows in the vector lanes."""
    n = out.size
    for i in range(n):
        out[i] = 0.0
    for j in range(vector.size):
        v = vector[j]
        if v != 0.0:
            row = matrix[j]
            for i in range(n):
                out[i] += v * row[i]


@compile_when_possible
def end_temperature(index, x, boundary):
    """Temperature at a law's end: a state, or a boundary coded as -1 - index."""
    if index >= 0:
        return x[index]
    return boundary[-1 - index]


@compile_when_possible
def advance(thermal, silicon, state, tuning, slot, tick, floating, heat):
    """Carry the heat balance over one control sample; ``heat`` (heat inputs,) holds the firmware's sources.

    ``floating`` lists (by 1) the leak entries that follow the die within the sample (the others are held, because
    the firmware holds the chip's total).  Returns 1 if a temperature left the ceiling, else 0.
    """
    nx = state.x.size
    mh = heat.size
    boundary = thermal.boundary[tick % thermal.boundary.shape[0]]
    laws = thermal.law_code.size
    count = state.count

    refresh = count[4] >= count[3]
    if refresh:
        change = 0.0
        for k in range(laws):
            if thermal.law_fast[k] == 0:
                a = end_temperature(thermal.law_from[k], state.x, boundary)
                b = end_temperature(thermal.law_to[k], state.x, boundary)
                g = law_conductance(thermal.law_code[k], thermal.law_parameters[k], a, b, state.law_dry[k])
                new = (g - thermal.law_reference[k]) * (a - b)
                if thermal.law_input_from[k] >= 0:
                    i = thermal.law_from[k]
                    change = max(change, abs(new - state.law_departure[k]) / thermal.capacity[i])
                if thermal.law_input_to[k] >= 0:
                    i = thermal.law_to[k]
                    change = max(change, abs(new - state.law_departure[k]) / thermal.capacity[i])
                state.law_departure[k] = new
        # Half the change over the interval held is the error of holding it, in K.
        error = 0.5 * change * tuning.step * count[3]
        state.account[2] = max(state.account[2], error)
        if error > 0.1 * tuning.tolerance and count[3] > 1:
            count[3] = max(1, count[3] // 2)
        elif error < 0.01 * tuning.tolerance and count[3] < tuning.slow_limit:
            count[3] = min(tuning.slow_limit, count[3] * 2)
        count[4] = 0
    count[4] += 1

    halving = 0
    any_fast = False
    for k in range(laws):
        if thermal.law_fast[k] == 1:
            any_fast = True
    for e in range(floating.size):
        if floating[e] == 1:
            any_fast = True

    start = state.scratch[3]
    for i in range(nx):
        start[i] = state.x[i]
    into0 = state.account[0]
    out0 = state.account[1]
    while True:
        worst = 0.0
        pieces = 1 << halving
        h = tuning.step / pieces
        for _piece in range(pieces):
            error = substep(thermal, silicon, state, slot, halving, h, boundary, floating, heat, any_fast)
            worst = max(worst, error)
            if worst > tuning.tolerance and halving < SUBDIVISIONS - 2:
                break
        if worst <= tuning.tolerance or halving >= SUBDIVISIONS - 2:
            break
        halving = min(SUBDIVISIONS - 2, halving + (2 if worst > 8.0 * tuning.tolerance else 1))
        for i in range(nx):
            state.x[i] = start[i]
        state.account[0] = into0
        state.account[1] = out0
    if halving > 0:
        count[2] += 1
    state.account[2] = max(state.account[2], worst)
    hottest = state.x[0]
    for i in range(1, nx):
        hottest = max(hottest, state.x[i])
    for k in range(laws):
        if thermal.law_code[k] == 2 and thermal.law_parameters[k, 6] < 1.0:
            a = end_temperature(thermal.law_from[k], state.x, boundary)
            b = end_temperature(thermal.law_to[k], state.x, boundary)
            g = law_conductance(2, thermal.law_parameters[k], a, b, state.law_dry[k])
            state.law_dry[k] = dry_state(thermal.law_parameters[k], a, b, state.law_dry[k], g)
    if not hottest < tuning.ceiling:
        return 1
    return 0


@compile_when_possible
def leak(silicon, e, temperature):
    """Leakage of one entry at full voltage, W."""
    return silicon.leak_power[e] * np.exp(min(silicon.leak_slope[e] * (temperature - silicon.leak_reference[e]), 6.0))


@compile_when_possible
def substep(thermal, silicon, state, slot, halving, h, boundary, floating, heat, any_fast):
    """One predictor-corrector step; returns the error estimate in K."""
    nx = state.x.size
    mh = heat.size
    v = state.scratch[0]
    predicted = state.scratch[1][:nx]
    ramp = state.scratch[2][:mh]
    for i in range(nx):
        v[i] = state.x[i]
    lost = 0.0
    into = 0.0
    for j in range(mh):
        v[nx + j] = heat[j]
        into += heat[j]
    for b in range(boundary.size):
        v[nx + mh + b] = boundary[b]
    for k in range(thermal.law_code.size):
        if thermal.law_fast[k] == 1:
            a = end_temperature(thermal.law_from[k], state.x, boundary)
            b2 = end_temperature(thermal.law_to[k], state.x, boundary)
            g = law_conductance(thermal.law_code[k], thermal.law_parameters[k], a, b2, state.law_dry[k])
            state.law_departure[k] = (g - thermal.law_reference[k]) * (a - b2)
        d = state.law_departure[k]
        if thermal.law_input_from[k] >= 0:
            v[nx + thermal.law_input_from[k]] -= d
        else:
            lost -= d
        if thermal.law_input_to[k] >= 0:
            v[nx + thermal.law_input_to[k]] += d
        else:
            lost += d
    for e in range(floating.size):
        if floating[e] == 1:
            c = silicon.leak_chip[e]
            now = leak(silicon, e, state.x[silicon.leak_state[e]]) * voltage_factor(silicon, c, state.frequency[c])
            v[nx + silicon.leak_input[e]] += now
            into += now
    step = thermal.propagate[slot, halving]
    size = nx + mh + boundary.size
    multiply_rows(step, v[:size], predicted)
    audit = thermal.out_start[slot, halving]
    out = lost * h
    for j in range(size):
        out += audit[j] * v[j]
    error = 0.0
    if any_fast:
        for j in range(mh):
            ramp[j] = 0.0
        more = 0.0
        half = thermal.propagate[slot, halving + 1]
        half_correct = thermal.correct[slot, halving + 1]
        correct = thermal.correct[slot, halving]
        for k in range(thermal.law_code.size):
            if thermal.law_fast[k] == 1:
                a = end_temperature(thermal.law_from[k], predicted, boundary)
                b2 = end_temperature(thermal.law_to[k], predicted, boundary)
                g = law_conductance(thermal.law_code[k], thermal.law_parameters[k], a, b2, state.law_dry[k])
                d = (g - thermal.law_reference[k]) * (a - b2) - state.law_departure[k]
                if thermal.law_input_from[k] >= 0:
                    ramp[thermal.law_input_from[k]] -= d
                else:
                    out -= 0.5 * h * d
                if thermal.law_input_to[k] >= 0:
                    ramp[thermal.law_input_to[k]] += d
                else:
                    out += 0.5 * h * d
        for e in range(floating.size):
            if floating[e] == 1:
                c = silicon.leak_chip[e]
                s = silicon.leak_state[e]
                factor = voltage_factor(silicon, c, state.frequency[c])
                d = (leak(silicon, e, predicted[s]) - leak(silicon, e, state.x[s])) * factor
                ramp[silicon.leak_input[e]] += d
                more += d
        into += 0.5 * more
        ramp_audit = thermal.out_ramp[slot, halving]
        for j in range(mh):
            if ramp[j] != 0.0:
                out += ramp_audit[j] * ramp[j]
        # Half way: what the input really is there, against the ramp's mean.
        for e in range(floating.size):
            if floating[e] == 1:
                c = silicon.leak_chip[e]
                s = silicon.leak_state[e]
                middle = 0.0
                for j in range(size):
                    middle += v[j] * half[j, s]
                for j in range(mh):
                    if ramp[j] != 0.0:
                        middle += 0.5 * ramp[j] * half_correct[j, s]
                factor = voltage_factor(silicon, c, state.frequency[c])
                at_start = leak(silicon, e, state.x[s])
                at_end = leak(silicon, e, predicted[s])
                bend = (leak(silicon, e, middle) - 0.5 * (at_start + at_end)) * factor
                # Quadratic part of the input: 2/3 of the bend is its mean over the step.
                error = max(error, abs(0.667 * bend * correct[silicon.leak_input[e], s]))
        for k in range(thermal.law_code.size):
            if thermal.law_fast[k] == 1:
                i = thermal.law_from[k]
                o = thermal.law_to[k]
                a_mid = 0.0
                b_mid = 0.0
                if i >= 0:
                    for j in range(size):
                        a_mid += v[j] * half[j, i]
                else:
                    a_mid = boundary[-1 - i]
                if o >= 0:
                    for j in range(size):
                        b_mid += v[j] * half[j, o]
                else:
                    b_mid = boundary[-1 - o]
                for j in range(mh):
                    if ramp[j] != 0.0:
                        if i >= 0:
                            a_mid += 0.5 * ramp[j] * half_correct[j, i]
                        if o >= 0:
                            b_mid += 0.5 * ramp[j] * half_correct[j, o]
                g = law_conductance(thermal.law_code[k], thermal.law_parameters[k], a_mid, b_mid, state.law_dry[k])
                d_mid = (g - thermal.law_reference[k]) * (a_mid - b_mid)
                a = end_temperature(i, predicted, boundary)
                b2 = end_temperature(o, predicted, boundary)
                g = law_conductance(thermal.law_code[k], thermal.law_parameters[k], a, b2, state.law_dry[k])
                d_end = (g - thermal.law_reference[k]) * (a - b2)
                bend = d_mid - 0.5 * (state.law_departure[k] + d_end)
                if i >= 0 and thermal.law_input_from[k] >= 0:
                    error = max(error, abs(0.667 * bend * correct[thermal.law_input_from[k], i]))
                if o >= 0 and thermal.law_input_to[k] >= 0:
                    error = max(error, abs(0.667 * bend * correct[thermal.law_input_to[k], o]))
        for j in range(mh):
            if ramp[j] != 0.0:
                r = ramp[j]
                row = correct[j]
                for i in range(nx):
                    predicted[i] += r * row[i]
    for i in range(nx):
        state.x[i] = predicted[i]
    state.account[0] += into * h
    state.account[1] += out
    return error


@compile_when_possible
def voltage(silicon, c, frequency):
    """Voltage as a share of the highest at a frequency as a share of the highest."""
    slow = silicon.slowest[c]
    low = silicon.lowest_voltage[c]
    if frequency <= slow or slow >= 1.0:
        return low if slow < 1.0 else 1.0
    return low + (1.0 - low) * (frequency - slow) / (1.0 - slow)


@compile_when_possible
def voltage_factor(silicon, c, frequency):
    """How leakage scales with the voltage that goes with a frequency."""
    return voltage(silicon, c, frequency) ** silicon.leak_voltage_exponent[c]


@compile_when_possible
def frequency_for(silicon, c, dynamic, leakage, limit, guess):
    """Highest frequency share (0 to 1) at which dynamic power plus leakage stays within ``limit``."""
    kv = silicon.leak_voltage_exponent[c]
    if dynamic <= 0.0:
        return 1.0
    low = 0.0
    high = 1.0
    f = min(max(guess, 0.02), 1.0)
    for _ in range(60):
        v = voltage(silicon, c, f)
        leaks = leakage * v**kv
        miss = dynamic * f * v * v + leaks - limit
        if miss > 0.0:
            high = f
        else:
            low = f
        dv = 0.0
        if f > silicon.slowest[c] and silicon.slowest[c] < 1.0:
            dv = (1.0 - silicon.lowest_voltage[c]) / (1.0 - silicon.slowest[c])
        slope = dynamic * v * v + 2.0 * dynamic * f * v * dv + kv * leaks / v * dv
        new = f - miss / slope
        if not (low < new < high):
            new = 0.5 * (low + high)
        if abs(new - f) < 1e-12:
            f = new
            break
        f = new
    return f


@compile_when_possible
def sense(senses, state, tick):
    """Poll the sensors that are due."""
    for s in range(senses.offset.size):
        if tick % senses.ticks[s] == 0:
            raw = senses.offset[s]
            for i in range(state.x.size):
                if senses.weight[s, i] != 0.0:
                    raw += senses.weight[s, i] * state.x[i]
            if tick == 0:
                state.sensor_lagged[s] = raw
                for d in range(state.sensor_ring.shape[1]):
                    state.sensor_ring[s, d] = raw
            state.sensor_lagged[s] += senses.alpha[s] * (raw - state.sensor_lagged[s])
            length = senses.delay[s] + 1
            position = (tick // senses.ticks[s]) % length
            state.sensor_ring[s, position] = state.sensor_lagged[s]
            seen = state.sensor_ring[s, (position + 1) % length]
            if senses.resolution[s] > 0.0:
                seen = np.floor(seen / senses.resolution[s] + 0.5) * senses.resolution[s]
            state.sensor[s] = seen


@compile_when_possible
def throttle(rules, state, tick):
    """Move the junction throttle's and the skin limiter's ceilings where they are due."""
    total = 0.0
    for c in range(rules.burst.size):
        top = min(rules.burst[c], rules.peak[c])
        total += top
        if tick % rules.throttle_ticks[c] == 0:
            error = rules.throttle_target[c] - state.sensor[rules.throttle_sensor[c]]
            if rules.throttle_step[c] > 0.0:
                move = rules.throttle_step[c] if error > 0.0 else -rules.throttle_step[c]
                ceiling = state.throttle[c] + move
            else:
                total_error = state.throttle_integral[c] + rules.throttle_ki[c] * error
                state.throttle_integral[c] = min(max(total_error, rules.floor[c]), top)
                ceiling = state.throttle_integral[c] + rules.throttle_kp[c] * error
            state.throttle[c] = min(max(ceiling, rules.floor[c]), top)
    total = min(total, rules.shared_budget[0])
    for s in range(rules.skin_limit.size):
        if tick % rules.skin_ticks[s] == 0:
            error = rules.skin_limit[s] - state.sensor[rules.skin_sensor[s]]
            if error <= 0.0 and state.skin_engaged[s] == 0:
                # Take over from the power drawn now, so that the ceiling does not start far above it.
                drawn = 0.0
                for c in range(rules.burst.size):
                    drawn += state.power[c]
                state.skin_engaged[s] = 1
                state.skin_integral[s] = min(state.skin[s], drawn)
            elif error > rules.skin_release[s]:
                state.skin_engaged[s] = 0
            if state.skin_engaged[s] == 1:
                held = state.skin_integral[s] + rules.skin_ki[s] * error
                state.skin_integral[s] = min(max(held, rules.skin_floor[s]), total)
                ceiling = state.skin_integral[s] + rules.skin_kp[s] * error
            else:
                ceiling = state.skin[s] + rules.skin_recovery[s]
            state.skin[s] = min(max(ceiling, rules.skin_floor[s]), total)


@compile_when_possible
def drive_fans(rules, state, tick):
    """Step the fan tables, then move each fan towards the highest request; returns the level number."""
    level = 0
    for f in range(rules.fan_idle.size):
        if tick % rules.fan_ticks[f] == 0:
            request = rules.fan_idle[f]
            for t in range(rules.table_fan.size):
                if rules.table_fan[t] != f:
                    continue
                first = rules.table_first[t]
                last = rules.table_first[t + 1]
                reading = state.sensor[rules.table_sensor[t]]
                step = state.table_step[t]
                before = step
                while step < last - first and reading >= rules.step_on[first + step]:
                    step += 1
                if step == before and tick - state.table_since[t] >= rules.fan_dwell[f]:
                    while step > 0 and reading < rules.step_on[first + step - 1] - rules.table_hysteresis[t]:
                        step -= 1
                if step != before:
                    state.table_since[t] = tick
                    state.table_step[t] = step
                    if tick > 0:
                        state.count[5] += 1
                if step > 0:
                    request = max(request, rules.step_speed[first + step - 1])
            request = min(request, rules.fan_cap[f])
            speed = state.fan_speed[f]
            if request > speed:
                speed = min(request, speed + rules.fan_rise[f])
            else:
                speed = max(request, speed - rules.fan_fall[f])
            state.fan_speed[f] = speed
            state.fan_index[f] = int(speed / rules.fan_grid[f] + 0.5)
        level += state.fan_index[f] * rules.fan_stride[f]
    return level


@compile_when_possible
def charge(rules, state, tick):
    """Share of the charger's heat at present."""
    if rules.charger_input[0] < 0:
        return 0.0
    if tick % rules.charger_ticks[0] == 0:
        reading = state.sensor[rules.charger_sensor[0]]
        step = state.charger_step[0]
        while step < rules.charger_on.size and reading >= rules.charger_on[step]:
            step += 1
        while step > 0 and reading < rules.charger_on[step - 1] - rules.charger_hysteresis[0]:
            step -= 1
        state.charger_step[0] = step
    if state.charger_step[0] == 0:
        return 1.0
    return rules.charger_share[state.charger_step[0] - 1]


@compile_when_possible
def limit_chip(rules, state, c):
    """Set the power a chip may draw on its own account and the code of what would bind."""
    if state.average[c] < rules.sustained[c]:
        limit = rules.burst[c]
        code = BURST
    else:
        limit = rules.sustained[c]
        code = SUSTAINED
    if rules.peak[c] < limit:
        limit = rules.peak[c]
        code = PEAK
    if state.throttle[c] < limit:
        limit = state.throttle[c]
        code = JUNCTION
    return max(limit, rules.floor[c]), code


@compile_when_possible
def share_out(rules, wanted, allowed, total, state, code):
    """Divide ``total`` between chips that together want more: floors first, the rest by weight and want."""
    asked = 0.0
    floors = 0.0
    weights = 0.0
    for c in range(wanted.size):
        asked += min(wanted[c], allowed[c])
    if asked <= total:
        return
    for c in range(wanted.size):
        need = min(wanted[c], allowed[c])
        base = min(need, rules.floor[c])
        floors += base
        weights += rules.weight[c] * (need - base)
    spare = max(total - floors, 0.0)
    for c in range(wanted.size):
        need = min(wanted[c], allowed[c])
        base = min(need, rules.floor[c])
        part = base
        if weights > 0.0:
            part += spare * rules.weight[c] * (need - base) / weights
        if part < need:
            allowed[c] = part
            state.bound[c] = code


@compile_when_possible
def govern(silicon, rules, state, tick, heat, floating, allowed, wanted, leaks):
    """Decide each chip's power for this sample and put all heat into ``heat``; marks what floats."""
    chips = rules.burst.size
    for c in range(chips):
        leaks[c] = 0.0
    for e in range(silicon.leak_chip.size):
        leaks[silicon.leak_chip[e]] += leak(silicon, e, state.x[silicon.leak_state[e]])
    column = min(tick, silicon.demand.shape[1] - 1)
    ceiling_code = SHARED
    total = rules.shared_budget[0]
    for s in range(rules.skin_limit.size):
        if state.skin[s] < total:
            total = state.skin[s]
            ceiling_code = SKIN
    for c in range(chips):
        limit, code = limit_chip(rules, state, c)
        demand = silicon.demand[c, column]
        wanted[c] = demand
        if silicon.holds_frequency[0] == 1:
            wanted[c] = max(demand - reference_leak(silicon, c), 0.0) + leaks[c]
        allowed[c] = limit
        state.bound[c] = code
    if total < 1e29:
        share_out(rules, wanted, allowed, total, state, ceiling_code)
    for c in range(chips):
        demand = silicon.demand[c, column]
        if silicon.holds_frequency[0] == 1:
            dynamic = max(demand - reference_leak(silicon, c), 0.0)
            if dynamic + leaks[c] <= allowed[c]:
                state.bound[c] = DEMAND
                state.frequency[c] = 1.0
                state.power[c] = dynamic + leaks[c]
                release_leaks(silicon, floating, c, 1)
            else:
                f = frequency_for(silicon, c, dynamic, leaks[c], allowed[c], state.frequency[c])
                state.frequency[c] = f
                v = voltage(silicon, c, f)
                state.power[c] = dynamic * f * v * v + leaks[c] * v ** silicon.leak_voltage_exponent[c]
                release_leaks(silicon, floating, c, 0)
        else:
            if demand <= allowed[c]:
                state.bound[c] = DEMAND
            state.power[c] = min(demand, allowed[c])
            release_leaks(silicon, floating, c, 0)
            full = silicon.peak_demand[c]
            state.frequency[c] = 1.0
            if full > 0.0:
                # Power held: the frequency is what that power buys at the demand's activity.
                dynamic = max(demand - reference_leak(silicon, c), 0.0)
                state.frequency[c] = 1.0
                if dynamic > 0.0 and state.power[c] < dynamic + leaks[c]:
                    state.frequency[c] = frequency_for(silicon, c, dynamic, leaks[c], state.power[c], state.frequency[c])
    for j in range(heat.size):
        heat[j] = silicon.base_heat[j]
    for c in range(chips):
        factor = voltage_factor(silicon, c, state.frequency[c])
        held = min(leaks[c] * factor, state.power[c])
        scale = held / leaks[c] if leaks[c] > 0.0 else 0.0
        dynamic = state.power[c] - held
        for j in range(heat.size):
            heat[j] += silicon.share[c, j] * dynamic + silicon.follow[c, j] * state.power[c]
        for e in range(silicon.leak_chip.size):
            if silicon.leak_chip[e] == c and floating[e] == 0:
                heat[silicon.leak_input[e]] += leak(silicon, e, state.x[silicon.leak_state[e]]) * scale


@compile_when_possible
def reference_leak(silicon, c):
    """Leakage of a chip at its reference temperature and full voltage, W."""
    total = 0.0
    for e in range(silicon.leak_chip.size):
        if silicon.leak_chip[e] == c:
            total += silicon.leak_power[e]
    return total


@compile_when_possible
def release_leaks(silicon, floating, c, value):
    """Let a chip's leakage follow the die within the sample (1) or hold it (0)."""
    for e in range(silicon.leak_chip.size):
        if silicon.leak_chip[e] == c:
            floating[e] = value


@compile_when_possible
def write_down(record, thermal, silicon, state, heat, floating, level, tick):
    """Keep the state and the inputs at the start of this sample and the decisions for it."""
    if tick % record.every[0] != 0:
        return
    r = tick // record.every[0]
    if r >= record.level.shape[0]:
        return
    for i in range(state.x.size):
        record.x[r, i] = state.x[i]
    for j in range(record.u.shape[1]):
        record.u[r, j] = heat[j]
    if record.u.shape[1] > 0:
        for k in range(thermal.law_code.size):
            if thermal.law_input_from[k] >= 0:
                record.u[r, thermal.law_input_from[k]] -= state.law_departure[k]
            if thermal.law_input_to[k] >= 0:
                record.u[r, thermal.law_input_to[k]] += state.law_departure[k]
        for e in range(floating.size):
            if floating[e] == 1:
                c = silicon.leak_chip[e]
                now = leak(silicon, e, state.x[silicon.leak_state[e]])
                record.u[r, silicon.leak_input[e]] += now * voltage_factor(silicon, c, state.frequency[c])
    for c in range(state.power.size):
        record.power[r, c] = state.power[c]
        record.frequency[r, c] = state.frequency[c]
        record.work[r, c] = state.work[c]
        record.bound[r, c] = state.bound[c]
        record.average[r, c] = state.average[c]
    record.level[r] = level
    for f in range(state.fan_index.size):
        record.fan[r, f] = state.fan_index[f]
    for s in range(state.sensor.size):
        record.sensor[r, s] = state.sensor[s]


@compile_when_possible
def look_out(watch, thermal, state, tick):
    """Compare the state after this sample with the limits; returns 1 when a first crossing should stop the run."""
    crossed = 0
    boundary = thermal.boundary[tick % thermal.boundary.shape[0]]
    for q in range(watch.value.size):
        if watch.state[q] >= 0:
            excess = state.x[watch.state[q]] - watch.value[q]
        else:
            k = watch.law[q]
            p = thermal.law_parameters[k]
            a = end_temperature(thermal.law_from[k], state.x, boundary)
            b = end_temperature(thermal.law_to[k], state.x, boundary)
            g = law_conductance(2, p, a, b, state.law_dry[k])
            limit = pipe_limit(p, a, b)
            excess = g * abs(a - b) - limit
        watch.worst[q] = max(watch.worst[q], excess)
        if watch.first[q] < 0:
            if excess >= 0.0:
                watch.first[q] = tick
                watch.after[q] = excess
                crossed = 1
            else:
                watch.before[q] = excess
    return crossed


@compile_when_possible
def run_loop(thermal, silicon, senses, rules, state, record, watch, tuning, last):
    """Run control samples from the state's tick to ``last``; returns why it stopped.

    ``NEED_LEVEL`` asks the caller to provide the propagators of the level in ``state.count[1] - 1`` and call again.
    """
    chips = rules.burst.size
    mh = silicon.base_heat.size
    heat = np.zeros(mh)
    floating = np.zeros(silicon.leak_chip.size, np.int64)
    allowed = np.zeros(chips)
    wanted = np.zeros(chips)
    leaks = np.zeros(chips)
    column_of_work = silicon.demand.shape[1] - 1
    while state.count[0] < last:
        tick = state.count[0]
        if state.count[1] == 0:
            sense(senses, state, tick)
            throttle(rules, state, tick)
            level = drive_fans(rules, state, tick)
        else:
            level = state.count[1] - 1
            state.count[1] = 0
        slot = thermal.slot_of_level[level]
        if slot < 0:
            state.count[1] = level + 1
            return NEED_LEVEL
        govern(silicon, rules, state, tick, heat, floating, allowed, wanted, leaks)
        if rules.charger_input[0] >= 0:
            heat[rules.charger_input[0]] += charge(rules, state, tick) * rules.charger_heat[0]
        write_down(record, thermal, silicon, state, heat, floating, level, tick)
        away = advance(thermal, silicon, state, tuning, slot, tick, floating, heat)
        for c in range(chips):
            state.average[c] += rules.alpha[c] * (state.power[c] - state.average[c])
            if silicon.peak_demand[c] > 0.0:
                weight = silicon.demand[c, min(tick, column_of_work)] / silicon.peak_demand[c]
                state.work[c] += state.frequency[c] * weight * tuning.step
        state.count[0] = tick + 1
        if look_out(watch, thermal, state, tick) == 1 and watch.stop[0] == 1:
            return LIMIT_HIT
        if away == 1:
            return RUNAWAY
    return DONE
