"""Heat pipes filled with water: cross-section round or flattened, heat limits, resistances, mass.

The textbook limits (capillary, sonic, entrainment, boiling, viscous) follow Chi, Heat Pipe Theory and
Practice, 1976, and Faghri, Heat Pipe Science and Technology, 1995; where this module differs it says so.
Functions are pure and broadcast over arrays.  Temperatures are in degC, lengths in m, heat in W.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from thermnet.materials import water
from thermnet.physics.two_phase import ZERO_CELSIUS
from thermnet.physics.wicks import Wick


class Section(NamedTuple):
    """Cross-section of a pipe: two flat sides joined by half circles (a circle when not flattened).

    Attributes
    ----------
    width : outer width, m
    height : outer thickness, m
    vapour_height : height of the vapour space, m
    vapour_area, wick_area, wall_area : m^2
    vapour_diameter : hydraulic diameter of the vapour space, m
    vapour_friction : Fanning friction factor times Reynolds number of the vapour space
    wick_perimeter : perimeter at the middle of the wick, m
    wall_thickness, wick_thickness : m
    """

    width: Any
    height: Any
    vapour_height: Any
    vapour_area: Any
    wick_area: Any
    wall_area: Any
    vapour_diameter: Any
    vapour_friction: Any
    wick_perimeter: Any
    wall_thickness: Any
    wick_thickness: Any


class Lengths(NamedTuple):
    """Lengths along a pipe, m: evaporator, the part between, condenser."""

    evaporator: Any
    adiabatic: Any
    condenser: Any

    @property
    def total(self) -> Any:
        """Whole length, m."""
        return self.evaporator + self.adiabatic + self.condenser

    @property
    def effective(self) -> Any:
        """Length that carries all of the heat, m: half of the end sections and all of the middle."""
        return 0.5 * self.evaporator + self.adiabatic + 0.5 * self.condenser


# -- cross-section ---------------------------------------------------------------------------------


def flattened_width(diameter: Any, thickness: Any) -> Any:
    """Width in m of a round tube of ``diameter`` pressed to ``thickness``: ``t + pi/2 (D - t)``.

    Source: constant perimeter (geometry); 6 mm pressed to 3 mm is 7.71 mm, makers' tables say 8.0.
    """
    return thickness + 0.5 * np.pi * (diameter - thickness)


def stadium_friction(aspect: Any) -> Any:
    """Fanning friction factor times Reynolds number, laminar flow between flat sides joined by half circles.

    Parameters
    ----------
    aspect : float or array
        Height over width, 0 (slot, 24) to 1 (circle, 16).

    Notes
    -----
    ``16 + 0.2404 x^2 + 7.7596 x^3`` with ``x = 1 - aspect``: fitted here within 0.03 % to a finite-difference
    solution of the flow (the test repeats it); the ends are exact.
    """
    x = 1.0 - np.asarray(aspect)
    result = 16.0 + 0.2404 * x**2 + 7.7596 * x**3
    return result if np.ndim(result) else float(result)


def pipe_section(
    diameter: Any, wall_thickness: Any, wick_thickness: Any, flattened_thickness: Any = None
) -> Section:
    """Cross-section of a pipe pressed to ``flattened_thickness`` (None: left round), all in m.

    Raises
    ------
    ValueError
        The thickness exceeds the diameter, or walls and wicks leave no room for vapour.
    """
    height = diameter if flattened_thickness is None else flattened_thickness
    if np.any(np.asarray(height) > np.asarray(diameter) * (1 + 1e-12)):
        raise ValueError(f"flattened thickness {height!r} m; expected at most the diameter {diameter!r} m")
    flat = 0.5 * np.pi * (diameter - height)
    inner = height - 2.0 * wall_thickness
    vapour = inner - 2.0 * wick_thickness
    if np.any(np.asarray(vapour) <= 0):
        least = float(np.min(vapour))
        raise ValueError(
            f"no room for vapour: thickness less two walls and two wicks is {1e3 * least:.3g} mm; "
            "expected above 0 (thinner wall or wick, or less flattening)"
        )
    vapour_area = _stadium_area(vapour, flat)
    inner_area = _stadium_area(inner, flat)
    perimeter = np.pi * vapour + 2.0 * flat
    return Section(
        width=flattened_width(diameter, height),
        height=height,
        vapour_height=vapour,
        vapour_area=vapour_area,
        wick_area=inner_area - vapour_area,
        wall_area=_stadium_area(height, flat) - inner_area,
        vapour_diameter=4.0 * vapour_area / perimeter,
        vapour_friction=stadium_friction(vapour / (vapour + flat)),
        wick_perimeter=np.pi * (inner - wick_thickness) + 2.0 * flat,
        wall_thickness=wall_thickness,
        wick_thickness=wick_thickness,
    )


def _stadium_area(height: Any, flat: Any) -> Any:
    return 0.25 * np.pi * height**2 + flat * height


# -- flow resistances ------------------------------------------------------------------------------


def liquid_friction(vapour_temperature: Any, permeability: Any, wick_area: Any) -> Any:
    """Pressure gradient of the liquid per watt, Pa/(W m): ``mu_l / (K A_w rho_l h_fg)`` (Darcy; Chi 1976)."""
    fluid = water.saturated(vapour_temperature)
    return fluid.liquid_viscosity / (permeability * wick_area * fluid.liquid_density * fluid.latent_heat)


def vapour_friction(
    vapour_temperature: Any, vapour_area: Any, vapour_diameter: Any, friction: Any = 16.0
) -> Any:
    """Pressure gradient of the vapour per watt, Pa/(W m): ``2 (f Re) mu_v / (Dh^2 A_v rho_v h_fg)``.

    Laminar and incompressible (Chi 1976); in notebook pipes the vapour's Reynolds number stays below 1000.
    ``friction`` is the Fanning friction factor times Reynolds number (16 in a round pipe).
    """
    fluid = water.saturated(vapour_temperature)
    return (
        2.0 * friction * fluid.vapour_viscosity
        / (vapour_diameter**2 * vapour_area * fluid.vapour_density * fluid.latent_heat)
    )  # fmt: skip


# -- resistances -----------------------------------------------------------------------------------


def shell_width(contact_width: Any, section: Section, wick_conductivity: Any, wall_conductivity: Any) -> Any:
    """Width in m of pipe wall that takes part in the heat exchange of one side heated over ``contact_width``.

    The wall beyond the contact is a fin that loses heat through the wick to the vapour: each side adds
    ``tanh(m s)/m`` with ``m^2 = (k_wick/t_wick) / (k_wall t_wall)`` and ``s`` half the free perimeter.

    Source: straight fin with insulated tip (any heat-transfer text), applied to the wall.
    """
    rate = np.sqrt(
        (wick_conductivity / section.wick_thickness) / (wall_conductivity * section.wall_thickness)
    )
    held = np.minimum(contact_width, section.wick_perimeter)
    free = 0.5 * (section.wick_perimeter - held)
    return held + 2.0 * np.tanh(rate * free) / rate


def vapour_resistance(vapour_temperature: Any, section: Section, lengths: Lengths) -> Any:
    """Resistance in K/W of the fall in saturation temperature along the vapour.

    ``T F_v L_eff / (rho_v h_fg)``.

    Source: Clausius-Clapeyron with the vapour pressure drop (Chi 1976).
    """
    inside = water.within_range(vapour_temperature)
    fluid = water.saturated(inside)
    gradient = vapour_friction(inside, section.vapour_area, section.vapour_diameter, section.vapour_friction)
    absolute = np.asarray(inside) + ZERO_CELSIUS
    return absolute * gradient * lengths.effective / (fluid.vapour_density * fluid.latent_heat)


def resistances(
    vapour_temperature: Any,
    section: Section,
    wick: Wick,
    lengths: Lengths,
    *,
    wall_conductivity: Any,
    contact_width: Any = None,
) -> dict[str, Any]:
    """Resistances of one pipe in K/W, from the evaporator's outside to the condenser's, by name.

    ``evaporator_wall``, ``evaporator_wick``, ``vapour``, ``condenser_wick``, ``condenser_wall``.  Heat
    enters and leaves by one side over ``contact_width`` (the outer width unless given).  Evaporation and
    condensation themselves and the wall's own axial conduction are left out.
    """
    contact = section.width if contact_width is None else contact_width
    spread = shell_width(contact, section, wick.conductivity, wall_conductivity)
    wall = section.wall_thickness / (wall_conductivity * np.minimum(contact, spread))
    layer = section.wick_thickness / (wick.conductivity * spread)
    return {
        "evaporator_wall": wall / lengths.evaporator,
        "evaporator_wick": layer / lengths.evaporator,
        "vapour": vapour_resistance(vapour_temperature, section, lengths),
        "condenser_wick": layer / lengths.condenser,
        "condenser_wall": wall / lengths.condenser,
    }


# -- mass ------------------------------------------------------------------------------------------


def metal_volume(section: Section, wick: Wick, length: Any) -> Any:
    """Metal of wall and wick in m^3 (end caps left out)."""
    return (section.wall_area + (1.0 - wick.porosity) * section.wick_area) * length


def water_volume(section: Section, wick: Wick, length: Any, fill: Any = 1.1) -> Any:
    """Water in m^3: ``fill`` times what the wick's pores hold (a little over 1: common practice)."""
    return fill * wick.porosity * section.wick_area * length


def equivalent_rod_diameter(heat: Any, length: Any, temperature_drop: Any, conductivity: Any) -> Any:
    """Diameter in m of a solid rod that carries ``heat`` W over ``length`` m at the same drop in K.

    Source: Fourier's law; the comparison is made in Cengel, Heat and Mass Transfer, electronics cooling
    chapter.
    """
    return np.sqrt(4.0 * heat * length / (np.pi * conductivity * temperature_drop))


def effective_conductivity(heat: Any, length: Any, temperature_drop: Any, area: Any) -> Any:
    """Conductivity in W/(m K) of a solid of the same cross-section carrying ``heat`` W over ``length`` m."""
    return heat * length / (area * temperature_drop)
