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

DEMAND, BURST, SUSTAINED, PEAK, JUNCTION, SKIN, SHARED, CONTROLLER = range(8)
LIMIT_FLAGS = (
    "demand", "burst limit", "sustained limit", "peak limit", "junction", "skin", "shared budget", "controller",
)  # fmt: skip
POWER_SUM = len(LIMIT_FLAGS)
"""Column of the tally after the limits: sum of power over the samples, W."""

DONE, NEED_LEVEL, RUNAWAY, LIMIT_HIT = range(4)

CODE, FROM, TO, INPUT_FROM, INPUT_TO, FAST = range(6)
"""Columns of a law's integers: its code, its ends (state, or -1 - boundary), their heat inputs (or -1), whether it is
evaluated at every sample."""

REFERENCE = 8
"""Column of a law's numbers, after its eight parameters: the conductance held in the propagators, W/K."""

DEPARTURE, DRY = range(2)
"""Columns of a law's state: heat beyond the reference conductance, W; 1 from dry-out until rewetted."""

CHIP, INPUT, STATE = range(3)
"""Columns of a leakage entry's integers."""

POWER, AT, SLOPE = range(3)
"""Columns of a leakage entry's numbers: W at full voltage, reference degC, 1/K."""


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
    law_index: Any  # (k, 6) int64
    law_value: Any  # (k, 9)


class Silicon(NamedTuple):
    """Chips: where their heat goes, leakage, frequency range."""

    demand: Any  # (chips, samples or 1) W
    holds_frequency: Any  # (1,) 1: demand is at full frequency and leakage reference; 0: demand is power
    share: Any  # (chips, heat inputs) of dynamic power
    follow: Any  # (chips, heat inputs) W per W of chip power
    leak_index: Any  # (l, 3) int64
    leak_value: Any  # (l, 3)
    leak_voltage_exponent: Any  # (chips,)
    curve: Any  # (chips, points + 1, 3): frequency, voltage (shares of the highest), slope from there on
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
    charger_input: Any  # (1,) heat input of the charger, which no other part heats, or -1
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
    law_state: Any  # (k, 2)
    power: Any  # (chips,)
    frequency: Any  # (chips,)
    bound: Any  # (chips,) limit code
    work: Any  # (chips,) s at full frequency
    tally: Any  # (chips, 9): samples in which each limit bound, then the sum of power in W
    account: Any  # (3,): heat in, heat out (J); largest error estimate (K)
    count: Any  # (6,): tick, stage, refined samples, slow refresh interval, ticks since refresh, fan table steps


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


class WorkSpace(NamedTuple):
    """Memory that the loop works in; it holds nothing from one sample to the next."""

    inputs: Any  # (x + u,)
    predicted: Any  # (x,)
    start: Any  # (x,)
    heat: Any  # (heat inputs,)
    ramp: Any  # (heat inputs,)
    floating: Any  # (l,) int64
    leak_now: Any  # (l,)
    follows: Any  # (chips,) int64
    allowed: Any  # (chips,)
    wanted: Any
    leaks: Any
    leak_factor: Any
    awake: Any
    leak_share: Any
    rated_leak: Any


def work_space(states: int, heat_inputs: int, boundaries: int, leaks: int, chips: int) -> WorkSpace:
    """Memory for a loop of this size."""
    def chip() -> Any:
        return np.ones(chips)

    return WorkSpace(
        np.zeros(states + heat_inputs + boundaries), np.zeros(states), np.zeros(states), np.zeros(heat_inputs),
        np.zeros(heat_inputs), np.zeros(leaks, dtype=np.int64), np.zeros(leaks), np.zeros(chips, dtype=np.int64),
        chip(), chip(), chip(), chip(), chip(), chip(), chip(),
    )  # fmt: skip


class Tuning(NamedTuple):
    """Numbers of the integration."""

    step: float
    tolerance: float
    slow_limit: int
    ceiling: float


FREEDOMS = {"contract", "reassoc"}
"""What the compiler may do to sums: fuse multiply and add, and sum in vector lanes.  NaN and infinity keep their meaning."""


def compile_when_possible(function: Any) -> Any:
    """Compile with numba and keep the result on disk; fall back to plain Python.

    The loop allocates nothing, so reference counting is switched off: it took three quarters of the time.
    """
    if numba is None:
        return function
    options = {"nogil": True, "error_model": "numpy", "fastmath": FREEDOMS}
    for more in ({"cache": True, "_nrt": False}, {"_nrt": False}, {"cache": True}, {}):
        try:
            return numba.njit(**options, **more)(function)
        except (RuntimeError, KeyError, TypeError):  # no folder for compiled code, or no such switch in this numba
            continue
    return function


def woven_in(function: Any) -> Any:
    """Compile as part of the caller: a call that passes thirty arrays costs more than the physics in it."""
    return function if numba is None else numba.njit(inline="always", error_model="numpy", fastmath=FREEDOMS)(function)


@woven_in
def law_conductance(code, p, k, hot, cold, dry):
    """Conductance of law ``k`` (see thermnet.network.laws for the formulas and their sources)."""
    if code == 1:
        a = hot + 273.15
        b = cold + 273.15
        difference = abs(hot - cold) + 1e-9
        film = np.sqrt(np.sqrt(difference)) if p[k, 2] == 0.25 else difference ** p[k, 2]
        return p[k, 0] * 5.670374419e-8 * (a * a + b * b) * (a + b) + p[k, 1] * film + p[k, 3]
    if code == 3:
        fraction = (cold - p[k, 1]) / p[k, 3] + 0.5
        room = 1.0 - fraction if hot > cold else fraction
        return p[k, 0] * (1e-6 + min(max(room / p[k, 4], 0.0), 1.0))
    limit = heat_limit(p, k, hot, cold)
    if dry == 1:
        limit *= p[k, 6]
    drop = abs(hot - cold)
    unlimited = drop / p[k, 0]
    low = limit * (1.0 - p[k, 5])
    if unlimited <= low or drop < 1e-9:
        return 1.0 / p[k, 0]
    high = limit * (1.0 + p[k, 5])
    inverse = 1.0 / p[k, 4]
    inside = min(unlimited, high) - low
    heat = low + inside - (1.0 - inverse) * inside * inside / (2.0 * (high - low))
    if unlimited > high:
        heat += (unlimited - high) * inverse
    return heat / drop


@woven_in
def heat_limit(p, k, hot, cold):
    """Heat limit of a two-phase law at the mean of its end temperatures, W."""
    mean = 0.5 * (hot + cold)
    limit = p[k, 1] * min(max(1.0 + p[k, 3] * (mean - p[k, 2]), 0.05), 3.0)
    if mean < p[k, 7]:
        place = max(mean / p[k, 7], 0.0)
        limit *= 0.02 + 0.98 * place * place * (3.0 - 2.0 * place)
    return limit


@woven_in
def end_temperature(index, x, boundary, row):
    """Temperature at a law's end: a state, or a boundary coded as -1 - index."""
    if index >= 0:
        return x[index]
    return boundary[row, -1 - index]


@woven_in
def leak(leak_value, e, temperature):
    """Leakage of one entry at full voltage, W."""
    return leak_value[e, POWER] * np.exp(min(leak_value[e, SLOPE] * (temperature - leak_value[e, AT]), 6.0))


@woven_in
def voltage(curve, c, frequency):
    """Voltage as a share of the highest at a frequency as a share of the highest (piecewise linear, level below)."""
    k = segment(curve, c, frequency)
    return curve[c, k, 1] + curve[c, k, 2] * (frequency - curve[c, k, 0])


@woven_in
def segment(curve, c, frequency):
    """Row of the curve that a frequency lies on."""
    k = 0
    while k + 1 < curve.shape[1] and frequency > curve[c, k + 1, 0]:
        k += 1
    return k


@compile_when_possible
def raised(base, exponent):
    """Power, without a logarithm where the exponent is a multiple of one half."""
    halves = int(2.0 * exponent + 0.5)
    if abs(2.0 * exponent - halves) > 1e-12 or halves < 0:
        return base**exponent
    result = np.sqrt(base) if halves % 2 == 1 else 1.0
    for _ in range(halves // 2):
        result *= base
    return result


@compile_when_possible
def frequency_for(curve, c, exponent, dynamic, leakage, limit, guess):
    """Highest frequency share (0 to 1) at which dynamic power plus leakage stays within ``limit``."""
    if dynamic <= 0.0:
        return 1.0
    low = 0.0
    high = 1.0
    f = min(max(guess, 0.02), 1.0)
    for _ in range(60):
        k = segment(curve, c, f)
        dv = curve[c, k, 2]
        v = curve[c, k, 1] + dv * (f - curve[c, k, 0])
        leaks = leakage * raised(v, exponent)
        miss = dynamic * f * v * v + leaks - limit
        if miss > 0.0:
            high = f
        else:
            low = f
        new = f - miss / (dynamic * v * v + 2.0 * dynamic * f * v * dv + exponent * leaks / v * dv)
        if not (low < new < high):
            new = 0.5 * (low + high)
        if abs(new - f) < 1e-11:
            return new
        f = new
    return f


@woven_in
def refresh_slow_laws(
    x, boundary, row, law_index, law_value, law_state, capacity, account, count, step, tolerance, slow_limit,
):
    """Bring the laws on slow nodes up to date, and choose how long to hold them by how much they moved."""
    change = 0.0
    for k in range(law_index.shape[0]):
        if law_index[k, FAST] == 0:
            i = law_index[k, FROM]
            o = law_index[k, TO]
            a = end_temperature(i, x, boundary, row)
            b = end_temperature(o, x, boundary, row)
            new = (law_conductance(law_index[k, CODE], law_value, k, a, b, law_state[k, DRY]) - law_value[k, REFERENCE]) * (a - b)
            moved = abs(new - law_state[k, DEPARTURE])
            if i >= 0:
                change = max(change, moved / capacity[i])
            if o >= 0:
                change = max(change, moved / capacity[o])
            law_state[k, DEPARTURE] = new
    # Half the change over the interval held is the error of holding it, in K.
    error = 0.5 * change * step * count[3]
    account[2] = max(account[2], error)
    if error > 0.1 * tolerance and count[3] > 1:
        count[3] = max(1, count[3] // 2)
    elif error < 0.01 * tolerance and count[3] < slow_limit:
        count[3] = min(slow_limit, count[3] * 2)
    count[4] = 0


@woven_in
def substep(
    slot, s, h, x, boundary, row, heat, floating, any_fast, v, predicted, ramp,
    propagate, correct, out_start, out_ramp,
    law_index, law_value, law_state,
    leak_index, leak_value, leak_factor, account,
):
    """One predictor-corrector step of ``h`` seconds (subdivision ``s``); returns the error estimate in K."""
    nx = x.size
    mh = heat.size
    size = nx + mh + boundary.shape[1]
    lost = 0.0
    into = 0.0
    for i in range(nx):
        v[i] = x[i]
    for j in range(mh):
        v[nx + j] = heat[j]
        into += heat[j]
    for b in range(boundary.shape[1]):
        v[nx + mh + b] = boundary[row, b]
    for k in range(law_index.shape[0]):
        if law_index[k, FAST] == 1:
            a = end_temperature(law_index[k, FROM], x, boundary, row)
            o = end_temperature(law_index[k, TO], x, boundary, row)
            g = law_conductance(law_index[k, CODE], law_value, k, a, o, law_state[k, DRY])
            law_state[k, DEPARTURE] = (g - law_value[k, REFERENCE]) * (a - o)
        d = law_state[k, DEPARTURE]
        if law_index[k, INPUT_FROM] >= 0:
            v[nx + law_index[k, INPUT_FROM]] -= d
        else:
            lost -= d
        if law_index[k, INPUT_TO] >= 0:
            v[nx + law_index[k, INPUT_TO]] += d
        else:
            lost += d
    for e in range(floating.size):
        if floating[e] == 1:
            now = leak(leak_value, e, x[leak_index[e, STATE]]) * leak_factor[leak_index[e, CHIP]]
            v[nx + leak_index[e, INPUT]] += now
            into += now
    out = lost * h
    for i in range(nx):
        predicted[i] = 0.0
    # Rows in the vector lanes, four columns at a time to spare loads and stores of the sum.
    whole = size - size % 4
    for j in range(0, whole, 4):
        v0 = v[j]
        v1 = v[j + 1]
        v2 = v[j + 2]
        v3 = v[j + 3]
        out += (
            out_start[slot, s, j] * v0 + out_start[slot, s, j + 1] * v1 + out_start[slot, s, j + 2] * v2
            + out_start[slot, s, j + 3] * v3
        )
        for i in range(nx):
            predicted[i] += (
                v0 * propagate[slot, s, j, i] + v1 * propagate[slot, s, j + 1, i]
                + v2 * propagate[slot, s, j + 2, i] + v3 * propagate[slot, s, j + 3, i]
            )
    for j in range(whole, size):
        v0 = v[j]
        out += out_start[slot, s, j] * v0
        for i in range(nx):
            predicted[i] += v0 * propagate[slot, s, j, i]
    error = 0.0
    if any_fast:
        for j in range(mh):
            ramp[j] = 0.0
        more = 0.0
        for k in range(law_index.shape[0]):
            if law_index[k, FAST] == 1:
                a = end_temperature(law_index[k, FROM], predicted, boundary, row)
                o = end_temperature(law_index[k, TO], predicted, boundary, row)
                g = law_conductance(law_index[k, CODE], law_value, k, a, o, law_state[k, DRY])
                d = (g - law_value[k, REFERENCE]) * (a - o) - law_state[k, DEPARTURE]
                if law_index[k, INPUT_FROM] >= 0:
                    ramp[law_index[k, INPUT_FROM]] -= d
                else:
                    out -= 0.5 * h * d
                if law_index[k, INPUT_TO] >= 0:
                    ramp[law_index[k, INPUT_TO]] += d
                else:
                    out += 0.5 * h * d
        for e in range(floating.size):
            if floating[e] == 1:
                z = leak_index[e, STATE]
                d = leak(leak_value, e, predicted[z])
                d -= leak(leak_value, e, x[z])
                ramp[leak_index[e, INPUT]] += d * leak_factor[leak_index[e, CHIP]]
                more += d * leak_factor[leak_index[e, CHIP]]
        into += 0.5 * more
        for j in range(mh):
            if ramp[j] != 0.0:
                out += out_ramp[slot, s, j] * ramp[j]
        # What the inputs really are half way, against the mean of the ramp: two thirds of the bend is the error of
        # the ramp's mean.
        for e in range(floating.size):
            if floating[e] == 1:
                z = leak_index[e, STATE]
                middle = half_way(slot, s + 1, z, v, size, ramp, mh, propagate, correct)
                bend = leak(leak_value, e, middle)
                bend -= 0.5 * leak(leak_value, e, predicted[z])
                bend -= 0.5 * leak(leak_value, e, x[z])
                bend *= leak_factor[leak_index[e, CHIP]]
                error = max(error, abs(0.667 * bend * correct[slot, s, leak_index[e, INPUT], z]))
        for k in range(law_index.shape[0]):
            if law_index[k, FAST] == 1:
                i = law_index[k, FROM]
                o = law_index[k, TO]
                a = boundary[row, -1 - i] if i < 0 else half_way(slot, s + 1, i, v, size, ramp, mh, propagate, correct)
                b = boundary[row, -1 - o] if o < 0 else half_way(slot, s + 1, o, v, size, ramp, mh, propagate, correct)
                g = law_conductance(law_index[k, CODE], law_value, k, a, b, law_state[k, DRY])
                bend = (g - law_value[k, REFERENCE]) * (a - b) - 0.5 * law_state[k, DEPARTURE]
                a = end_temperature(i, predicted, boundary, row)
                b = end_temperature(o, predicted, boundary, row)
                g = law_conductance(law_index[k, CODE], law_value, k, a, b, law_state[k, DRY])
                bend -= 0.5 * (g - law_value[k, REFERENCE]) * (a - b)
                if i >= 0:
                    error = max(error, abs(0.667 * bend * correct[slot, s, law_index[k, INPUT_FROM], i]))
                if o >= 0:
                    error = max(error, abs(0.667 * bend * correct[slot, s, law_index[k, INPUT_TO], o]))
        for j in range(mh):
            if ramp[j] != 0.0:
                for i in range(nx):
                    predicted[i] += ramp[j] * correct[slot, s, j, i]
    for i in range(nx):
        x[i] = predicted[i]
    account[0] += into * h
    account[1] += out
    return error


@woven_in
def half_way(slot, s, i, v, size, ramp, mh, propagate, correct):
    """Temperature of state ``i`` in the middle of a step (``s`` is the subdivision of half its length)."""
    middle = 0.0
    for j in range(size):
        middle += v[j] * propagate[slot, s, j, i]
    for j in range(mh):
        if ramp[j] != 0.0:
            middle += 0.5 * ramp[j] * correct[slot, s, j, i]
    return middle


@woven_in
def advance(
    slot, row, x, boundary, heat, floating, v, predicted, ramp, start, step, tolerance, slow_limit,
    propagate, correct, out_start, out_ramp, capacity,
    law_index, law_value, law_state,
    leak_index, leak_value, leak_factor, account, count,
):
    """Carry the heat balance over one control sample.

    ``heat`` (heat inputs,) holds the firmware's sources; ``floating`` marks the leak entries that follow the die
    within the sample (the others are held, because the firmware holds the chip's total).
    """
    if count[4] >= count[3]:
        refresh_slow_laws(
            x, boundary, row, law_index, law_value, law_state, capacity, account, count, step, tolerance, slow_limit,
        )
    count[4] += 1
    any_fast = False
    for k in range(law_index.shape[0]):
        if law_index[k, FAST] == 1:
            any_fast = True
    for e in range(floating.size):
        if floating[e] == 1:
            any_fast = True
    halving = 0
    into = account[0]
    out = account[1]
    for i in range(x.size):
        start[i] = x[i]
    while True:
        worst = 0.0
        for _piece in range(1 << halving):
            error = substep(
                slot, halving, step / (1 << halving), x, boundary, row, heat, floating, any_fast, v, predicted, ramp,
                propagate, correct, out_start, out_ramp,
                law_index, law_value, law_state,
                leak_index, leak_value, leak_factor, account,
            )
            worst = max(worst, error)
            if worst > tolerance and halving < SUBDIVISIONS - 2:
                break
        if worst <= tolerance or halving >= SUBDIVISIONS - 2:
            break
        halving = min(SUBDIVISIONS - 2, halving + (2 if worst > 8.0 * tolerance else 1))
        for i in range(x.size):
            x[i] = start[i]
        account[0] = into
        account[1] = out
    if halving > 0:
        count[2] += 1
    account[2] = max(account[2], worst)
    for k in range(law_index.shape[0]):
        if law_index[k, CODE] == 2 and law_value[k, 6] < 1.0:
            a = end_temperature(law_index[k, FROM], x, boundary, row)
            b = end_temperature(law_index[k, TO], x, boundary, row)
            carried = law_conductance(2, law_value, k, a, b, law_state[k, DRY]) * abs(a - b)
            limit = heat_limit(law_value, k, a, b)
            if law_state[k, DRY] == 0 and carried > limit:
                law_state[k, DRY] = 1
            elif law_state[k, DRY] == 1 and carried < law_value[k, 6] * limit:
                law_state[k, DRY] = 0


@woven_in
def sense(tick, x, weight, offset, alpha, resolution, sensor_ticks, delay, sensor, lagged, ring):
    """Poll the sensors that are due."""
    for s in range(offset.size):
        if tick % sensor_ticks[s] == 0:
            raw = offset[s]
            for i in range(x.size):
                raw += weight[s, i] * x[i]
            if tick == 0:
                lagged[s] = raw
                for d in range(ring.shape[1]):
                    ring[s, d] = raw
            lagged[s] += alpha[s] * (raw - lagged[s])
            length = delay[s] + 1
            position = (tick // sensor_ticks[s]) % length
            ring[s, position] = lagged[s]
            seen = ring[s, (position + 1) % length]
            if resolution[s] > 0.0:
                seen = np.floor(seen / resolution[s] + 0.5) * resolution[s]
            sensor[s] = seen


@woven_in
def throttle(
    tick, sensor, power, burst, peak, floor, throttle_sensor, throttle_step, throttle_target, throttle_kp, throttle_ki,
    throttle_ticks, ceiling, integral, shared_budget,
    skin_sensor, skin_limit, skin_release, skin_kp, skin_ki, skin_recovery, skin_floor, skin_ticks,
    skin_ceiling, skin_integral, skin_engaged,
):
    """Move the junction throttle's and the skin limiter's ceilings where they are due."""
    total = 0.0
    for c in range(burst.size):
        top = min(burst[c], peak[c])
        total += top
        if tick % throttle_ticks[c] == 0:
            error = throttle_target[c] - sensor[throttle_sensor[c]]
            if throttle_step[c] > 0.0:
                held = ceiling[c] + (throttle_step[c] if error > 0.0 else -throttle_step[c])
            else:
                integral[c] = min(max(integral[c] + throttle_ki[c] * error, floor[c]), top)
                held = integral[c] + throttle_kp[c] * error
            ceiling[c] = min(max(held, floor[c]), top)
    total = min(total, shared_budget)
    for s in range(skin_limit.size):
        if tick % skin_ticks[s] == 0:
            error = skin_limit[s] - sensor[skin_sensor[s]]
            if error <= 0.0 and skin_engaged[s] == 0:
                # Take over from the power drawn now, so that the ceiling does not start far above it.
                drawn = 0.0
                for c in range(burst.size):
                    drawn += power[c]
                skin_engaged[s] = 1
                skin_integral[s] = min(skin_ceiling[s], drawn)
            elif error > skin_release[s]:
                skin_engaged[s] = 0
            if skin_engaged[s] == 1:
                skin_integral[s] = min(max(skin_integral[s] + skin_ki[s] * error, skin_floor[s]), total)
                held = skin_integral[s] + skin_kp[s] * error
            else:
                held = skin_ceiling[s] + skin_recovery[s]
            skin_ceiling[s] = min(max(held, skin_floor[s]), total)


@woven_in
def drive_fans(
    tick, sensor, table_fan, table_sensor, table_hysteresis, table_first, step_on, step_speed, fan_idle, fan_cap, fan_rise,
    fan_fall, fan_dwell, fan_ticks, fan_grid, fan_stride, table_step, table_since, fan_speed, fan_index, count,
):
    """Step the fan tables, then move each fan towards the highest request; returns the level number."""
    level = 0
    for f in range(fan_idle.size):
        if tick % fan_ticks[f] == 0:
            request = fan_idle[f]
            for t in range(table_fan.size):
                if table_fan[t] != f:
                    continue
                first = table_first[t]
                last = table_first[t + 1]
                reading = sensor[table_sensor[t]]
                before = table_step[t]
                step = before
                while step < last - first and reading >= step_on[first + step]:
                    step += 1
                if step == before and tick - table_since[t] >= fan_dwell[f]:
                    while step > 0 and reading < step_on[first + step - 1] - table_hysteresis[t]:
                        step -= 1
                if step != before:
                    table_since[t] = tick
                    table_step[t] = step
                    if tick > 0:
                        count[5] += 1
                if step > 0:
                    request = max(request, step_speed[first + step - 1])
            request = min(request, fan_cap[f])
            if request > fan_speed[f]:
                fan_speed[f] = min(request, fan_speed[f] + fan_rise[f])
            else:
                fan_speed[f] = max(request, fan_speed[f] - fan_fall[f])
            fan_index[f] = int(fan_speed[f] / fan_grid[f] + 0.5)
        level += fan_index[f] * fan_stride[f]
    return level


@woven_in
def charge(tick, sensor, charger_sensor, charger_on, charger_share, hysteresis, charger_ticks, charger_step):
    """Share of the charger's heat at present."""
    if tick % charger_ticks[0] == 0:
        reading = sensor[charger_sensor[0]]
        step = charger_step[0]
        while step < charger_on.size and reading >= charger_on[step]:
            step += 1
        while step > 0 and reading < charger_on[step - 1] - hysteresis[0]:
            step -= 1
        charger_step[0] = step
    if charger_step[0] == 0:
        return 1.0
    return charger_share[charger_step[0] - 1]


@woven_in
def share_out(wanted, allowed, floor, weight, total, bound, code):
    """Divide ``total`` between chips that together want more: floors first, the rest by weight and want."""
    asked = 0.0
    for c in range(wanted.size):
        asked += min(wanted[c], allowed[c])
    if asked <= total:
        return
    floors = 0.0
    weights = 0.0
    for c in range(wanted.size):
        need = min(wanted[c], allowed[c])
        base = min(need, floor[c])
        floors += base
        weights += weight[c] * (need - base)
    spare = max(total - floors, 0.0)
    for c in range(wanted.size):
        need = min(wanted[c], allowed[c])
        base = min(need, floor[c])
        part = base
        if weights > 0.0:
            part += spare * weight[c] * (need - base) / weights
        if part < need:
            allowed[c] = part
            bound[c] = code


@woven_in
def limit_chips(average, burst, sustained, peak, floor, ceiling, skin_ceiling, shared_budget, wanted, allowed, bound, weight):
    """Set the power each chip may draw and the code of the limit that would bind."""
    for c in range(burst.size):
        if average[c] < sustained[c]:
            limit = burst[c]
            code = BURST
        else:
            limit = sustained[c]
            code = SUSTAINED
        if peak[c] < limit:
            limit = peak[c]
            code = PEAK
        if ceiling[c] < limit:
            limit = ceiling[c]
            code = JUNCTION
        allowed[c] = max(limit, floor[c])
        bound[c] = code
    total = shared_budget
    code = SHARED
    for s in range(skin_ceiling.size):
        if skin_ceiling[s] < total:
            total = skin_ceiling[s]
            code = SKIN
    if total < 1e29:
        share_out(wanted, allowed, floor, weight, total, bound, code)


@woven_in
def draw_power(
    column, demand, holds_frequency, rated_leak, leaks, allowed, curve, exponent, power, frequency, bound, leak_factor,
    follows,
):
    """Turn what is allowed into chip power and frequency; ``follows`` marks chips whose leakage floats."""
    for c in range(power.size):
        asked = demand[c, column]
        dynamic = max(asked - rated_leak[c], 0.0)
        follows[c] = 0
        if holds_frequency == 1:
            if dynamic + leaks[c] <= allowed[c]:
                bound[c] = DEMAND
                frequency[c] = 1.0
                leak_factor[c] = 1.0
                power[c] = dynamic + leaks[c]
                follows[c] = 1
                continue
            held = allowed[c]
        else:
            if asked <= allowed[c]:
                bound[c] = DEMAND
            held = min(asked, allowed[c])
        # Power held: the frequency is what that power buys at the demand's activity.
        f = 1.0
        if dynamic > 0.0 and held < dynamic + leaks[c]:
            f = frequency_for(curve, c, exponent[c], dynamic, leaks[c], held, frequency[c])
        frequency[c] = f
        leak_factor[c] = raised(voltage(curve, c, f), exponent[c])
        power[c] = max(held, leaks[c] * leak_factor[c]) if holds_frequency == 1 else held


@woven_in
def place_heat(
    base_heat, share, follow, power, leaks, leak_now, leak_factor, leak_share, leak_index, follows, heat, floating
):
    """Put all heat of this sample where it belongs, except leakage that floats."""
    for j in range(heat.size):
        heat[j] = base_heat[j]
    for c in range(power.size):
        own = leaks[c] * leak_factor[c]
        dynamic = max(power[c] - own, 0.0)
        for j in range(heat.size):
            heat[j] += share[c, j] * dynamic + follow[c, j] * power[c]
    for e in range(leak_index.shape[0]):
        c = leak_index[e, CHIP]
        floating[e] = follows[c]
        if follows[c] == 0:
            own = leaks[c] * leak_factor[c]
            scale = 1.0 if own <= power[c] else power[c] / own
            heat[leak_index[e, INPUT]] += leak_now[e] * leak_share[c] * scale


@woven_in
def look_out(
    tick, row, x, boundary, law_index, law_value, law_state, watch_state, watch_law, value, worst, first, before,
    after,
):
    """Compare the state after this sample with the limits; returns 1 at a first crossing."""
    crossed = 0
    for q in range(value.size):
        if watch_state[q] >= 0:
            excess = x[watch_state[q]] - value[q]
        else:
            k = watch_law[q]
            a = end_temperature(law_index[k, FROM], x, boundary, row)
            b = end_temperature(law_index[k, TO], x, boundary, row)
            excess = law_conductance(2, law_value, k, a, b, law_state[k, DRY]) * abs(a - b) - heat_limit(law_value, k, a, b)
        worst[q] = max(worst[q], excess)
        if first[q] < 0:
            if excess >= 0.0:
                first[q] = tick
                after[q] = excess
                crossed = 1
            else:
                before[q] = excess
    return crossed


@compile_when_possible
def run_loop(thermal, silicon, senses, rules, state, record, watch, work_space, tuning, last):
    """Run control samples from the state's tick to ``last``; returns why it stopped.

    ``NEED_LEVEL`` asks the caller to provide the propagators of the level in ``state.count[1] - 1`` and call again.
    Arrays are taken out of their tuples once: reference counting inside the loop would cost more than the physics.
    """
    slot_of_level = thermal.slot_of_level
    propagate = thermal.propagate
    correct = thermal.correct
    out_start = thermal.out_start
    out_ramp = thermal.out_ramp
    capacity = thermal.capacity
    boundary = thermal.boundary
    law_index = thermal.law_index
    law_value = thermal.law_value
    demand = silicon.demand
    holds_frequency = silicon.holds_frequency[0]
    share = silicon.share
    follow = silicon.follow
    leak_index = silicon.leak_index
    leak_value = silicon.leak_value
    exponent = silicon.leak_voltage_exponent
    curve = silicon.curve
    base_heat = silicon.base_heat
    peak_demand = silicon.peak_demand
    weight = senses.weight
    offset = senses.offset
    sensor_alpha = senses.alpha
    resolution = senses.resolution
    sensor_ticks = senses.ticks
    delay = senses.delay
    burst = rules.burst
    sustained = rules.sustained
    alpha = rules.alpha
    peak = rules.peak
    floor = rules.floor
    throttle_sensor = rules.throttle_sensor
    throttle_step = rules.throttle_step
    throttle_target = rules.throttle_target
    throttle_kp = rules.throttle_kp
    throttle_ki = rules.throttle_ki
    throttle_ticks = rules.throttle_ticks
    chip_weight = rules.weight
    shared_budget = rules.shared_budget[0]
    skin_sensor = rules.skin_sensor
    skin_limit = rules.skin_limit
    skin_release = rules.skin_release
    skin_kp = rules.skin_kp
    skin_ki = rules.skin_ki
    skin_recovery = rules.skin_recovery
    skin_floor = rules.skin_floor
    skin_ticks = rules.skin_ticks
    table_fan = rules.table_fan
    table_sensor = rules.table_sensor
    table_hysteresis = rules.table_hysteresis
    table_first = rules.table_first
    step_on = rules.step_on
    step_speed = rules.step_speed
    fan_idle = rules.fan_idle
    fan_cap = rules.fan_cap
    fan_rise = rules.fan_rise
    fan_fall = rules.fan_fall
    fan_dwell = rules.fan_dwell
    fan_ticks = rules.fan_ticks
    fan_grid = rules.fan_grid
    fan_stride = rules.fan_stride
    charger_input = rules.charger_input[0]
    charger_sensor = rules.charger_sensor
    charger_on = rules.charger_on
    charger_share = rules.charger_share
    charger_hysteresis = rules.charger_hysteresis
    charger_ticks = rules.charger_ticks
    x = state.x
    sensor = state.sensor
    lagged = state.sensor_lagged
    ring = state.sensor_ring
    average = state.average
    ceiling = state.throttle
    integral = state.throttle_integral
    skin_ceiling = state.skin
    skin_integral = state.skin_integral
    skin_engaged = state.skin_engaged
    table_step = state.table_step
    table_since = state.table_since
    fan_speed = state.fan_speed
    fan_index = state.fan_index
    charger_step = state.charger_step
    law_state = state.law_state
    power = state.power
    frequency = state.frequency
    bound = state.bound
    work = state.work
    tally = state.tally
    account = state.account
    count = state.count
    every = record.every[0]
    kept_x = record.x
    kept_u = record.u
    kept_power = record.power
    kept_frequency = record.frequency
    kept_work = record.work
    kept_bound = record.bound
    kept_level = record.level
    kept_fan = record.fan
    kept_sensor = record.sensor
    kept_average = record.average
    watch_state = watch.state
    watch_law = watch.law
    watch_value = watch.value
    watch_worst = watch.worst
    watch_first = watch.first
    watch_before = watch.before
    watch_after = watch.after
    stop = watch.stop[0]
    step = tuning.step
    tolerance = tuning.tolerance
    slow_limit = tuning.slow_limit
    hottest_allowed = tuning.ceiling

    chips = burst.size
    nx = x.size
    mh = base_heat.size
    leaks_count = leak_index.shape[0]
    heat = work_space.heat
    ramp = work_space.ramp
    v = work_space.inputs
    predicted = work_space.predicted
    start = work_space.start
    floating = work_space.floating
    leak_now = work_space.leak_now
    follows = work_space.follows
    allowed = work_space.allowed
    wanted = work_space.wanted
    leaks = work_space.leaks
    leak_factor = work_space.leak_factor
    awake = work_space.awake
    leak_share = work_space.leak_share
    rated_leak = work_space.rated_leak
    for c in range(chips):
        rated_leak[c] = 0.0
    for e in range(leaks_count):
        rated_leak[leak_index[e, CHIP]] += leak_value[e, POWER]
    columns = demand.shape[1] - 1
    rows = boundary.shape[0]

    while count[0] < last:
        tick = count[0]
        row = tick % rows
        column = min(tick, columns)
        if count[1] == 0:
            sense(tick, x, weight, offset, sensor_alpha, resolution, sensor_ticks, delay, sensor, lagged, ring)
            throttle(
                tick, sensor, power, burst, peak, floor, throttle_sensor, throttle_step, throttle_target, throttle_kp,
                throttle_ki, throttle_ticks, ceiling, integral, shared_budget, skin_sensor, skin_limit, skin_release,
                skin_kp, skin_ki, skin_recovery, skin_floor, skin_ticks, skin_ceiling, skin_integral, skin_engaged,
            )
            level = drive_fans(
                tick, sensor, table_fan, table_sensor, table_hysteresis, table_first, step_on, step_speed, fan_idle, fan_cap,
                fan_rise, fan_fall, fan_dwell, fan_ticks, fan_grid, fan_stride, table_step, table_since, fan_speed,
                fan_index, count,
            )
        else:
            level = count[1] - 1
            count[1] = 0
        slot = slot_of_level[level]
        if slot < 0:
            count[1] = level + 1
            return NEED_LEVEL
        for c in range(chips):
            leaks[c] = 0.0
        for e in range(leaks_count):
            leak_now[e] = leak(leak_value, e, x[leak_index[e, STATE]])
            leaks[leak_index[e, CHIP]] += leak_now[e]
        for c in range(chips):
            wanted[c] = demand[c, column]
            # A load below the rated leakage leaves part of the chip switched off, and that part does not leak.
            awake[c] = 1.0
            if wanted[c] < rated_leak[c]:
                awake[c] = wanted[c] / rated_leak[c]
            leaks[c] *= awake[c]
            if holds_frequency == 1:
                wanted[c] = max(wanted[c] - rated_leak[c], 0.0) + leaks[c]
        limit_chips(
            average, burst, sustained, peak, floor, ceiling, skin_ceiling, shared_budget, wanted, allowed, bound, chip_weight
        )
        draw_power(
            column, demand, holds_frequency, rated_leak, leaks, allowed, curve, exponent, power, frequency, bound,
            leak_factor, follows,
        )
        for c in range(chips):
            leak_share[c] = awake[c] * leak_factor[c]
        place_heat(
            base_heat, share, follow, power, leaks, leak_now, leak_factor, leak_share, leak_index, follows, heat, floating
        )
        if charger_input >= 0:
            share_now = charge(
                tick, sensor, charger_sensor, charger_on, charger_share, charger_hysteresis, charger_ticks, charger_step
            )
            # The charger's full heat is in the base heat already.
            heat[charger_input] += (share_now - 1.0) * base_heat[charger_input]
        r = tick // every
        keep = tick % every == 0 and r < kept_level.size
        if keep:
            for i in range(nx):
                kept_x[r, i] = x[i]
            for c in range(chips):
                kept_power[r, c] = power[c]
                kept_frequency[r, c] = frequency[c]
                kept_work[r, c] = work[c]
                kept_bound[r, c] = bound[c]
                kept_average[r, c] = average[c]
            kept_level[r] = level
            for f in range(fan_index.size):
                kept_fan[r, f] = fan_index[f]
            for s in range(sensor.size):
                kept_sensor[r, s] = sensor[s]
        advance(
            slot, row, x, boundary, heat, floating, v, predicted, ramp, start, step, tolerance, slow_limit,
            propagate, correct, out_start, out_ramp, capacity,
            law_index, law_value, law_state,
            leak_index, leak_value, leak_share, account, count,
        )
        if keep:
            # The inputs as the last (sub)step saw them at its start: what interpolation within the sample needs.
            for j in range(kept_u.shape[1]):
                kept_u[r, j] = v[nx + j]
        for c in range(chips):
            average[c] += alpha[c] * (power[c] - average[c])
            tally[c, bound[c]] += 1.0
            tally[c, POWER_SUM] += power[c]
            if peak_demand[c] > 0.0:
                work[c] += frequency[c] * demand[c, column] / peak_demand[c] * step
        count[0] = tick + 1
        crossed = look_out(
            tick, row, x, boundary, law_index, law_value, law_state, watch_state, watch_law, watch_value,
            watch_worst, watch_first, watch_before, watch_after,
        )
        if crossed == 1 and stop == 1:
            return LIMIT_HIT
        hottest = x[0]
        for i in range(nx):
            hottest = max(hottest, x[i])
        if not hottest < hottest_allowed:
            return RUNAWAY
    return DONE
