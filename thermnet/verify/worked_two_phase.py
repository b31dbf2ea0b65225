"""Worked examples of heat pipes, vapor chambers and heat storage that chain several functions."""

from __future__ import annotations

from typing import Any

import numpy as np

from thermnet.materials import water
from thermnet.physics import heat_pipe, pipe_limits, storage, vapor_chamber, wicks
from thermnet.physics.heat_pipe import Lengths
from thermnet.physics.two_phase import bend_derate


def round_pipe_limits(
    vapour_temperature: Any,
    inner_radius: Any,
    vapour_radius: Any,
    evaporator: Any,
    middle: Any,
    condenser: Any,
    particle_diameter: Any,
    porosity: Any,
    nucleation_radius: Any,
    solid_conductivity: Any,
    tilt: Any = 0.0,
) -> dict[str, Any]:
    """All limits in W of a round pipe with a sintered wick whose conductivity is the Maxwell upper bound.

    Radii and lengths in m; the wick's resistance is that of a cylinder's wall, ``ln(ri/rv)/(2 pi L k)``.
    """
    lengths = Lengths(evaporator, middle, condenser)
    area, diameter = np.pi * vapour_radius**2, 2.0 * vapour_radius
    liquid = water.liquid_conductivity(vapour_temperature)
    conductivity = wicks.spheres_conductivity_bound(porosity, solid_conductivity, liquid)
    resistance = np.log(inner_radius / vapour_radius) / (2.0 * np.pi * evaporator * conductivity)
    pore = wicks.spheres_pore_radius(particle_diameter)
    return {
        "capillary": pipe_limits.capillary_limit(
            vapour_temperature,
            pore_radius=pore,
            permeability=wicks.spheres_permeability(particle_diameter, porosity),
            wick_area=np.pi * (inner_radius**2 - vapour_radius**2),
            vapour_area=area,
            vapour_diameter=diameter,
            effective_length=lengths.effective,
            length=lengths.total,
            vapour_height=diameter,
            tilt=tilt,
        ),
        "sonic": pipe_limits.sonic_limit(vapour_temperature, area),
        "entrainment": pipe_limits.entrainment_limit(vapour_temperature, area, pore),
        "boiling": pipe_limits.boiling_limit(vapour_temperature, resistance, pore, nucleation_radius),
        "viscous": pipe_limits.viscous_limit(vapour_temperature, area, diameter, lengths.effective),
    }


def sintered_pipe_limit(
    vapour_temperature: Any,
    diameter: Any,
    thickness: Any,
    evaporator: Any,
    middle: Any,
    condenser: Any,
    wall_thickness: Any,
    wick_thickness: Any,
    particle_diameter: Any,
    porosity: Any,
    solid_conductivity: Any,
    tilt: Any = 0.0,
    bends: Any = 0.0,
) -> Any:
    """Heat limit in W of a sintered pipe of ``diameter`` pressed to ``thickness`` (equal: round).

    Lengths in m.
    """
    section = heat_pipe.pipe_section(diameter, wall_thickness, wick_thickness, thickness)
    liquid = water.liquid_conductivity(vapour_temperature)
    wick = wicks.sintered_powder(particle_diameter, porosity, solid_conductivity, liquid)
    lengths = Lengths(evaporator, middle, condenser)
    parts = heat_pipe.resistances(
        vapour_temperature, section, wick, lengths, wall_conductivity=solid_conductivity
    )
    straight = pipe_limits.heat_limit(
        vapour_temperature, section, wick, lengths, wick_resistance=parts["evaporator_wick"], tilt=tilt
    )
    return straight * bend_derate(bends)


def mesh_chamber(
    vapour_temperature: Any,
    length: Any,
    width: Any,
    thickness: Any,
    vapour_gap: Any,
    source_side: Any,
    mesh_pitch: Any,
    wire_diameter: Any,
    wick_conductivity: Any,
    solid_conductivity: Any,
) -> dict[str, Any]:
    """Heat limit in W and resistance in K/W of a thin chamber with one layer of mesh under a square source.

    The layer is two wires thick; the walls share the rest of the thickness.  Lengths in m.
    """
    liquid = water.liquid_conductivity(vapour_temperature)
    layer = 2.0 * wire_diameter
    wick = wicks.screen_mesh(mesh_pitch, wire_diameter, solid_conductivity, liquid)
    wall = 0.5 * (thickness - vapour_gap - layer)
    source, area = source_side**2, length * width
    under = vapor_chamber.source_resistance(source, wall, solid_conductivity, layer, wick_conductivity)
    limit = vapor_chamber.heat_limit(
        vapour_temperature,
        wick,
        wick_thickness=layer,
        vapour_gap=vapour_gap,
        source_area=source,
        chamber_area=area,
        wick_resistance=under["wick"],
    )
    vapour = vapor_chamber.vapour_resistance(vapour_temperature, vapour_gap, source, area)
    return {"limit": limit, "resistance": under["wall"] + under["wick"] + vapour}


def pack_energy(
    amount: Any,
    start: Any,
    end: Any,
    melting_temperature: Any,
    latent_heat: Any,
    solid_heat: Any,
    liquid_heat: Any,
) -> Any:
    """Heat in J that takes ``amount`` kg of storage material from ``start`` to ``end`` degC."""
    return amount * storage.heat_between(
        start, end, melting_temperature, latent_heat, solid_heat, liquid_heat
    )
