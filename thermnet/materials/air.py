"""Dry air between -40 and 150 degC, and the standard atmosphere.

The properties come from a small table of CoolProp values (``tables/air.csv``, written by
``tests/tools/make_air_table.py``) at 1 and 1/2 atm.  Each column is fitted once by a polynomial of degree 5
in temperature and taken linear in pressure, which reproduces CoolProp within 0.001 % from 40 to 110 kPa; the
fit is smooth, so nothing that is built on it has a kink.

Every function takes scalars or arrays that broadcast: temperature in degC, pressure in Pa.
"""

from __future__ import annotations

from functools import cache, lru_cache
from importlib import resources
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STANDARD_PRESSURE = 101325.0
"""Pa."""
GAS_CONSTANT = 8.31451 / 0.02896546
"""J/(kg K) of dry air, 28.96546 g/mol, with the molar gas constant of its equation of state (CoolProp)."""
RANGE = (-40.0, 150.0)
"""degC."""
PRESSURE_RANGE = (2.0e4, 1.2e5)
"""Pa."""
GRAVITY = 9.80665
"""m/s^2, standard acceleration of free fall."""

_MIDDLE, _HALF_SPAN, _DEGREE = 55.0, 95.0, 5
_COMPRESSIBILITY, _SPECIFIC_HEAT, _VISCOSITY, _CONDUCTIVITY = range(4)


class Atmosphere(NamedTuple):
    """State of the standard atmosphere: temperature in degC, pressure in Pa, density in kg/m^3."""

    temperature: Any
    pressure: Any
    density: Any


@cache
def _coefficients() -> Array:
    """Polynomial coefficients (degree + 1, 2 pressures, 4 properties) in (T - 55)/95."""
    text = (resources.files("thermnet.materials") / "tables" / "air.csv").read_text(encoding="utf-8")
    values = np.array([[float(v) for v in line.split(",")] for line in text.splitlines()[2:]])
    powers = np.vander((values[:, 0] - _MIDDLE) / _HALF_SPAN, _DEGREE + 1, increasing=True)
    fitted = np.linalg.lstsq(powers, values[:, 1:], rcond=None)[0]
    return np.asarray(fitted.reshape(_DEGREE + 1, 2, 4), dtype=np.float64)


def _checked(temperature: Any, pressure: Any) -> tuple[Array, Array]:
    t, p = np.asarray(temperature, dtype=float), np.asarray(pressure, dtype=float)
    if not np.all((t >= RANGE[0]) & (t <= RANGE[1])):
        raise ValueError(f"air temperature {_extremes(t)} degC; expected {RANGE[0]:g} to {RANGE[1]:g} degC")
    if not np.all((p >= PRESSURE_RANGE[0]) & (p <= PRESSURE_RANGE[1])):
        raise ValueError(
            f"air pressure {_extremes(p)} Pa; "
            f"expected {PRESSURE_RANGE[0]:g} to {PRESSURE_RANGE[1]:g} Pa (absolute)"
        )
    return t, p


def _extremes(values: Array) -> str:
    low, high = float(np.min(values)), float(np.max(values))
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _property(which: int, temperature: Any, pressure: Any) -> Any:
    if np.ndim(temperature) == 0 and np.ndim(pressure) == 0:
        return _remembered(which, float(temperature), float(pressure))
    return _evaluated(which, temperature, pressure)


@lru_cache(maxsize=4096)
def _remembered(which: int, temperature: float, pressure: float) -> Any:
    """Property at one state: putting a machine together asks for the same few hundreds of times."""
    return _evaluated(which, temperature, pressure)


def _evaluated(which: int, temperature: Any, pressure: Any) -> Any:
    t, p = _checked(temperature, pressure)
    half, full = _coefficients()[:, 0, which], _coefficients()[:, 1, which]
    x = (t - _MIDDLE) / _HALF_SPAN
    at_half, at_full = np.polynomial.polynomial.polyval(x, half), np.polynomial.polynomial.polyval(x, full)
    return at_half + (2.0 * p / STANDARD_PRESSURE - 1.0) * (at_full - at_half)


def density(temperature: Any, pressure: Any = STANDARD_PRESSURE) -> Any:
    """Density of dry air in kg/m^3.

    Parameters
    ----------
    temperature : float or array
        degC, -40 to 150.
    pressure : float or array
        Absolute pressure in Pa, 20 to 120 kPa.

    Raises
    ------
    ValueError
        Outside the range of the table.

    Source: p / (Z R T) with the compressibility Z of Lemmon et al. 2000, by CoolProp.
    """
    z = _property(_COMPRESSIBILITY, temperature, pressure)
    return np.asarray(pressure, dtype=float) / (
        z * GAS_CONSTANT * (np.asarray(temperature, dtype=float) + 273.15)
    )


def viscosity(temperature: Any, pressure: Any = STANDARD_PRESSURE) -> Any:
    """Dynamic viscosity of dry air in Pa s.  Source: Lemmon and Jacobsen 2004, by CoolProp."""
    return _property(_VISCOSITY, temperature, pressure)


def conductivity(temperature: Any, pressure: Any = STANDARD_PRESSURE) -> Any:
    """Thermal conductivity of dry air in W/(m K).  Source: Lemmon and Jacobsen 2004, by CoolProp."""
    return _property(_CONDUCTIVITY, temperature, pressure)


def specific_heat(temperature: Any, pressure: Any = STANDARD_PRESSURE) -> Any:
    """Specific heat at constant pressure in J/(kg K).  Source: Lemmon et al. 2000, by CoolProp."""
    return _property(_SPECIFIC_HEAT, temperature, pressure)


def kinematic_viscosity(temperature: Any, pressure: Any = STANDARD_PRESSURE) -> Any:
    """Kinematic viscosity in m^2/s: viscosity over density."""
    return viscosity(temperature, pressure) / density(temperature, pressure)


def thermal_diffusivity(temperature: Any, pressure: Any = STANDARD_PRESSURE) -> Any:
    """Thermal diffusivity in m^2/s: k / (rho cp)."""
    return conductivity(temperature, pressure) / (
        density(temperature, pressure) * specific_heat(temperature, pressure)
    )


def prandtl(temperature: Any, pressure: Any = STANDARD_PRESSURE) -> Any:
    """Prandtl number mu cp / k (about 0.71)."""
    return (
        viscosity(temperature, pressure)
        * specific_heat(temperature, pressure)
        / conductivity(temperature, pressure)
    )


def thermal_expansion(temperature: Any, pressure: Any = STANDARD_PRESSURE) -> Any:
    """Volumetric thermal expansion in 1/K: 1/T + (dZ/dT)/Z, within 0.7 % of the ideal gas's 1/T."""
    if np.ndim(temperature) == 0 and np.ndim(pressure) == 0:
        return _expansion_remembered(float(temperature), float(pressure))
    return _expansion(temperature, pressure)


@lru_cache(maxsize=1024)
def _expansion_remembered(temperature: float, pressure: float) -> Any:
    return _expansion(temperature, pressure)


def _expansion(temperature: Any, pressure: Any) -> Any:
    t, p = _checked(temperature, pressure)
    x = (t - _MIDDLE) / _HALF_SPAN
    slopes = [
        np.polynomial.polynomial.polyval(
            x, np.polynomial.polynomial.polyder(_coefficients()[:, i, _COMPRESSIBILITY])
        )
        for i in (0, 1)
    ]
    slope = (slopes[0] + (2.0 * p / STANDARD_PRESSURE - 1.0) * (slopes[1] - slopes[0])) / _HALF_SPAN
    return 1.0 / (t + 273.15) + slope / _property(_COMPRESSIBILITY, t, p)


# -- standard atmosphere -----------------------------------------------------------------------------------

_SEA_LEVEL_TEMPERATURE = 288.15
_LAPSE_RATE = 0.0065
_EARTH_RADIUS = 6356766.0
_ATMOSPHERE_GAS_CONSTANT = 8314.32 / 28.9644


def standard_atmosphere(altitude: Any) -> Atmosphere:
    """1976 standard atmosphere up to 11 km.

    Parameters
    ----------
    altitude : float or array
        Geometric altitude above sea level in m, -500 to 11000.

    Returns
    -------
    Atmosphere
        Temperature in degC, pressure in Pa, density in kg/m^3.

    Raises
    ------
    ValueError
        Outside -500 to 11000 m.

    Source: U.S. Standard Atmosphere 1976, NASA-TM-X-74335, eqs. 18, 23, 33a and 42 with its own constants.
    """
    z = np.asarray(altitude, dtype=float)
    if not np.all((z >= -500.0) & (z <= 11000.0)):
        raise ValueError(f"altitude {_extremes(z)} m; expected -500 to 11000 m")
    geopotential = _EARTH_RADIUS * z / (_EARTH_RADIUS + z)
    temperature = _SEA_LEVEL_TEMPERATURE - _LAPSE_RATE * geopotential
    exponent = GRAVITY / (_ATMOSPHERE_GAS_CONSTANT * _LAPSE_RATE)
    pressure = STANDARD_PRESSURE * (temperature / _SEA_LEVEL_TEMPERATURE) ** exponent
    return Atmosphere(temperature - 273.15, pressure, pressure / (_ATMOSPHERE_GAS_CONSTANT * temperature))


def standard_density_ratio(altitude: Any) -> Any:
    """Density of the standard atmosphere over that at sea level (0.742 at 3000 m): outdoors, in the cold."""
    return standard_atmosphere(altitude).density / standard_atmosphere(0.0).density


def room_density_ratio(altitude: Any) -> Any:
    """Density of a room's air over that of a room at sea level *at the same temperature* (0.692 at 3000 m).

    This is the ratio a machine at altitude meets: rooms are heated, so only the pressure counts.
    """
    return standard_atmosphere(altitude).pressure / STANDARD_PRESSURE
