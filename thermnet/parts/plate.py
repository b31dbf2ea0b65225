"""A cold plate: a slab of metal that spreads the heat of a chip before it moves on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from thermnet.materials.solids import SOLIDS, solid
from thermnet.parameter import choice, flag, quantity
from thermnet.parts.base import Assembly, Part, Patch
from thermnet.physics.plate_spreading import rectangle_on_plate
from thermnet.physics.spreading import through_plate

CORE_SHARE = 0.27
"""Share of a plate's heat capacity in its core: 0.27 sqrt(source area/plate area).

Chosen against finite differences of plates of copper and aluminium, 40 to 120 mm long and 0.6 to 3 mm thick,
under sources of 36 to 300 mm^2: the chip's rise then stays within 4.5 % of its final value at all times
(tests/physics/test_spreading.py).  With a single node it is up to 23 % off in the first second.  A plate of 4
mm under strong cooling is 6 % off.
"""

MISFIT = 1.10
"""A source may be this much larger than the declared one before it is refused."""


@dataclass(frozen=True, kw_only=True)
class ColdPlate(Part):
    """A flat plate heated on its top and cooled from its bottom.

    With ``source_area`` given the plate has two nodes, the ``core`` under the chip and the ``rim``; the
    spreading resistance of that source lies between them.  Give it wherever one chip heats the plate: the
    first second depends on it, and a chip of several blocks then shares one way into the plate.  Without it
    the plate is one node, ``rim``, and each source that joins the top brings its own spreading resistance
    (several chips on one plate).

    The sideways spreading depends on how well the back is cooled; ``back_resistance`` is an estimate of that
    and is no link of its own.

    Nodes: ``<name>.core``, ``<name>.rim``.  Faces: ``top`` (with spreading), ``bottom`` (without).
    """

    kind: ClassVar[str] = "plate"
    faces: ClassVar[tuple[str, ...]] = ("top", "bottom")

    length: Any = quantity(
        "m", default=0.040, shown="mm", above=0.0, plausible=(0.025, 0.12), tolerance=0.01, step=2e-3,
        doc="along the longer side",
    )  # fmt: skip
    width: Any = quantity(
        "m", default=0.040, shown="mm", above=0.0, plausible=(0.02, 0.09), tolerance=0.01, step=2e-3,
        doc="along the shorter side",
    )  # fmt: skip
    thickness: Any = quantity(
        "m", default=0.0015, shown="mm", above=0.0, below=0.05, plausible=(0.0004, 0.003), tolerance=0.05,
        step=0.1e-3, doc="of the metal",
    )  # fmt: skip
    material: str = choice(tuple(SOLIDS), default="copper", doc="what the plate is made of")
    conductivity: Any = quantity(
        "W/(m*K)", default=None, above=0.0, plausible=(60.0, 400.0), tolerance=0.05, step=10.0,
        doc="of the plate; from the material if left out",
    )  # fmt: skip
    source_area: Any = quantity(
        "m^2", default=None, shown="mm^2", above=0.0, plausible=(60e-6, 500e-6), step=10e-6,
        doc="area of the chip that heats the plate; leave out if there are several",
    )  # fmt: skip
    effective_area: Any = quantity(
        "m^2", default=None, shown="cm^2", above=0.0, plausible=(4e-4, 60e-4), tolerance=0.05, step=1e-4,
        doc="part of the bottom that is cooled (under pipes or chamber); the whole if left out",
    )  # fmt: skip
    back_resistance: Any = quantity(
        "K/W", default=0.4, above=0.0, plausible=(0.05, 3.0), tolerance=0.2, step=0.05,
        doc="estimate of the way from the bottom to the air, only to judge how far heat spreads sideways",
    )  # fmt: skip
    isothermal_back: bool = flag(
        doc="treat the bottom as one temperature instead (bonded to a vapor chamber)"
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        area = np.asarray(self.area())
        if self.effective_area is not None and np.any(np.asarray(self.effective_area) > area * (1 + 1e-9)):
            raise ValueError(
                f"ColdPlate.effective_area: {_most(self.effective_area) * 1e6:.4g} mm^2 of a plate of "
                f"{_least(area) * 1e6:.4g} mm^2; expected at most the plate"
            )
        if self.source_area is not None and np.any(np.asarray(self.source_area) > area * (1 + 1e-9)):
            raise ValueError(
                f"ColdPlate.source_area: {_most(self.source_area) * 1e6:.4g} mm^2 on a plate of "
                f"{_least(area) * 1e6:.4g} mm^2; expected at most the plate"
            )

    def area(self) -> Any:
        """Return the area of the plate, m^2."""
        return np.multiply(self.length, self.width)

    def cooled_area(self) -> Any:
        """Return the area of the bottom that is cooled, m^2."""
        return self.area() if self.effective_area is None else self.effective_area

    def heat_capacity(self) -> Any:
        """Return the heat capacity, J/K."""
        return solid(self.material).volumetric_heat_capacity * self.area() * self.thickness

    def mass(self) -> Any:
        """Mass, kg."""
        return solid(self.material).density * self.area() * self.thickness

    def thickness_in_stack(self) -> Any:
        """Height, m."""
        return self.thickness

    def spreading_resistance(self, source_area: Any) -> Any:
        """Resistance from a central source on the top to the mean of the bottom, K/W.

        Parameters
        ----------
        source_area : float or array
            m^2; taken as a square, or as a strip across the plate once a square no longer fits.

        Notes
        -----
        Where only a part of the bottom is cooled, the plate counts as one of that area and of the same shape.
        """
        row = solid(self.material)
        along = row.conductivity if self.conductivity is None else self.conductivity
        across = row.through_conductivity if self.conductivity is None or row.is_anisotropic else along
        cooled = np.asarray(self.cooled_area(), dtype=float)
        scale = np.sqrt(cooled / self.area())
        length, width = self.length * scale, self.width * scale
        film = np.inf if self.isothermal_back else 1.0 / (np.asarray(self.back_resistance) * cooled)
        area = np.minimum(source_area, cooled)
        narrow = np.minimum(np.sqrt(area), np.minimum(length, width))
        wide = np.minimum(area / narrow, np.maximum(length, width))
        lengthwise = np.asarray(self.length) >= self.width
        spreading = rectangle_on_plate(
            np.where(lengthwise, wide, narrow), np.where(lengthwise, narrow, wide), length, width,
            self.thickness,
            along, film, through_conductivity=across,
        )  # fmt: skip
        # Rounding may leave a source that covers the plate a hair below zero.
        return np.maximum(spreading, 0.0) + through_plate(cooled, self.thickness, across)

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add one or two nodes, the link between them and the faces."""
        constriction: Callable[[Any], Any]
        network, rim = assembly.network, f"{name}.rim"
        capacity, area = self.heat_capacity(), self.area()
        if self.source_area is None:
            network.add_node(rim, capacity=capacity, part=name)
            top, constriction = rim, self.spreading_resistance
        else:
            top = f"{name}.core"
            share = CORE_SHARE * np.sqrt(np.divide(self.source_area, area))
            network.add_node(top, capacity=share * capacity, part=name)
            network.add_node(rim, capacity=(1.0 - share) * capacity, part=name)
            network.add_link(top, rim, resistance=self.spreading_resistance(self.source_area))
            constriction = self._into_core
        # The patch is the whole top, so that the joint takes the chip's area and asks for its constriction.
        assembly.add_face(f"{name}.top", Patch(top, area), constriction=constriction, material=self.material)
        assembly.add_face(f"{name}.bottom", Patch(rim, self.cooled_area()), material=self.material)

    def _into_core(self, block_area: Any) -> Any:
        """Return what one block of the source adds on its own way into the core, K/W.

        A small block in the middle of the source adds the difference of the two spreading resistances.  A
        block that makes up most of the source lies around the others and adds nothing (exactly: a tenth of
        the core's resistance less); between a third and two thirds of the source the one passes into the
        other.
        """
        source = np.asarray(self.source_area, dtype=float)
        if np.any(np.asarray(block_area) > MISFIT * source):
            raise ValueError(
                f"ColdPlate.source_area: {_least(source) * 1e6:.4g} mm^2 declared, but a face of "
                f"{_most(block_area) * 1e6:.4g} mm^2 joins the top; expected the whole area of the chip"
            )
        compact = np.clip(2.0 - 3.0 * np.asarray(block_area) / source, 0.0, 1.0)
        extra = self.spreading_resistance(block_area) - self.spreading_resistance(source)
        return compact * np.maximum(extra, 0.0)


def _most(value: Any) -> float:
    return float(np.max(value))


def _least(value: Any) -> float:
    return float(np.min(value))
