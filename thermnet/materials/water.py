"""Saturated water from 0.01 to 200 degC: what heat pipes, vapor chambers and boiling limits need.

The values come from a small table (``tables/water.csv``, 25 rows of IAPWS values at Chebyshev points, made
with CoolProp by ``tables/make_water_table.py``).  The logarithm of each property is interpolated by the
polynomial through all 25 rows, so values and all derivatives are smooth.

Accuracy, 0.01 to 200 degC: within 1e-8 (relative) of CoolProp and the IAPWS surface-tension release for
every property but liquid conductivity, which is within 0.021 % (its critical-enhancement term has a kink
near 157 degC). Against the independent industrial formulation IAPWS-IF97, 1 to 200 degC: pressure 0.018 %,
densities, latent heat, viscosities and liquid conductivity within 0.013 %, sound speed 0.03 %, heat ratio
0.06 %, liquid specific heat 0.08 %, vapour specific heat 0.19 % (the formulations themselves differ by that
much).

Pressure, vapour density and both vapour transport properties rise with temperature; latent heat, surface
tension and liquid viscosity fall.  Liquid density is greatest near 4 degC and liquid specific heat least
near 35 degC.
"""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LOWEST, HIGHEST = 0.01, 200.0
"""Range of the table, degC; the lower end is the triple point."""

MOLAR_MASS = 0.018015268
"""kg/mol, IAPWS-95."""

GAS_CONSTANT = 8.314462618 / MOLAR_MASS
"""Specific gas constant of water vapour, J/(kg K): CODATA 2018 molar constant over the molar mass."""


class SaturatedWater(NamedTuple):
    """Saturated liquid and vapour at one temperature (or an array of them), SI units.

    Attributes
    ----------
    pressure : Pa
    liquid_density, vapour_density : kg/m^3
    liquid_viscosity, vapour_viscosity : Pa s
    liquid_conductivity, vapour_conductivity : W/(m K)
    latent_heat : J/kg
    surface_tension : N/m
    liquid_specific_heat, vapour_specific_heat : J/(kg K), at constant pressure
    vapour_heat_ratio : specific heat at constant pressure over that at constant volume
    vapour_sound_speed : m/s
    """

    pressure: Any
    liquid_density: Any
    vapour_density: Any
    liquid_viscosity: Any
    vapour_viscosity: Any
    liquid_conductivity: Any
    vapour_conductivity: Any
    latent_heat: Any
    surface_tension: Any
    liquid_specific_heat: Any
    vapour_specific_heat: Any
    vapour_heat_ratio: Any
    vapour_sound_speed: Any


@cache
def _coefficients() -> dict[str, Array]:
    """Chebyshev coefficients of the logarithm of each property."""
    text = resources.files("thermnet.materials").joinpath("tables/water.csv").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    names, rows = lines[0].split(","), np.array([[float(v) for v in line.split(",")] for line in lines[1:]])
    place = _scaled(rows[:, 0])
    logs = np.log(rows[:, 1:])
    # Discrete orthogonality of the Chebyshev polynomials at their own points.
    polynomials = np.polynomial.chebyshev.chebvander(place, len(rows) - 1)
    sums = 2.0 / len(rows) * polynomials.T @ logs
    sums[0] *= 0.5
    return {name: np.ascontiguousarray(sums[:, i]) for i, name in enumerate(names[1:])}


def _scaled(temperature: Any) -> Any:
    return (2.0 * temperature - (LOWEST + HIGHEST)) / (HIGHEST - LOWEST)


def _checked(temperature: Any) -> Array:
    values = np.asarray(temperature, dtype=float)
    if not np.all((values >= LOWEST) & (values <= HIGHEST)):
        bad = values[~((values >= LOWEST) & (values <= HIGHEST))].flat[0]
        raise ValueError(
            f"temperature {bad:g} degC; expected {LOWEST:g} to {HIGHEST:g} degC (saturated water)"
        )
    return values


def _property(name: str, temperature: Any) -> Any:
    place = _scaled(_checked(temperature))
    value = np.exp(np.polynomial.chebyshev.chebval(place, _coefficients()[name]))
    return value if np.ndim(value) else float(value)


def within_range(temperature: Any) -> Any:
    """Temperature in degC held inside the table (for limits that must stay finite on a cold start)."""
    return np.clip(temperature, LOWEST, HIGHEST)


def saturated(temperature: Any) -> SaturatedWater:
    """All properties at once.

    Parameters
    ----------
    temperature : float or array
        degC, 0.01 to 200.

    Raises
    ------
    ValueError
        A temperature is outside the table or not finite.
    """
    place = _scaled(_checked(temperature))
    table = _coefficients()
    stacked = np.stack([table[name] for name in SaturatedWater._fields], axis=-1)
    values = np.exp(np.polynomial.chebyshev.chebval(place, stacked))
    return SaturatedWater(*(v if np.ndim(v) else float(v) for v in values))


def saturation_pressure(temperature: Any) -> Any:
    """Saturation pressure in Pa at ``temperature`` in degC (0.01 to 200)."""
    return _property("pressure", temperature)


def liquid_density(temperature: Any) -> Any:
    """Density of the saturated liquid in kg/m^3 at ``temperature`` in degC (0.01 to 200)."""
    return _property("liquid_density", temperature)


def vapour_density(temperature: Any) -> Any:
    """Density of the saturated vapour in kg/m^3 at ``temperature`` in degC (0.01 to 200)."""
    return _property("vapour_density", temperature)


def liquid_viscosity(temperature: Any) -> Any:
    """Dynamic viscosity of the saturated liquid in Pa s at ``temperature`` in degC (0.01 to 200)."""
    return _property("liquid_viscosity", temperature)


def vapour_viscosity(temperature: Any) -> Any:
    """Dynamic viscosity of the saturated vapour in Pa s at ``temperature`` in degC (0.01 to 200)."""
    return _property("vapour_viscosity", temperature)


def liquid_conductivity(temperature: Any) -> Any:
    """Thermal conductivity of the saturated liquid in W/(m K) at ``temperature`` in degC (0.01 to 200)."""
    return _property("liquid_conductivity", temperature)


def vapour_conductivity(temperature: Any) -> Any:
    """Thermal conductivity of the saturated vapour in W/(m K) at ``temperature`` in degC (0.01 to 200)."""
    return _property("vapour_conductivity", temperature)


def latent_heat(temperature: Any) -> Any:
    """Latent heat of vaporisation in J/kg at ``temperature`` in degC (0.01 to 200)."""
    return _property("latent_heat", temperature)


def surface_tension(temperature: Any) -> Any:
    """Surface tension against own vapour in N/m at ``temperature`` in degC (0.01 to 200)."""
    return _property("surface_tension", temperature)


def liquid_specific_heat(temperature: Any) -> Any:
    """Specific heat of the saturated liquid at constant pressure in J/(kg K) at ``temperature`` in degC."""
    return _property("liquid_specific_heat", temperature)


def vapour_specific_heat(temperature: Any) -> Any:
    """Specific heat of the saturated vapour at constant pressure in J/(kg K) at ``temperature`` in degC."""
    return _property("vapour_specific_heat", temperature)


def vapour_heat_ratio(temperature: Any) -> Any:
    """Ratio of the specific heats of the saturated vapour at ``temperature`` in degC (0.01 to 200)."""
    return _property("vapour_heat_ratio", temperature)


def vapour_sound_speed(temperature: Any) -> Any:
    """Speed of sound in the saturated vapour in m/s at ``temperature`` in degC (0.01 to 200)."""
    return _property("vapour_sound_speed", temperature)
