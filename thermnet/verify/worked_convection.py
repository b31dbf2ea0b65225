"""Textbook examples of convection, fins and radiation that chain several functions of the package."""

from __future__ import annotations

from typing import Any

from thermnet.materials import air
from thermnet.physics import convection, ducts, fins, radiation


def plate_heat(
    hot: float, room: float, length: float, area: float, kinematic_viscosity: float, conductivity: float,
    prandtl: float, film_kelvin: float, formula: str,
) -> float:  # fmt: skip
    """Heat in W that a plate gives by natural convection, fluid properties given.

    Parameters
    ----------
    hot, room : degC
    length : m
        Characteristic length of the formula.
    area : m^2
    kinematic_viscosity, conductivity, prandtl : m^2/s, W/(m K), -
    film_kelvin : K
        Film temperature; the expansion is its inverse.
    formula : str
        Name of a formula of ``thermnet.physics.convection`` without ``nusselt_``.
    """
    rise = hot - room
    h = plate_coefficient(rise, length, kinematic_viscosity, conductivity, prandtl, film_kelvin, formula)
    return h * area * rise


def plate_coefficient(
    rise: float, length: float, kinematic_viscosity: float, conductivity: float, prandtl: float,
    film_kelvin: float, formula: str,
) -> float:  # fmt: skip
    """Coefficient in W/(m^2 K) of natural convection, as ``plate_heat`` takes it."""
    ra = convection.rayleigh_number(length, rise, kinematic_viscosity, prandtl, 1.0 / film_kelvin)
    with_prandtl = {
        "vertical_plate": convection.nusselt_vertical_plate,
        "vertical_plate_integral": convection.nusselt_vertical_plate_integral,
    }
    without = {
        "vertical_plate_turbulent": convection.nusselt_vertical_plate_turbulent,
        "horizontal_up_laminar": convection.nusselt_horizontal_up_laminar,
        "horizontal_down": convection.nusselt_horizontal_down,
    }
    nusselt = with_prandtl[formula](ra, prandtl) if formula in with_prandtl else without[formula](ra)
    return float(nusselt * conductivity / length)


def plate_flux(
    rise: float, length: float, kinematic_viscosity: float, conductivity: float, prandtl: float,
    film_kelvin: float, formula: str,
) -> float:  # fmt: skip
    """Mean flux in W/m^2 of natural convection, as ``plate_heat`` takes it."""
    return rise * plate_coefficient(
        rise, length, kinematic_viscosity, conductivity, prandtl, film_kelvin, formula
    )


def fin_sink_heat(
    rise: float, spacing: float, fins_on_base: float, length: float, height: float, conductivity: float
) -> float:
    """Heat in W of an upright heat sink with fins at their optimum spacing, both sides of each counted."""
    h = convection.OPTIMUM_FIN_NUSSELT * conductivity / spacing
    return float(h * 2.0 * fins_on_base * length * height * rise)


def stream_over_plate(
    velocity: float, length: float, kinematic_viscosity: float, conductivity: float, prandtl: float,
    rise: float = 1.0, width: float = 1.0, density: float = 1.0,
) -> dict[str, float]:  # fmt: skip
    """Work out forced convection over a flat plate.

    Returns
    -------
    dict
        ``reynolds``, ``nusselt``, ``coefficient`` in W/(m^2 K), ``heat`` in W, ``drag`` in N on one side
        in laminar flow.
    """
    reynolds = velocity * length / kinematic_viscosity
    nusselt = float(convection.nusselt_flat_plate(reynolds, prandtl))
    coefficient = nusselt * conductivity / length
    drag = (
        convection.drag_coefficient_flat_plate_laminar(reynolds)
        * 0.5
        * density
        * velocity**2
        * length
        * width
    )
    return {
        "reynolds": reynolds,
        "nusselt": nusselt,
        "coefficient": coefficient,
        "heat": coefficient * length * width * rise,
        "drag": float(drag) * width,
    }


def drag_by_analogy(coefficient: float, velocity: float, length: float, density: float, specific_heat: float,
                    prandtl: float) -> float:  # fmt: skip
    """Drag in N per metre of width on one side of a plate, from its heat transfer by Colburn's analogy."""
    stanton = coefficient / (density * specific_heat * velocity)
    return float(stanton * prandtl ** (2.0 / 3.0) * density * velocity**2 * length)


def gap_pressure_drop(gap: float, length: float, velocity: float, temperature: float) -> float:
    """Developed laminar pressure drop in Pa of air between two plates."""
    dh = 2.0 * gap
    friction = ducts.friction_developed(0.0) * air.viscosity(temperature)
    return float(friction * length * velocity / (2.0 * dh**2))


def fin_sink_resistance(capacity_rate: float, effectiveness: float) -> float:
    """Resistance in K/W from a fin base to the entering air, for a known effectiveness."""
    return 1.0 / (effectiveness * capacity_rate)


def fin_heat(
    length: float, thickness: float, conductivity: float, coefficient: float, base: float, room: float
) -> float:
    """Heat in W per metre of depth of a straight fin, its tip counted as half a thickness."""
    return float(fins.straight_fin_heat(length, thickness, conductivity, coefficient, base - room, "cooled"))


def radiating_body(area: float, heat: float, other_coefficient: float, air_temperature: float, mean: float,
                   emissivity: float) -> Any:  # fmt: skip
    """Temperature in degC of a small body that gives its heat by convection and linearised radiation."""
    total = other_coefficient + radiation.linearised_coefficient(mean, emissivity)
    return air_temperature + heat / (area * total)


def plate_radiation(area: float, hot: float, cold: float, emissivity: float) -> float:
    """Net heat in W that a plate radiates to a large room."""
    return float(area * radiation.net_flux(hot, cold, emissivity))


def linearised_over_exact(hot: float, cold: float, emissivity: float) -> dict[str, float]:
    """Radiation coefficient in W/(m^2 K), ``exact`` and ``linearised`` about the mean temperature."""
    return {
        "exact": float(radiation.radiation_coefficient(hot, cold, emissivity)),
        "linearised": float(radiation.linearised_coefficient(0.5 * (hot + cold), emissivity)),
    }
