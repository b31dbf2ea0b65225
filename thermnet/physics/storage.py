"""Heat storage by melting: enthalpy of a lump, and exact melting of a half space to check against.

Functions are pure and broadcast over arrays.  Temperatures are in degC, enthalpies in J/kg (0 for solid at
the melting temperature), times in s, lengths in m.
"""

from __future__ import annotations

from typing import Any

import numpy as np

# -- enthalpy ----------------------------------------------------------------------------------------------


def temperature_from_enthalpy(
    enthalpy: Any, melting_temperature: Any, latent_heat: Any, solid_heat: Any, liquid_heat: Any
) -> Any:
    """Temperature in degC of a lump that melts at one temperature.

    Parameters
    ----------
    enthalpy : float or array
        J/kg above solid at the melting temperature.
    melting_temperature : float or array
        degC.
    latent_heat : float or array
        J/kg.
    solid_heat, liquid_heat : float or array
        Specific heats, J/(kg K).

    Notes
    -----
    Source: definition of the enthalpy method (Alexiades & Solomon, Mathematical Modeling of Melting and
    Freezing Processes, 1993).
    """
    enthalpy = np.asarray(enthalpy, dtype=float)
    below = np.minimum(enthalpy, 0.0) / solid_heat
    above = np.maximum(enthalpy - latent_heat, 0.0) / liquid_heat
    result = melting_temperature + below + above
    return result if np.ndim(result) else float(result)


def melt_fraction(enthalpy: Any, latent_heat: Any) -> Any:
    """Share molten, 0 to 1, of a lump of ``enthalpy`` J/kg above solid at the melting temperature."""
    result = np.clip(np.asarray(enthalpy, dtype=float) / latent_heat, 0.0, 1.0)
    return result if np.ndim(result) else float(result)


def enthalpy_from_temperature(
    temperature: Any,
    melting_temperature: Any,
    latent_heat: Any,
    solid_heat: Any,
    liquid_heat: Any,
    fraction: Any = 0.0,
) -> Any:
    """Enthalpy in J/kg above solid at the melting temperature.

    ``fraction`` (share molten) counts only exactly at the melting temperature; colder is solid, hotter
    liquid.
    """
    excess = np.asarray(temperature, dtype=float) - melting_temperature
    molten = np.where(excess > 0, 1.0, np.where(excess < 0, 0.0, fraction))
    result = (
        np.minimum(excess, 0.0) * solid_heat + molten * latent_heat + np.maximum(excess, 0.0) * liquid_heat
    )
    return result if np.ndim(result) else float(result)


def heat_between(
    start: Any, end: Any, melting_temperature: Any, latent_heat: Any, solid_heat: Any, liquid_heat: Any
) -> Any:
    """Heat in J/kg to bring the material from ``start`` to ``end`` degC, melting on the way."""
    material = (melting_temperature, latent_heat, solid_heat, liquid_heat)
    return enthalpy_from_temperature(end, *material) - enthalpy_from_temperature(start, *material)


# -- melting of a half space, exact ------------------------------------------------------------------------


def stefan_number(temperature_difference: Any, specific_heat: Any, latent_heat: Any) -> Any:
    """Sensible over latent heat: ``c dT / L``."""
    return specific_heat * temperature_difference / latent_heat


def stefan_root(stefan: Any) -> Any:
    """Root of ``x exp(x^2) erf(x) = Ste / sqrt(pi)``: the melt front is at ``2 x sqrt(alpha t)``.

    Parameters
    ----------
    stefan : float or array
        Stefan number of the liquid, above 0 (solid at the melting temperature from the start).

    Notes
    -----
    Source: Carslaw & Jaeger, Conduction of Heat in Solids, 1959, ch. XI; Alexiades & Solomon 1993.
    """
    return neumann_root(stefan, 0.0, 1.0)


def neumann_root(stefan_liquid: Any, stefan_solid: Any, diffusivity_ratio: Any = 1.0) -> Any:
    """Root of Neumann's two-phase problem: solid starts below the melting temperature.

    ``Ste_l / (exp(x^2) erf(x)) - Ste_s / (nu exp(nu^2 x^2) erfc(nu x)) = x sqrt(pi)``.

    Parameters
    ----------
    stefan_liquid : float or array
        ``c_l (T_wall - T_melt) / L``, above 0.
    stefan_solid : float or array
        ``c_s (T_melt - T_start) / L``, 0 or more.
    diffusivity_ratio : float or array
        ``nu = sqrt(alpha_l / alpha_s)``.

    Returns
    -------
    float or array
        ``x``; the melt front is at ``2 x sqrt(alpha_l t)``.

    Raises
    ------
    ValueError
        A Stefan number out of range.

    Notes
    -----
    Source: Alexiades & Solomon 1993, sec. 2.2; Carslaw & Jaeger 1959, ch. XI.  Solved by bisection to 1e-15.
    """
    from scipy.special import erf, erfcx

    liquid, solid, ratio = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (stefan_liquid, stefan_solid, diffusivity_ratio))
    )
    if not (np.all(liquid > 0) and np.all(solid >= 0) and np.all(ratio > 0)):
        raise ValueError(
            f"Stefan numbers {stefan_liquid!r} (liquid), {stefan_solid!r} (solid); "
            "expected above 0 and 0 or more"
        )
    low, high = np.full(liquid.shape, 1e-12), np.full(liquid.shape, 6.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        # exp(v^2) erfc(v) is erfcx(v): no overflow.
        gained = liquid * np.exp(-(middle**2)) / erf(middle)
        lost = solid / (ratio * erfcx(ratio * middle))
        beyond = gained - lost > middle * np.sqrt(np.pi)
        low, high = np.where(beyond, middle, low), np.where(beyond, high, middle)
    result = 0.5 * (low + high)
    return result if np.ndim(result) else float(result)


def melt_front(
    time: Any,
    wall_temperature: Any,
    melting_temperature: Any,
    conductivity: Any,
    density: Any,
    liquid_heat: Any,
    latent_heat: Any,
) -> Any:
    """Depth in m melted after ``time`` s in a half space at its melting temperature, one wall held hotter.

    Parameters
    ----------
    time : float or array
        s.
    wall_temperature, melting_temperature : float or array
        degC.
    conductivity, density, liquid_heat, latent_heat : float or array
        Of the liquid: W/(m K), kg/m^3, J/(kg K); J/kg.  No convection in the melt.

    Notes
    -----
    Source: Stefan's similarity solution (Carslaw & Jaeger 1959, ch. XI).
    """
    root = stefan_root(stefan_number(wall_temperature - melting_temperature, liquid_heat, latent_heat))
    return 2.0 * root * np.sqrt(conductivity * np.asarray(time) / (density * liquid_heat))


def melt_heat(
    time: Any,
    wall_temperature: Any,
    melting_temperature: Any,
    conductivity: Any,
    density: Any,
    liquid_heat: Any,
    latent_heat: Any,
) -> Any:
    """Heat in J/m^2 taken up through the wall in the case of :func:`melt_front`.

    ``2 k (T_w - T_m) sqrt(t / (pi alpha)) / erf(root)``.
    """
    from scipy.special import erf

    difference = wall_temperature - melting_temperature
    root = stefan_root(stefan_number(difference, liquid_heat, latent_heat))
    diffusivity = conductivity / (density * liquid_heat)
    return 2.0 * conductivity * difference * np.sqrt(np.asarray(time) / (np.pi * diffusivity)) / erf(root)


# -- lump with a melting store -----------------------------------------------------------------------------


def time_to_melt(heat: Any, amount: Any, latent_heat: Any) -> Any:
    """Time in s for ``heat`` W to melt ``amount`` kg at the melting temperature (no losses)."""
    return amount * latent_heat / heat


def layer_conductance(area: Any, thickness: Any, conductivity: Any, faces: Any = 1) -> Any:
    """Conductance in W/K from a spreader into a layer of storage material melting from its face.

    ``faces k A / (t/2)``: taken at half the layer, the mean position of the melt front; ``faces`` counts the
    sides of the material that touch the spreader.  A fin or foam spreader raises ``area``.

    Source: elementary; the resistance of the melt grows from 0 to twice this while it melts.
    """
    return faces * conductivity * area / (0.5 * thickness / faces)
