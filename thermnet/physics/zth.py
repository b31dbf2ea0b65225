"""Thermal impedance: Foster and Cauer networks, conversion between them, and what the JESD51 family asks for.

A Foster network is a sum of first-order terms fitted to a heating curve; its inner nodes mean nothing.  A
Cauer network is a ladder from the junction to ambient with every capacity tied to ground; its inner nodes
can be joined to other parts.  Stages are given as one-dimensional lists, the Cauer ladder from the junction
outward; the last resistance ends at ambient.  Times are in s, impedances in K/W.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


# -- impedance of a network ------------------------------------------------------------------------


def foster_impedance(time: Any, resistances: ArrayLike, capacities: ArrayLike) -> Any:
    """Heating curve of a Foster network: ``Zth(t) = sum R_i (1 - exp(-t / R_i C_i))``, K/W.

    Parameters
    ----------
    time : float or array
        Time since the power step, s (0 or more).
    resistances, capacities : sequences of length n
        Stages, K/W and J/K.

    Returns
    -------
    float or array
        Shape of ``time``.
    """
    r, c = _stages(resistances, capacities)
    t = np.asarray(time, dtype=float)
    return np.sum(-r * np.expm1(-t[..., None] / (r * c)), axis=-1)


def cauer_impedance(time: Any, resistances: ArrayLike, capacities: ArrayLike) -> Any:
    """Heating curve of a Cauer ladder at its junction, K/W: exact, through its eigenvalues."""
    return foster_impedance(time, *cauer_to_foster(resistances, capacities))


def impedance_slope(time: Any, resistances: ArrayLike, capacities: ArrayLike) -> Any:
    """Slope of a Foster network's heating curve on a logarithmic time axis, ``dZth / d ln t``, K/W.

    Each stage contributes its resistance times :func:`logarithmic_kernel`: the curve is the time-constant
    spectrum smeared by that kernel.
    """
    r, c = _stages(resistances, capacities)
    z = np.log(np.asarray(time, dtype=float)[..., None] / (r * c))
    return np.sum(r * logarithmic_kernel(z), axis=-1)


def periodic_peak_impedance(resistances: ArrayLike, capacities: ArrayLike, on_time: Any, period: Any) -> Any:
    """Peak junction rise per watt, K/W, under rectangular pulses repeated for ever.

    ``sum R_i (1 - exp(-t_on / tau_i)) / (1 - exp(-period / tau_i))``: the geometric series of the superposed
    steps.  Equals the total resistance for continuous power.
    """
    r, c = _stages(resistances, capacities)
    tau = r * c
    on, whole = np.broadcast_arrays(np.asarray(on_time, dtype=float), np.asarray(period, dtype=float))
    if np.any(on <= 0) or np.any(on > whole):
        raise ValueError(f"on_time {on_time!r} s, period {period!r} s; expected 0 < on_time <= period")
    return np.sum(r * np.expm1(-on[..., None] / tau) / np.expm1(-whole[..., None] / tau), axis=-1)


def rise_under_power(
    time: Any, times: ArrayLike, watts: ArrayLike, resistances: ArrayLike, capacities: ArrayLike
) -> Any:
    """Junction rise in K at ``time`` under piecewise-constant power, by superposition of steps (exact).

    Parameters
    ----------
    time : float or array
        When to report, s.
    times, watts : sequences of equal length
        Start of each piece, s, and its power, W; the last holds for ever; no power before the first.
    resistances, capacities : sequences
        Foster stages, K/W and J/K.
    """
    starts, powers = np.asarray(times, dtype=float), np.asarray(watts, dtype=float)
    steps = np.diff(powers, prepend=0.0)
    since = np.maximum(np.asarray(time, dtype=float)[..., None] - starts, 0.0)
    return np.sum(steps * foster_impedance(since, resistances, capacities), axis=-1)


# -- conversion ------------------------------------------------------------------------------------


def foster_to_cauer(resistances: ArrayLike, capacities: ArrayLike) -> tuple[Array, Array]:
    """Convert Foster stages to the Cauer ladder with the same impedance, exactly.

    The impedance is written as a ratio of polynomials and expanded as a continued fraction in rational
    arithmetic, so the result is right to the last digit of a float whatever the spread of time constants.
    The cost grows steeply with the number of stages: 10 take 0.03 s, 20 about 2 s.

    Returns
    -------
    resistances, capacities : arrays
        Ladder from the junction outward, K/W and J/K.  Stages of equal time constant merge, so there may be
        fewer.

    Raises
    ------
    ValueError
        Lists of different length, or a value that is not finite and above 0.

    Notes
    -----
    Source: continued-fraction synthesis of RC one-ports, Cauer, Archiv fuer Elektrotechnik 17 (1926) 355;
    in every text on network synthesis.
    """
    stages = _merged(*_stages(resistances, capacities))
    numerator, denominator = _impedance_ratio(stages)
    ladder_r, ladder_c = [], []
    for _ in stages:
        capacity = denominator[-1] / numerator[-1]
        rest = [
            d - capacity * n for d, n in zip(denominator[:-1], [Fraction(0), *numerator[:-1]], strict=True)
        ]
        resistance = numerator[-1] / rest[-1]
        ladder_c.append(float(capacity))
        ladder_r.append(float(resistance))
        # One degree less each time round: what is left is the impedance of the rest of the ladder.
        numerator = [n - resistance * d for n, d in zip(numerator[:-1], rest[:-1], strict=True)]
        denominator = rest
    return np.array(ladder_r), np.array(ladder_c)


def cauer_to_foster(resistances: ArrayLike, capacities: ArrayLike) -> tuple[Array, Array]:
    """Convert a Cauer ladder (from the junction outward, K/W and J/K) to Foster stages, fastest first.

    The conductance matrix of the ladder factors as ``B^T B`` with a bidiagonal B; its singular values give
    the rates and its right singular vectors the weight of each at the junction.  Working with B rather than
    with the matrix itself keeps the slow stages accurate when time constants spread over many decades.
    """
    r, c = _stages(resistances, capacities)
    size = len(r)
    # Heat through resistance i is (T_i - T_(i+1)) / R_i; scaled by sqrt(R) on the left and by sqrt(C) on
    # the right.
    b = np.zeros((size, size))
    index = np.arange(size)
    b[index, index] = 1.0 / np.sqrt(r * c)
    b[index[:-1], index[1:]] = -1.0 / np.sqrt(r[:-1] * c[1:])
    _, singular, vectors = np.linalg.svd(b)
    weight = vectors[:, 0] ** 2 / c[0]
    seen = weight > np.finfo(float).tiny  # a stage that the junction does not feel has no place in the sum
    return weight[seen] / singular[seen] ** 2, 1.0 / weight[seen]


def structure_function(resistances: ArrayLike, capacities: ArrayLike) -> tuple[Array, Array]:
    """Cumulative structure function of a Cauer ladder: resistance and capacity passed from the junction on.

    Returns
    -------
    resistance, capacity : arrays of length n + 1
        Running sums, K/W and J/K, starting at (0, 0) at the junction; the last resistance is that to ambient.
    """
    r, c = _stages(resistances, capacities)
    return np.concatenate([[0.0], np.cumsum(r)]), np.concatenate([[0.0], np.cumsum(c)])


# -- the kernel of the time-constant spectrum ------------------------------------------------------


def logarithmic_kernel(z: Any) -> Any:
    """Slope of ``1 - exp(-t/tau)`` over ``z = ln(t/tau)``: ``exp(z - exp z)``.

    Its area is 1, its peak 1/e at t = tau, its full width at half height 2.446 in ln t (1.06 decades):
    without deconvolution, time constants closer than a decade cannot be told apart in one heating curve.
    Source: Szekely & Van Bien, Solid-State Electronics 31 (1988) 1363.
    """
    z = np.asarray(z, dtype=float)
    return np.exp(z - np.exp(np.minimum(z, 700.0)))


def kernel_width(fraction: Any = 0.5) -> Any:
    """Full width of :func:`logarithmic_kernel`, in ln t, at ``fraction`` of its peak (between 0 and 1)."""
    from scipy.special import lambertw

    f = np.asarray(fraction, dtype=float)
    if np.any((f <= 0) | (f >= 1)):
        raise ValueError(f"fraction {fraction!r}; expected between 0 and 1")
    # u = exp(z) solves u exp(-u) = f / e: the two real branches of Lambert's W.
    right, left = -np.real(lambertw(-f / np.e, -1)), -np.real(lambertw(-f / np.e, 0))
    return np.log(right / left)


# -- early time, package metrics -------------------------------------------------------------------


def half_space_step_rise(flux: Any, time: Any, conductivity: Any, density: Any, specific_heat: Any) -> Any:
    """Surface rise in K of a half space under a step of uniform flux: ``2 q sqrt(t / (pi k rho c))``.

    Holds on a die for times short against thickness^2 / diffusivity (a few ms in 0.8 mm of silicon).

    Parameters
    ----------
    flux : float or array
        W/m^2.
    time : float or array
        s.
    conductivity, density, specific_heat : float or array
        W/(m K), kg/m^3, J/(kg K).

    Notes
    -----
    Source: Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, section 2.9.
    """
    effusivity_squared = np.multiply(conductivity, density) * np.asarray(specific_heat, dtype=float)
    return 2.0 * np.asarray(flux) * np.sqrt(np.asarray(time, dtype=float) / (np.pi * effusivity_squared))


def junction_at_switching(times: ArrayLike, temperatures: ArrayLike) -> tuple[float, float]:
    """Extrapolate a cooling or heating record to the instant of switching with the square root of time.

    A straight line in sqrt(t) is fitted to the early readings (those where electrical disturbance has died
    down and the heat has not yet reached the back of the die).

    Returns
    -------
    temperature, slope : float
        degC at time 0, and K per square root of second.

    Notes
    -----
    Source: the half-space solution above; its use for the cut-off early readings is described in JEDEC
    JESD51-14 (2010), from memory, unverified.
    """
    t, value = np.asarray(times, dtype=float), np.asarray(temperatures, dtype=float)
    if t.ndim != 1 or t.shape != value.shape or t.size < 2 or np.any(t < 0):
        raise ValueError(
            f"{t.size} times, {value.size} temperatures; expected two lists of at least 2, times from 0 s on"
        )
    slope, at_zero = np.polyfit(np.sqrt(t), value, 1)
    return float(at_zero), float(slope)


def junction_from_top(top_temperature: Any, psi_jt: Any, power: Any) -> Any:
    """Junction temperature in degC from the package-top reading: ``T_top + psi_JT P``.

    psi_JT belongs to the power's natural split between top and board and must not be swapped with theta_JC
    (all heat through the top): the two differ by tens of K/W.  Source: JEDEC JESD51-2A and JESD51-12, from
    memory, unverified.
    """
    return np.asarray(top_temperature) + np.multiply(psi_jt, power)


def separation_resistance(first: ArrayLike, second: ArrayLike, threshold: float) -> float:
    """Zth in K/W at which two heating curves, one with a dry and one with a wetted case, part.

    Up to there the heat has met the same path in both, so the value is read as the resistance from junction
    to case.

    Parameters
    ----------
    first, second : sequences of equal length
        Zth at the same times, K/W.
    threshold : float
        Difference that counts as parted, K/W; should exceed the noise of the two records.

    Returns
    -------
    float
        The lower curve's Zth at the parting, linearly interpolated; nan if the curves never part.

    Notes
    -----
    Source: transient dual interface method of JEDEC JESD51-14 (2010), from memory, unverified; the standard
    evaluates the slopes of the curves and corrects for the threshold, which this does not.
    """
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if a.ndim != 1 or a.shape != b.shape:
        raise ValueError(f"curves of {a.shape} and {b.shape}; expected two lists of equal length")
    if not threshold > 0:
        raise ValueError(f"threshold {threshold!r} K/W; expected above 0")
    difference = np.abs(a - b)
    parted = np.flatnonzero(difference >= threshold)
    lower = np.minimum(a, b)
    if parted.size == 0:
        return float("nan")
    i = int(parted[0])
    if i == 0:
        return float(lower[0])
    share = (threshold - difference[i - 1]) / (difference[i] - difference[i - 1])
    return float(lower[i - 1] + share * (lower[i] - lower[i - 1]))


# -- inside ----------------------------------------------------------------------------------------


def _stages(resistances: ArrayLike, capacities: ArrayLike) -> tuple[Array, Array]:
    r, c = np.asarray(resistances, dtype=float), np.asarray(capacities, dtype=float)
    if r.ndim != 1 or r.shape != c.shape or r.size == 0:
        raise ValueError(
            f"resistances of shape {r.shape}, capacities of shape {c.shape}; expected lists of equal length"
        )
    if not (np.all(np.isfinite(r) & (r > 0)) and np.all(np.isfinite(c) & (c > 0))):
        raise ValueError(
            f"resistances {r.tolist()} K/W, capacities {c.tolist()} J/K; expected finite values above 0"
        )
    return r, c


def _merged(resistances: Array, capacities: Array) -> list[tuple[Fraction, Fraction]]:
    """Stages as (1/C, rate) with equal rates merged, exact."""
    rates: dict[Fraction, Fraction] = {}
    for r, c in zip(resistances, capacities, strict=True):
        capacity = Fraction(float(c))
        rate = 1 / (Fraction(float(r)) * capacity)
        rates[rate] = rates.get(rate, Fraction(0)) + 1 / capacity
    return [(strength, rate) for rate, strength in rates.items()]


def _impedance_ratio(stages: Sequence[tuple[Fraction, Fraction]]) -> tuple[list[Fraction], list[Fraction]]:
    """Numerator and denominator of sum strength/(s + rate), coefficients from the lowest power."""
    numerator, denominator = [Fraction(0)], [Fraction(1)]
    for strength, rate in stages:
        numerator = _add(_times_factor(numerator, rate), [strength * d for d in denominator])
        denominator = _times_factor(denominator, rate)
    return numerator[: len(denominator) - 1], denominator


def _times_factor(polynomial: list[Fraction], rate: Fraction) -> list[Fraction]:
    """Polynomial times (s + rate)."""
    return _add([Fraction(0), *polynomial], [rate * p for p in polynomial])


def _add(a: list[Fraction], b: list[Fraction]) -> list[Fraction]:
    size = max(len(a), len(b))
    zero = Fraction(0)
    return [x + y for x, y in zip(a + [zero] * (size - len(a)), b + [zero] * (size - len(b)), strict=True)]
