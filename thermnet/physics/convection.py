"""Natural convection from plates and in gaps, forced convection over plates, heat exchange of a skin.

Functions named ``nusselt_...`` take dimensionless groups; the others take lengths in m, temperatures in
degC, differences in K, pressures in Pa and use the properties of dry air.  Scalars and arrays broadcast.
Where a source gives two formulas for two ranges, they are blended over a stated band, so that no value jumps.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from thermnet.materials import air
from thermnet.physics.blend import between

ORIENTATIONS = {"up": 0.0, "vertical": 90.0, "down": 180.0}
"""Direction a hot face looks in, as the angle of its outward normal from straight up, deg."""


# -- natural convection: dimensionless ---------------------------------------------------------------------


def rayleigh_number(
    length: Any, temperature_difference: Any, kinematic_viscosity: Any, prandtl: Any, thermal_expansion: Any
) -> Any:
    """Rayleigh number g beta dT L^3 Pr / nu^2.

    Parameters
    ----------
    length : float or array
        Characteristic length, m.
    temperature_difference : float or array
        Surface minus surroundings, K; its sign does not count.
    kinematic_viscosity, prandtl, thermal_expansion : float or array
        m^2/s, -, 1/K of the fluid at the film temperature.
    """
    drop = np.abs(temperature_difference)
    return air.GRAVITY * thermal_expansion * drop * length**3 * prandtl / kinematic_viscosity**2


def rayleigh_in_air(
    length: Any, temperature_difference: Any, film_temperature: Any, pressure: Any = air.STANDARD_PRESSURE
) -> Any:
    """Rayleigh number in dry air: length in m, difference in K, film temperature in degC, pressure in Pa."""
    return rayleigh_number(
        length,
        temperature_difference,
        air.kinematic_viscosity(film_temperature, pressure),
        air.prandtl(film_temperature, pressure),
        air.thermal_expansion(film_temperature, pressure),
    )


def nusselt_vertical_plate(rayleigh: Any, prandtl: Any = 0.71) -> Any:
    """Mean Nusselt number of an isothermal vertical plate, laminar and turbulent in one formula.

    Source: Churchill and Chu, Int. J. Heat Mass Transfer 18 (1975) 1323, eq. 9; Ra up to 1e12.
    """
    return (0.825 + 0.387 * np.power(rayleigh, 1 / 6) / (1 + (0.492 / prandtl) ** (9 / 16)) ** (8 / 27)) ** 2


def nusselt_vertical_plate_laminar(rayleigh: Any, prandtl: Any = 0.71) -> Any:
    """Mean Nusselt number of an isothermal vertical plate in laminar flow (Ra below 1e9).

    Source: Churchill and Chu 1975, eq. 8.
    """
    return 0.68 + 0.670 * np.power(rayleigh, 0.25) / (1 + (0.492 / prandtl) ** (9 / 16)) ** (4 / 9)


def nusselt_vertical_plate_integral(rayleigh: Any, prandtl: Any = 0.71) -> Any:
    """Mean Nusselt number of a vertical plate by the integral method of Squire and Eckert (laminar).

    Source: Lienhard and Lienhard, A Heat Transfer Textbook, 3rd ed., eq. 8.27.
    """
    return 0.678 * np.power(rayleigh, 0.25) * (prandtl / (0.952 + prandtl)) ** 0.25


def nusselt_vertical_plate_turbulent(rayleigh: Any) -> Any:
    """Mean Nusselt number 0.1 Ra^(1/3) of a vertical plate in turbulent flow (Ra 1e9 to 1e13).

    Source: Holman, Heat Transfer, 10th ed., table 7-1.
    """
    return 0.1 * np.cbrt(rayleigh)


def nusselt_horizontal_up_laminar(rayleigh: Any) -> Any:
    """0.54 Ra^(1/4) for a hot face looking up (Ra 1e4 to 1e7), length = area / perimeter.

    Source: McAdams, Heat Transmission, 3rd ed. 1954, with the length of Goldstein, Sparrow and Jones 1973.
    """
    return 0.54 * np.power(rayleigh, 0.25)


def nusselt_horizontal_up_turbulent(rayleigh: Any) -> Any:
    """0.15 Ra^(1/3) for a hot face looking up (Ra 1e7 to 1e11), length = area / perimeter.

    Source: Lloyd and Moran, J. Heat Transfer 96 (1974) 443.
    """
    return 0.15 * np.cbrt(rayleigh)


def nusselt_horizontal_up(rayleigh: Any) -> Any:
    """Mean Nusselt number of a hot face looking up (or a cold one looking down), any Rayleigh number to 1e11.

    0.96 Ra^(1/6) up to 200 (Goldstein, Sparrow and Jones, Int. J. Heat Mass Transfer 16 (1973) 1025), the
    laminar formula from 1e4 to 2e6 and the turbulent one from 2e7, blended between.  Length = area /
    perimeter.
    """
    slow = 0.96 * np.power(rayleigh, 1 / 6)
    lower = between(slow, nusselt_horizontal_up_laminar(rayleigh), rayleigh, 200.0, 1e4)
    return between(lower, nusselt_horizontal_up_turbulent(rayleigh), rayleigh, 2e6, 2e7)


def nusselt_horizontal_down(rayleigh: Any) -> Any:
    """Mean Nusselt number 0.27 Ra^(1/4) of a hot face looking down (or a cold one up), Ra 1e5 to 1e10.

    Length = area / perimeter.

    Source: McAdams 1954; Incropera et al., 6th ed., eq. 9.32.
    """
    return 0.27 * np.power(rayleigh, 0.25)


def nusselt_gap_heated_below(rayleigh: Any, prandtl: Any = 0.71) -> Any:
    """Nusselt number across a wide horizontal gap heated from below: 1 (conduction) up to Ra = 1708.

    Parameters
    ----------
    rayleigh : float or array
        On the gap and the difference of its two faces.
    prandtl : float or array
        Of the fluid.

    Source: Hollands, Int. J. Heat Mass Transfer 27 (1984) 466; for air 1.44 (1 - 1708/Ra) and a cube-root
    term.
    """
    critical = 1708.0
    ra = np.maximum(rayleigh, critical)
    k1 = 1.44 / (1 + 0.018 / prandtl + 0.00136 / prandtl**2)
    k2 = 75 * np.exp(1.5 / np.sqrt(prandtl))
    root = np.cbrt(ra) / k2
    return (
        1
        + (1 - critical / ra) * (k1 + 2 * root ** (1 - np.log(root)))
        + np.maximum(np.cbrt(ra / 5803) - 1, 0.0)
    )


def nusselt_gap_vertical(rayleigh: Any, aspect: Any) -> Any:
    """Nusselt number across a vertical air gap between two isothermal faces, 1 in the conduction limit.

    Parameters
    ----------
    rayleigh : float or array
        On the gap and the difference of its two faces, up to 1e7.
    aspect : float or array
        Height over gap, 5 to 110.

    Source: ElSherbiny, Raithby and Hollands, J. Heat Transfer 104 (1982) 96.
    """
    ra = np.asarray(rayleigh, dtype=float)
    power = ra**1.36
    transition = 0.104 * ra**0.293 * power / (power + 6310.0**1.36)
    return np.maximum(
        np.maximum(0.0605 * np.cbrt(ra), np.cbrt(1 + transition**3)), 0.242 * (ra / aspect) ** 0.272
    )


def nusselt_fin_channel(rayleigh: Any, spacing_over_length: Any) -> Any:
    """Nusselt number (on the spacing) of upright isothermal plates that draw air by their own heat.

    Parameters
    ----------
    rayleigh : float or array
        On the spacing and the rise over the surrounding air.
    spacing_over_length : float or array
        Spacing over the height of the plates.

    Source: Bar-Cohen and Rohsenow, J. Heat Transfer 106 (1984) 116, symmetric isothermal plates.
    """
    group = rayleigh * spacing_over_length
    return (576 / group**2 + 2.873 / np.sqrt(group)) ** -0.5


# -- natural convection: in air ----------------------------------------------------------------------------


def optimum_fin_spacing(
    length: Any, temperature_difference: Any, film_temperature: Any, pressure: Any = air.STANDARD_PRESSURE
) -> Any:
    """Spacing in m of upright fins that gives the most heat in natural convection: 2.714 L / Ra_L^(1/4).

    Parameters
    ----------
    length : float or array
        Height of the fins along the flow, m.
    temperature_difference : float or array
        Fins over surrounding air, K.
    film_temperature, pressure : float or array
        degC and Pa.

    Source: Bar-Cohen and Rohsenow 1984; the Nusselt number there is 1.307.
    """
    return (
        2.714 * length / rayleigh_in_air(length, temperature_difference, film_temperature, pressure) ** 0.25
    )


OPTIMUM_FIN_NUSSELT = 1.307
"""Nusselt number on the spacing at the optimum spacing (Bar-Cohen and Rohsenow 1984)."""


def plate_coefficient(
    temperature_difference: Any,
    length: Any,
    width: Any,
    angle: Any = 90.0,
    film_temperature: Any = 30.0,
    pressure: Any = air.STANDARD_PRESSURE,
) -> Any:
    """Natural-convection coefficient of one face of a plate at any tilt, W/(m^2 K).

    Parameters
    ----------
    temperature_difference : float or array
        Surface over room, K.
    length, width : float or array
        Along the slope and across it, m.
    angle : float or array
        Between the outward normal of the hot face and straight up, deg: 0 looks up, 90 upright, 180 looks
        down.
    film_temperature, pressure : float or array
        degC and Pa.

    Source: the face is taken once as upright with the gravity along it and once as horizontal with the
    gravity across it, and the larger coefficient counts (Raithby and Hollands in Rohsenow, Hartnett and Cho,
    Handbook of Heat Transfer, 3rd ed. 1998, ch. 4); an eighth-power sum keeps the larger without a kink.
    """
    tilt = np.deg2rad(angle)
    k = air.conductivity(film_temperature, pressure)
    across = length * width / (2 * (length + width))
    along = rayleigh_in_air(length, temperature_difference, film_temperature, pressure) * np.abs(np.sin(tilt))
    normal = rayleigh_in_air(across, temperature_difference, film_temperature, pressure) * np.abs(
        np.cos(tilt)
    )
    upright = nusselt_vertical_plate(along, air.prandtl(film_temperature, pressure)) * k / length
    flat = (
        np.where(np.cos(tilt) > 0, nusselt_horizontal_up(normal), nusselt_horizontal_down(normal))
        * k
        / across
    )
    return (upright**8 + flat**8) ** 0.125


def gap_coefficient(
    gap: Any,
    temperature_difference: Any,
    mean_temperature: Any,
    position: str = "above",
    height: Any = None,
    pressure: Any = air.STANDARD_PRESSURE,
) -> Any:
    """Conductance of an air gap by conduction and convection (no radiation), W/(m^2 K).

    Parameters
    ----------
    gap : float or array
        m.
    temperature_difference : float or array
        Between the two faces, K.
    mean_temperature : float or array
        degC.
    position : {"above", "below", "vertical"}
        Where the hot face is: above the gap (the air rests), below it, or upright.
    height : float or array, optional
        Height of an upright gap, m.
    pressure : float or array
        Pa.

    Raises
    ------
    ValueError
        Unknown position, or an upright gap without height.
    """
    ra = rayleigh_in_air(gap, temperature_difference, mean_temperature, pressure)
    if position == "above":
        nusselt: Any = np.ones_like(ra)
    elif position == "below":
        nusselt = nusselt_gap_heated_below(ra, air.prandtl(mean_temperature, pressure))
    elif position == "vertical":
        if height is None:
            raise ValueError("gap_coefficient: an upright gap needs its height; got none")
        nusselt = nusselt_gap_vertical(ra, height / gap)
    else:
        raise ValueError(f"gap_coefficient: position {position!r}; expected above, below or vertical")
    return nusselt * air.conductivity(mean_temperature, pressure) / gap


class SkinExchange(NamedTuple):
    """Values for ``thermnet.network.SurfaceExchange``: radiating area in m^2, convection in W/K^(1+n), n."""

    radiating_area: Any
    convection: Any
    exponent: Any


def skin_exchange(
    length: Any,
    width: Any,
    orientation: Any = "up",
    emissivity: Any = 0.85,
    *,
    area: Any = None,
    film_temperature: Any = 30.0,
    pressure: Any = air.STANDARD_PRESSURE,
) -> SkinExchange:
    """Radiation and natural convection of a skin zone as ``SurfaceExchange`` takes them.

    The convection coefficient is written as ``c dT^n`` through its values at 5 K and 20 K, which is exact for
    a face looking up or down in laminar flow and within 2 % of the full correlation from 2 to 40 K elsewhere.

    Parameters
    ----------
    length, width : float or array
        Of the whole face over which the air flows (the length along the slope), m.
    orientation : {"up", "vertical", "down"} or float or array
        Where the face looks, or the angle of its normal from straight up in deg.
    emissivity : float or array
        Of the surface, 0 to 1; the room is large, so it is also the exchange factor.
    area : float or array, optional
        Area of the zone in m^2, if it is only a part of the face.
    film_temperature, pressure : float or array
        degC and Pa.

    Raises
    ------
    ValueError
        Unknown word for the orientation.
    """
    if isinstance(orientation, str):
        if orientation not in ORIENTATIONS:
            raise ValueError(
                f"orientation {orientation!r}; expected {', '.join(ORIENTATIONS)} or an angle in deg"
            )
        orientation = ORIENTATIONS[orientation]
    surface = length * width if area is None else area
    low, high = (
        plate_coefficient(rise, length, width, orientation, film_temperature, pressure)
        for rise in (5.0, 20.0)
    )
    exponent = np.log(high / low) / np.log(4.0)
    return SkinExchange(emissivity * surface, surface * low / 5.0**exponent, exponent)


# -- forced convection over a plate ------------------------------------------------------------------------

CRITICAL_REYNOLDS = 5e5
"""Usual end of the laminar boundary layer on a smooth plate."""


def nusselt_flat_plate_laminar(reynolds: Any, prandtl: Any = 0.71) -> Any:
    """Mean Nusselt number 0.664 Re^(1/2) Pr^(1/3) of an isothermal plate (Pohlhausen 1921; Pr above 0.6)."""
    return 0.664 * np.sqrt(reynolds) * np.cbrt(prandtl)


def nusselt_flat_plate(reynolds: Any, prandtl: Any = 0.71, critical_reynolds: Any = CRITICAL_REYNOLDS) -> Any:
    """Mean Nusselt number of an isothermal plate, laminar and, behind the critical point, turbulent.

    The two pieces meet exactly: 0.037 (Re^0.8 - Re_c^0.8) + 0.664 Re_c^0.5, times Pr^(1/3); with Re_c = 5e5
    this is the familiar 0.037 Re^0.8 - 871.

    Source: Incropera et al., 6th ed., eqs. 7.38 and 7.39.
    """
    laminar = 0.664 * np.sqrt(np.minimum(reynolds, critical_reynolds))
    turbulent = 0.037 * (
        np.maximum(reynolds, critical_reynolds) ** 0.8 - np.asarray(critical_reynolds, float) ** 0.8
    )
    return (laminar + turbulent) * np.cbrt(prandtl)


def drag_coefficient_flat_plate_laminar(reynolds: Any) -> Any:
    """Mean drag coefficient 1.328 / Re^(1/2) of one side of a plate (Blasius 1908)."""
    return 1.328 / np.sqrt(reynolds)
