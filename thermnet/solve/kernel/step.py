"""The heat balance over one control sample: predictor, corrector, error estimate, halved steps."""

from __future__ import annotations

from thermnet.solve.kernel.arrays import (
    CHIP,
    CODE,
    DEPARTURE,
    DRY,
    FROM,
    INPUT,
    INPUT_FROM,
    INPUT_TO,
    REFERENCE,
    STATE,
    SUBDIVISIONS,
    TO,
)
from thermnet.solve.kernel.compiling import compile_when_possible, woven_in
from thermnet.solve.kernel.laws import end_temperature, heat_limit, law_departure
from thermnet.solve.kernel.rows import weigh_rows
from thermnet.solve.kernel.silicon import leak


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
    weigh_rows(slot, s, v, propagate, push, predicted)
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
