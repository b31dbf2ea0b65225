"""Joints between two faces: bond line, area resistance, contact conductance, filled materials, pads, ageing.

Area resistances in K m^2/W (times 1e6: K mm^2/W), conductances in W/(m^2 K), lengths in m, pressures in Pa.
All functions broadcast over arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from thermnet.materials.interface_materials import PASTE_CONSTANT, PASTE_EXPONENT
from thermnet.physics.radiation import exchange_factor_plates, linearised_coefficient

LORENZ_NUMBER = 2.443e-8
"""W Ohm/K^2, of free electrons (Sommerfeld value pi^2/3 (k_B/e)^2)."""


def area_resistance(bond_line: Any, conductivity: Any, contact_resistance: Any = 0.0) -> Any:
    """Area resistance of a filled joint: bond line over conductivity, plus both contacts together."""
    return np.asarray(bond_line) / conductivity + contact_resistance


def joint_pressure(force: Any, area: Any) -> Any:
    """Mean pressure in Pa of a force in N over an area in m^2."""
    return np.asarray(force) / area


def paste_bond_line(
    yield_stress: Any,
    pressure: Any,
    filler_limit: Any = 0.0,
    as_applied: Any = np.inf,
    constant: Any = PASTE_CONSTANT,
    exponent: Any = PASTE_EXPONENT,
) -> Any:
    """Bond line of a paste that has flowed until its yield stress holds the load, m.

    c (yield stress/pressure)^m, not below ``filler_limit`` nor above ``as_applied``.  Doubling the pressure
    thins the joint by only 11 %.  The law was fitted at 30 kPa to 1 MPa.

    Source: R. Prasher et al., IMECE2002-32118; constant and exponent as quoted in Proc. IEEE 94 (2006) 1571
    (from memory).
    """
    pressure = np.asarray(pressure, dtype=float)
    if np.any(pressure < 0.0):
        raise ValueError(f"pressure {float(np.min(pressure)):g} Pa; expected 0 or more")
    with np.errstate(divide="ignore"):
        flowed = constant * (np.asarray(yield_stress) / pressure) ** exponent
    return np.clip(flowed, filler_limit, as_applied)


def harmonic_conductivity(conductivity_1: Any, conductivity_2: Any) -> Any:
    """Harmonic mean 2 k1 k2/(k1 + k2) of the two sides of a contact, W/(m K)."""
    k1, k2 = np.asarray(conductivity_1, dtype=float), np.asarray(conductivity_2, dtype=float)
    return 2.0 * k1 * k2 / (k1 + k2)


def contact_conductance(
    conductivity: Any, roughness: Any, slope: Any, pressure: Any, hardness: Any, exponent: Any = 0.95
) -> Any:
    """Conductance of conforming rough metal faces touching in vacuum, W/(m^2 K).

    Parameters
    ----------
    conductivity : float or array
        Harmonic mean of both sides, W/(m K).
    roughness, slope : float or array
        Combined rms roughness in m and mean absolute slope of the asperities.
    pressure, hardness : float or array
        Pa; the hardness is that of the softer side's surface layer.

    Source: Cooper, Mikic, Yovanovich, Int. J. Heat Mass Transfer 12 (1969) 279; 1.25 and 0.95 after
    Yovanovich 1982.  Real machined joints can be several times worse than the formula with handbook
    roughness.
    """
    return 1.25 * np.asarray(conductivity) * slope / roughness * (np.asarray(pressure) / hardness) ** exponent


def dry_area_resistance(
    spot_resistance: Any, reference_pressure: Any, pressure: Any, gap: Any, gas_conductivity: Any
) -> Any:
    """Area resistance of a joint without filler: touching spots beside the gas in the gap, K m^2/W.

    The spots' conductance grows as pressure^0.95 from its value at the reference pressure.
    Source: Cooper, Mikic, Yovanovich 1969 for the exponent; parallel gap conductance: any heat-transfer text.
    """
    spots = (np.asarray(pressure) / reference_pressure) ** 0.95 / spot_resistance
    return 1.0 / (spots + np.asarray(gas_conductivity) / gap)


def equivalent_thickness(conductivity: Any, conductance: Any) -> Any:
    """Thickness of solid that resists as much as a contact: k/h, m."""
    return np.asarray(conductivity) / conductance


# -- filled materials ----------------------------------------------------------------------------------------


def maxwell_conductivity(matrix: Any, filler: Any, fraction: Any) -> Any:
    """Conductivity of spheres sparse in a matrix, W/(m K); good below about 30 % by volume.

    ``filler`` may be ``inf``.  Source: J. C. Maxwell, A Treatise on Electricity and Magnetism, 1873.
    """
    matrix, filler, fraction = (np.asarray(v, dtype=float) for v in (matrix, filler, fraction))
    with np.errstate(divide="ignore"):
        contrast = matrix / filler
    beta = (1.0 - contrast) / (1.0 + 2.0 * contrast)
    return matrix * (1.0 + 2.0 * fraction * beta) / (1.0 - fraction * beta)


def bruggeman_conductivity(matrix: Any, filler: Any, fraction: Any) -> Any:
    """Conductivity of spheres of many sizes in a matrix (differential medium), W/(m K).

    Root k of 1 - f = (kp - k)/(kp - km) (km/k)^(1/3), by bisection of ln k.  Source: D. A. G. Bruggeman, Ann.
    Phys. 416 (1935) 636.
    """
    km, kp, f = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (matrix, filler, fraction)))
    if np.any((f < 0.0) | (f > 1.0)):
        raise ValueError(f"filler fraction {fraction!r}; expected 0 to 1")
    same = np.isclose(km, kp, rtol=1e-12)
    span = np.where(same, 1.0, kp - km)
    low, high = np.zeros(km.shape), np.ones(km.shape)
    for _ in range(60):
        middle = 0.5 * (low + high)
        k = km * (kp / km) ** middle
        # The right-hand side falls from 1 at k = km to 0 at k = kp.
        above = (kp - k) / span * np.cbrt(km / k) > 1.0 - f
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    result = np.where(same, km, km * (kp / km) ** (0.5 * (low + high)))
    return float(result) if result.ndim == 0 else result


def wiedemann_franz_conductivity(electrical_conductivity: Any, temperature: Any) -> Any:
    """Conductivity of a metal from its electrical conductivity in S/m at a temperature in degC, W/(m K).

    Source: Wiedemann-Franz law with the Sommerfeld Lorenz number.
    """
    return LORENZ_NUMBER * np.asarray(electrical_conductivity) * (np.asarray(temperature) + 273.15)


def expansion_on_freezing(liquid_density: Any, solid_density: Any) -> Any:
    """Relative growth of volume as a liquid freezes (positive: it swells, as gallium and water do)."""
    return np.asarray(liquid_density) / solid_density - 1.0


# -- pads, wetting, ageing -----------------------------------------------------------------------------------


def pad_strain(pressure: Any, pressures: ArrayLike, strains: ArrayLike) -> Any:
    """Strain of a pad from its compression curve, linear between the points and constant beyond the last.

    Raises
    ------
    ValueError
        The curve is not rising, or a strain is not within 0 to 1.
    """
    p, e = np.asarray(pressures, dtype=float), np.asarray(strains, dtype=float)
    if p.size < 2 or p.shape != e.shape or np.any(np.diff(p) <= 0) or np.any(np.diff(e) < 0):
        raise ValueError("compression curve: expected two or more points with rising pressure and strain")
    if e[0] < 0.0 or e[-1] >= 1.0:
        raise ValueError(f"compression curve: strains {e[0]:g} to {e[-1]:g}; expected 0 or more and below 1")
    result = np.interp(pressure, p, e)
    return float(result) if np.ndim(result) == 0 else result


def pad_pressure(strain: Any, pressures: ArrayLike, strains: ArrayLike) -> Any:
    """Pressure in Pa that gives a strain, by the same curve read the other way (strains strictly rising)."""
    e = np.asarray(strains, dtype=float)
    if np.any(np.diff(e) <= 0.0):
        raise ValueError("compression curve: strains must rise strictly to be read backwards")
    result = np.interp(strain, e, np.asarray(pressures, dtype=float))
    return float(result) if np.ndim(result) == 0 else result


def wetted_fraction(peak_temperature: Any, start: Any, end: Any) -> Any:
    """Share (0 to 1) of a phase-change joint that has wetted once it has seen a peak temperature in degC.

    Smooth step between ``start`` and ``end``; common practice, no source.  What has wetted stays wetted.
    """
    x = np.clip((np.asarray(peak_temperature, dtype=float) - start) / (np.asarray(end) - start), 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def partly_wetted_area_resistance(fraction: Any, before: Any, after: Any) -> Any:
    """Area resistance of a joint of which ``fraction`` has wetted: both parts side by side, K m^2/W."""
    share = np.asarray(fraction, dtype=float)
    return 1.0 / ((1.0 - share) / before + share / after)


def ageing_factor(cycles: Any, end_of_life_factor: Any, cycles_to_most: Any) -> Any:
    """Area resistance over that of a new joint after power cycles: 1 + (f - 1)(1 - exp(-n/n0)).

    ``cycles_to_most`` is n0, the cycles after which 63 % of the change has come; the factor never passes
    ``end_of_life_factor``.  A plain saturating form; common practice, no source: real pump-out depends on
    bow, temperature swing and material, so fit n0 to your own cycling data.
    """
    return 1.0 - (np.asarray(end_of_life_factor) - 1.0) * np.expm1(-np.asarray(cycles) / cycles_to_most)


def air_gap_conductance(
    gap: Any, gas_conductivity: Any, emissivity_1: Any, emissivity_2: Any, temperature: Any
) -> Any:
    """Conductance across a thin air gap: still-air conduction plus radiation about a temperature, W/(m^2 K).

    Parallel grey plates, linearised about ``temperature`` (degC): 4 sigma T^3/(1/e1 + 1/e2 - 1).  Holds while
    the air stays still, which it does below about 8 mm.  Source: any heat-transfer text.
    """
    exchange = exchange_factor_plates(np.asarray(emissivity_1, dtype=float), emissivity_2)
    return np.asarray(gas_conductivity) / gap + linearised_coefficient(temperature, exchange)
