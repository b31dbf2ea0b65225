"""Link laws: the departure of their heat from that of a reference conductance, and the inputs held between refreshes."""

from __future__ import annotations

import numpy as np

from thermnet.solve.kernel.arrays import CODE, DEPARTURE, DRY, FAST, FROM, INPUT_FROM, INPUT_TO, REFERENCE, TO
from thermnet.solve.kernel.compiling import compile_when_possible, woven_in


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


@compile_when_possible
def departures_at_rest(code, p, hot, cold, heat, by_hot, by_cold):
    """Heat of every law beyond its reference conductance, W, and its derivatives by either end's temperature, W/K."""
    step = 1e-5
    for k in range(code.size):
        here = law_departure(code[k], p, k, p[k, REFERENCE], hot[k], cold[k], 0)
        heat[k] = here
        by_hot[k] = (law_departure(code[k], p, k, p[k, REFERENCE], hot[k] + step, cold[k], 0) - here) / step
        by_cold[k] = (law_departure(code[k], p, k, p[k, REFERENCE], hot[k], cold[k] + step, 0) - here) / step


@woven_in
def end_temperature(index, x, boundary, row):
    """Temperature at a law's end: a state, or a boundary coded as -1 - index."""
    if index >= 0:
        return x[index]
    return boundary[row, -1 - index]


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
