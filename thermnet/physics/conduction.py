"""Conduction: lumped bodies, layers and shells, half spaces, slabs, thin decks.

SI units; temperatures in degC wherever only differences matter.  All functions broadcast over arrays.

Sources
-------
- H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed. 1959.
- F. P. Incropera et al., Fundamentals of Heat and Mass Transfer, 6th ed. 2007, ch. 3 and 5.
- A. Bejan, A. D. Kraus (eds.), Heat Transfer Handbook, Wiley 2003, ch. 3.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np


class TwoBodies(NamedTuple):
    """A value for the first (or slow) and the second (or fast) of two."""

    first: Any
    second: Any


# -- resistances ---------------------------------------------------------------------------------------------


def layer_resistance(thickness: Any, conductivity: Any, area: Any) -> Any:
    """Resistance of a flat layer, t/(k A), K/W."""
    return np.asarray(thickness) / (np.asarray(conductivity) * area)


def cylinder_shell_resistance(inner_radius: Any, outer_radius: Any, length: Any, conductivity: Any) -> Any:
    """Resistance of a tube wall, ln(r2/r1)/(2 pi k L), K/W."""
    return np.log(np.asarray(outer_radius) / inner_radius) / (2.0 * np.pi * np.asarray(conductivity) * length)


def sphere_shell_resistance(inner_radius: Any, outer_radius: Any, conductivity: Any) -> Any:
    """Resistance of a hollow sphere's wall, (1/r1 - 1/r2)/(4 pi k), K/W; ``outer_radius`` may be ``inf``."""
    inner, outer = np.asarray(inner_radius, dtype=float), np.asarray(outer_radius, dtype=float)
    return (1.0 / inner - 1.0 / outer) / (4.0 * np.pi * np.asarray(conductivity))


# -- lumped bodies -------------------------------------------------------------------------------------------


def lumped_time_constant(
    volume: Any, area: Any, density: Any, specific_heat: Any, film_coefficient: Any
) -> Any:
    """Time constant of a body at one temperature, rho c V/(h A), s.

    Holds while h (V/A)/k, the Biot number, is below about 0.1.  Source: Incropera et al. 2007 sec. 5.1.
    """
    return np.asarray(density) * specific_heat * volume / (np.asarray(film_coefficient) * area)


def lumped_temperature(time: Any, initial: Any, final: Any, time_constant: Any) -> Any:
    """Temperature of a first-order body on its way from ``initial`` to ``final``."""
    return final + (np.asarray(initial) - final) * np.exp(-np.asarray(time) / time_constant)


def lumped_time_to(temperature: Any, initial: Any, final: Any, time_constant: Any) -> Any:
    """Time in s for a first-order body to reach a temperature; nan where it never does."""
    target, start, end = (np.asarray(v, dtype=float) for v in (temperature, initial, final))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (start - end) / (target - end)
        result = np.where(ratio >= 1.0, time_constant * np.log(np.where(ratio > 0, ratio, 1.0)), np.nan)
        result = np.where(target == start, 0.0, result)
        result = np.where(np.isfinite(result), result, np.nan)
    return float(result) if result.ndim == 0 else result


def natural_cooling(
    time: Any, film_coefficient: Any, area: Any, heat_capacity: Any, exponent: Any = 0.25
) -> Any:
    """Excess temperature, relative to the start, of a body whose film coefficient falls as excess^exponent.

    ``film_coefficient`` in W/(m^2 K) is that at the start.  Source: Heat Transfer Handbook 2003 eq. (3.286).
    """
    n = np.asarray(exponent, dtype=float)
    elapsed = np.asarray(film_coefficient) * area * time / heat_capacity
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(n > 0.0, (1.0 + n * elapsed) ** (-1.0 / np.where(n > 0, n, 1.0)), np.exp(-elapsed))


def two_bodies_equalising(
    time: Any, capacity_1: Any, capacity_2: Any, conductance: Any, initial_1: Any, initial_2: Any
) -> TwoBodies:
    """Temperatures of two insulated bodies (J/K) joined by a conductance (W/K) after a time.

    Source: Heat Transfer Handbook 2003 eq. (3.287) and (3.288), the latter with the sign the heat balance
    needs (the text prints T1(0) + T2(0) for the difference).
    """
    c1, c2 = np.asarray(capacity_1, dtype=float), np.asarray(capacity_2, dtype=float)
    gone = -np.expm1(-np.asarray(conductance) * (1.0 / c1 + 1.0 / c2) * time)
    moved = (np.asarray(initial_1) - initial_2) * gone * c1 * c2 / (c1 + c2)
    return TwoBodies(initial_1 - moved / c1, initial_2 + moved / c2)


def two_node_time_constants(capacity_1: Any, capacity_2: Any, between: Any, to_ambient: Any) -> TwoBodies:
    """Slow and fast time constant (s) of node 1 joined to node 2 and node 2 to ambient (K/W each).

    Roots of the characteristic polynomial of the 2x2 system; any circuits text.
    """
    c1, c2, r12, r2a = (np.asarray(v, dtype=float) for v in (capacity_1, capacity_2, between, to_ambient))
    total = c1 * (r12 + r2a) + c2 * r2a
    product = c1 * c2 * r12 * r2a
    slow = 0.5 * (total + np.sqrt(total**2 - 4.0 * product))
    return TwoBodies(slow, product / slow)


def two_node_step(
    time: Any, power: Any, capacity_1: Any, capacity_2: Any, between: Any, to_ambient: Any
) -> TwoBodies:
    """Rise of both nodes (K) a time after a power step (W) into node 1; node 2 leads to ambient.

    Closed form with the two time constants of :func:`two_node_time_constants`.
    """
    c1, c2, r12, r2a = (np.asarray(v, dtype=float) for v in (capacity_1, capacity_2, between, to_ambient))
    slow, fast = two_node_time_constants(c1, c2, r12, r2a)
    # Excess over steady decays as a sum of two modes; start: both nodes at zero rise, first slope P/C1 and 0.
    end_1, end_2 = power * (r12 + r2a), power * r2a
    t = np.asarray(time, dtype=float)
    results = []
    for end, slope in ((end_1, power / c1), (end_2, 0.0)):
        of_slow = (slope - end / fast) / (1.0 / fast - 1.0 / slow)
        of_fast = -end - of_slow
        results.append(end + of_slow * np.exp(-t / slow) + of_fast * np.exp(-t / fast))
    return TwoBodies(*results)


# -- half space ----------------------------------------------------------------------------------------------


def half_space_surface_step(depth: Any, time: Any, diffusivity: Any) -> Any:
    """Share of a sudden surface temperature change felt at a depth after a time, erfc(x/(2 sqrt(alpha t))).

    Source: Incropera et al. 2007 eq. 5.57; Carslaw & Jaeger 1959 sec. 2.4.
    """
    from scipy.special import erfc

    return erfc(np.asarray(depth) / (2.0 * np.sqrt(np.asarray(diffusivity, dtype=float) * time)))


def half_space_depth_of(share: Any, time: Any, diffusivity: Any) -> Any:
    """Depth in m at which that share of a sudden surface temperature change is felt after a time."""
    from scipy.special import erfcinv

    return erfcinv(share) * 2.0 * np.sqrt(np.asarray(diffusivity, dtype=float) * time)


def half_space_flux_step(depth: Any, time: Any, flux: Any, conductivity: Any, diffusivity: Any) -> Any:
    """Rise in K at a depth of a half space (m) a time (s) after a constant flux (W/m^2) begins.

    At the surface 2 q sqrt(t/(pi k rho c)).  Source: Incropera et al. 2007 eq. 5.59.
    """
    from scipy.special import erfc

    x = np.asarray(depth, dtype=float)
    spread = 2.0 * np.sqrt(np.asarray(diffusivity, dtype=float) * time)
    u = x / spread
    return flux / np.asarray(conductivity) * (spread / np.sqrt(np.pi) * np.exp(-u * u) - x * erfc(u))


def half_space_film_step(
    depth: Any, time: Any, film_coefficient: Any, conductivity: Any, diffusivity: Any
) -> Any:
    """Share of a sudden fluid temperature change felt at a depth through a surface film.

    Source: Incropera et al. 2007 eq. 5.60; the product of exponential and erfc is taken as erfcx so that it
    does not overflow at long times.
    """
    from scipy.special import erfc, erfcx

    spread = np.sqrt(np.asarray(diffusivity, dtype=float) * time)
    u = np.asarray(depth) / (2.0 * spread)
    v = np.asarray(film_coefficient) * spread / conductivity
    return erfc(u) - np.exp(-u * u) * erfcx(u + v)


# -- slab ----------------------------------------------------------------------------------------------------


def slab_step(fourier: Any) -> Any:
    """Rise of a slab's heated face over its steady rise; flux step there, the other face isothermal.

    Parameters
    ----------
    fourier : float or array
        alpha t/L^2.

    Source: Carslaw & Jaeger 1959 sec. 3.8: mirror images of the half space below Fo = 0.4, exponential series
    above, both exact to rounding.
    """
    from scipy.special import erfc

    fo = np.asarray(fourier, dtype=float)
    if np.any(fo < 0.0):
        raise ValueError(f"Fourier number {float(np.min(fo)):g}; expected 0 or more")
    root = np.sqrt(np.minimum(fo, 0.4))
    short = 2.0 * root / np.sqrt(np.pi)
    for n in (1, 2, 3):
        u = n / np.maximum(root, 1e-150)
        short = short + 4.0 * (-1.0) ** n * (root / np.sqrt(np.pi) * np.exp(-u * u) - n * erfc(u))
    odd = np.arange(1, 20, 2)
    decay = np.exp(-((0.5 * np.pi * odd) ** 2) * np.maximum(fo, 0.4)[..., None])
    long = 1.0 - 8.0 / np.pi**2 * np.sum(decay / odd**2, axis=-1)
    result = np.where(fo < 0.4, short, long)
    return float(result) if result.ndim == 0 else result


# -- thin decks that lose heat on the way (without loss: thermnet.physics.deck) ------------------------------


def deck_spreading_length(conductivity: Any, thickness: Any, film_coefficient: Any) -> Any:
    """Distance over which heat in a thin deck is lost to its surroundings, sqrt(k t/h), m.

    ``film_coefficient`` adds up both sides.  An excess temperature falls by a factor of e over this length
    (straight deck).  Source: fin theory, Incropera et al. 2007 sec. 3.6.
    """
    return np.sqrt(np.asarray(conductivity, dtype=float) * thickness / film_coefficient)


def deck_resistance(
    source_radius: Any, conductivity: Any, thickness: Any, film_coefficient: Any, deck_radius: Any = np.inf
) -> Any:
    """Resistance from a disc-shaped hot zone of a thin deck to the surroundings, K/W.

    The zone is at one temperature; it and the deck around it, out to ``deck_radius`` (m, insulated rim), lose
    heat through ``film_coefficient`` (both sides added, W/(m^2 K)).
    Source: annular fin with modified Bessel functions, Carslaw & Jaeger 1959 sec. 7.1; Incropera et al. 2007
    sec. 3.6.4.
    """
    from scipy.special import i0e, i1e, k0e, k1e

    k, t, h = (np.asarray(v, dtype=float) for v in (conductivity, thickness, film_coefficient))
    a, b = np.asarray(source_radius, dtype=float), np.asarray(deck_radius, dtype=float)
    if np.any(b < a):
        raise ValueError(f"deck radius {deck_radius!r} m; expected at least the zone's {source_radius!r} m")
    length = deck_spreading_length(k, t, h)
    x, y = a / length, b / length
    far = np.minimum(y, x + 300.0)  # beyond that the rim is out of sight
    # Scaled Bessel functions: i0e = exp(-x) I0, k0e = exp(x) K0; the rim's term carries exp(2x - 2y).
    rim = k1e(far) / i1e(far) * np.exp(2.0 * (x - far))
    slope = (k1e(x) - rim * i1e(x)) / (k0e(x) + rim * i0e(x))
    ring = 2.0 * np.pi * k * t * x * slope
    return 1.0 / (ring + h * np.pi * a**2)
