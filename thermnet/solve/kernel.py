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
evaluated at every sample (then its heat inputs are quick ones)."""

REFERENCE = 8
"""Column of a law's numbers, after its eight parameters: the conductance held in the propagators, W/K."""

DEPARTURE, DRY = range(2)
"""Columns of a law's state: heat beyond the reference conductance, W; 1 from dry-out until rewetted."""

CHIP, INPUT, STATE = range(3)
"""Columns of a leakage entry's integers."""

POWER, AT, SLOPE = range(3)
"""Columns of a leakage entry's numbers: W at full voltage, reference degC, 1/K."""


class Thermal(NamedTuple):
    """Propagators by slot (one slot per fan level met so far) and the nonlinear laws.

    Heat inputs are either quick (set anew at every sample) or held (constant between refreshes).  Held are, in this
    order: heat inputs, boundary temperatures, and (for a reduced basis) heat straight into each state.

    After the x states, each row holds the heat out over the step, J, and zeros up to ``width`` numbers in all; so do
    as many rows of zeros as make up ``columns``.  Whole vector lanes are quicker than what is left over.
    """

    slot_of_level: Any  # (levels,) slot or -1
    propagate: Any  # (slots, subdivisions, columns, width): rows are the columns of [exp(hA), h phi_1 B], x + quick
    correct: Any  # (slots, subdivisions, quick, width): h phi_2 B
    hold: Any  # (slots, subdivisions, held, width): h phi_1 B
    capacity: Any  # (x,)
    physical: Any  # (1,) the first so many states are temperatures of nodes
    boundary: Any  # (1 or samples, b) degC
    law_index: Any  # (k, 6) int64
    law_value: Any  # (k, 9)
    quick_laws: Any  # laws evaluated at every sample
    spread: Any  # (g, p), gather (p, x): temperature of the surface nodes of a reduced basis is spread @ gather @ x
    gather: Any
    surface_capacity: Any  # (g,)
    surface_index: Any  # (f, 3): code, ends (surface node, or -1 - boundary)
    surface_value: Any  # (f, 9)


class Silicon(NamedTuple):
    """Chips: where their heat goes, leakage, frequency range."""

    demand: Any  # (chips, samples or 1) W
    holds_frequency: Any  # (1,) 1: demand is at full frequency and leakage reference; 0: demand is power
    share: Any  # (chips, quick heat inputs) of dynamic power
    follow: Any  # (chips, quick heat inputs) W per W of chip power
    leak_index: Any  # (l, 3) int64
    leak_value: Any  # (l, 3)
    leak_voltage_exponent: Any  # (chips,)
    curve: Any  # (chips, points + 1, 3): frequency, voltage (shares of the highest), slope from there on
    base_heat: Any  # (held heat inputs,) heat of other parts
    worth: Any  # (chips, samples or 1, as demand) work per second at full frequency


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
    charger_input: Any  # (1,) held heat input of the charger, which no other part heats, or -1
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
    surface_heat: Any  # (f,) departure of each surface law, W
    surface_push: Any  # (x + 1,) what they put into each state of a reduced basis, and into the boundaries, W
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
    u: Any  # (records, quick + held heat inputs)
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
    mark: Any  # (marks,) rising: numbers of samples after which the worst so far is noted
    marked: Any  # (marks, limits)


class WorkSpace(NamedTuple):
    """Memory that the loop works in; it holds nothing from one call to the next."""

    inputs: Any  # (columns,)
    predicted: Any  # (width,)
    start: Any  # (x,)
    heat: Any  # (quick,)
    ramp: Any  # (quick,)
    held: Any  # (held,)
    push: Any  # (subdivisions, width): what the held inputs add over a step
    push_slot: Any  # (subdivisions,) int64: slot that the push is valid for, or -1
    floating: Any  # (l,) int64
    leak_now: Any  # (l,)
    leak_then: Any  # (l,)
    law_then: Any  # (quick laws,)
    excess: Any  # (k,) heat over its limit of each dry-out law, W
    surface: Any  # (g,)
    surface_change: Any  # (g,)
    narrow: Any  # (p,)
    due: Any  # (sensors + chips + skins + fans + 2,) int64: next tick of each loop
    follows: Any  # (chips,) int64
    allowed: Any  # (chips,)
    wanted: Any
    leaks: Any
    leak_factor: Any
    awake: Any
    leak_share: Any
    rated_leak: Any


COLUMNS, LANES = 4, 8
"""Columns taken together, and numbers in the longest vector lane."""


def whole_lanes(columns: int, width: int) -> tuple[int, int]:
    """Columns and width rounded up so that nothing is left over."""
    return -(-columns // COLUMNS) * COLUMNS, -(-width // LANES) * LANES


def work_space(thermal: Thermal, silicon: Silicon, senses: Senses, rules: Rules) -> WorkSpace:
    """Memory for a loop of this size."""
    columns, width, held = thermal.propagate.shape[2], thermal.propagate.shape[3], thermal.hold.shape[2]
    quick, leaks, chips = thermal.correct.shape[2], len(silicon.leak_index), rules.burst.size
    steps = thermal.hold.shape[1]
    loops = senses.offset.size + chips + rules.skin_limit.size + rules.fan_idle.size + 2

    def whole(size: int) -> Any:
        return np.zeros(size, dtype=np.int64)

    def chip() -> Any:
        return np.ones(chips)

    return WorkSpace(
        np.zeros(columns), np.zeros(width), np.zeros(width), np.zeros(quick), np.zeros(quick), np.zeros(held),
        np.zeros((steps, width)), whole(steps), whole(leaks), np.zeros(leaks), np.zeros(leaks),
        np.zeros(thermal.quick_laws.size),
        np.zeros(len(thermal.law_index)), np.zeros(thermal.spread.shape[0]), np.zeros(thermal.spread.shape[0]),
        np.zeros(thermal.spread.shape[1]), whole(loops), whole(chips),
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
def law_departure(code, p, k, reference, hot, cold, dry):
    """Heat of law ``k`` from ``hot`` to ``cold`` beyond that of a link of the reference conductance, W.

    See thermnet.network.laws for the formulas and their sources.  A two-phase law's reference is its conductance below
    the heat limit, so that there is nothing to work out there.
    """
    if code == 1:
        a = hot + 273.15
        b = cold + 273.15
        difference = abs(hot - cold) + 1e-9
        film = np.sqrt(np.sqrt(difference)) if p[k, 2] == 0.25 else difference ** p[k, 2]
        g = p[k, 0] * 5.670374419e-8 * (a * a + b * b) * (a + b) + p[k, 1] * film + p[k, 3]
        return (g - reference) * (hot - cold)
    if code == 3:
        fraction = (cold - p[k, 1]) / p[k, 3] + 0.5
        room = 1.0 - fraction if hot > cold else fraction
        return (p[k, 0] * (1e-6 + min(max(room / p[k, 4], 0.0), 1.0)) - reference) * (hot - cold)
    limit = heat_limit(p, k, hot, cold)
    if dry == 1:
        limit *= p[k, 6]
    unlimited = abs(hot - cold) * reference
    low = limit * (1.0 - p[k, 5])
    if unlimited <= low:
        return 0.0
    high = limit * (1.0 + p[k, 5])
    missing = 1.0 - 1.0 / p[k, 4]
    inside = min(unlimited, high) - low
    less = missing * (inside * inside / (2.0 * (high - low)) + max(unlimited - high, 0.0))
    return -less if hot > cold else less


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
    x, boundary, row, law_index, law_value, law_state, capacity,
    spread, gather, surface_capacity, surface_index, surface_value, surface_heat, surface_push,
    surface, surface_change, narrow, account, count, step, tolerance, slow_limit,
):
    """Bring the laws on slow nodes up to date, and choose how long to hold them by how much they moved."""
    change = 0.0
    for k in range(law_index.shape[0]):
        if law_index[k, FAST] == 0:
            i = law_index[k, FROM]
            o = law_index[k, TO]
            a = end_temperature(i, x, boundary, row)
            b = end_temperature(o, x, boundary, row)
            new = law_departure(law_index[k, CODE], law_value, k, law_value[k, REFERENCE], a, b, law_state[k, DRY])
            moved = abs(new - law_state[k, DEPARTURE])
            if i >= 0:
                change = max(change, moved / capacity[i])
            if o >= 0:
                change = max(change, moved / capacity[o])
            law_state[k, DEPARTURE] = new
    if surface_index.shape[0] > 0:
        moved = refresh_surfaces(
            x, boundary, row, spread, gather, surface_capacity, surface_index, surface_value, surface_heat, surface_push,
            surface, surface_change, narrow,
        )
        change = max(change, moved)
    # Half the change over the interval held is the error of holding it, in K; nothing was held before the start.
    error = 0.5 * change * step * count[3] if count[0] > 0 else 0.0
    account[2] = max(account[2], error)
    if error > 0.1 * tolerance and count[3] > 1:
        count[3] = max(1, count[3] // 2)
    elif error < 0.01 * tolerance and count[3] < slow_limit:
        count[3] = min(slow_limit, count[3] * 2)
    count[4] = 0


@compile_when_possible
def refresh_surfaces(
    x, boundary, row, spread, gather, surface_capacity, surface_index, surface_value, surface_heat, surface_push,
    surface, surface_change, narrow,
):
    """Evaluate the laws on the surface nodes of a reduced basis; returns the largest change of rate, K/s."""
    narrower = narrow.size
    for p in range(narrower):
        total = 0.0
        for i in range(x.size):
            total += gather[p, i] * x[i]
        narrow[p] = total
    for g in range(surface.size):
        total = 0.0
        for p in range(narrower):
            total += spread[g, p] * narrow[p]
        surface[g] = total
        surface_change[g] = 0.0
    lost = 0.0
    for k in range(surface_index.shape[0]):
        i = surface_index[k, 1]
        o = surface_index[k, 2]
        a = end_temperature(i, surface, boundary, row)
        b = end_temperature(o, surface, boundary, row)
        new = law_departure(surface_index[k, 0], surface_value, k, surface_value[k, REFERENCE], a, b, 0)
        moved = abs(new - surface_heat[k])
        surface_heat[k] = new
        if i >= 0:
            surface_change[i] += moved
        else:
            lost -= new
        if o >= 0:
            surface_change[o] += moved
        else:
            lost += new
    change = 0.0
    for g in range(surface.size):
        change = max(change, surface_change[g] / surface_capacity[g])
        surface[g] = 0.0
    for k in range(surface_index.shape[0]):
        if surface_index[k, 1] >= 0:
            surface[surface_index[k, 1]] -= surface_heat[k]
        if surface_index[k, 2] >= 0:
            surface[surface_index[k, 2]] += surface_heat[k]
    for p in range(narrower):
        narrow[p] = 0.0
    for g in range(surface.size):
        for p in range(narrower):
            narrow[p] += spread[g, p] * surface[g]
    for i in range(x.size):
        surface_push[i] = 0.0
    for p in range(narrower):
        for i in range(x.size):
            surface_push[i] += gather[p, i] * narrow[p]
    surface_push[x.size] = lost
    return change


@woven_in
def gather_held(
    row, quick, boundary, base_heat, charger_input, charging, law_index, law_state, surface_push, held, push_slot
):
    """Put together the inputs that stay constant until the next refresh; returns (heat put in, heat lost by laws), W."""
    heats = base_heat.size
    states = held.size - heats - boundary.shape[1]
    into = 0.0
    for j in range(heats):
        held[j] = base_heat[j]
    if charger_input >= 0:
        held[charger_input] *= charging
    for j in range(heats):
        into += held[j]
    for b in range(boundary.shape[1]):
        held[heats + b] = boundary[row, b]
    lost = 0.0
    for k in range(law_index.shape[0]):
        if law_index[k, FAST] == 0:
            d = law_state[k, DEPARTURE]
            if law_index[k, INPUT_FROM] >= 0:
                held[law_index[k, INPUT_FROM] - quick] -= d
            else:
                lost -= d
            if law_index[k, INPUT_TO] >= 0:
                held[law_index[k, INPUT_TO] - quick] += d
            else:
                lost += d
    if states > 0:
        for i in range(states):
            held[heats + boundary.shape[1] + i] = surface_push[i]
        lost += surface_push[states]
    for s in range(push_slot.size):
        push_slot[s] = -1
    return into, lost


@compile_when_possible
def hold_inputs(slot, s, held, hold, push, push_slot):
    """Work out what the held inputs add over a step of subdivision ``s``."""
    push_slot[s] = slot
    for i in range(push.shape[1]):
        push[s, i] = 0.0
    for j in range(held.size):
        w = held[j]
        if w != 0.0:
            for i in range(push.shape[1]):
                push[s, i] += w * hold[slot, s, j, i]


@woven_in
def substep(slot, s, h, row, tolerance, held_into, held_lost, any_quick, x, law_state, account, thermal, silicon, work):
    """One predictor-corrector step of ``h`` seconds (subdivision ``s``); returns the error estimate in K.

    ``work.heat`` (quick heat inputs,) holds the firmware's sources, ``work.leak_now`` the leakage at ``x`` and full
    voltage; ``work.floating`` marks the leak entries that follow the die within the sample (the others are held,
    because the firmware holds the chip's total).
    """
    propagate = thermal.propagate
    correct = thermal.correct
    boundary = thermal.boundary
    law_index = thermal.law_index
    law_value = thermal.law_value
    quick_laws = thermal.quick_laws
    leak_index = silicon.leak_index
    leak_value = silicon.leak_value
    heat = work.heat
    floating = work.floating
    v = work.inputs
    predicted = work.predicted
    ramp = work.ramp
    push = work.push
    push_slot = work.push_slot
    leak_factor = work.leak_share
    leak_now = work.leak_now
    leak_then = work.leak_then
    law_then = work.law_then
    nx = x.size
    mh = heat.size
    size = nx + mh
    width = predicted.size
    if push_slot[s] != slot:
        hold_inputs(slot, s, work.held, thermal.hold, push, push_slot)
    lost = held_lost
    into = held_into
    for i in range(nx):
        v[i] = x[i]
    for j in range(mh):
        v[nx + j] = heat[j]
        into += heat[j]
    for q in range(quick_laws.size):
        k = quick_laws[q]
        a = end_temperature(law_index[k, FROM], x, boundary, row)
        o = end_temperature(law_index[k, TO], x, boundary, row)
        d = law_departure(law_index[k, CODE], law_value, k, law_value[k, REFERENCE], a, o, law_state[k, DRY])
        law_state[k, DEPARTURE] = d
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
            now = leak_now[e] * leak_factor[leak_index[e, CHIP]]
            v[nx + leak_index[e, INPUT]] += now
            into += now
    out = lost * h
    for i in range(width):
        predicted[i] = push[s, i]
    # Rows in the vector lanes, four columns at a time to spare loads and stores of the sum.
    for j in range(0, v.size, 4):
        v0 = v[j]
        v1 = v[j + 1]
        v2 = v[j + 2]
        v3 = v[j + 3]
        for i in range(width):
            predicted[i] += (
                v0 * propagate[slot, s, j, i] + v1 * propagate[slot, s, j + 1, i]
                + v2 * propagate[slot, s, j + 2, i] + v3 * propagate[slot, s, j + 3, i]
            )
    error = 0.0
    if any_quick:
        for j in range(mh):
            ramp[j] = 0.0
        more = 0.0
        for q in range(quick_laws.size):
            k = quick_laws[q]
            a = end_temperature(law_index[k, FROM], predicted, boundary, row)
            o = end_temperature(law_index[k, TO], predicted, boundary, row)
            law_then[q] = law_departure(
                law_index[k, CODE], law_value, k, law_value[k, REFERENCE], a, o, law_state[k, DRY]
            )
            d = law_then[q] - law_state[k, DEPARTURE]
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
                leak_then[e] = leak(leak_value, e, predicted[leak_index[e, STATE]])
                d = (leak_then[e] - leak_now[e]) * leak_factor[leak_index[e, CHIP]]
                ramp[leak_index[e, INPUT]] += d
                more += d
        into += 0.5 * more
        # What the inputs really are half way, against the mean of the ramp: two thirds of the bend is the error of
        # the ramp's mean.  An input that moves one way bends by at most half its change, which mostly is so little
        # that it need not be looked at more closely.
        little = 0.1 * tolerance
        for e in range(floating.size):
            if floating[e] == 1:
                z = leak_index[e, STATE]
                scale = leak_factor[leak_index[e, CHIP]] * correct[slot, s, leak_index[e, INPUT], z]
                worst = abs(0.333 * (leak_then[e] - leak_now[e]) * scale)
                if worst > little:
                    if push_slot[s + 1] != slot:
                        hold_inputs(slot, s + 1, work.held, thermal.hold, push, push_slot)
                    middle = half_way(slot, s + 1, z, v, size, ramp, mh, propagate, correct, push)
                    bend = leak(leak_value, e, middle) - 0.5 * leak_then[e] - 0.5 * leak_now[e]
                    worst = abs(0.667 * bend * scale)
                error = max(error, worst)
        for q in range(quick_laws.size):
            k = quick_laws[q]
            change = abs(law_then[q] - law_state[k, DEPARTURE])
            if change > 0.0:
                i = law_index[k, FROM]
                o = law_index[k, TO]
                scale = 0.0
                if i >= 0:
                    scale = max(scale, abs(correct[slot, s, law_index[k, INPUT_FROM], i]))
                if o >= 0:
                    scale = max(scale, abs(correct[slot, s, law_index[k, INPUT_TO], o]))
                worst = 0.333 * change * scale
                if worst > little:
                    if push_slot[s + 1] != slot:
                        hold_inputs(slot, s + 1, work.held, thermal.hold, push, push_slot)
                    a = boundary[row, -1 - i] if i < 0 else half_way(slot, s + 1, i, v, size, ramp, mh, propagate, correct, push)
                    b = boundary[row, -1 - o] if o < 0 else half_way(slot, s + 1, o, v, size, ramp, mh, propagate, correct, push)
                    bend = law_departure(law_index[k, CODE], law_value, k, law_value[k, REFERENCE], a, b, law_state[k, DRY])
                    bend -= 0.5 * law_state[k, DEPARTURE] + 0.5 * law_then[q]
                    worst = abs(0.667 * bend * scale)
                error = max(error, worst)
        for j in range(mh):
            if ramp[j] != 0.0:
                for i in range(width):
                    predicted[i] += ramp[j] * correct[slot, s, j, i]
    for i in range(nx):
        x[i] = predicted[i]
    account[0] += into * h
    account[1] += out + predicted[nx]
    return error


@compile_when_possible
def half_way(slot, s, i, v, size, ramp, mh, propagate, correct, push):
    """Temperature of state ``i`` in the middle of a step (``s`` is the subdivision of half its length)."""
    middle = push[s, i]
    for j in range(size):
        middle += v[j] * propagate[slot, s, j, i]
    for j in range(mh):
        if ramp[j] != 0.0:
            middle += 0.5 * ramp[j] * correct[slot, s, j, i]
    return middle


@woven_in
def advance(slot, row, step, tolerance, held_into, held_lost, any_quick, x, law_state, account, count, thermal, silicon, work):
    """Carry the heat balance over one control sample."""
    boundary = thermal.boundary
    law_index = thermal.law_index
    law_value = thermal.law_value
    quick_laws = thermal.quick_laws
    leak_index = silicon.leak_index
    leak_value = silicon.leak_value
    start = work.start
    leak_now = work.leak_now
    excess = work.excess
    halving = 0
    into = account[0]
    out = account[1]
    for i in range(x.size):
        start[i] = x[i]
    while True:
        worst = 0.0
        length = step / (1 << halving)
        for piece in range(1 << halving):
            if piece > 0:
                for e in range(leak_now.size):
                    leak_now[e] = leak(leak_value, e, x[leak_index[e, STATE]])
            error = substep(
                slot, halving, length, row, tolerance, held_into, held_lost, any_quick, x, law_state, account, thermal,
                silicon, work,
            )
            worst = max(worst, error)
            if worst > tolerance and halving < SUBDIVISIONS - 2:
                break
        if worst <= tolerance or halving >= SUBDIVISIONS - 2:
            break
        halving = min(SUBDIVISIONS - 2, halving + (2 if worst > 8.0 * tolerance else 1))
        for i in range(x.size):
            x[i] = start[i]
        for e in range(leak_now.size):
            leak_now[e] = leak(leak_value, e, x[leak_index[e, STATE]])
        account[0] = into
        account[1] = out
    if halving > 0:
        count[2] += 1
    account[2] = max(account[2], worst)
    for q in range(quick_laws.size):
        k = quick_laws[q]
        if law_index[k, CODE] == 2:
            a = end_temperature(law_index[k, FROM], x, boundary, row)
            b = end_temperature(law_index[k, TO], x, boundary, row)
            limit = heat_limit(law_value, k, a, b)
            more = law_departure(2, law_value, k, law_value[k, REFERENCE], a, b, law_state[k, DRY])
            carried = abs(law_value[k, REFERENCE] * (a - b) + more)
            excess[k] = carried - limit
            if law_value[k, 6] < 1.0:
                if law_state[k, DRY] == 0 and carried > limit:
                    law_state[k, DRY] = 1
                elif law_state[k, DRY] == 1 and carried < law_value[k, 6] * limit:
                    law_state[k, DRY] = 0


@woven_in
def sense(tick, due, x, weight, offset, alpha, resolution, sensor_ticks, delay, sensor, lagged, ring):
    """Poll the sensors that are due."""
    for s in range(offset.size):
        if tick == due[s]:
            due[s] = tick + sensor_ticks[s]
            raw = offset[s]
            for i in range(x.size):
                raw += weight[s, i] * x[i]
            lagged[s] += alpha[s] * (raw - lagged[s])
            seen = lagged[s]
            if delay[s] > 0:
                length = delay[s] + 1
                position = (tick // sensor_ticks[s]) % length
                ring[s, position] = lagged[s]
                seen = ring[s, (position + 1) % length]
            if resolution[s] > 0.0:
                seen = np.floor(seen / resolution[s] + 0.5) * resolution[s]
            sensor[s] = seen


@woven_in
def throttle(
    tick, due, first_chip, first_skin, sensor, power, burst, peak, floor, throttle_sensor, throttle_step, throttle_target, throttle_kp, throttle_ki,
    throttle_ticks, ceiling, integral, shared_budget,
    skin_sensor, skin_limit, skin_release, skin_kp, skin_ki, skin_recovery, skin_floor, skin_ticks,
    skin_ceiling, skin_integral, skin_engaged,
):
    """Move the junction throttle's and the skin limiter's ceilings where they are due."""
    total = 0.0
    for c in range(burst.size):
        top = min(burst[c], peak[c])
        total += top
        if tick == due[first_chip + c]:
            due[first_chip + c] = tick + throttle_ticks[c]
            error = throttle_target[c] - sensor[throttle_sensor[c]]
            if throttle_step[c] > 0.0:
                held = ceiling[c] + (throttle_step[c] if error > 0.0 else -throttle_step[c])
            else:
                integral[c] = min(max(integral[c] + throttle_ki[c] * error, floor[c]), top)
                held = integral[c] + throttle_kp[c] * error
            ceiling[c] = min(max(held, floor[c]), top)
    total = min(total, shared_budget)
    for s in range(skin_limit.size):
        if tick == due[first_skin + s]:
            due[first_skin + s] = tick + skin_ticks[s]
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
    tick, due, first_fan, sensor, table_fan, table_sensor, table_hysteresis, table_first, step_on, step_speed, fan_idle, fan_cap, fan_rise,
    fan_fall, fan_dwell, fan_ticks, fan_grid, fan_stride, table_step, table_since, fan_speed, fan_index, count,
):
    """Step the fan tables, then move each fan towards the highest request; returns the level number."""
    level = 0
    for f in range(fan_idle.size):
        if tick == due[first_fan + f]:
            due[first_fan + f] = tick + fan_ticks[f]
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
def back_off(sensor, charger_sensor, charger_on, hysteresis, charger_step):
    """Step the charger's table; returns whether it moved."""
    reading = sensor[charger_sensor[0]]
    step = charger_step[0]
    while step < charger_on.size and reading >= charger_on[step]:
        step += 1
    while step > 0 and reading < charger_on[step - 1] - hysteresis[0]:
        step -= 1
    moved = step != charger_step[0]
    charger_step[0] = step
    return moved


@woven_in
def charge(charger_share, charger_step):
    """Share of the charger's heat at present."""
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
def place_heat(share, follow, power, leaks, leak_now, leak_factor, leak_share, leak_index, follows, heat, floating):
    """Put the chips' heat of this sample where it belongs, except leakage that floats; returns whether any does."""
    for j in range(heat.size):
        heat[j] = 0.0
    for c in range(power.size):
        own = leaks[c] * leak_factor[c]
        dynamic = max(power[c] - own, 0.0)
        for j in range(heat.size):
            heat[j] += share[c, j] * dynamic + follow[c, j] * power[c]
    any_floats = False
    for e in range(leak_index.shape[0]):
        c = leak_index[e, CHIP]
        floating[e] = follows[c]
        if follows[c] == 0:
            own = leaks[c] * leak_factor[c]
            scale = 1.0 if own <= power[c] else power[c] / own
            heat[leak_index[e, INPUT]] += leak_now[e] * leak_share[c] * scale
        else:
            any_floats = True
    return any_floats


@woven_in
def look_out(tick, x, excess, watch_state, watch_law, value, worst, first, before, after):
    """Compare the state after this sample with the limits; returns 1 at a first crossing."""
    crossed = 0
    for q in range(value.size):
        over = x[watch_state[q]] - value[q] if watch_state[q] >= 0 else excess[watch_law[q]]
        worst[q] = max(worst[q], over)
        if first[q] < 0:
            if over >= 0.0:
                first[q] = tick
                after[q] = over
                crossed = 1
            else:
                before[q] = over
    return crossed


@woven_in
def next_time(tick, period):
    """First multiple of ``period`` at or after ``tick``."""
    return -(-tick // period) * period


@compile_when_possible
def run_loop(thermal, silicon, senses, rules, state, record, watch, work_space, tuning, last):
    """Run control samples from the state's tick to ``last``; returns why it stopped.

    ``NEED_LEVEL`` asks the caller to provide the propagators of the level in ``state.count[1] - 1`` and call again.
    Arrays are taken out of their tuples once: reference counting inside the loop would cost more than the physics.
    """
    slot_of_level = thermal.slot_of_level
    capacity = thermal.capacity
    physical = thermal.physical[0]
    boundary = thermal.boundary
    law_index = thermal.law_index
    law_value = thermal.law_value
    quick_laws = thermal.quick_laws
    spread = thermal.spread
    gather = thermal.gather
    surface_capacity = thermal.surface_capacity
    surface_index = thermal.surface_index
    surface_value = thermal.surface_value
    demand = silicon.demand
    holds_frequency = silicon.holds_frequency[0]
    share = silicon.share
    follow = silicon.follow
    leak_index = silicon.leak_index
    leak_value = silicon.leak_value
    exponent = silicon.leak_voltage_exponent
    curve = silicon.curve
    base_heat = silicon.base_heat
    worth = silicon.worth
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
    surface_heat = state.surface_heat
    surface_push = state.surface_push
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
    mark = watch.mark
    marked = watch.marked
    stop = watch.stop[0]
    step = tuning.step
    tolerance = tuning.tolerance
    slow_limit = tuning.slow_limit
    hottest_allowed = tuning.ceiling

    chips = burst.size
    fans = fan_idle.size
    nx = x.size
    leaks_count = leak_index.shape[0]
    heat = work_space.heat
    quick = heat.size
    v = work_space.inputs
    start = work_space.start
    held = work_space.held
    push_slot = work_space.push_slot
    floating = work_space.floating
    leak_now = work_space.leak_now
    excess = work_space.excess
    surface = work_space.surface
    surface_change = work_space.surface_change
    narrow = work_space.narrow
    due = work_space.due
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
    # When each loop is due next; if this sample's firmware has run already (a level was missing), from the next on.
    tick = count[0]
    begin = tick if count[1] == 0 else tick + 1
    first_chip = offset.size
    first_skin = first_chip + chips
    first_fan = first_skin + skin_limit.size
    charger_due = first_fan + fans
    record_due = charger_due + 1
    for s in range(offset.size):
        due[s] = next_time(begin, sensor_ticks[s])
    for c in range(chips):
        due[first_chip + c] = next_time(begin, throttle_ticks[c])
    for s in range(skin_limit.size):
        due[first_skin + s] = next_time(begin, skin_ticks[s])
    for f in range(fans):
        due[first_fan + f] = next_time(begin, fan_ticks[f])
    due[charger_due] = next_time(tick, charger_ticks[0])
    due[record_due] = next_time(tick, every)
    kept = due[record_due] // every
    next_mark = 0
    while next_mark < mark.size and mark[next_mark] <= tick:
        next_mark += 1
    row = tick % rows
    charging = charge(charger_share, charger_step)
    held_into, held_lost = gather_held(
        row, quick, boundary, base_heat, charger_input, charging, law_index, law_state, surface_push, held, push_slot
    )

    while count[0] < last:
        tick = count[0]
        column = min(tick, columns)
        if count[1] == 0:
            sense(tick, due, x, weight, offset, sensor_alpha, resolution, sensor_ticks, delay, sensor, lagged, ring)
            throttle(
                tick, due, first_chip, first_skin, sensor, power, burst, peak, floor, throttle_sensor, throttle_step,
                throttle_target, throttle_kp, throttle_ki, throttle_ticks, ceiling, integral, shared_budget,
                skin_sensor, skin_limit, skin_release, skin_kp, skin_ki, skin_recovery, skin_floor, skin_ticks,
                skin_ceiling, skin_integral, skin_engaged,
            )
            level = drive_fans(
                tick, due, first_fan, sensor, table_fan, table_sensor, table_hysteresis, table_first, step_on, step_speed,
                fan_idle, fan_cap, fan_rise, fan_fall, fan_dwell, fan_ticks, fan_grid, fan_stride, table_step, table_since,
                fan_speed, fan_index, count,
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
        floats = place_heat(
            share, follow, power, leaks, leak_now, leak_factor, leak_share, leak_index, follows, heat, floating
        )
        any_quick = floats or quick_laws.size > 0
        stale = False
        if charger_input >= 0 and tick == due[charger_due]:
            due[charger_due] = tick + charger_ticks[0]
            if back_off(sensor, charger_sensor, charger_on, charger_hysteresis, charger_step):
                charging = charge(charger_share, charger_step)
                stale = True
        if rows > 1:
            row = tick % rows
            stale = True
        keep = tick == due[record_due] and kept < kept_level.size
        if keep:
            for i in range(nx):
                kept_x[kept, i] = x[i]
            for c in range(chips):
                kept_power[kept, c] = power[c]
                kept_frequency[kept, c] = frequency[c]
                kept_work[kept, c] = work[c]
                kept_bound[kept, c] = bound[c]
                kept_average[kept, c] = average[c]
            kept_level[kept] = level
            for f in range(fans):
                kept_fan[kept, f] = fan_index[f]
            for s in range(sensor.size):
                kept_sensor[kept, s] = sensor[s]
        if count[4] >= count[3]:
            refresh_slow_laws(
                x, boundary, row, law_index, law_value, law_state, capacity,
                spread, gather, surface_capacity, surface_index, surface_value, surface_heat, surface_push,
                surface, surface_change, narrow, account, count, step, tolerance, slow_limit,
            )
            stale = True
        count[4] += 1
        if stale:
            held_into, held_lost = gather_held(
                row, quick, boundary, base_heat, charger_input, charging, law_index, law_state, surface_push, held, push_slot
            )
        advance(
            slot, row, step, tolerance, held_into, held_lost, any_quick, x, law_state, account, count, thermal, silicon,
            work_space,
        )
        if keep:
            # The inputs as the last (sub)step saw them at its start: what interpolation within the sample needs.
            if kept_u.shape[1] > 0:
                for j in range(quick):
                    kept_u[kept, j] = v[nx + j]
                for j in range(base_heat.size):
                    kept_u[kept, quick + j] = held[j]
            due[record_due] = tick + every
            kept += 1
        for c in range(chips):
            average[c] += alpha[c] * (power[c] - average[c])
            tally[c, bound[c]] += 1.0
            tally[c, POWER_SUM] += power[c]
            work[c] += frequency[c] * worth[c, column] * step
        count[0] = tick + 1
        crossed = look_out(
            tick, x, excess, watch_state, watch_law, watch_value, watch_worst, watch_first, watch_before, watch_after
        )
        if next_mark < mark.size and tick + 1 == mark[next_mark]:
            for q in range(watch_worst.size):
                marked[next_mark, q] = watch_worst[q]
            next_mark += 1
        if crossed == 1 and stop == 1:
            return LIMIT_HIT
        gone = False
        for i in range(physical):
            if not x[i] < hottest_allowed:
                gone = True
        if gone:
            return RUNAWAY
    return DONE
