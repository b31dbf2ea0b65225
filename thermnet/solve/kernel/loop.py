"""One control sample after another."""

from __future__ import annotations

from thermnet.solve.kernel.arrays import CHIP, DONE, LIMIT_HIT, NEED_LEVEL, POWER, POWER_SUM, RUNAWAY, STATE
from thermnet.solve.kernel.compiling import compile_when_possible, woven_in
from thermnet.solve.kernel.firmware import back_off, charge, drive_fans, limit_chips, sense, throttle
from thermnet.solve.kernel.laws import gather_held, refresh_slow_laws
from thermnet.solve.kernel.silicon import draw_power, leak, place_heat
from thermnet.solve.kernel.step import advance


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
