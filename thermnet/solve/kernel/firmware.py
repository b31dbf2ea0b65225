"""The mode's rules at a control sample: sensors, throttles, fan tables, charger, power limits."""

from __future__ import annotations

import numpy as np

from thermnet.solve.kernel.arrays import BURST, JUNCTION, PEAK, SHARED, SKIN, SUSTAINED
from thermnet.solve.kernel.compiling import woven_in


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
