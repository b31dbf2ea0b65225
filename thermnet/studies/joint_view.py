"""A joint between chip and plate and the same one without faults: maps, blocks of the die, rises over the plate."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.materials.solids import solid
from thermnet.parts.clamped_joint import ClampedJoint
from thermnet.parts.die import Die
from thermnet.parts.interface import FilledJoint, InterfaceLayer
from thermnet.parts.joint_map import JointMap
from thermnet.physics.joint_maps import block_flux, rise_with_spreading

Array = NDArray[np.float64]

FLAT: dict[str, Any] = {
    "load_x": 0.0, "load_y": 0.0, "screws": (), "springs": (), "stack_error": 0.0, "chip_bow": 0.0, "chip_bow_hot": None,
    "plate_bow": 0.0, "plate_bow_hot": None, "tilt_x": None, "tilt_y": None, "dispensed": (), "sheet_length": None,
    "sheet_width": None, "sheet_x": 0.0, "sheet_y": 0.0, "void_fraction": 0.0,
}  # fmt: skip
"""Fields of a clamped joint that make it flat, centred and full."""


@dataclass(frozen=True)
class JointView:
    """A joint place by place under a power.

    Attributes
    ----------
    found, flat : JointMap
        As it is, and flat, centred and full under the same load.
    areas, heats : block of the die to its area in m^2, and the heat of each in W
    shares : share of every cell that belongs to each block
    flux : (cells,) W/m^2
    rise, flat_rise : (cells,) K over the plate, of the chip's heated face
    """

    found: JointMap
    flat: JointMap
    areas: Mapping[str, float]
    heats: list[float]
    shares: list[Array]
    flux: Array
    rise: Array
    flat_rise: Array


def view_joint(own: ClampedJoint, die: Die, watts: float, across: int = 40) -> JointView:
    """Work out the maps of a joint on a die that dissipates ``watts``.

    Raises
    ------
    ValueError
        The load tips the plate over, or the chip's sides are not those of the die.
    """
    areas = {"hot spot": die.hot_spot_area, "rest": die.rest_area()}
    areas |= {f"block {k}": area for k, (area, _) in enumerate(die.blocks, 1)}
    heats = [watts * s for s in (die.hot_spot_share, die.rest_share(), *(share for _, share in die.blocks))]
    found = own.map(across)
    flat = dataclasses.replace(own, **FLAT, clamp_force=float(found.force())).map(across)
    shares = own.patches(list(areas.values()), found)
    flux = block_flux(shares, heats, found.cell_x * found.cell_y)
    rise, level = (_rise(m, flux, die) for m in (found, flat))
    return JointView(found, flat, areas, heats, shares, flux, rise, level)


def clamped(part: Any, die: Die) -> tuple[ClampedJoint, str | None]:
    """Take a joint as a clamped one, and say what that took for granted (None where it is one already).

    A plain interface becomes a flat, centred, full joint on a square chip of the die's area.
    """
    if isinstance(part, ClampedJoint):
        return part, None
    if not isinstance(part, InterfaceLayer):
        raise ValueError(f"a joint of kind {part.kind}; expected a clamped_joint or an interface")
    side = float(np.sqrt(die.area))
    shared = {f.name: getattr(part, f.name) for f in dataclasses.fields(FilledJoint)}
    force = float(part.pressure() * die.area)
    return (
        ClampedJoint(**shared, length=side, width=side, clamp_force=force),
        "The plain interface is shown as a flat, centred and full joint on a square chip.",
    )


def joints_on_chips(design: Design) -> dict[str, str]:
    """Filled joints on top of chips: name of the interface part to name of the chip below it."""
    known = {}
    for one in design.joints:
        part = design.parts.get(one.through)
        for face in one.between:
            owner, _, side = face.partition(".")
            if isinstance(part, FilledJoint) and isinstance(design.parts.get(owner), Die) and side == "top":
                known[one.through] = owner
    return known


def _rise(found: JointMap, flux: Array, die: Die) -> Array:
    n = found.across
    conductivity = float(solid(die.material).through_conductivity)
    maps = (flux.reshape(n, n), found.grid("area_resistance"))
    return rise_with_spreading(*maps, found.cell_x, found.cell_y, float(die.thickness), conductivity).ravel()
