"""Heat pipe: carries heat from a hot place to a distant one, up to a limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from thermnet.parameter import count, quantity
from thermnet.parts.base import Assembly, Limit, Patch
from thermnet.parts.two_phase import REFERENCE, TwoPhasePart
from thermnet.physics import heat_pipe, pipe_limits, two_phase
from thermnet.physics.heat_pipe import Lengths, Section


@dataclass(frozen=True, kw_only=True)
class HeatPipe(TwoPhasePart):
    """One or several equal copper-water heat pipes between two places.

    Faces ``evaporator`` and ``condenser`` have the pipes' footprint as area.  The resistance is constant up
    to the heat limit and rises smoothly beyond it; the limit depends on vapour temperature, tilt, bends and
    flattening. With the defaults the computed limits are within 15 % of the published table for round pipes
    of 3 to 8 mm and their flattened forms (Electronics Cooling, Aug 2016; length and temperature assumed).
    Replace ``resistance`` and ``heat_limit`` by your supplier's measured values where you have them.
    """

    kind: ClassVar[str] = "heat_pipe"
    faces: ClassVar[tuple[str, ...]] = ("evaporator", "condenser")

    diameter: Any = quantity(
        "m", shown="mm", above=0.0, plausible=(3e-3, 10e-3), tolerance=0.01, step=1e-3,
        doc="outer diameter before flattening",
    )  # fmt: skip
    flattened_thickness: Any = quantity(
        "m", default=None, shown="mm", above=0.0, plausible=(1e-3, 10e-3),
        absolute_tolerance=0.1e-3, step=0.5e-3,
        doc="outer thickness after flattening (left out: round)",
    )  # fmt: skip
    length: Any = quantity(
        "m", shown="mm", above=0.0, plausible=(0.06, 0.35), absolute_tolerance=1e-3, step=5e-3,
        doc="length along the axis, end to end",
    )  # fmt: skip
    evaporator_length: Any = quantity(
        "m", shown="mm", above=0.0, plausible=(8e-3, 80e-3), absolute_tolerance=1e-3, step=2e-3,
        doc="length that takes up heat",
    )  # fmt: skip
    condenser_length: Any = quantity(
        "m", shown="mm", above=0.0, plausible=(20e-3, 120e-3), absolute_tolerance=1e-3, step=5e-3,
        doc="length that gives off heat",
    )  # fmt: skip
    wall_thickness: Any = quantity(
        "m", default=0.3e-3, shown="mm", above=0.0, plausible=(0.08e-3, 0.5e-3), tolerance=0.10,
        doc="thickness of the tube's wall",
    )  # fmt: skip
    bends: Any = quantity(
        "deg", default=0.0, at_least=0.0, at_most=720.0, plausible=(0.0, 270.0), step=15.0,
        doc="sum of all bends",
    )  # fmt: skip
    bend_loss: Any = quantity(
        "1", default=0.035, at_least=0.0, below=1.0, plausible=(0.02, 0.05),
        doc="share of the heat limit lost per right angle of bend",
    )  # fmt: skip
    count: int = count(default=1, at_least=1, at_most=12, doc="number of equal pipes side by side")

    def __post_init__(self) -> None:
        super().__post_init__()
        height = self.height
        if np.any(np.asarray(height) > np.asarray(self.diameter)):
            raise ValueError(
                f"HeatPipe.flattened_thickness: {1e3 * float(np.max(height)):.3g} mm; "
                "expected at most the diameter"
            )
        ends = np.asarray(self.evaporator_length) + self.condenser_length
        if np.any(ends > np.asarray(self.length) * (1.0 + 1e-9)):
            raise ValueError(
                f"HeatPipe.length: {1e3 * float(np.min(self.length)):.4g} mm, less than evaporator "
                f"and condenser together; expected at least {1e3 * float(np.max(ends)):.4g} mm"
            )
        layers = 2.0 * (np.asarray(self.wall_thickness) + self.wick_thickness)
        if np.any(np.asarray(height) <= layers):
            raise ValueError(
                f"HeatPipe.wick_thickness: walls and wicks fill {1e3 * float(np.max(layers)):.3g} mm "
                f"and leave no room for vapour; expected less than "
                f"the pipe's {1e3 * float(np.min(height)):.3g} mm"
            )

    @property
    def height(self) -> Any:
        """Outer thickness, m."""
        return self.diameter if self.flattened_thickness is None else self.flattened_thickness

    @property
    def section(self) -> Section:
        """Cross-section of one pipe."""
        return heat_pipe.pipe_section(
            self.diameter, self.wall_thickness, self.wick_thickness, self.flattened_thickness
        )

    @property
    def lengths(self) -> Lengths:
        """Evaporator, middle and condenser."""
        middle = np.maximum(self.length - self.evaporator_length - self.condenser_length, 0.0)
        return Lengths(self.evaporator_length, middle, self.condenser_length)

    def resistances(self, vapour_temperature: Any = REFERENCE) -> dict[str, Any]:
        """Resistances of one pipe in K/W by name, computed, from evaporator outside to condenser outside."""
        return heat_pipe.resistances(
            vapour_temperature, self.section, self.filled_wick(vapour_temperature), self.lengths,
            wall_conductivity=self.wall_conductivity,
        )  # fmt: skip

    def limits(self, vapour_temperature: Any = REFERENCE) -> dict[str, Any]:
        """All limits of one pipe in W by name, straight and warm."""
        return pipe_limits.heat_limits(
            vapour_temperature, self.section, self.filled_wick(vapour_temperature), self.lengths,
            wick_resistance=self.resistances(vapour_temperature)["evaporator_wick"], tilt=self.tilt,
            nucleation_radius=self.nucleation_radius,
        )  # fmt: skip

    def governing_limit(self, vapour_temperature: Any = REFERENCE) -> tuple[Any, Any]:
        """Name and value in W of the limit that governs one pipe."""
        return two_phase.governing(self.limits(vapour_temperature))

    def limit_at(self, vapour_temperature: Any) -> Any:
        """Heat limit of one pipe in W, computed: smooth minimum of all, bends counted, cold start not."""
        return two_phase.smooth_minimum(*self.limits(vapour_temperature).values()) * two_phase.bend_derate(
            self.bends, self.bend_loss
        )

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add nodes ``name.evaporator``, ``name.condenser``, their link, the faces and the dry-out limit."""
        evaporator, condenser = f"{name}.evaporator", f"{name}.condenser"
        capacity = self.capacity()
        lengths = self.lengths
        hot_share = (lengths.evaporator + 0.5 * lengths.adiabatic) / lengths.total
        law = self.law(sum(self.resistances().values()), self.count)
        assembly.network.add_node(evaporator, capacity * hot_share, part=name)
        assembly.network.add_node(condenser, capacity * (1.0 - hot_share), part=name)
        link = assembly.network.add_link(evaporator, condenser, law=law)
        footprint = self.count * self.section.width
        for node, length in ((evaporator, self.evaporator_length), (condenser, self.condenser_length)):
            assembly.add_face(node, Patch(node, footprint * length), material=self.wall_material)
        assembly.limits.append(Limit(f"{name} dry-out", "dry_out", law.limit, link=link))

    def volumes(self) -> tuple[Any, Any]:
        """Metal and water of all pipes, m^3."""
        section, filled = self.section, self.filled_wick(REFERENCE)
        metal = self.count * heat_pipe.metal_volume(section, filled, self.length)
        return metal, self.count * heat_pipe.water_volume(section, filled, self.length, self.fill)

    def capacity(self) -> Any:
        """Heat capacity of all pipes with their water, J/K."""
        metal, liquid = self.volumes()
        return self.metal_capacity(metal) + self.water_capacity(liquid)

    def mass(self) -> Any:
        """Mass of all pipes with their water, kg (end caps left out)."""
        return self.mass_of(*self.volumes())

    def thickness_in_stack(self) -> Any:
        """Outer thickness, m."""
        return self.height
