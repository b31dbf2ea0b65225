"""The same machine with another cooling stack: pipes, vapor chamber, or both.

The stack is what lies between the chips' tops and the fins: a core (cold plate or chamber) and the pipes that
lead from it to fins.  The functions here exchange parts and joints together and leave everything else alone;
what a choice of stack needs beyond the design's own numbers is taken by the rules told in each function.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from thermnet.design.check import problems_of
from thermnet.design.design import Design, Joint
from thermnet.design.stack import (
    Stack,
    base_area,
    chips_extent,
    depth_of,
    footprint,
    in_mm,
    own_joints,
    own_stack_name,
    owner_of,
    reach_of,
    read_stack,
    renamed,
    solder,
)
from thermnet.errors import DesignError
from thermnet.parts.base import Joiner, Part
from thermnet.parts.die import Die
from thermnet.parts.fins import FinStack
from thermnet.parts.heat_pipe import HeatPipe
from thermnet.parts.interface import AirGap
from thermnet.parts.plate import ColdPlate
from thermnet.parts.vapor_chamber import VaporChamber

MARGIN = 0.015
"""m; a new core reaches this far beyond the chips on every side (common practice, no source)."""

NEW_CORE = {"plate": "plate", "vapor_chamber": "chamber"}
"""Name of a core of another kind than before."""

SAVED = ("gaps", "fins", "thinner")
"""What can become of the height that a chamber saves."""

MESH_BELOW = 0.8e-3
"""m; thinner chambers get one layer of 200 mesh, thicker ones a sintered wick (illustrative)."""

CAUTION = (
    "Pipe and chamber limits are computed from illustrative constructions; suppliers' measured values at the "
    "bent, flattened and tilted state replace them (heat_limit, resistance)."
)


def with_pipes(
    design: Design, count: int, diameter: float, flattened: float | None = None, *, whole: bool = True
) -> Design:  # fmt: skip
    """Copy a design with ``count`` pipes of ``diameter`` (m) between the core and every stack of fins.

    A chamber as core becomes a copper plate of its thickness that reaches 15 mm beyond the chips.  Pipes keep
    the flattened thickness (unless given), length and bends of the pipes they replace; a stack of fins
    without pipes of its own gets some of the first pipe's kind.  Solder joints keep their area resistance.
    A supplier's heat limit or resistance of the old pipes is dropped: it belongs to them.  ``whole`` also puts the
    new machine together on trial, which takes most of the time; without it, what does not fit is found in use.
    """
    stack = read_stack(design)
    parts = dict(design.parts)
    template = next((parts[name] for name in stack.pipes), None)
    if not isinstance(template, HeatPipe):
        raise ValueError(f"{design.name} has no heat pipe whose length could be taken; expected at least one")
    made: list[Joint] = []
    core, bottom = stack.core, f"{stack.core}.bottom"
    if isinstance(parts[core], VaporChamber):
        parts[core] = _plate(design, stack)
        made += [renamed(j, {f"{core}.condenser": bottom}) for j in stack.chips]
    else:
        made += stack.chips
    solder_in, solder_out = solder(design, stack)
    for fins in [*dict.fromkeys([f for *_, f in stack.pipes.values()] + list(stack.direct))]:
        own = next((name for name, (*_, f) in stack.pipes.items() if f == fins), f"{fins}_pipes")
        like = parts.get(own, template)
        pipe = _resized(like, count, diameter, flattened)
        parts[own] = pipe
        made.append(
            Joint(between=(bottom, f"{own}.evaporator"), resistance=solder_in / footprint(pipe, "evaporator"))
        )
        area = min(footprint(pipe, "condenser"), base_area(parts[fins]))
        made.append(Joint(between=(f"{own}.condenser", f"{fins}.base"), resistance=solder_out / area))
    made += [renamed(j, {f"{core}.condenser": bottom}) for j in stack.side]
    word = f"{count} {'pipe' if count == 1 else 'pipes'} {in_mm(diameter)}" + (
        " per stack" if len(stack.pipes) + len(stack.direct) > 1 else ""
    )
    swap = (
        {f"{core}.evaporator": f"{core}.rim", f"{core}.condenser": f"{core}.rim"}
        if parts[core] is not design.parts[core]
        else {}
    )
    return _finished(design, stack, word, parts, made, swap, whole)


def with_chamber(
    design: Design, thickness: float, *, length: float | None = None, width: float | None = None,
    distance: float | None = None, reaches_evenly: bool | None = None, saved: str = "gaps", whole: bool = True,
) -> Design:  # fmt: skip
    """Copy a design with one vapor chamber, ``thickness`` m, from the chips to all fins, and no pipes.

    With one stack of fins the chamber is as wide as the fins and as long as the pipes' way less their run
    along the fins; vapour and liquid run its length (``condenser_distance``).  A design that has a chamber
    already keeps it, grown by arms to the fins that pipes fed.  New chambers below 0.8 mm have a layer of 200
    mesh, others a sintered wick (a fifth of the thickness, walls 0.15 mm): illustrative.  The whole chamber
    faces the skins where plate and pipes did, and the skins' hot zones are at least as large.  What the
    chamber is thinner than the pipes (or than the chamber before) goes half to the air gap on either side.

    Parameters
    ----------
    thickness, length, width, distance : float
        m; the last three in place of the rules above.
    reaches_evenly : bool, optional
        Fins all around: heat leaves evenly.  Decided by the number of fin stacks if left out.
    saved : "gaps", "fins" or "thinner"
        What becomes of the height that the chamber saves: wider air gaps to the skins, taller fins, or a
        thinner machine.
    whole : bool
        Put the new machine together on trial, as :func:`with_pipes` does.
    """
    if saved not in SAVED:
        raise ValueError(f"saved {saved!r}; expected one of {', '.join(SAVED)}")
    stack = read_stack(design)
    parts = dict(design.parts)
    core = stack.core
    fed = [*dict.fromkeys([f for *_, f in stack.pipes.values()] + list(stack.direct))]
    even = len(fed) > 1 if reaches_evenly is None else reaches_evenly
    before = design.parts[core]
    if isinstance(before, VaporChamber):
        arms = sum(depth_of(parts[f]) * reach_of(parts[name]) for name, (*_, f) in stack.pipes.items())
        size = (length or before.length + arms / before.width, width or before.width)
        chamber = _scaled(
            before, thickness, *size, added=sum(base_area(parts[f]) for *_, f in stack.pipes.values())
        )
    else:
        size, way = _size(design, stack, fed, length, width)
        chamber = _new_chamber(
            design,
            thickness,
            *size,
            None if even else (distance or way),
            sum(base_area(parts[f]) for f in fed),
        )
    parts[core] = chamber
    for name in stack.pipes:
        del parts[name]
    chip_end = {f"{core}.{face}": f"{core}.top" for face in ("top", "bottom")}
    made = [renamed(j, chip_end) for j in stack.chips]
    _, solder_out = solder(design, stack)
    for fins in fed:
        kept = stack.direct.get(fins) if isinstance(before, VaporChamber) else None
        made.append(
            kept
            or Joint(
                between=(f"{core}.condenser", f"{fins}.base"), resistance=solder_out / base_area(parts[fins])
            )
        )
    high = [float(np.max(design.parts[name].thickness_in_stack())) for name in stack.pipes]
    spare = (max(high) if high and not isinstance(before, VaporChamber) else _thickness(before)) - thickness
    made += _towards_skins(design, stack, parts, chamber, fed, 0.5 * spare if saved == "gaps" else 0.0)
    if saved == "fins":
        for fins in fed:
            parts[fins] = dataclasses.replace(parts[fins], height=parts[fins].height + spare)  # type: ignore
    swap = {f"{core}.{node}": f"{core}.evaporator" for node in ("core", "rim")}
    for name in stack.pipes:
        swap |= {f"{name}.evaporator": f"{core}.evaporator", f"{name}.condenser": f"{core}.condenser"}
    return _finished(design, stack, f"chamber {in_mm(thickness)}", parts, made, swap, whole)


def with_hybrid(design: Design, thickness: float) -> Design:
    """Copy a design with a small vapor chamber, ``thickness`` m, under the chips, and its own pipes on it.

    The chamber takes the place of the cold plate and its outline, or 15 mm beyond the chips if that is more;
    heat leaves evenly to the pipes.  A design that has chamber and pipes already keeps both and changes the
    chamber's thickness.
    """
    stack = read_stack(design)
    if not stack.pipes:
        raise ValueError(f"{design.name} has no heat pipes to put on a chamber")
    parts = dict(design.parts)
    core, before = stack.core, design.parts[stack.core]
    if isinstance(before, VaporChamber):
        parts[core] = _scaled(before, thickness, before.length, before.width)
        return _finished(
            design, stack, f"chamber {in_mm(thickness)} + pipes", parts, list(own_joints(stack)), {}
        )
    assert isinstance(before, ColdPlate)
    side = [extent + 2 * MARGIN for extent in chips_extent(design)]
    chamber = _new_chamber(
        design, thickness, max(before.length, side[0]), max(before.width, side[1]), None, None
    )
    parts[core] = chamber
    faces = {f"{core}.bottom": f"{core}.condenser"}
    swap = {f"{core}.{node}": f"{core}.evaporator" for node in ("core", "rim")}
    made = [renamed(j, faces) for j in own_joints(stack)]
    return _finished(design, stack, f"chamber {in_mm(thickness)} + pipes", parts, made, swap)


def with_thickness(design: Design, thickness: float) -> Design:
    """Copy a design whose vapor chamber (its first one) has another thickness, m, all else staying in place.

    For machines without fins or pipes, whose stack has nothing to be exchanged for.  Wick, walls and gap keep their
    shares; a supplier's heat limit or resistance of the old thickness is dropped.
    """
    name = next((name for name, part in design.parts.items() if isinstance(part, VaporChamber)), None)
    if name is None:
        raise ValueError(f"{design.name} has no vapor chamber; expected one whose thickness could change")
    before = design.parts[name]
    assert isinstance(before, VaporChamber)
    part = _scaled(before, thickness, before.length, before.width)
    made = dataclasses.replace(
        design, name=f"{design.name}, chamber {in_mm(thickness)}", parts={**design.parts, name: part}
    )
    problems = problems_of(made, made.parts, {label: p.kind for label, p in made.parts.items()}, made.joints)
    if problems:
        raise DesignError(made.name, problems)
    return made


def stack_variants(
    design: Design, *, pipes: Sequence[tuple[int, float]] | None = None, chambers: Sequence[float] | None = None,
    hybrids: Sequence[float] | None = None,
) -> dict[str, Design]:  # fmt: skip
    """Make the family of one machine: pipes against chamber against hybrid.

    Parameters
    ----------
    design : Design
    pipes : sequence of (count, diameter in m), optional
        Per stack of fins; two of 6 mm and one of 8 mm if left out.
    chambers, hybrids : sequence of thickness in m, optional
        0.6 and 1.0 mm chambers, and a 1.0 mm hybrid, if left out; for a design that has a chamber, its own
        thickness and three quarters of it.

    Returns
    -------
    dict of str to Design
        By a short name that tells the stack; the design as it is comes first, under its own stack's name.

    Raises
    ------
    ValueError
        No such stack, or one that cannot be exchanged (see :func:`read_stack`).
    """
    stack = read_stack(design)
    core = design.parts[stack.core]
    own = own_stack_name(design)
    found: dict[str, Design] = {own: design}
    if isinstance(core, VaporChamber):
        usual = (float(core.thickness), 0.75 * float(core.thickness))
    else:
        usual = (0.6e-3, 1.0e-3)
    many = len(stack.pipes) + len(stack.direct) > 1
    for count, diameter in (((1, 8e-3),) if many else ((2, 6e-3), (1, 8e-3))) if pipes is None else pipes:
        made = with_pipes(design, count, diameter)
        if not _same_stack(made, design):
            found[_short(design, made)] = made
    for thickness in sorted(usual) if chambers is None else chambers:
        made = with_chamber(design, thickness)
        found[_short(design, made)] = made
    for thickness in ((usual[1],) if hybrids is None else hybrids) if stack.pipes else ():
        made = with_hybrid(design, thickness)
        if not _same_stack(made, design):
            found[_short(design, made)] = made
    return found


# -- inside ------------------------------------------------------------------------------------------------


def _plate(design: Design, stack: Stack) -> ColdPlate:
    """Copper plate in place of a chamber."""
    before = design.parts[stack.core]
    assert isinstance(before, VaporChamber)
    one = [float(part.area) for part in design.parts.values() if isinstance(part, Die)]
    return ColdPlate(
        length=before.evaporator_length + 2 * MARGIN, width=before.evaporator_width + 2 * MARGIN,
        thickness=before.thickness, source_area=one[0] if len(one) == 1 else None,
    )  # fmt: skip


def _resized(pipe: Part, count: int, diameter: float, flattened: float | None) -> HeatPipe:
    assert isinstance(pipe, HeatPipe)
    thick = pipe.height if flattened is None else flattened
    return dataclasses.replace(
        pipe, count=count, diameter=diameter, flattened_thickness=None if thick >= diameter else thick,
        heat_limit=None, resistance=None,
    )  # fmt: skip


def _size(
    design: Design, stack: Stack, fed: Sequence[str], length: float | None, width: float | None
) -> tuple[tuple[float, float], float]:
    """Length and width of a chamber from the chips to the fins, and the way from middle to middle, m."""
    pipe = design.parts[next(iter(stack.pipes))] if stack.pipes else None
    if not isinstance(pipe, HeatPipe):
        raise ValueError(
            f"{design.name} has no heat pipe whose way a chamber could take; give length and width"
        )
    fins = design.parts[fed[0]]
    assert isinstance(fins, FinStack)
    middle = float(pipe.lengths.adiabatic)
    way = 0.5 * float(pipe.evaporator_length) + middle + 0.5 * float(fins.depth)
    own_length = float(pipe.evaporator_length) + middle + float(fins.depth)
    return (length or own_length, width or max(float(fins.width), chips_extent(design)[1] + 2 * MARGIN)), way


def _new_chamber(
    design: Design,
    thickness: float,
    length: float,
    width: float,
    distance: float | None,
    condenser: float | None,
) -> VaporChamber:
    along, across = chips_extent(design)
    if thickness < MESH_BELOW:
        build: dict[str, Any] = {"wick": "screen_mesh", "wick_thickness": 0.1e-3, "wick_conductivity": 8.0}
        wall = 0.1e-3
    else:
        build = {"wick": "sintered_powder", "wick_thickness": 0.2 * thickness}
        wall = 0.15e-3
    gap = thickness - build["wick_thickness"] - 2 * wall
    if gap <= 0.05e-3:
        raise ValueError(
            f"chamber of {in_mm(thickness)}; expected at least 0.4 mm: walls and wick leave no vapour space"
        )
    return VaporChamber(
        length=length, width=width, thickness=thickness, vapour_gap=gap, evaporator_length=along,
        evaporator_width=across, condenser_distance=distance,
        condenser_area=None if condenser is None else min(condenser, 0.95 * length * width), **build,
    )  # fmt: skip


def _scaled(
    before: VaporChamber, thickness: float, length: float, width: float, added: float = 0.0
) -> VaporChamber:
    """Chamber of another thickness or size: wick, walls and gap keep their shares."""
    share = thickness / _thickness(before)
    area = (
        None if before.condenser_area is None else min(before.condenser_area + added, 0.95 * length * width)
    )
    way = before.condenser_distance
    if way is not None:
        # Arms carry the fins, and so the middle of where heat leaves, outwards by half of what each end grows.
        way = way + 0.5 * (length - before.length) / before.condenser_ends
    same = abs(share - 1.0) < 1e-9 and length == before.length and width == before.width
    return dataclasses.replace(
        before, thickness=thickness, vapour_gap=before.vapour_gap * share, wick_thickness=before.wick_thickness * share,
        length=length, width=width, condenser_area=area, condenser_distance=way, heat_limit=before.heat_limit if same else None,
        resistance=before.resistance if same else None,
    )  # fmt: skip


def _towards_skins(
    design: Design, stack: Stack, parts: dict[str, Part], chamber: VaporChamber, fed: Sequence[str], wider: float
) -> list[Joint]:  # fmt: skip
    """Joints from the chamber to what plate and pipes faced: skins across its whole area, the rest as before.

    Air gaps become wider by ``wider`` m (negative: narrower, but not below a fifth of a millimetre).
    """
    core = stack.core
    made: list[Joint] = []
    had_chamber = isinstance(design.parts[core], VaporChamber)
    # What a pipe faced goes with it where the chamber was there before.
    side = [j for j in stack.side if not had_chamber or core in map(owner_of, j.between)]
    free = float(chamber.length * chamber.width) - sum(base_area(parts[f]) for f in fed)
    seen: set[tuple[str, str]] = set()
    for joint in side:
        (other,) = (face for face in joint.between if owner_of(face) not in {core, *stack.pipes})
        skin = design.parts[owner_of(other)]
        if skin.kind != "skin" or not joint.through:
            made.append(renamed(joint, {f: f"{core}.condenser" for f in joint.between if f != other}))
            continue
        if (other, joint.through) in seen:
            continue
        seen.add((other, joint.through))
        through = joint.through
        gap = design.parts[through]
        if isinstance(gap, AirGap) and wider:
            through = f"{joint.through}_chamber"
            parts[through] = dataclasses.replace(gap, gap=max(float(gap.gap) + wider, 0.2e-3))
        if had_chamber:
            made.append(dataclasses.replace(joint, through=through))
            continue
        made.append(Joint(between=(f"{core}.condenser", other), through=through, area=free))
        zone = max(float(skin.hot_zone_area), float(chamber.length * chamber.width))  # type: ignore[attr-defined]
        parts[owner_of(other)] = dataclasses.replace(skin, hot_zone_area=zone)  # type: ignore[call-arg]
    return made


def _finished(
    design: Design, stack: Stack, word: str, parts: Mapping[str, Part], joints: Sequence[Joint],
    nodes: Mapping[str, str], whole: bool = True,
) -> Design:  # fmt: skip
    """Put the new design together, without parts that lie in no joint any more, and check it as a whole."""
    old = set(map(id, own_joints(stack)))
    first = next(k for k, joint in enumerate(design.joints) if id(joint) in old)
    others = [(k, joint) for k, joint in enumerate(design.joints) if id(joint) not in old]
    everything = (*(j for k, j in others if k < first), *joints, *(j for k, j in others if k > first))
    core, before = stack.core, design.parts[stack.core]
    kept = {j.through for j in everything} | {n for n, p in parts.items() if not isinstance(p, Joiner)}
    name = NEW_CORE.get(parts[core].kind, core)
    new = name if parts[core].kind != before.kind and name not in parts else core
    reads = {node: _moved(to, core, new) for node, to in nodes.items()}
    made = dataclasses.replace(
        design, name=f"{design.name}, {word}", title=f"{design.title}; stack exchanged: {word}",
        parts={new if n == core else n: part for n, part in parts.items() if n in kept},
        joints=tuple(renamed(j, {face: _moved(face, core, new) for face in j.between}) for j in everything),
        sensors={
            label: dataclasses.replace(sensor, reads=tuple(reads.get(node, node) for node in sensor.reads))
            for label, sensor in design.sensors.items()
        },
    )  # fmt: skip
    kinds = {label: part.kind for label, part in made.parts.items()}
    problems = problems_of(made, made.parts, kinds, made.joints) if whole else []
    if problems:
        raise DesignError(made.name, problems)
    return made


def _moved(face: str, core: str, new: str) -> str:
    return new + face.removeprefix(core) if owner_of(face) == core else face


def _thickness(part: Part) -> float:
    return float(np.max(part.thickness_in_stack()))


def _short(design: Design, made: Design) -> str:
    return made.name.removeprefix(f"{design.name}, ")


def _same_stack(a: Design, b: Design) -> bool:
    return a.parts == b.parts and set(a.joints) == set(b.joints)
