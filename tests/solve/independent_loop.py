"""The same closed loop written a second time: plain Python firmware, scipy's Radau at tight tolerance between samples.

Nothing here uses the package's compiled network, propagators or kernel; only the data of ``hand_machine``.
"""

from __future__ import annotations

import hand_machine as hand
import numpy as np
from scipy.integrate import solve_ivp

SIGMA = 5.670374419e-8
NODES = list(hand.CAPACITIES)
ROW = {name: i for i, name in enumerate(NODES)}
CAPACITY = np.array(list(hand.CAPACITIES.values()))


def pipe_heat(hot, cold, dry):
    limit = hand.PIPE.limit * min(max(1.0 + hand.PIPE.slope * (0.5 * (hot + cold) - hand.PIPE.reference), 0.05), 3.0)
    limit *= hand.PIPE.rewet if dry else 1.0
    unlimited = (hot - cold) / hand.PIPE.resistance
    sign, unlimited = np.sign(unlimited), abs(unlimited)
    low, high = limit * (1 - hand.PIPE.blend), limit * (1 + hand.PIPE.blend)
    if unlimited <= low:
        return sign * unlimited
    s = 1.0 / hand.PIPE.steepness
    inside = min(unlimited, high) - low
    heat = low + inside - (1 - s) * inside**2 / (2 * (high - low)) + max(unlimited - high, 0.0) * s
    return sign * heat


def derivative(temperature, rpm, sources, floating, dry, factor, ambient):
    t = dict(zip(NODES, temperature, strict=True))
    net = dict(sources)
    for name in NODES:
        net.setdefault(name, 0.0)

    def carry(a, b, heat):
        net[a] -= heat
        net[b] += heat

    for a, b, resistance in hand.RESISTANCES:
        carry(a, b, (t[a] - t[b]) / (resistance * factor))
    carry("pipe", "fins", pipe_heat(t["pipe"], t["fins"], dry))
    for name, law in hand.SURFACES.items():
        a, b = t[name] + 273.15, ambient + 273.15
        rise = t[name] - ambient
        net[name] -= law.radiating_area * SIGMA * (a**4 - b**4) + law.convection * (abs(rise) + 1e-9) ** 0.25 * rise
    # Air: solve the two massless cells by hand.  inlet: w(1-r)(Ta - Ti) + w r (Tx - Ti) + 0.1 (Tb - Ti) = 0
    w, r = float(hand.capacity_rate(rpm)), hand.RECIRCULATION
    g = w * hand.EFFECTIVENESS / (1 - hand.EFFECTIVENESS)
    matrix = np.array([[w + 0.1, -w * r], [-w, w + g]])
    inlet, air = np.linalg.solve(matrix, [w * (1 - r) * ambient + 0.1 * t["board"], g * t["fins"]])
    net["board"] -= 0.1 * (t["board"] - inlet)
    net["fins"] -= g * (t["fins"] - air)
    for name, scale in floating.items():
        law = hand.LEAKS[name]
        net[name] += scale * law.power * np.exp(min(law.slope * (t[name] - law.reference), 6.0))
    return np.array([net[name] for name in NODES]) / CAPACITY


def frequency_voltage(f):
    return 0.6 if f <= 0.2 else 0.6 + 0.4 * (f - 0.2) / 0.8


def simulate(demand, period, start, rpm, average, mode, *, holds="frequency", factor=1.0, ambient=25.0,
             junction_limit=95.0, table_step=0, rtol=1e-9, atol=1e-9):
    """Return temperatures (samples + 1, nodes), chip power, fan speed, limit names."""
    control, fan = mode.chips["cpu"], mode.fans["fan"]
    steps = fan.tables[0].steps
    t = np.array(start, dtype=float)
    temperatures, powers, speeds, bounds = [t.copy()], [], [], []
    top = control.burst_limit
    ceiling = integral = top
    skin_ceiling = skin_integral = top
    engaged, dry, power, since = False, False, average, -10**9
    proxy = None
    for k, asked in enumerate(demand):
        junction = np.floor(t[ROW["hot"]] + 0.5)
        if k % round(1.0 / period) == 0:
            raw = t[ROW["board"]] - 3.0
            proxy = raw if proxy is None else proxy + (1 - np.exp(-1.0 / 60.0)) * (raw - proxy)
        # junction throttle
        error = junction_limit - control.throttle_margin - t[ROW["hot"]]
        integral = min(max(integral + control.integral_gain * period * error, control.floor), top)
        ceiling = min(max(integral + control.proportional_gain * error, control.floor), top)
        # skin limiter
        skin = mode.skin_limits[0]
        if k % round(skin.period / period) == 0:
            e = skin.limit - proxy
            if e <= 0 and not engaged:
                engaged, skin_integral = True, min(skin_ceiling, power)
            elif e > skin.release:
                engaged = False
            if engaged:
                skin_integral = min(max(skin_integral + skin.integral_gain * skin.period * e, skin.floor), top)
                skin_ceiling = min(max(skin_integral + skin.proportional_gain * e, skin.floor), top)
            else:
                skin_ceiling = min(max(skin_ceiling + skin.recovery * skin.period, skin.floor), top)
        # fan
        if k % round(fan.period / period) == 0:
            before = table_step
            while table_step < len(steps) and junction >= steps[table_step][0]:
                table_step += 1
            if table_step == before and k - since >= round(fan.dwell / period):
                while table_step > 0 and junction < steps[table_step - 1][0] - fan.tables[0].hysteresis:
                    table_step -= 1
            if table_step != before:
                since = k
            request = max(fan.idle_speed, steps[table_step - 1][1] if table_step else 0.0)
            rpm = min(request, rpm + fan.rise * fan.period) if request > rpm else max(request, rpm - fan.fall * fan.period)
        turned = np.floor(rpm / 100.0 + 0.5) * 100.0
        # power
        limit, bound = (control.burst_limit, "burst") if average < control.sustained_limit else (control.sustained_limit, "sustained")
        if ceiling < limit:
            limit, bound = ceiling, "junction"
        limit = max(limit, control.floor)
        leaks = {n: law.power * np.exp(min(law.slope * (t[ROW[n]] - law.reference), 6.0)) for n, law in hand.LEAKS.items()}
        total_leak, rated = sum(leaks.values()), sum(law.power for law in hand.LEAKS.values())
        dynamic = max(asked - rated, 0.0)
        wanted = dynamic + total_leak if holds == "frequency" else asked
        if skin_ceiling < min(wanted, limit):
            limit, bound = skin_ceiling, "skin"
        sources, floating = {"board": hand.BOARD_HEAT}, {}
        if holds == "frequency" and wanted <= limit:
            power, bound = wanted, "demand"
            floating = dict.fromkeys(leaks, 1.0)
            own_dynamic, held_leak = dynamic, 0.0
        else:
            power = min(wanted, limit)
            bound = "demand" if wanted <= limit else bound
            factor_v = 1.0
            if dynamic > 0 and power < dynamic + total_leak:
                low, high = 0.0, 1.0
                for _ in range(200):
                    f = 0.5 * (low + high)
                    v = frequency_voltage(f)
                    low, high = (low, f) if dynamic * f * v * v + total_leak * v * v > power else (f, high)
                factor_v = frequency_voltage(low) ** 2
            scale = factor_v * min(1.0, power / (total_leak * factor_v))
            held_leak = total_leak * scale
            own_dynamic = power - held_leak
            for n, w in leaks.items():
                sources[n] = w * scale
        for n in ("hot", "die"):
            sources[n] = sources.get(n, 0.0) + 0.5 * own_dynamic
        sources["board"] += hand.FOLLOW * power
        found = solve_ivp(
            lambda _, y, s=sources, fl=floating, d=dry, rp=turned: derivative(y, rp, s, fl, d, factor, ambient),
            (0.0, period), t, method="Radau", rtol=rtol, atol=atol,
        )  # fmt: skip
        t = found.y[:, -1]
        limit_now = hand.PIPE.limit * min(max(1.0 + hand.PIPE.slope * (0.5 * (t[ROW["pipe"]] + t[ROW["fins"]]) - hand.PIPE.reference), 0.05), 3.0)
        heat = abs(pipe_heat(t[ROW["pipe"]], t[ROW["fins"]], dry))
        if not dry and heat > limit_now:
            dry = True
        elif dry and heat < hand.PIPE.rewet * limit_now:
            dry = False
        average += -np.expm1(-period / control.averaging_time) * (power - average)
        temperatures.append(t.copy())
        powers.append(power)
        speeds.append(turned)
        bounds.append(bound)
    return np.array(temperatures), np.array(powers), np.array(speeds), bounds
