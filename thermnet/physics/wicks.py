"""Wicks of heat pipes and vapor chambers: porosity, permeability, pore radius and conductivity by type.

All functions take floats or arrays that broadcast.  A :class:`Wick` is what the limits need of any wick.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from thermnet.physics.ducts import friction_developed

CRIMP = 1.05
"""Crimping factor of a woven screen (Chi 1976)."""

KOZENY_SPHERES = 150.0
"""Blake-Kozeny constant of a bed of spheres (Chi 1976; the laminar constant of Ergun 1952)."""

KOZENY_SCREEN = 122.0
"""Blake-Kozeny constant of stacked woven screens (Marcus 1972, quoted by Chi 1976)."""


class Wick(NamedTuple):
    """What a heat-pipe limit needs of a wick.

    Attributes
    ----------
    porosity : share of the wick's volume open to liquid
    permeability : m^2
    pore_radius : effective capillary radius, m (capillary pressure is 2 sigma / radius)
    conductivity : effective conductivity through the thickness when full of liquid, W/(m K)
    """

    porosity: Any
    permeability: Any
    pore_radius: Any
    conductivity: Any


# -- porosity --------------------------------------------------------------------------------------


def screen_porosity(mesh_pitch: Any, wire_diameter: Any, crimp: Any = CRIMP) -> Any:
    """Porosity of a stack of woven screens.

    ``1 - pi crimp d / (4 pitch)``.

    Parameters
    ----------
    mesh_pitch : float or array
        Distance from wire to wire, m (a 200-mesh screen has 25.4 mm / 200 = 127 um).
    wire_diameter : float or array
        m; must leave an opening.
    crimp : float
        Crimping factor.

    Raises
    ------
    ValueError
        The porosity comes out outside 0 to 1 (wire thicker than the pitch allows).

    Notes
    -----
    Source: Chi, Heat Pipe Theory and Practice, 1976.
    """
    porosity = 1.0 - 0.25 * np.pi * np.asarray(crimp) * np.asarray(wire_diameter) / np.asarray(mesh_pitch)
    if np.any(porosity <= 0) or np.any(porosity >= 1) or np.any(np.asarray(wire_diameter) >= mesh_pitch):
        raise ValueError(
            f"wire diameter {wire_diameter!r} m at mesh pitch {mesh_pitch!r} m; "
            "expected a wire thinner than the pitch"
        )
    return porosity if np.ndim(porosity) else float(porosity)


def groove_porosity(groove_width: Any, land_width: Any) -> Any:
    """Open share of a row of axial grooves: ``w / (w + land)``."""
    return groove_width / (groove_width + land_width)


# -- permeability ----------------------------------------------------------------------------------


def spheres_permeability(particle_diameter: Any, porosity: Any) -> Any:
    """Permeability of sintered spherical powder in m^2: ``d^2 e^3 / (150 (1 - e)^2)``.

    Source: Blake-Kozeny equation (Chi 1976); the laminar part of Ergun's equation.
    """
    return particle_diameter**2 * porosity**3 / (KOZENY_SPHERES * (1.0 - porosity) ** 2)


def screen_permeability(wire_diameter: Any, porosity: Any) -> Any:
    """Permeability of stacked woven screens in m^2: ``d^2 e^3 / (122 (1 - e)^2)`` (Chi 1976)."""
    return wire_diameter**2 * porosity**3 / (KOZENY_SCREEN * (1.0 - porosity) ** 2)


def groove_permeability(groove_width: Any, groove_depth: Any, land_width: Any) -> Any:
    """Permeability of open rectangular axial grooves in m^2, seen over the whole layer (lands included).

    ``e Dh^2 / (2 f Re)`` (Fanning) with ``Dh = 4 w depth / (w + 2 depth)`` (no wall on the open side);
    vapour drag on the open side is left out.

    Source: Chi 1976; Faghri, Heat Pipe Science and Technology, 1995.
    """
    hydraulic = 4.0 * groove_width * groove_depth / (groove_width + 2.0 * groove_depth)
    aspect = np.minimum(groove_width, groove_depth) / np.maximum(groove_width, groove_depth)
    return groove_porosity(groove_width, land_width) * hydraulic**2 / (0.5 * friction_developed(aspect))


# -- pore radius -----------------------------------------------------------------------------------


def spheres_pore_radius(particle_diameter: Any) -> Any:
    """Effective pore radius of sintered spherical powder in m: 0.41 of the sphere's radius (Chi 1976)."""
    return 0.41 * 0.5 * particle_diameter


def screen_pore_radius(mesh_pitch: Any) -> Any:
    """Effective pore radius of a woven screen in m: half the pitch (Chi 1976)."""
    return 0.5 * mesh_pitch


def groove_pore_radius(groove_width: Any) -> Any:
    """Effective pore radius of an open rectangular groove in m: its width (Chi 1976)."""
    return groove_width


# -- effective conductivity ------------------------------------------------------------------------


def spheres_conductivity_bound(porosity: Any, solid_conductivity: Any, liquid_conductivity: Any) -> Any:
    """Upper bound of the conductivity of sintered powder full of liquid, W/(m K).

    ``ks [2 + r - 2 e (1 - r)] / [2 + r + e (1 - r)]`` with ``r = kl/ks`` (Maxwell, liquid spheres in metal).
    Measured wicks conduct 1.75 to more than 10 times less: use :func:`spheres_conductivity` for a design.

    Source: Chi 1976.
    """
    ratio = liquid_conductivity / solid_conductivity
    return (
        solid_conductivity
        * (2.0 + ratio - 2.0 * porosity * (1.0 - ratio))
        / (2.0 + ratio + porosity * (1.0 - ratio))
    )


def spheres_conductivity(porosity: Any, solid_conductivity: Any, liquid_conductivity: Any) -> Any:
    """Conductivity of sintered powder full of liquid, W/(m K): the weighted geometric mean ``kl^e ks^(1-e)``.

    Gives 16 W/(m K) for copper and water at porosity 0.5 and 22 at 0.45, between the measured 15 (Bartmeyer
    et al., Braz. J. Development) and 142 (Lin, Semenic, Catton et al., spherical powder at porosity 0.28).

    Source: Alexander 1972, quoted from memory; common practice.
    """
    return liquid_conductivity**porosity * solid_conductivity ** (1.0 - porosity)


def screen_conductivity(porosity: Any, solid_conductivity: Any, liquid_conductivity: Any) -> Any:
    """Conductivity of loosely stacked screens full of liquid, W/(m K).

    ``kl [(kl + ks) - (1 - e)(kl - ks)] / [(kl + ks) + (1 - e)(kl - ks)]``.  Screens sintered to the wall
    and to each other conduct several times better.

    Source: Chi 1976.
    """
    solid, liquid = solid_conductivity, liquid_conductivity
    part = (1.0 - porosity) * (liquid - solid)
    return liquid * ((liquid + solid) - part) / ((liquid + solid) + part)


def groove_conductivity(porosity: Any, solid_conductivity: Any, liquid_conductivity: Any) -> Any:
    """Conductivity of lands and filled grooves in parallel, W/(m K): ``ks [1 - e (1 - kl/ks)]``.

    Source: Chi 1976.
    """
    return solid_conductivity * (1.0 - porosity * (1.0 - liquid_conductivity / solid_conductivity))


# -- whole wicks -----------------------------------------------------------------------------------


def sintered_powder(
    particle_diameter: Any, porosity: Any, solid_conductivity: Any, liquid_conductivity: Any
) -> Wick:
    """Wick of sintered spherical powder (``particle_diameter`` in m, conductivities in W/(m K))."""
    return Wick(
        porosity,
        spheres_permeability(particle_diameter, porosity),
        spheres_pore_radius(particle_diameter),
        spheres_conductivity(porosity, solid_conductivity, liquid_conductivity),
    )


def screen_mesh(
    mesh_pitch: Any, wire_diameter: Any, solid_conductivity: Any, liquid_conductivity: Any, crimp: Any = CRIMP
) -> Wick:
    """Wick of stacked woven screens (lengths in m, conductivities in W/(m K))."""
    porosity = screen_porosity(mesh_pitch, wire_diameter, crimp)
    return Wick(
        porosity,
        screen_permeability(wire_diameter, porosity),
        screen_pore_radius(mesh_pitch),
        screen_conductivity(porosity, solid_conductivity, liquid_conductivity),
    )


def axial_grooves(
    groove_width: Any, groove_depth: Any, land_width: Any, solid_conductivity: Any, liquid_conductivity: Any
) -> Wick:
    """Wick of open axial grooves, as thick as they are deep (lengths in m, conductivities in W/(m K))."""
    porosity = groove_porosity(groove_width, land_width)
    return Wick(
        porosity,
        groove_permeability(groove_width, groove_depth, land_width),
        groove_pore_radius(groove_width),
        groove_conductivity(porosity, solid_conductivity, liquid_conductivity),
    )


def composite(cover: Wick, cover_thickness: Any, channel: Wick, channel_thickness: Any) -> Wick:
    """Wick of a fine cover over a coarse layer: the cover pumps, both carry liquid, heat crosses both.

    Porosity and permeability are thickness-weighted (flow in parallel), the pore radius is the cover's, the
    conductivity is the thickness-weighted harmonic mean.

    Source: parallel flow and series conduction (Faghri 1995 treats composite wicks so); elementary.
    """
    total = cover_thickness + channel_thickness
    share = cover_thickness / total
    return Wick(
        share * cover.porosity + (1.0 - share) * channel.porosity,
        share * cover.permeability + (1.0 - share) * channel.permeability,
        cover.pore_radius,
        1.0 / (share / cover.conductivity + (1.0 - share) / channel.conductivity),
    )
