"""Textbook examples of conduction and contact that chain several functions of the package."""

from __future__ import annotations

from typing import Any

import numpy as np

from thermnet.materials.solids import solid
from thermnet.physics import conduction, interface, touch


def bead_diameter(
    time_constant: float, film_coefficient: float, density: float, specific_heat: float
) -> float:
    """Diameter in m of a sphere with a given time constant."""
    # The time constant of a sphere is proportional to its diameter.
    return time_constant / sphere_time_constant(1.0, film_coefficient, density, specific_heat)


def sphere_time_constant(
    diameter: float, film_coefficient: float, density: float, specific_heat: float
) -> float:
    """Time constant in s of a sphere."""
    volume, area = np.pi * diameter**3 / 6.0, np.pi * diameter**2
    return float(conduction.lumped_time_constant(volume, area, density, specific_heat, film_coefficient))


def sphere_rate(diameter: float, film_coefficient: float, density: float, specific_heat: float) -> float:
    """Inverse time constant of a sphere, 1/s."""
    return 1.0 / sphere_time_constant(diameter, film_coefficient, density, specific_heat)


def sphere_time_to(
    temperature: float, initial: float, surroundings: float, diameter: float, film_coefficient: float,
    density: float, specific_heat: float,
) -> float:  # fmt: skip
    """Time in s for a sphere to reach a temperature."""
    tau = sphere_time_constant(diameter, film_coefficient, density, specific_heat)
    return float(conduction.lumped_time_to(temperature, initial, surroundings, tau))


def block_after_surface_step(
    initial: float, surface: float, depth: float, time: float, diffusivity: float
) -> float:
    """Temperature in degC inside a thick block whose surface is suddenly held at another temperature."""
    return float(initial + (surface - initial) * conduction.half_space_surface_step(depth, time, diffusivity))


def block_after_flux_step(
    initial: float, flux: float, depth: float, time: float, conductivity: float, diffusivity: float
) -> float:
    """Temperature in degC inside a thick block after a constant flux begins."""
    return float(initial + conduction.half_space_flux_step(depth, time, flux, conductivity, diffusivity))


def frost_depth(
    initial: float, surface: float, limit: float, time: float, conductivity: float, density: float,
    specific_heat: float,
) -> float:  # fmt: skip
    """Depth in m at which soil reaches a limit a time after its surface has turned cold."""
    diffusivity = conductivity / (density * specific_heat)
    return float(conduction.half_space_depth_of((limit - initial) / (surface - initial), time, diffusivity))


def ladder_of_slab(fourier: float, stages: int) -> float:
    """Rise of the heated end of a ladder of equal resistors and capacitors over its steady rise.

    A slab of unit resistance and capacity cut into ``stages``; approaches the slab as they become many.
    """
    from scipy.linalg import eigh_tridiagonal

    n = int(stages)
    conductance = capacity = float(n)
    diagonal = np.full(n, 2.0 * conductance)
    diagonal[0] = conductance
    # Capacities are 1/n each: rates are n times the conductance matrix.
    values, vectors = eigh_tridiagonal(diagonal * capacity, np.full(n - 1, -conductance * capacity))
    return float(np.sum(vectors[0] ** 2 * -np.expm1(-values * fourier) * capacity / values))


def bars_in_contact(
    length: float, diameter: float, conductivity: float, contact_conductance: float, difference: float
) -> dict[str, Any]:
    """Two equal bars end to end: heat in W and temperature drop at their contact in K."""
    area = np.pi * diameter**2 / 4.0
    bar = conduction.layer_resistance(length, conductivity, area)
    contact = interface.area_resistance(0.0, 1.0, 1.0 / contact_conductance) / area
    heat = difference / (2.0 * bar + contact)
    return {"heat": float(heat), "contact_drop": float(heat * contact)}


def device_on_plate(
    contact_conductance: float, contact_area: float, thickness: float, conductivity: float, plate_area: float,
    film_coefficient: float, hot: float, ambient: float,
) -> dict[str, Any]:  # fmt: skip
    """Power device pressed on a thick plate cooled by air: heat in W, total resistance, contact drop in K."""
    contact = interface.area_resistance(0.0, 1.0, 1.0 / contact_conductance) / contact_area
    plate = conduction.layer_resistance(thickness, conductivity, plate_area)
    total = contact + plate + 1.0 / (film_coefficient * plate_area)
    heat = (hot - ambient) / total
    return {"heat": float(heat), "resistance": float(total), "contact_drop": float(heat * contact)}


def bond_line_ratio(pressure_ratio: float) -> float:
    """Bond line of a paste after its pressure has been multiplied, over that before."""
    first = interface.paste_bond_line(50.0, 2e5)
    return float(interface.paste_bond_line(50.0, 2e5 * pressure_ratio) / first)


def contact_conductance_ratio(pressure_ratio: float) -> float:
    """Conductance of a bare metal contact after its pressure has been multiplied, over that before."""
    values = (200.0, 2e-6, 0.15)
    first = interface.contact_conductance(*values, 5e5, 1.2e9)
    return float(interface.contact_conductance(*values, 5e5 * pressure_ratio, 1.2e9) / first)


def air_gap_resistance(
    gap: float,
    area: float,
    gas_conductivity: float,
    emissivity_1: float,
    emissivity_2: float,
    temperature: float,
) -> float:
    """Resistance of an air gap of some area, K/W."""
    conductance = interface.air_gap_conductance(
        gap, gas_conductivity, emissivity_1, emissivity_2, temperature
    )
    return float(1.0 / (conductance * area))


def touch_of_material(material: str, surface: float, skin: float, skin_effusivity: float) -> float:
    """Temperature in degC at which skin of some effusivity and a material of the table meet."""
    row = solid(material)
    return float(
        touch.contact_temperature(
            surface,
            row.through_conductivity,
            row.density,
            row.specific_heat,
            skin,
            1.0,
            1.0,
            skin_effusivity**2,
        )
    )
