"""Chips: leakage, the voltage-frequency curve, what a power limit buys, and where the heat goes."""

from __future__ import annotations

import numpy as np

from thermnet.solve.kernel.arrays import AT, CHIP, DEMAND, INPUT, POWER, SLOPE
from thermnet.solve.kernel.compiling import compile_when_possible, woven_in


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
        # Newton's next step is of the order of this one squared, as long as both are on one segment of the curve.
        step = abs(new - f)
        if step < 1e-11 or (step < 1e-6 and segment(curve, c, new) == k):
            return new
        f = new
    return f


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
