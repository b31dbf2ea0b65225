"""Power of a silicon chip: switching, leakage, voltage against frequency, what a power limit leaves.

Every function is pure and broadcasts scalars and arrays.  Temperatures are in degC, voltages in V,
frequencies in Hz, powers in W.  Undervolting appears here only as a change of the voltage-frequency curve:
whether a given chip still computes correctly at that voltage is not something a thermal model can tell.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

ZERO_CELSIUS = 273.15
BOLTZMANN_EV = 8.617333262e-5
"""Boltzmann constant in eV/K (CODATA 2018)."""

MAXIMUM_EXPONENT = 6.0
"""Leakage is held at exp(6) = 403 times its reference, so that a runaway stays finite (as in the network)."""

CAUTION = (
    "Undervolting is treated as a change of the voltage-frequency curve and nothing else. Errors caused "
    "by too low a voltage can appear days later as silent corruption of data; the margin moves with "
    "load steps, temperature and age. Follow the chip supplier's limits."
)


def dynamic_power(activity: Any, capacitance: Any, voltage: Any, frequency: Any) -> Any:
    """Switching power ``a C V^2 f`` in W.

    Parameters
    ----------
    activity : float or array
        Share of the capacitance that switches each cycle (1 = the load for which ``capacitance`` was found).
    capacitance : float or array
        Effective switched capacitance, F.
    voltage, frequency : float or array
        Supply voltage in V and clock frequency in Hz.

    Notes
    -----
    Source: charge C V drawn at voltage V in each of ``a f`` cycles per second; in every text on CMOS
    circuits, e.g. Weste & Harris, CMOS VLSI Design, 4th ed. 2010, section 5.2.
    """
    return np.multiply(activity, capacitance) * np.square(voltage) * np.asarray(frequency, dtype=float)


def dynamic_power_ratio(
    voltage: Any, reference_voltage: Any, frequency: Any = 1.0, reference_frequency: Any = 1.0
) -> Any:
    """Switching power relative to that at the reference voltage and frequency, same activity."""
    return np.square(np.divide(voltage, reference_voltage)) * np.divide(frequency, reference_frequency)


# -- voltage and frequency -------------------------------------------------------------------------


def alpha_power_frequency(
    voltage: Any, reference_voltage: Any, reference_frequency: Any, threshold: Any = 0.35, exponent: Any = 1.3
) -> Any:
    """Highest frequency in Hz at a supply voltage, by the alpha-power law ``f ~ (V - Vth)^alpha / V``.

    Parameters
    ----------
    voltage : float or array
        Supply voltage, V; at or below the threshold the frequency is 0.
    reference_voltage, reference_frequency : float or array
        One known point of the curve, V and Hz.
    threshold : float or array
        Threshold voltage, V.
    exponent : float or array
        Velocity-saturation index alpha, 1 (fully saturated) to 2 (long channel).

    Raises
    ------
    ValueError
        The reference voltage is not above the threshold, or alpha lies outside 1 to 2.

    Notes
    -----
    Source: Sakurai & Newton, IEEE J. Solid-State Circuits 25 (1990) 584: delay ~ C V / (V - Vth)^alpha.
    """
    _check_alpha(reference_voltage, threshold, exponent)
    v = np.asarray(voltage, dtype=float)
    drive = np.maximum(v - threshold, 0.0) ** exponent / np.maximum(v, np.finfo(float).tiny)
    reference = np.subtract(reference_voltage, threshold) ** exponent / np.asarray(
        reference_voltage, dtype=float
    )
    return reference_frequency * drive / reference


def alpha_power_voltage(
    frequency: Any,
    reference_voltage: Any,
    reference_frequency: Any,
    threshold: Any = 0.35,
    exponent: Any = 1.3,
) -> Any:
    """Lowest supply voltage in V for a frequency: the inverse of :func:`alpha_power_frequency`.

    Newton's method on the logarithm of the drive excess ``V - Vth``, in which the law is convex and
    increasing.

    Raises
    ------
    ValueError
        As :func:`alpha_power_frequency`, or a negative frequency; or, for alpha = 1, a frequency that no
        voltage reaches.
    """
    _check_alpha(reference_voltage, threshold, exponent)
    ratio = np.divide(frequency, reference_frequency)
    if np.any(ratio < 0):
        raise ValueError(f"frequency {np.min(np.asarray(frequency)):g} Hz; expected 0 or more")
    reference = np.subtract(reference_voltage, threshold) ** exponent / np.asarray(
        reference_voltage, dtype=float
    )
    target, vth, alpha = np.broadcast_arrays(ratio * reference, threshold, exponent)
    if np.any((alpha == 1.0) & (target >= 1.0)):
        raise ValueError("frequency beyond what any voltage reaches with an exponent alpha of 1")
    log_target = np.log(np.maximum(target, np.finfo(float).tiny))
    # y = ln(V - Vth); F(y) = alpha y - ln(Vth + exp y) - ln(target) rises with slope between alpha - 1 and
    # alpha. F is concave in y; from a start below the root every Newton step stays below it and climbs.
    y = np.minimum(log_target + np.log(vth + np.finfo(float).tiny), log_target)
    y = np.where(alpha > 1.0, np.minimum(y / alpha, 0.0), y)
    for _ in range(200):
        excess = np.exp(y)
        value = alpha * y - np.log(vth + excess) - log_target
        slope = alpha - excess / (vth + excess)
        step = np.clip(-value / slope, -5.0, 5.0)
        y = y + step
        if np.all(np.abs(step) < 1e-14 * np.maximum(np.abs(y), 1.0)):
            break
    voltage = np.where(target > 0.0, vth + np.exp(y), vth)
    return voltage[()]


def curve_frequency(voltage: Any, voltages: ArrayLike, frequencies: ArrayLike) -> Any:
    """Frequency in Hz at a voltage on a piecewise-linear curve; held at the ends.

    Parameters
    ----------
    voltage : float or array
        V.
    voltages, frequencies : sequences
        Points of the curve, V and Hz, both strictly rising.
    """
    v, f = curve_points(voltages, frequencies)
    return np.interp(voltage, v, f)


def curve_voltage(frequency: Any, voltages: ArrayLike, frequencies: ArrayLike) -> Any:
    """Voltage in V that a frequency needs on a piecewise-linear curve; held at the ends.

    Below the first point the voltage stays at its lowest (clocks are skipped there rather than the voltage
    lowered).
    """
    v, f = curve_points(voltages, frequencies)
    return np.interp(frequency, f, v)


def curve_points(voltages: ArrayLike, frequencies: ArrayLike) -> tuple[Array, Array]:
    """Check the points of a voltage-frequency curve and return them as arrays.

    Raises
    ------
    ValueError
        Fewer than two points, lists of different length, or values that do not rise strictly from above 0.
    """
    v, f = np.asarray(voltages, dtype=float), np.asarray(frequencies, dtype=float)
    if v.ndim != 1 or v.shape != f.shape or v.size < 2:
        raise ValueError(
            f"voltages of shape {v.shape}, frequencies of shape {f.shape}; expected two lists of "
            "equal length, at least 2 points"
        )
    if not (v[0] > 0 and f[0] > 0 and np.all(np.diff(v) > 0) and np.all(np.diff(f) > 0)):
        raise ValueError(
            f"voltages {v.tolist()} V, frequencies {f.tolist()} Hz; expected both above 0 and rising"
        )
    return v, f


# -- leakage ---------------------------------------------------------------------------------------


def leakage_power(
    reference_power: Any,
    temperature: Any,
    reference_temperature: Any = 70.0,
    slope: Any = 0.018,
    voltage: Any = 1.0,
    reference_voltage: Any = 1.0,
    voltage_exponent: Any = 2.5,
) -> Any:
    """Leakage in W: exponential in temperature, a power of the voltage.

    Parameters
    ----------
    reference_power : float or array
        Leakage at the reference temperature and voltage, W.
    temperature, reference_temperature : float or array
        degC.
    slope : float or array
        Relative growth per kelvin, 1/K.  Published intervals for doubling spread from 10 K (0.069 1/K,
        junction leakage) to beyond 30 K (0.02 1/K, gate leakage included): a parameter to be measured, not
        a constant.
    voltage, reference_voltage : float or array
        V.
    voltage_exponent : float or array
        1 for a fixed leakage current; 2 to 4 where the current itself rises with voltage (drain-induced
        barrier lowering).

    Notes
    -----
    Exponential form: De Vogeleer et al., arXiv 1404.3381 (measured 20 to 85 degC); the voltage exponent is
    common practice, no source.
    """
    growth = np.minimum(np.multiply(slope, np.subtract(temperature, reference_temperature)), MAXIMUM_EXPONENT)
    return (
        reference_power * np.exp(growth) * np.power(np.divide(voltage, reference_voltage), voltage_exponent)
    )


def doubling_interval(slope: Any) -> Any:
    """Temperature rise in K that doubles a leakage growing by ``slope`` per kelvin: ``ln 2 / slope``."""
    return np.log(2.0) / np.asarray(slope, dtype=float)


def slope_from_doubling(interval: Any) -> Any:
    """Relative growth per kelvin (1/K) of a leakage that doubles every ``interval`` K."""
    return np.log(2.0) / np.asarray(interval, dtype=float)


def doubling_growth(rise: Any, interval: Any) -> Any:
    """Factor by which leakage grows over ``rise`` K when it doubles every ``interval`` K."""
    return np.exp2(np.divide(rise, interval))


def intrinsic_carrier_ratio(
    temperature: Any, reference_temperature: Any = 26.85, band_gap: Any = 1.12
) -> Any:
    """Intrinsic carrier density of silicon relative to that at the reference temperature.

    ``n_i ~ T^1.5 exp(-Eg / 2kT)`` with a fixed band gap in eV; the junction leakage of ideal diodes follows
    its square.  Source: Sze & Ng, Physics of Semiconductor Devices, 3rd ed. 2007, section 1.4.
    """
    t = np.add(temperature, ZERO_CELSIUS)
    t0 = np.add(reference_temperature, ZERO_CELSIUS)
    return (t / t0) ** 1.5 * np.exp(np.asarray(band_gap) / (2.0 * BOLTZMANN_EV) * (1.0 / t0 - 1.0 / t))


def intrinsic_doubling_interval(temperature: Any = 26.85, power: Any = 1.0, band_gap: Any = 1.12) -> Any:
    """Temperature rise in K from ``temperature`` that doubles ``n_i ** power`` of silicon.

    Power 2 stands for ideal junction leakage.  A check on quoted slopes: 9.2 K for n_i and 4.6 K for its
    square near 300 K; real chips leak with a much flatter slope because subthreshold and gate currents
    dominate.
    """
    t0, target, gap = np.broadcast_arrays(
        np.add(temperature, ZERO_CELSIUS),
        np.log(2.0) / np.asarray(power, dtype=float),
        np.asarray(band_gap, dtype=float),
    )
    t = t0 * 1.0
    for _ in range(60):
        value = 1.5 * np.log(t / t0) + gap / (2.0 * BOLTZMANN_EV) * (1.0 / t0 - 1.0 / t) - target
        step = value / (1.5 / t + gap / (2.0 * BOLTZMANN_EV) / t**2)
        t = t - step
        if np.all(np.abs(step) < 1e-12 * t):
            break
    return (t - t0)[()]


def leakage_loop_gain(resistance: Any, leakage: Any, slope: Any) -> Any:
    """Gain of the loop hotter -> more leakage -> hotter: ``R b P_leak`` (leakage at the temperature at hand).

    Below 1 the loop settles; towards 1 small changes grow without bound; at 1 the temperature runs away.
    """
    return np.multiply(resistance, slope) * np.asarray(leakage, dtype=float)


def steady_temperature_with_leakage(
    ambient: Any,
    resistance: Any,
    power: Any,
    leakage: Any,
    reference_temperature: Any = 70.0,
    slope: Any = 0.018,
) -> Any:
    """Steady junction temperature in degC with leakage on top of ``power``; ``inf`` where there is none.

    Solves ``T = Ta + R (P + P0 exp(b (T - T0)))`` in closed form with the principal branch of Lambert's W.

    Parameters
    ----------
    ambient, resistance : float or array
        degC and K/W from junction to ambient.
    power : float or array
        Heat that does not depend on temperature, W.
    leakage : float or array
        Leakage at the reference temperature, W.
    """
    from scipy.special import lambertw

    gain, start = _lambert_terms(ambient, resistance, power, leakage, reference_temperature, slope)
    argument = gain * np.exp(np.minimum(start, 600.0))
    settles = argument <= np.exp(-1.0)
    w = np.real(lambertw(-np.where(settles, argument, 0.0)))
    exponent = start - w
    temperature = np.asarray(reference_temperature) + exponent / np.asarray(slope)
    return np.where(settles, temperature, np.inf)[()]


def runaway_power(
    ambient: Any, resistance: Any, leakage: Any, reference_temperature: Any = 70.0, slope: Any = 0.018
) -> Any:
    """Largest temperature-independent heat in W that still has a steady state with this leakage.

    At that point the loop gain is exactly 1 (the line of heat removed touches the curve of heat produced).
    """
    gain = np.multiply(resistance, slope) * np.asarray(leakage, dtype=float)
    start = -1.0 - np.log(gain)
    temperature = np.asarray(reference_temperature) + start / np.asarray(slope)
    return (temperature - ambient) / np.asarray(resistance, dtype=float)


# -- whole chip ------------------------------------------------------------------------------------


def chip_power(
    activity: Any,
    frequency: Any,
    voltage: Any,
    temperature: Any,
    *,
    capacitance: Any,
    leakage: Any = 0.0,
    reference_temperature: Any = 70.0,
    slope: Any = 0.018,
    reference_voltage: Any = 1.0,
    voltage_exponent: Any = 2.5,
) -> Any:
    """Power of a chip in W: switching at a frequency and voltage, leakage at a temperature and voltage.

    Parameters as in :func:`dynamic_power` and :func:`leakage_power`; ``leakage`` is the leakage in W at the
    reference temperature and voltage.
    """
    return dynamic_power(activity, capacitance, voltage, frequency) + leakage_power(
        leakage, temperature, reference_temperature, slope, voltage, reference_voltage, voltage_exponent
    )


def frequency_at_power(
    power: Any,
    temperature: Any,
    *,
    voltages: ArrayLike,
    frequencies: ArrayLike,
    capacitance: Any,
    activity: Any = 1.0,
    voltage_offset: Any = 0.0,
    leakage: Any = 0.0,
    reference_temperature: Any = 70.0,
    slope: Any = 0.018,
    reference_voltage: Any = 1.0,
    voltage_exponent: Any = 2.5,
) -> Any:
    """Highest frequency in Hz at which the chip's power stays within a limit.

    Power rises strictly with frequency along the voltage-frequency curve, so the solution is unique; it is
    found by bisection of all elements at once, to 1e-12 of the highest frequency.  Below the lowest point
    of the curve the voltage is held and the mean frequency falls by skipping clocks; a limit below the
    leakage alone gives 0.

    Parameters
    ----------
    power, temperature : float or array
        Limit in W and silicon temperature in degC.
    voltages, frequencies : sequences
        Points of the voltage-frequency curve, V and Hz.
    voltage_offset : float or array
        Added to the curve's voltage, V (negative = undervolted).
    capacitance, activity, leakage, reference_temperature, slope, reference_voltage, voltage_exponent
        As in :func:`chip_power`.
    """
    v, f = curve_points(voltages, frequencies)
    if np.any(v[0] + np.asarray(voltage_offset, dtype=float) <= 0):
        raise ValueError(
            f"voltage_offset {voltage_offset!r} V; expected above -{v[0]:g} V, the curve's lowest voltage"
        )

    def excess(frequency: Any) -> Any:
        total = chip_power(
            activity,
            frequency,
            np.interp(frequency, f, v) + voltage_offset,
            temperature,
            capacitance=capacitance,
            leakage=leakage,
            reference_temperature=reference_temperature,
            slope=slope,
            reference_voltage=reference_voltage,
            voltage_exponent=voltage_exponent,
        )
        return total - power

    shape = np.shape(excess(f[0]))
    low, high = np.zeros(shape), np.full(shape, f[-1])
    none, all_of_it = excess(low) >= 0.0, excess(high) <= 0.0
    for _ in range(42):
        middle = 0.5 * (low + high)
        over = excess(middle) > 0.0
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return np.where(none, 0.0, np.where(all_of_it, f[-1], 0.5 * (low + high)))[()]


# -- performance -----------------------------------------------------------------------------------


def relative_performance(frequency: Any, reference_frequency: Any, memory_share: Any = 0.0) -> Any:
    """Work per second relative to that at the reference frequency.

    Parameters
    ----------
    frequency, reference_frequency : float or array
        Hz.
    memory_share : float or array
        Share of the run time at the reference frequency spent waiting for memory, which no clock shortens
        (0 to 1).

    Notes
    -----
    Source: run time = (1 - m) f0 / f + m; Amdahl, AFIPS Conf. Proc. 30 (1967) 483, with memory as the part
    that does not speed up.
    """
    ratio = np.divide(frequency, reference_frequency)
    share = np.asarray(memory_share, dtype=float)
    return ratio / (1.0 - share + share * ratio)


def frequency_for_performance(performance: Any, reference_frequency: Any, memory_share: Any = 0.0) -> Any:
    """Frequency in Hz needed for a relative performance; ``inf`` where memory forbids it."""
    p, share = np.asarray(performance, dtype=float), np.asarray(memory_share, dtype=float)
    left = 1.0 - share * p
    ratio = np.where(left > 0.0, p * (1.0 - share) / np.where(left > 0.0, left, 1.0), np.inf)
    return (reference_frequency * ratio)[()]


def _check_alpha(reference_voltage: Any, threshold: Any, exponent: Any) -> None:
    if np.any(np.subtract(reference_voltage, threshold) <= 0):
        raise ValueError(
            f"reference voltage {reference_voltage!r} V; expected more than the threshold, {threshold!r} V"
        )
    if np.any(np.less(exponent, 1.0) | np.greater(exponent, 2.0)):
        raise ValueError(f"alpha {exponent!r}; expected 1 to 2")


def _lambert_terms(
    ambient: Any, resistance: Any, power: Any, leakage: Any, reference_temperature: Any, slope: Any
) -> tuple[Any, Any]:
    gain = np.multiply(resistance, slope) * np.asarray(leakage, dtype=float)
    start = np.asarray(slope) * (
        np.asarray(ambient) + np.multiply(resistance, power) - np.asarray(reference_temperature)
    )
    return gain, start
