"""What the compiled loop works on: plain float64 and int64 arrays, grouped in named tuples."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

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


COLUMNS, LANES = 4, 4
"""Columns taken together, and numbers summed side by side (processors with other lanes are served by the compiler)."""


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
