"""A stack of parallel fins on a base, cooled by the air of an air path."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from thermnet.materials import air
from thermnet.materials.solids import solid
from thermnet.parameter import quantity, text
from thermnet.parts.base import Assembly, Part, Patch
from thermnet.physics import fins as physics


@dataclass(frozen=True, kw_only=True)
class FinStack(Part):
    """Sheet fins that stand on a base plate and are cooled by air between them.

    Node ``<name>.base`` carries the heat capacity of fins and base; the air path links it to the air.  Face
    ``base`` is the underside of the base plate.

    Example: ``FinStack(width=0.06, height=0.0055, depth=0.018, pitch=0.0011, fin_thickness=0.0001)``.
    """

    kind: ClassVar[str] = "fins"
    faces: ClassVar[tuple[str, ...]] = ("base",)

    width: Any = quantity(
        "m", shown="mm", above=0.0, at_most=0.5, plausible=(0.04, 0.09), step=1e-3,
        doc="across the fins, the length of the outlet",
    )  # fmt: skip
    height: Any = quantity(
        "m", shown="mm", above=0.0, at_most=0.1, plausible=(0.0035, 0.014), step=5e-4,
        doc="of the fins, from base to tip",
    )  # fmt: skip
    depth: Any = quantity(
        "m", shown="mm", above=0.0, at_most=0.2, plausible=(0.012, 0.03), step=1e-3,
        doc="along the air flow",
    )  # fmt: skip
    pitch: Any = quantity(
        "m", shown="mm", above=0.0, at_most=0.02, plausible=(0.0008, 0.0016), tolerance=0.03,
        step=5e-5,
        doc="from fin to fin",
    )  # fmt: skip
    fin_thickness: Any = quantity(
        "m", shown="mm", above=0.0, at_most=0.005, plausible=(0.00008, 0.0003), tolerance=0.05,
        step=1e-5,
        doc="of the fin sheet",
    )  # fmt: skip
    material: str = text(default="copper", doc="solid of fins and base")
    base_thickness: Any = quantity(
        "m", default=0.0003, shown="mm", at_least=0.0, at_most=0.02, plausible=(0.0, 0.002),
        step=1e-4,
        doc="of the plate that the fins stand on",
    )  # fmt: skip
    extra_capacity: Any = quantity(
        "J/K", default=0.0, at_least=0.0, at_most=1000.0, plausible=(0.0, 20.0), step=1.0,
        doc="heat capacity of what is soldered to the base beside pipe and plate",
    )  # fmt: skip
    blocked: Any = quantity(
        "1", default=0.0, at_least=0.0, at_most=0.95, plausible=(0.0, 0.5), step=0.05,
        doc="share of the channels closed by dust",
    )  # fmt: skip
    dust_loss: Any = quantity(
        "1", default=0.0, at_least=0.0, at_most=1000.0, plausible=(0.0, 10.0), step=0.5,
        doc="further loss in velocity heads of the channels: a mat of fibres at the fins' face",
    )  # fmt: skip

    def __post_init__(self) -> None:
        super().__post_init__()
        solid(self.material)
        if np.any(np.asarray(self.pitch) <= np.asarray(self.fin_thickness)):
            raise ValueError(
                f"FinStack.pitch: {self.pitch} m; expected above fin_thickness, {self.fin_thickness} m"
            )

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add the node ``<name>.base`` and the face ``base``."""
        node = f"{name}.base"
        assembly.network.add_node(node, capacity=self.capacity(), part=name)
        assembly.add_face(node, Patch(node, self.width * self.depth), material=self.material)

    def geometry(self) -> physics.StackGeometry:
        """Open channels of the stack."""
        return physics.stack_geometry(
            self.width, self.height, self.depth, self.pitch, self.fin_thickness, self.blocked
        )

    def impedance(
        self, film_temperature: Any = 40.0, pressure: Any = air.STANDARD_PRESSURE
    ) -> physics.Impedance:
        """Pressure drop against the stack's own volume flow; film temperature in degC, pressure in Pa."""
        return physics.stack_impedance(
            self.geometry(), self.depth, film_temperature, pressure, self.dust_loss
        )

    def conductance(
        self, flow: Any, film_temperature: Any = 40.0, pressure: Any = air.STANDARD_PRESSURE
    ) -> Any:
        """Conductance in W/K between base and air at a volume flow in m^3/s (at film temperature)."""
        return physics.stack_conductance(
            flow, self.geometry(), self.depth, self.fin_thickness, solid(self.material).conductivity,
            film_temperature, pressure,
        )  # fmt: skip

    def reynolds(self, flow: Any, film_temperature: Any = 40.0, pressure: Any = air.STANDARD_PRESSURE) -> Any:
        """Reynolds number in the channels at a volume flow in m^3/s."""
        return physics.stack_reynolds(flow, self.geometry(), film_temperature, pressure)

    def metal_volume(self) -> Any:
        """Volume of fins (tabs included) and base in m^3."""
        count = self.width / self.pitch
        fin = self.fin_thickness * (self.height + self.pitch - self.fin_thickness) * self.depth
        return count * fin + self.base_thickness * self.width * self.depth

    def capacity(self) -> Any:
        """Heat capacity in J/K of fins, base and what else sits on them."""
        return self.metal_volume() * solid(self.material).volumetric_heat_capacity + self.extra_capacity

    def mass(self) -> Any:
        """Mass of fins and base in kg."""
        return self.metal_volume() * solid(self.material).density

    def thickness_in_stack(self) -> Any:
        """Height of fins and base in m."""
        return self.height + self.base_thickness
