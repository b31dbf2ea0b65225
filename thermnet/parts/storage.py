"""Heat storage by melting: a pack of wax-like material that takes up a burst and must freeze again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from thermnet.network import Melting
from thermnet.parameter import quantity, text
from thermnet.parts.base import Assembly, Part, Patch


@dataclass(frozen=True, kw_only=True)
class HeatStorage(Part):
    """A pack of phase-change storage material on a spreader.

    Node ``name.body`` holds spreader, container and the material's sensible heat; node ``name.melt`` holds
    the latent heat and runs through the melting range as the material melts.  Face ``base`` is the
    spreader's contact. What melts must freeze again before it helps a second time: below the melting
    temperature the way back is as slow as ``spreader_conductance`` and the small difference to the melting
    temperature make it.
    """

    kind: ClassVar[str] = "storage"
    faces: ClassVar[tuple[str, ...]] = ("base",)

    amount: Any = quantity(
        "kg",
        shown="g",
        above=0.0,
        plausible=(2e-3, 100e-3),
        tolerance=0.05,
        step=1e-3,
        doc="mass of storage material",
    )
    latent_heat: Any = quantity(
        "J/kg", default=200e3, shown="kJ/kg", above=0.0, plausible=(150e3, 250e3), tolerance=0.08,
        doc="heat of melting", source="paraffins: 150 to 250 J/g (common practice, no source)",
    )  # fmt: skip
    melting_temperature: Any = quantity(
        "degC", default=45.0, at_least=-50.0, at_most=150.0, plausible=(25.0, 60.0),
        absolute_tolerance=1.5, step=1.0,
        doc="middle of the melting range",
    )  # fmt: skip
    melting_range: Any = quantity(
        "K", default=2.0, at_least=0.2, plausible=(0.5, 8.0), doc="width of the range over which it melts"
    )
    solid_specific_heat: Any = quantity(
        "J/(kg*K)", default=2000.0, above=0.0, plausible=(1500.0, 2500.0), doc="specific heat of the solid"
    )
    liquid_specific_heat: Any = quantity(
        "J/(kg*K)", default=2200.0, above=0.0, plausible=(1800.0, 2600.0), doc="specific heat of the melt"
    )
    spreader_conductance: Any = quantity(
        "W/K", default=2.0, above=0.0, plausible=(0.2, 20.0), tolerance=0.25, step=0.5,
        doc="from the spreader into the melt; the material alone conducts about 0.2 W/(m K)",
    )  # fmt: skip
    container_capacity: Any = quantity(
        "J/K", default=2.0, at_least=0.0, plausible=(0.5, 30.0), doc="heat capacity of spreader and container"
    )
    container_mass: Any = quantity(
        "kg",
        default=5e-3,
        shown="g",
        at_least=0.0,
        plausible=(1e-3, 80e-3),
        doc="mass of spreader and container",
    )
    contact_area: Any = quantity(
        "m^2", shown="cm^2", above=0.0, plausible=(1e-4, 100e-4), doc="contact area of the spreader"
    )
    thickness: Any = quantity(
        "m", default=2e-3, shown="mm", above=0.0, plausible=(0.5e-3, 8e-3), doc="outer thickness of the pack"
    )
    base_material: str = text(default="copper", doc="solid of the contact face")

    @property
    def law(self) -> Melting:
        """Link law between spreader and melt."""
        return Melting(
            melt_conductance=self.spreader_conductance, melting_temperature=self.melting_temperature,
            latent_energy=self.latent_energy, melting_range=self.melting_range,
        )  # fmt: skip

    @property
    def latent_energy(self) -> Any:
        """Heat to melt all of it, J."""
        return self.amount * self.latent_heat

    def sensible_capacity(self) -> Any:
        """Capacity of spreader, container and material without melting, J/K.

        Solid and melt are given the mean of their specific heats: an error of 5 % of the material's
        sensible heat.
        """
        mean = 0.5 * (self.solid_specific_heat + self.liquid_specific_heat)
        return self.container_capacity + self.amount * mean

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add nodes ``name.body`` and ``name.melt``, the melting link between them, and face ``base``."""
        law = self.law
        assembly.network.add_node(f"{name}.body", self.sensible_capacity(), part=name)
        assembly.network.add_node(f"{name}.melt", law.capacity, part=name)
        assembly.network.add_link(f"{name}.body", f"{name}.melt", law=law)
        assembly.add_face(
            f"{name}.base", Patch(f"{name}.body", self.contact_area), material=self.base_material
        )

    def mass(self) -> Any:
        """Mass with spreader and container, kg."""
        return self.amount + self.container_mass

    def thickness_in_stack(self) -> Any:
        """Outer thickness, m."""
        return self.thickness
