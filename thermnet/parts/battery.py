"""Battery and charger: heat sources with limits of their own; read :data:`CAUTION`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from thermnet.parameter import flag, quantity
from thermnet.parts.base import Assembly, Part, Patch
from thermnet.parts.board import HAND_MODEL, add_component

CAUTION = (
    "Lithium cells swell and age faster when warm (roughly twice as fast per 10 K), must not be charged hot, "
    "and can run away and burn above some 80 to 130 degC or when damaged. The limits here are illustrative: "
    "the cell maker's data sheet, the pack's own protection and the safety standard that applies decide. "
    "Skins may pass while the pack fails."
)


@dataclass(frozen=True, kw_only=True)
class Battery(Part):
    """The battery pack as one node.

    While charging, the limit that counts is the temperature at which charging must stop.

    Node: ``<name>.cells``.  Faces: ``side`` (towards the board), ``top`` and ``bottom`` (towards the skins).
    """

    kind: ClassVar[str] = "battery"
    faces: ClassVar[tuple[str, ...]] = ("side", "top", "bottom")

    capacity: Any = quantity(
        "J/K", default=260.0, above=0.0, plausible=(120.0, 450.0), tolerance=0.06, step=10.0,
        doc="whole pack", source=HAND_MODEL,
    )  # fmt: skip
    power: Any = quantity(
        "W", default=0.5, at_least=0.0, plausible=(0.0, 5.0), step=0.25, doc="nominal loss in the cells"
    )
    area: Any = quantity(
        "m^2",
        default=0.022,
        shown="cm^2",
        above=0.0,
        plausible=(0.008, 0.04),
        step=0.001,
        doc="of one flat side",
    )
    side_resistance: Any = quantity(
        "K/W", default=6.0, above=0.0, plausible=(2.0, 20.0), step=0.5,
        doc="cells to board along bay and frame", source=HAND_MODEL,
    )  # fmt: skip
    limit: Any = quantity(
        "degC", default=50.0, above=30.0, below=80.0, plausible=(45.0, 60.0), step=1.0,
        doc="cell temperature not to exceed in use",
    )  # fmt: skip
    charge_stop: Any = quantity(
        "degC", default=45.0, above=25.0, below=60.0, plausible=(40.0, 50.0), step=1.0,
        doc="cell temperature above which charging must stop",
    )  # fmt: skip
    charging: bool = flag(default=False, doc="whether the pack is charged in the runs made of this design")

    def present_limit(self) -> Any:
        """Limit that counts now, degC."""
        return self.charge_stop if self.charging else self.limit

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add the pack, faces, heat and limit."""
        node = f"{name}.cells"
        add_component(assembly, name, "cells", self.capacity, self.power, "battery", self.present_limit())
        assembly.add_face(f"{name}.side", Patch(node, None, self.side_resistance), material="battery_cell")
        for side in ("top", "bottom"):
            assembly.add_face(f"{name}.{side}", Patch(node, self.area), material="battery_cell")


@dataclass(frozen=True, kw_only=True)
class Charger(Part):
    """The charging circuit as one node; its heat is a share of the power it passes to the battery.

    Node: ``<name>.package``.  Faces: ``top`` (for a pad), ``mount`` (to the board).
    """

    kind: ClassVar[str] = "charger"
    faces: ClassVar[tuple[str, ...]] = ("top", "mount")

    capacity: Any = quantity(
        "J/K", default=5.0, above=0.0, plausible=(1.0, 15.0), step=0.5, doc="coil and switches"
    )
    charge_power: Any = quantity(
        "W", default=20.0, at_least=0.0, plausible=(0.0, 100.0), step=1.0,
        doc="power into the battery; 0 when full or unplugged",
    )  # fmt: skip
    loss: Any = quantity(
        "1", default=0.08, at_least=0.0, below=1.0, plausible=(0.03, 0.15), tolerance=0.15, step=0.01,
        doc="heat per watt passed",
    )  # fmt: skip
    area: Any = quantity(
        "m^2",
        default=200e-6,
        shown="mm^2",
        above=0.0,
        plausible=(50e-6, 800e-6),
        step=25e-6,
        doc="top, for pads",
    )
    board_resistance: Any = quantity(
        "K/W", default=8.0, above=0.0, plausible=(3.0, 20.0), tolerance=0.15, step=0.5, doc="charger to board"
    )
    limit: Any = quantity(
        "degC", default=105.0, above=40.0, below=180.0, plausible=(95.0, 125.0), step=5.0,
        doc="temperature not to exceed",
    )  # fmt: skip

    def heat(self) -> Any:
        """Heat in W at the nominal charge power."""
        return self.charge_power * self.loss

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add the charger, faces, heat and limit."""
        node = f"{name}.package"
        add_component(assembly, name, "package", self.capacity, self.heat(), "regulator", self.limit)
        assembly.add_face(f"{name}.top", Patch(node, self.area))
        assembly.add_face(f"{name}.mount", Patch(node, None, self.board_resistance))
