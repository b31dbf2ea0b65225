"""What holds a joint together and what spoils it: loads, bow, tilt, filling; and how the plate settles on it."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np

from thermnet.parameter import choice, quantity, table
from thermnet.parts.interface import FilledJoint
from thermnet.physics import gap_maps
from thermnet.physics.contact_mechanics import Settled, settle_plate
from thermnet.physics.fasteners import NUT_FACTOR, screw_preload
from thermnet.physics.pressed_layer import layer_bed, layer_thickness

COLD, HOT = 25.0, 90.0
"""degC at which a bow is given."""


class Ground(NamedTuple):
    """Cells of a map, (cells, samples) each: places, sides, height of the surfaces, share with material laid on."""

    x: Any
    y: Any
    cell_x: Any
    cell_y: Any
    surface: Any
    laid: Any


@dataclass(frozen=True, kw_only=True)
class Clamped(FilledJoint):
    """Fields of a clamped joint and its mechanics; :class:`thermnet.parts.clamped_joint.ClampedJoint` is the part."""

    length: Any = quantity(
        "m",
        default=12.25e-3,
        shown="mm",
        above=0.0,
        plausible=(6e-3, 30e-3),
        step=0.5e-3,
        doc="of the chip, along x",
    )
    width: Any = quantity(
        "m",
        default=12.25e-3,
        shown="mm",
        above=0.0,
        plausible=(6e-3, 30e-3),
        step=0.5e-3,
        doc="of the chip, along y",
    )
    clamp_force: Any = quantity(
        "N", default=None, above=0.0, plausible=(15.0, 200.0), tolerance=0.25, step=5.0,
        doc="force that presses the joint together, where no screws or springs are given",
    )  # fmt: skip
    load_x: Any = quantity(
        "m", default=0.0, shown="mm", plausible=(-3e-3, 3e-3), absolute_tolerance=0.5e-3, step=0.5e-3,
        doc="where the clamp force acts, along x",
    )  # fmt: skip
    load_y: Any = quantity(
        "m", default=0.0, shown="mm", plausible=(-3e-3, 3e-3), absolute_tolerance=0.5e-3, step=0.5e-3,
        doc="where the clamp force acts, along y",
    )  # fmt: skip
    screws: tuple[tuple[Any, ...], ...] = table(
        (("x", "m"), ("y", "m"), ("torque", "N*m")), default=(),
        doc="screws that press the plate down: place, and torque as it reaches the thread",
    )  # fmt: skip
    nut_factor: Any = quantity(
        "1", default=NUT_FACTOR, above=0.0, below=1.0, plausible=(0.12, 0.30), tolerance=0.3, step=0.02,
        doc="friction of the screws in one number: preload = torque/(nut factor x diameter)",
        source="0.12 to 0.30, tables of screw makers; 0.2 for dry steel: Shigley, Mechanical Engineering Design",
    )  # fmt: skip
    screw_diameter: Any = quantity(
        "m", default=2e-3, shown="mm", above=0.0, below=0.02, plausible=(1.4e-3, 3e-3), step=0.1e-3,
        doc="nominal thread of the screws",
    )  # fmt: skip
    springs: tuple[tuple[Any, ...], ...] = table(
        (("x", "m"), ("y", "m"), ("rate", "N/m"), ("travel", "m")), default=(),
        doc="spring screws or arms: place, rate, and travel with the plate down on the chip",
    )  # fmt: skip
    stack_error: Any = quantity(
        "m", default=0.0, shown="mm", above=-2e-3, below=2e-3, plausible=(-0.2e-3, 0.2e-3), absolute_tolerance=0.1e-3,
        step=0.05e-3, doc="how much higher the chip stands than drawn; adds to the travel of every spring",
    )  # fmt: skip
    chip_bow: Any = quantity(
        "m", default=0.0, shown="um", above=-1e-3, below=1e-3, plausible=(-30e-6, 60e-6), absolute_tolerance=15e-6,
        step=5e-6, doc="centre over corners (or edges) at 25 degC; convex towards the plate is positive",
    )  # fmt: skip
    chip_bow_hot: Any = quantity(
        "m", default=None, shown="um", above=-1e-3, below=1e-3, plausible=(-30e-6, 30e-6), absolute_tolerance=10e-6,
        step=5e-6, doc="the same at 90 degC; as at 25 degC if left out",
    )  # fmt: skip
    chip_bow_shape: str = choice(gap_maps.BOWS, default="spherical", doc="shape of the chip's bow")
    plate_bow: Any = quantity(
        "m", default=0.0, shown="um", above=-1e-3, below=1e-3, plausible=(-30e-6, 30e-6), absolute_tolerance=15e-6,
        step=5e-6, doc="of the plate over the chip's area at 25 degC; convex towards the chip is positive",
    )  # fmt: skip
    plate_bow_hot: Any = quantity(
        "m", default=None, shown="um", above=-1e-3, below=1e-3, plausible=(-30e-6, 30e-6), absolute_tolerance=15e-6,
        step=5e-6, doc="the same at 90 degC; as at 25 degC if left out",
    )  # fmt: skip
    plate_bow_shape: str = choice(gap_maps.BOWS, default="spherical", doc="shape of the plate's bow")
    temperature: Any = quantity(
        "degC", default=80.0, plausible=(25.0, 100.0), step=5.0, doc="of the joint, at which the bow is taken"
    )
    tilt_x: Any = quantity(
        "m", default=None, shown="um", above=-1e-3, below=1e-3, plausible=(-80e-6, 80e-6), absolute_tolerance=30e-6,
        step=10e-6,
        doc="held from outside: gap at the +x edge less that at the -x edge; settled by the forces if left out",
    )  # fmt: skip
    tilt_y: Any = quantity(
        "m", default=None, shown="um", above=-1e-3, below=1e-3, plausible=(-80e-6, 80e-6), absolute_tolerance=30e-6,
        step=10e-6, doc="the same along y",
    )  # fmt: skip
    dispensed: tuple[tuple[Any, ...], ...] = table(
        (("x", "m"), ("y", "m"), ("volume", "m^3")), default=(),
        doc="dots of paste: place and volume; enough everywhere if left out",
    )  # fmt: skip
    sheet_length: Any = quantity(
        "m", default=None, shown="mm", above=0.0, plausible=(4e-3, 40e-3), step=0.5e-3,
        doc="of a pad or film laid on, along x; covers the chip if left out",
    )  # fmt: skip
    sheet_width: Any = quantity(
        "m", default=None, shown="mm", above=0.0, plausible=(4e-3, 40e-3), step=0.5e-3,
        doc="of a pad or film laid on, along y; covers the chip if left out",
    )  # fmt: skip
    sheet_x: Any = quantity(
        "m", default=0.0, shown="mm", plausible=(-2e-3, 2e-3), absolute_tolerance=0.5e-3, step=0.25e-3,
        doc="how far the pad or film lies off centre, along x",
    )  # fmt: skip
    sheet_y: Any = quantity(
        "m", default=0.0, shown="mm", plausible=(-2e-3, 2e-3), absolute_tolerance=0.5e-3, step=0.25e-3,
        doc="how far the pad or film lies off centre, along y",
    )  # fmt: skip
    void_fraction: Any = quantity(
        "1", default=0.0, at_least=0.0, below=1.0, plausible=(0.0, 0.3), absolute_tolerance=0.05, step=0.05,
        doc="share of the chip's area that is one round void",
    )  # fmt: skip
    void_x: Any = quantity(
        "m", default=0.0, shown="mm", plausible=(-6e-3, 6e-3), step=1e-3, doc="centre of the void along x"
    )
    void_y: Any = quantity(
        "m", default=0.0, shown="mm", plausible=(-6e-3, 6e-3), step=1e-3, doc="centre of the void along y"
    )
    hot_spot_x: Any = quantity(
        "m",
        default=0.0,
        shown="mm",
        plausible=(-4e-3, 4e-3),
        step=0.5e-3,
        doc="centre of the hot spot along x",
    )
    hot_spot_y: Any = quantity(
        "m",
        default=0.0,
        shown="mm",
        plausible=(-4e-3, 4e-3),
        step=0.5e-3,
        doc="centre of the hot spot along y",
    )
    block_places: tuple[tuple[Any, ...], ...] = table(
        (("x", "m"), ("y", "m")), default=(),
        doc="centres of the die's further blocks; those left out count as part of the rest",
    )  # fmt: skip

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.clamp_force is not None and (self.screws or self.springs):
            raise ValueError(
                "ClampedJoint.clamp_force: given beside screws or springs; expected one or the other"
            )
        for name, place, positive in (
            ("screws", 2, "torque"),
            ("springs", 2, "rate"),
            ("dispensed", 2, "volume"),
        ):
            for row in getattr(self, name):
                if np.any(np.asarray(row[place]) <= 0.0):
                    raise ValueError(
                        f"ClampedJoint.{name}: {positive} {np.min(row[place]):g}; expected above 0"
                    )
        if self.dispensed and self.row().law not in ("paste", "gap"):
            raise ValueError(
                f"ClampedJoint.dispensed: given for {self.material}; expected a material that flows"
            )
        if self.dispensed and self.uses_sheet():
            raise ValueError(
                "ClampedJoint.dispensed: given beside a sheet; expected dots or a sheet, not both"
            )

    # -- what presses --------------------------------------------------------------------------------------------

    def uses_sheet(self) -> bool:
        """Whether the material is laid on as a sheet that may not cover the chip."""
        askew = np.any(np.asarray(self.sheet_x) != 0.0) or np.any(np.asarray(self.sheet_y) != 0.0)
        return bool(self.sheet_length is not None or self.sheet_width is not None or askew)

    def chip_area(self) -> Any:
        """Area of the chip, m^2."""
        return np.multiply(self.length, self.width)

    def loads(self) -> list[tuple[Any, Any, Any, Any]]:
        """List what presses: place (x, y in m), force in N with the plate down on the chip, and rate in N/m."""
        found: list[tuple[Any, Any, Any, Any]] = [
            (x, y, screw_preload(torque, self.nut_factor, self.screw_diameter), 0.0)
            for x, y, torque in self.screws
        ]
        found += [
            # A spring that hangs loose still takes up load once it has been lifted so far.
            (x, y, rate * (travel + np.asarray(self.stack_error)), rate)
            for x, y, rate, travel in self.springs
        ]
        if found:
            return found
        force = self.row().pressure * self.chip_area() if self.clamp_force is None else self.clamp_force
        return [(self.load_x, self.load_y, force, 0.0)]

    def total_force(self) -> Any:
        """Clamp load in N with the plate down on the chip (springs press a little more on a thick bond line)."""
        return sum(np.maximum(force, 0.0) for _, _, force, _ in self.loads())

    def pressure(self) -> Any:
        """Return the mean pressure, Pa: clamp load over the chip's area."""
        return self.total_force() / self.chip_area()

    # -- how it settles ------------------------------------------------------------------------------------------

    def samples(self) -> tuple[int, ...]:
        """Return the shape of the samples: () for one joint."""
        values: list[Any] = []
        for f in fields(self):
            value = getattr(self, f.name)
            rows = value if isinstance(value, tuple) else ((value,),)
            values += [np.shape(cell) for row in rows for cell in row if isinstance(cell, np.ndarray)]
        return np.broadcast_shapes(*values)

    def bows(self) -> tuple[Any, Any]:
        """Return the bow of chip and plate at the joint's temperature, m."""
        pairs = ((self.chip_bow, self.chip_bow_hot), (self.plate_bow, self.plate_bow_hot))
        chip, plate = (
            gap_maps.bow_at_temperature(self.temperature, cold, cold if hot is None else hot, COLD, HOT)
            for cold, hot in pairs
        )
        return chip, plate

    def ground(self, across: int) -> Ground:
        """Cells of a map with samples behind them, and what does not depend on how the plate settles."""
        width = self.samples() or (1,)
        length_x, length_y = (
            np.broadcast_to(np.asarray(v, dtype=float), width) for v in (self.length, self.width)
        )
        x, y = gap_maps.cell_centres(length_x, length_y, across)
        cell_x, cell_y = length_x / across, length_y / across
        chip, plate = self.bows()
        surface = gap_maps.bow_height(x, y, length_x, length_y, chip, self.chip_bow_shape)
        surface = surface + gap_maps.bow_height(x, y, length_x, length_y, plate, self.plate_bow_shape)
        laid = 1.0 - gap_maps.void_share(x, y, cell_x, cell_y, self.void_fraction, self.void_x, self.void_y)
        if self.uses_sheet():
            along_x = self.length if self.sheet_length is None else self.sheet_length
            along_y = self.width if self.sheet_width is None else self.sheet_width
            laid = laid * gap_maps.sheet_share(
                x, y, cell_x, cell_y, along_x, along_y, self.sheet_x, self.sheet_y
            )
        if np.any(np.max(laid, axis=0) <= 0.0):
            raise ValueError(
                "ClampedJoint.sheet_x: the sheet misses the chip; expected one that covers some of it"
            )
        return Ground(x, y, cell_x, cell_y, surface, np.broadcast_to(laid, x.shape))

    def columns(self, ground: Ground) -> list[Any]:
        """Places, forces and rates of the loads, (loads, samples) each."""
        rows = self.loads()
        return [
            np.stack([np.broadcast_to(row[k], ground.x.shape[1:]) for row in rows]).astype(float)
            for k in range(4)
        ]

    def bearing(self, filled: Any) -> Any:
        """Share of each cell that bears: the filler itself, or the high spots of the faces."""
        on_spots = self.bond_line is not None or self.row().law in ("gap", "dry")
        return np.ones_like(filled) if on_spots else filled

    def settle(self, ground: Ground) -> tuple[Settled, Any, Any]:
        """Settle the plate; with dispensed paste the wetted area and the gap are found in turn."""
        law, parameters = layer_bed(self.row(), self.bond_line)
        tilts = (self.tilt_x, self.tilt_y)
        rises = [np.zeros(1) if tilt is None else np.asarray(tilt, dtype=float) for tilt in tilts]
        settles = self.tilt_x is None and self.tilt_y is None
        slopes = None if settles else (rises[0] / self.length, rises[1] / self.width)
        x, y, cell_x, cell_y = ground.x, ground.y, ground.cell_x, ground.cell_y
        filled, squeezed_out = ground.laid, np.zeros(x.shape[1:])
        for _ in range(20 if self.dispensed else 1):
            area = cell_x * cell_y * self.bearing(filled)
            try:
                settled = settle_plate(
                    law,
                    [x, y, area, ground.surface],
                    self.columns(ground),
                    slopes=slopes,
                    parameters=parameters,
                )
            except ValueError as error:
                name = "springs" if self.springs else "screws" if self.screws else "load_x"
                raise ValueError(f"ClampedJoint.{name}: {error}") from None
            if not self.dispensed:
                break
            thickness, _ = layer_thickness(self.row(), settled.gap, self.bond_line)
            reached, squeezed_out = gap_maps.spread_dots(x, y, cell_x, cell_y, thickness, self.dispensed)
            before, filled = filled, reached * ground.laid
            if np.max(np.abs(filled - before)) < 1e-9:
                break
        return settled, filled, squeezed_out
