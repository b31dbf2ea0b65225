"""What every part shares: declared fields, named faces to join, and the assembly it adds itself to.

A part is a frozen dataclass with geometry and material in its fields; ``add_to`` puts its nodes and inner links
into an :class:`Assembly` and names the faces by which it can be joined to others.  Numeric fields may be floats
or arrays over samples (trailing axis); fan speeds may carry a leading axis of levels.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from thermnet import parameter
from thermnet.network import ThermalNetwork


@dataclass(frozen=True)
class Patch:
    """A piece of a face: the node behind it, its area (m^2, None if it has none) and what lies between, K/W."""

    node: str
    area: Any = None
    resistance: Any = 0.0


@dataclass(frozen=True)
class Face:
    """A named place where a part can be joined: one or more patches, and how a smaller source spreads into it.

    ``constriction`` maps a source area in m^2 to the spreading resistance in K/W of heat entering this face
    through a patch of that area; None means heat enters over the whole face.
    """

    patches: tuple[Patch, ...]
    constriction: Callable[[Any], Any] | None = None
    material: str = ""


@dataclass(frozen=True)
class Limit:
    """Something that must not be exceeded.

    ``kind`` is ``junction``, ``skin``, ``regulator``, ``memory``, ``drive``, ``battery`` or ``dry_out``.  A
    temperature limit watches ``node`` (degC); a heat limit (``dry_out``) watches the link ``link``.
    """

    name: str
    kind: str
    value: Any
    node: str = ""
    link: str = ""


@dataclass
class Assembly:
    """A network under construction together with what the firmware and the studies need to know of it.

    Attributes
    ----------
    network : ThermalNetwork
    parts : mapping of str to Part
        All parts of the design by name (an air path looks up its fans and fins here).
    ambient : float
        Room temperature, degC; the boundary is called ``ambient``.
    air_density_ratio : float
        Density of the room's air relative to sea level at the same temperature (altitude).
    speeds : mapping of str to rpm
        Speed of each fan; a scalar, an array over samples, or (levels, 1) over fan levels.
    posture : mapping
        How the machine is held: face names to multipliers and contacts (see ``thermnet.parts.posture``).
    faces : dict
        ``part.face`` to Face.
    sources : dict
        Name of a heat source to {node: share}; shares add up to 1 unless heat is also lost elsewhere.
    fixed_heat : dict
        Name of a source to its nominal power in W (memory, drive ...), absent for chips.
    followers : dict
        Chip name to {node: W per W of chip power} for losses that follow it (regulators).
    limits : list of Limit
    leakage : dict
        Chip name to (node, Leakage) pairs.
    series : dict
        Link name to the pieces that a joint is made of, in series: (what, K/W) pairs from its first end on.
    """

    network: ThermalNetwork
    parts: Mapping[str, Part]
    ambient: Any = 25.0
    air_density_ratio: Any = 1.0
    speeds: Mapping[str, Any] = field(default_factory=dict)
    posture: Mapping[str, Any] = field(default_factory=dict)
    faces: dict[str, Face] = field(default_factory=dict)
    sources: dict[str, dict[str, Any]] = field(default_factory=dict)
    fixed_heat: dict[str, Any] = field(default_factory=dict)
    followers: dict[str, dict[str, Any]] = field(default_factory=dict)
    limits: list[Limit] = field(default_factory=list)
    leakage: dict[str, list[Any]] = field(default_factory=dict)
    series: dict[str, tuple[tuple[str, Any], ...]] = field(default_factory=dict)

    def add_face(
        self, name: str, *patches: Patch, constriction: Callable[[Any], Any] | None = None, material: str = ""
    ) -> None:
        """Register the face ``part.face`` with its patches."""
        self.faces[name] = Face(tuple(patches), constriction, material)


@dataclass(frozen=True, kw_only=True)
class Part:
    """Base of all parts."""

    kind: ClassVar[str] = ""
    faces: ClassVar[tuple[str, ...]] = ()
    """Names of the faces this part offers to joints (may be extended per instance by ``face_names``)."""

    def __post_init__(self) -> None:
        parameter.check(self)

    def face_names(self) -> tuple[str, ...]:
        """Faces of this instance."""
        return self.faces

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add nodes, inner links, faces, sources and limits under ``name``."""
        raise TypeError(f"{type(self).__name__} only joins two faces; use it as the 'through' of a joint")

    def mass(self) -> Any:
        """Mass in kg (0 where the part does not know)."""
        return 0.0

    def thickness_in_stack(self) -> Any:
        """Height in m that the part takes in the cooling stack (0 where it does not count)."""
        return 0.0


@dataclass(frozen=True, kw_only=True)
class Joiner(Part):
    """A part that lives between two faces: an interface material, a pad, an air gap."""

    def area_resistance(self, hot_material: str = "", cold_material: str = "") -> Any:
        """Area resistance in K m^2/W, contacts included."""
        raise TypeError(f"{type(self).__name__} does not define its area resistance")

    def patch_area_resistances(
        self, areas: Sequence[Any], hot_material: str = "", cold_material: str = ""
    ) -> Sequence[Any]:
        """Area resistance in K m^2/W under each patch of the face that has several, given their areas in m^2.

        The same under all, unless the joiner knows better where the patches lie.
        """
        return [self.area_resistance(hot_material, cold_material)] * len(areas)


def join(assembly: Assembly, first: str, second: str, *, through: Joiner | None = None, through_name: str = "",
         resistance: Any = None, area: Any = None) -> None:  # fmt: skip
    """Join two faces through an interface part, or by a plain resistance in K/W.

    Every patch of the face with more patches is linked to the single patch of the other; two faces with the same
    number of patches are linked pairwise.  The contact area is the smaller patch area
    (or ``area``, or the ``area`` of the interface part, which an air gap may have); the larger side adds its
    constriction resistance for that source area.
    """
    a, b = assembly.faces[first], assembly.faces[second]
    if area is None:
        area = getattr(through, "area", None)
    if len(a.patches) != len(b.patches) and 1 not in (len(a.patches), len(b.patches)):
        raise ValueError(f"joint {first} to {second}: {len(a.patches)} patches cannot meet {len(b.patches)}")
    pairs = (
        list(zip(a.patches, b.patches, strict=True))
        if len(a.patches) == len(b.patches)
        else [(p, q) for p in a.patches for q in b.patches]
    )
    total = sum_of_areas(a if len(a.patches) > 1 else b)
    contacts = [_contact_area(p, q, area, len(pairs), total) for p, q in pairs]
    between: Sequence[Any] = ()
    if through is not None:
        if any(contact is None for contact in contacts):
            raise ValueError(f"joint {first} to {second}: neither face has an area; give the joint an area")
        between = through.patch_area_resistances(contacts, a.material, b.material)
    for k, ((p, q), contact) in enumerate(zip(pairs, contacts, strict=True)):
        pieces: list[tuple[str, Any]] = [(f"within {first.partition('.')[0]}", p.resistance)]
        if through is not None:
            pieces.append((through_name.split(" ")[0] or through.kind, between[k] / contact))
        elif resistance is not None:
            # A plain resistance belongs to the whole joint: patches share it in proportion to their area.
            share = 1.0 if len(pairs) == 1 or contact is None or total is None else contact / total
            pieces.append((f"joint {first} to {second}", resistance / share))
        for side, face, own in ((first, a, p), (second, b, q)):
            if (
                face.constriction is not None
                and contact is not None
                and (own.area is None or np.any(own.area > contact))
            ):
                pieces.append((f"spreading into {side.partition('.')[0]}", face.constriction(contact)))
        pieces.append((f"within {second.partition('.')[0]}", q.resistance))
        value = sum(piece for _, piece in pieces)
        label = f"{through_name}: {p.node}->{q.node}" if through_name else None
        key = assembly.network.add_link(p.node, q.node, resistance=value, name=label)
        assembly.series[key] = tuple((what, piece) for what, piece in pieces if np.any(np.asarray(piece) != 0.0))


def sum_of_areas(face: Face) -> Any:
    """Total area of a face in m^2, or None if any patch has none."""
    areas = [patch.area for patch in face.patches]
    return None if any(area is None for area in areas) else sum(areas)


def _contact_area(p: Patch, q: Patch, area: Any, pairs: int, total: Any) -> Any:
    if area is not None and pairs == 1:
        return area
    known = [patch.area for patch in (p, q) if patch.area is not None]
    if not known:
        return area
    smallest = known[0] if len(known) == 1 else np.minimum(known[0], known[1])
    if area is not None and total is not None:
        return smallest * area / total
    return smallest
