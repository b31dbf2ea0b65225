"""One joint of a design with other materials, loads and ages in it: what the interface studies have in common."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from thermnet.design.assemble import assemble, full_speed
from thermnet.design.design import Design
from thermnet.materials.interface_materials import INTERFACE_MATERIALS, InterfaceMaterial, interface_material
from thermnet.network.graph import nearest
from thermnet.parts.clamped_joint import ClampedJoint
from thermnet.parts.die import Die
from thermnet.parts.interface import FilledJoint, InterfaceLayer
from thermnet.physics.interface import pad_strain, paste_bond_line
from thermnet.wording import any_of, quoted


@dataclasses.dataclass(frozen=True)
class JointPlace:
    """A filled joint on a die.

    Attributes
    ----------
    part : str
        Name of the interface part.
    filler : FilledJoint
        As the design has it.
    chip : str
        The die it lies on.
    area : float
        m^2, of the die.
    hot, cold : str
        Materials of the die's face and of the face across.
    """

    part: str
    filler: FilledJoint
    chip: str
    area: float
    hot: str
    cold: str

    def area_resistance(self, filler: FilledJoint) -> float:
        """Area resistance of the whole joint with another filler, K m^2/W."""
        return float(np.mean(filler.area_resistance(self.hot, self.cold)))


def joint_on_die(design: Design, joint: str | None = None, chip: str | None = None) -> JointPlace:
    """Find the filled joint on a die: the one named, that of a chip, or the first one.

    Raises
    ------
    ValueError
        There is none, or the part named is not one.
    """
    found = {}
    for row in design.joints:
        filler = design.parts.get(row.through)
        for face, other in (row.between, tuple(reversed(row.between))):
            owner = design.parts.get(face.rpartition(".")[0])
            mine = chip is None or face.rpartition(".")[0] == chip
            if (
                isinstance(owner, Die)
                and isinstance(filler, FilledJoint)
                and row.through not in found
                and mine
            ):
                found[row.through] = (face, other, owner)
    if not found:
        raise ValueError(f"{design.name} has no joint with an interface material on {chip or 'a die'}")
    name = next(iter(found)) if joint is None else joint
    if name not in found:
        raise ValueError(f"no filled joint {quoted(name)} on a die{nearest(name, found)}")
    face, other, die = found[name]
    faces = assemble(design, design.ambient, full_speed(design)).faces
    filler = design.parts[name]
    assert isinstance(filler, FilledJoint)
    return JointPlace(
        name,
        filler,
        face.rpartition(".")[0],
        float(np.mean(die.area)),
        faces[face].material,
        faces[other].material,
    )


def known_material(name: str) -> InterfaceMaterial:
    """Interface material by name.

    Raises
    ------
    ValueError
        Unknown; the known ones are listed.
    """
    if name not in INTERFACE_MATERIALS:
        raise ValueError(
            f"interface material {quoted(name)}{nearest(name, INTERFACE_MATERIALS)}; "
            f"expected {any_of(INTERFACE_MATERIALS, 20)}"
        )
    return interface_material(name)


def with_force(filler: FilledJoint, force: float, area: float) -> FilledJoint:
    """Press a joint on a die of ``area`` m^2 with ``force`` N in all; screws and springs keep their proportions."""
    if isinstance(filler, InterfaceLayer):
        own = area if filler.contact_area is None else filler.contact_area
        return dataclasses.replace(filler, clamp_force=force, contact_area=own)
    changes: dict[str, Any] = {"clamp_force": force}
    if isinstance(filler, ClampedJoint) and (filler.screws or filler.springs):
        scale = force / float(np.mean(filler.total_force()))
        changes = {
            "screws": tuple((x, y, torque * scale) for x, y, torque in filler.screws),
            "springs": tuple((x, y, rate * scale, travel) for x, y, rate, travel in filler.springs),
        }
    return dataclasses.replace(filler, **changes)


def with_material(filler: FilledJoint, material: str, **more: Any) -> FilledJoint:
    """Put another material into the joint as the factory left it; the values given for the old one go with it.

    What the given bond line is beyond the one that material and pressure make (bow, tilt) stays as a gap that
    pastes and liquid metal have to fill; pads are taken to follow it.
    """
    if material == filler.material:
        return dataclasses.replace(filler, **more)
    changes: dict[str, Any] = {
        "material": material, "conductivity": None, "contact_resistance": None, "end_of_life_factor": None,
        "wetted": True, "peak_temperature": None, **more,
    }  # fmt: skip
    if isinstance(filler, InterfaceLayer):
        extra = max(gap_beyond_material(filler), 0.0)
        law = known_material(material).law
        changes["bond_line"] = None
        new = dataclasses.replace(filler, **changes)
        return (
            dataclasses.replace(new, bond_line=own_bond_line(new) + extra)
            if extra and law in ("paste", "gap")
            else new
        )
    if isinstance(filler, ClampedJoint) and known_material(material).law not in ("paste", "gap"):
        changes["dispensed"] = ()
    return dataclasses.replace(filler, **changes)


def pressed(filler: FilledJoint, force: float, area: float) -> FilledJoint:
    """Press a joint with another force: its bond line follows the material, its gap beyond that stays."""
    new = with_force(filler, force, area)
    if not isinstance(filler, InterfaceLayer) or filler.bond_line is None:
        return new
    follows = own_bond_line(dataclasses.replace(new, bond_line=None)) + gap_beyond_material(filler)
    return dataclasses.replace(new, bond_line=max(follows, 1e-7))


def gap_beyond_material(filler: InterfaceLayer) -> float:
    """How much thicker the given bond line is than material and pressure would make it, m (0 if none is given)."""
    if filler.bond_line is None:
        return 0.0
    return float(np.mean(filler.bond_line)) - own_bond_line(dataclasses.replace(filler, bond_line=None))


def own_bond_line(filler: FilledJoint) -> float:
    """Bond line that material and pressure make between flat faces, m."""
    row, pressure = filler.row(), filler.pressure()
    if row.law == "paste":
        return float(np.mean(paste_bond_line(row.yield_stress, pressure, row.filler_limit)))
    if row.law == "pad":
        loads, strains = zip(*row.compression, strict=True)
        return float(np.mean(row.bond_line * (1.0 - pad_strain(pressure, loads, strains))))
    return row.bond_line


def mean_bond_line(filler: FilledJoint) -> float:
    """Mean bond line of the joint as it is, m."""
    mapped = (
        filler.map().bond_line if isinstance(filler, ClampedJoint) else filler.values_in_use()["bond_line"]
    )
    return float(np.mean(mapped))
