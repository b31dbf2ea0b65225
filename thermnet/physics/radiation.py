"""Radiation between grey diffuse surfaces, and its linearised coefficient.

Temperatures in degC; scalars and arrays broadcast.
"""

from __future__ import annotations

from typing import Any

import numpy as np

STEFAN_BOLTZMANN = 5.670374419e-8
"""W/(m^2 K^4), CODATA 2018."""


def _kelvin(temperature: Any) -> Any:
    return np.asarray(temperature, dtype=float) + 273.15


def emissive_flux(temperature: Any, emissivity: Any = 1.0) -> Any:
    """Flux that a surface sends out, eps sigma T^4, W/m^2 (Stefan and Boltzmann)."""
    return emissivity * STEFAN_BOLTZMANN * _kelvin(temperature) ** 4


def exchange_factor_plates(first_emissivity: Any, second_emissivity: Any) -> Any:
    """Exchange factor 1 / (1/e1 + 1/e2 - 1) of two large parallel plates.

    Source: Incropera et al., 6th ed., eq. 13.19.
    """
    return 1.0 / (1.0 / first_emissivity + 1.0 / second_emissivity - 1.0)


def exchange_factor_enclosed(inner_emissivity: Any, outer_emissivity: Any, area_ratio: Any) -> Any:
    """Exchange factor, on the inner area, of a body inside another (concentric cylinders or spheres).

    Parameters
    ----------
    inner_emissivity, outer_emissivity : float or array
        0 to 1.
    area_ratio : float or array
        Inner area over outer area: 1 gives parallel plates, 0 a small body in a large room (factor e1).

    Source: Incropera et al., 6th ed., eqs. 13.20 and 13.21.
    """
    return 1.0 / (1.0 / inner_emissivity + area_ratio * (1.0 / outer_emissivity - 1.0))


def net_flux(hot: Any, cold: Any, exchange_factor: Any) -> Any:
    """Net flux F sigma (T1^4 - T2^4) in W/m^2 of the surface at ``hot`` degC."""
    return exchange_factor * STEFAN_BOLTZMANN * (_kelvin(hot) ** 4 - _kelvin(cold) ** 4)


def radiation_coefficient(hot: Any, cold: Any, exchange_factor: Any) -> Any:
    """Exact coefficient F sigma (T1^2 + T2^2)(T1 + T2) in W/(m^2 K), net flux over difference."""
    a, b = _kelvin(hot), _kelvin(cold)
    return exchange_factor * STEFAN_BOLTZMANN * (a * a + b * b) * (a + b)


def linearised_coefficient(mean_temperature: Any, exchange_factor: Any) -> Any:
    """Coefficient 4 F sigma Tm^3 about the mean temperature, W/(m^2 K); 0.1 % low for 45 against 25 degC."""
    return 4.0 * exchange_factor * STEFAN_BOLTZMANN * _kelvin(mean_temperature) ** 3
