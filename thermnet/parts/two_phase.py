"""What heat pipes and vapor chambers declare alike: wall, wick, supplier's overrides, dry-out behaviour."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from thermnet.materials import water
from thermnet.materials.solids import solid
from thermnet.network import DryOut
from thermnet.parameter import choice, declarations, quantity, text
from thermnet.parts.base import Part
from thermnet.physics import two_phase, wicks

REFERENCE = 55.0
"""Vapour temperature at which limits and resistances are stated, degC."""

FITTED = np.linspace(40.0, 70.0, 7)
"""Vapour temperatures over which the limit's slope is fitted, degC."""

WICKS = ("sintered_powder", "screen_mesh", "axial_grooves", "composite")


@dataclass(frozen=True, kw_only=True)
class TwoPhasePart(Part):
    """Base of parts that carry heat by vapour of water behind a wick."""

    wall_material: str = text(default="copper", doc="solid of the wall and of the wick's metal")
    wick: str = choice(
        WICKS, default="sintered_powder",
        doc="kind of wick; composite is sintered powder over axial grooves",
    )  # fmt: skip
    wick_thickness: Any = quantity(
        "m", default=0.42e-3, shown="mm", above=0.0, plausible=(0.1e-3, 1.0e-3), tolerance=0.15, step=0.05e-3,
        doc="thickness of the wick on the wall",
        source="fitted to the pipes of Electronics Cooling, Aug 2016",
    )  # fmt: skip
    porosity: Any = quantity(
        "1", default=0.45, above=0.0, below=1.0, plausible=(0.3, 0.65), tolerance=0.08, step=0.02,
        doc="share of a sintered wick open to liquid",
    )  # fmt: skip
    particle_diameter: Any = quantity(
        "m", default=105e-6, shown="um", above=0.0, plausible=(40e-6, 250e-6), tolerance=0.10, step=10e-6,
        doc="diameter of the sintered powder", source="fitted to the pipes of Electronics Cooling, Aug 2016",
    )  # fmt: skip
    mesh_pitch: Any = quantity(
        "m", default=127e-6, shown="um", above=0.0, plausible=(60e-6, 260e-6), tolerance=0.03,
        doc="distance from wire to wire of a screen (200 mesh: 127 um)",
    )  # fmt: skip
    wire_diameter: Any = quantity(
        "m", default=50e-6, shown="um", above=0.0, plausible=(20e-6, 110e-6), tolerance=0.05,
        doc="wire diameter of a screen",
    )  # fmt: skip
    groove_width: Any = quantity(
        "m", default=0.20e-3, shown="mm", above=0.0, plausible=(0.05e-3, 0.5e-3), tolerance=0.08,
        doc="width of axial grooves",
    )  # fmt: skip
    land_width: Any = quantity(
        "m", default=0.15e-3, shown="mm", above=0.0, plausible=(0.05e-3, 0.5e-3), tolerance=0.10,
        doc="width of the lands between axial grooves",
    )  # fmt: skip
    cover_share: Any = quantity(
        "1", default=0.4, above=0.0, below=1.0, plausible=(0.2, 0.8),
        doc="share of a composite wick's thickness that is the fine cover over the grooves",
    )  # fmt: skip
    permeability: Any = quantity(
        "m^2", default=None, above=0.0, plausible=(5e-13, 3e-10),
        doc="permeability of the wick, in place of the computed one",
    )  # fmt: skip
    pore_radius: Any = quantity(
        "m", default=None, shown="um", above=0.0, plausible=(5e-6, 200e-6),
        doc="effective pore radius of the wick, in place of the computed one",
    )  # fmt: skip
    wick_conductivity: Any = quantity(
        "W/(m*K)", default=None, above=0.0, plausible=(1.0, 150.0),
        doc="conductivity of the filled wick, in place of the computed one",
        source="sintered copper: measured from 15 (Bartmeyer et al.) to 142 W/(m K) (Lin et al.)",
    )  # fmt: skip
    nucleation_radius: Any = quantity(
        "m", default=two_phase.NUCLEATION_RADIUS, shown="um", above=0.0, plausible=(0.254e-6, 25.4e-6),
        doc="radius of vapour nuclei in the wick; the boiling limit is nearly inverse to it",
        source="Chi 1976, from memory",
    )  # fmt: skip
    fill: Any = quantity(
        "1", default=1.1, above=0.0, plausible=(0.8, 1.5),
        doc="water, as a multiple of what the wick's pores hold",
    )  # fmt: skip
    tilt: Any = quantity(
        "deg", default=0.0, at_least=-90.0, at_most=90.0, plausible=(-90.0, 90.0), step=5.0,
        doc="evaporator above condenser, degrees; negative when gravity helps",
    )  # fmt: skip
    resistance: Any = quantity(
        "K/W", default=None, above=0.0, plausible=(0.02, 1.0), tolerance=0.20,
        doc="resistance measured by the supplier, in place of the computed one",
    )  # fmt: skip
    heat_limit: Any = quantity(
        "W", default=None, above=0.0, plausible=(5.0, 200.0), tolerance=0.15,
        doc="heat limit measured by the supplier at 55 degC vapour, as built and tilted",
    )  # fmt: skip
    steepness: Any = quantity(
        "1", default=4.0, at_least=1.0, plausible=(2.0, 20.0),
        doc="how many times the resistance rises for heat beyond the limit",
    )  # fmt: skip
    rewet: Any = quantity(
        "1", default=1.0, above=0.0, at_most=1.0, plausible=(0.6, 1.0),
        doc="share of the limit to which heat must fall before a dried wick is wet again (1: no hysteresis)",
    )  # fmt: skip
    full_above: Any = quantity(
        "degC", default=12.0, at_least=0.0, at_most=40.0, plausible=(5.0, 20.0),
        doc="vapour temperature above which a cold start no longer holds it back (0: no cold start)",
    )  # fmt: skip

    @property
    def wall_conductivity(self) -> float:
        """Conductivity of the wall's metal, W/(m K)."""
        return solid(self.wall_material).conductivity

    def filled_wick(self, vapour_temperature: Any) -> wicks.Wick:
        """Properties of the wick full of water at ``vapour_temperature`` degC, overrides included."""
        metal = self.wall_conductivity
        liquid = water.liquid_conductivity(water.within_range(vapour_temperature))
        if self.wick == "sintered_powder":
            made = wicks.sintered_powder(self.particle_diameter, self.porosity, metal, liquid)
        elif self.wick == "screen_mesh":
            made = wicks.screen_mesh(self.mesh_pitch, self.wire_diameter, metal, liquid)
        elif self.wick == "axial_grooves":
            made = wicks.axial_grooves(self.groove_width, self.wick_thickness, self.land_width, metal, liquid)
        else:
            cover = wicks.sintered_powder(self.particle_diameter, self.porosity, metal, liquid)
            thin, deep = (
                self.cover_share * self.wick_thickness,
                (1.0 - self.cover_share) * self.wick_thickness,
            )
            grooves = wicks.axial_grooves(self.groove_width, deep, self.land_width, metal, liquid)
            made = wicks.composite(cover, thin, grooves, deep)
        return wicks.Wick(
            made.porosity,
            made.permeability if self.permeability is None else self.permeability,
            made.pore_radius if self.pore_radius is None else self.pore_radius,
            made.conductivity if self.wick_conductivity is None else self.wick_conductivity,
        )

    def limit_at(self, vapour_temperature: Any) -> Any:
        """Heat limit in W of one item, computed, at ``vapour_temperature`` degC."""
        raise NotImplementedError

    def limit_line(self) -> tuple[Any, Any]:
        """Heat limit in W of one item at 55 degC vapour, and its relative slope in 1/K over 40 to 70 degC.

        With ``heat_limit`` given, that value and the computed slope.
        """
        return self._limit_line

    @cached_property
    def _limit_line(self) -> tuple[Any, Any]:
        # A part never changes, and a machine is put together several times from the same parts.
        shape = self.sample_shape()
        temperature = FITTED.reshape(-1, *(1 for _ in shape))
        values = np.broadcast_to(self.limit_at(temperature), (len(FITTED), *shape))
        value, slope = two_phase.limit_line(FITTED, values, REFERENCE)
        return (value if self.heat_limit is None else self.heat_limit), slope

    def law(self, resistance: Any, number: Any = 1) -> DryOut:
        """Link law of ``number`` equal items, each of ``resistance`` K/W unless the supplier's is given."""
        limit, slope = self.limit_line()
        own = resistance if self.resistance is None else self.resistance
        return DryOut(
            resistance=own / number, limit=limit * number, reference=REFERENCE, slope=slope,
            steepness=self.steepness, rewet=self.rewet, full_above=self.full_above,
        )  # fmt: skip

    def sample_shape(self) -> tuple[int, ...]:
        """Trailing sample axes of this part's numbers."""
        numbers = [getattr(self, n) for n, d in declarations(self).items() if d.role in ("quantity", "count")]
        return np.broadcast_shapes(*(np.shape(v) for v in numbers if v is not None))

    def metal_capacity(self, volume: Any) -> Any:
        """Heat capacity in J/K of ``volume`` m^3 of the wall's metal."""
        return volume * solid(self.wall_material).volumetric_heat_capacity

    def water_capacity(self, volume: Any) -> Any:
        """Heat capacity in J/K of ``volume`` m^3 of water at 55 degC."""
        return volume * water.liquid_density(REFERENCE) * water.liquid_specific_heat(REFERENCE)

    def mass_of(self, metal: Any, liquid: Any) -> Any:
        """Mass in kg of ``metal`` m^3 of the wall's metal and ``liquid`` m^3 of water."""
        return metal * solid(self.wall_material).density + liquid * water.liquid_density(REFERENCE)
