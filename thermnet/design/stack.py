"""The cooling stack of a design: which parts and joints lie between the chips and the fins."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from thermnet.design.design import Design, Joint
from thermnet.parts.die import Die
from thermnet.parts.fins import FinStack
from thermnet.parts.heat_pipe import HeatPipe
from thermnet.parts.plate import ColdPlate
from thermnet.parts.vapor_chamber import VaporChamber


@dataclass(frozen=True)
class Stack:
    """What lies between chips and fins in a design.

    Attributes
    ----------
    core : str
        Part that the chips are joined to.
    chips : joints from chip to core
    pipes : mapping of pipe part to (joint from the core, joint to the fins, name of the fins)
    direct : mapping of fins to the joint from the core
    side : joints from core or pipes to anything else (skins, pads)
    """

    core: str
    chips: tuple[Joint, ...]
    pipes: Mapping[str, tuple[Joint, Joint, str]]
    direct: Mapping[str, Joint]
    side: tuple[Joint, ...]


def read_stack(design: Design) -> Stack:
    """Find the cooling stack of a design.

    Raises
    ------
    ValueError
        Chips on different cores, a core that is neither cold plate nor chamber, no fins, or pipes that do not
        lead from the core to fins.
    """
    parts = design.parts
    dies = {name for name, part in parts.items() if isinstance(part, Die)}
    chips = [
        j
        for j in design.joints
        if any(face.endswith(".top") and owner_of(face) in dies for face in j.between)
    ]
    cores = {other for j in chips for other in map(owner_of, j.between) if other not in dies}
    if len(cores) != 1:
        found = f"chips on {', '.join(sorted(cores))}" if cores else "no chip joined to anything"
        raise ValueError(f"{design.name}: {found}; expected all chips on one cold plate or vapor chamber")
    core = cores.pop()
    if not isinstance(parts[core], ColdPlate | VaporChamber):
        raise ValueError(
            f"{design.name}: chips on {core}, of kind {parts[core].kind}; "
            "expected a cold plate or a vapor chamber"
        )
    fins = [name for name, part in parts.items() if isinstance(part, FinStack)]
    if not fins:
        raise ValueError(f"{design.name} has no fins; expected a machine with a cooling stack and fins")
    pipes: dict[str, tuple[Joint, Joint, str]] = {}
    for name in (name for name, part in parts.items() if isinstance(part, HeatPipe)):
        into = [
            j
            for j in design.joints
            if set(map(owner_of, j.between)) == {name, core} and f"{name}.evaporator" in j.between
        ]
        out = [
            (j, f)
            for j in design.joints
            for f in fins
            if set(map(owner_of, j.between)) == {name, f} and f"{name}.condenser" in j.between
        ]
        if len(into) != 1 or len(out) != 1:
            raise ValueError(
                f"{design.name}: heat pipe {name!r} does not lead from {core} to one stack of fins"
            )
        pipes[name] = (into[0], *out[0])
    direct = {f: j for f in fins for j in design.joints if set(map(owner_of, j.between)) == {core, f}}
    known = [*chips, *direct.values(), *(j for a, b, _ in pipes.values() for j in (a, b))]
    moving = {core, *pipes}
    side = [j for j in design.joints if j not in known and moving & set(map(owner_of, j.between))]
    return Stack(core, tuple(chips), pipes, direct, tuple(side))


def own_stack_name(design: Design) -> str:
    """Name of a design's own stack: ``2 pipes 6 mm``, ``chamber 2 mm + 2 pipes 8 mm``."""
    stack = read_stack(design)
    core = design.parts[stack.core]
    words = [f"chamber {in_mm(core.thickness)}"] if isinstance(core, VaporChamber) else []
    sizes: dict[float, int] = {}
    for name in stack.pipes:
        pipe = design.parts[name]
        assert isinstance(pipe, HeatPipe)
        sizes[float(pipe.diameter)] = sizes.get(float(pipe.diameter), 0) + pipe.count
    words += [f"{n} {'pipe' if n == 1 else 'pipes'} {in_mm(d)}" for d, n in sizes.items()]
    return " + ".join(words) or f"plate {in_mm(core.thickness_in_stack())}"


def stack_heights(design: Design) -> tuple[float, float]:
    """Height in m of the stack over the chips, and at the fins (the highest stack)."""
    stack = read_stack(design)
    parts = design.parts

    def height(name: str) -> float:
        return float(np.max(parts[name].thickness_in_stack()))

    over = height(stack.core) + max((height(name) for name in stack.pipes), default=0.0)
    at_fins = [height(f) + height(name) for name, (*_, f) in stack.pipes.items()]
    at_fins += [height(f) + height(stack.core) for f in stack.direct]
    return over, max(at_fins)


def stack_parts(design: Design) -> tuple[str, ...]:
    """Names of the parts of the cooling stack: core, pipes, fins."""
    stack = read_stack(design)
    return (
        stack.core,
        *stack.pipes,
        *dict.fromkeys([f for *_, f in stack.pipes.values()] + list(stack.direct)),
    )


def owner_of(face: str) -> str:
    """Part that a face or node belongs to."""
    return face.partition(".")[0]


def in_mm(value: Any) -> str:
    """Length in m as text in mm."""
    return f"{1e3 * float(np.max(value)):.3g} mm"


def renamed(joint: Joint, faces: Mapping[str, str]) -> Joint:
    """Copy a joint with other faces, old name to new."""
    return dataclasses.replace(joint, between=tuple(faces.get(face, face) for face in joint.between))


def own_joints(stack: Stack) -> Iterable[Joint]:
    """All joints of a stack."""
    return (
        *stack.chips,
        *(j for a, b, _ in stack.pipes.values() for j in (a, b)),
        *stack.direct.values(),
        *stack.side,
    )


def footprint(pipe: HeatPipe, end: str) -> float:
    """Area in m^2 under the evaporator or condenser of all pipes of a part."""
    length = pipe.evaporator_length if end == "evaporator" else pipe.condenser_length
    return float(pipe.count * pipe.section.width * length)


def base_area(fins: Any) -> float:
    """Area of a fin stack's base, m^2."""
    return float(fins.width * fins.depth)


def depth_of(fins: Any) -> float:
    """Depth of a fin stack along the air, m."""
    return float(fins.depth)


def reach_of(pipe: Any) -> float:
    """Way in m that a chamber's arm takes to the fins of a pipe: the pipe less its evaporator."""
    return float(pipe.length - pipe.evaporator_length)


def solder(design: Design, stack: Stack) -> tuple[float, float]:
    """Area resistance in K m^2/W of the joints core to pipe and to the fins, as designed."""
    into: list[float] = []
    out: list[float] = []
    for name, (first, second, fins) in stack.pipes.items():
        pipe = design.parts[name]
        assert isinstance(pipe, HeatPipe)
        for joint, area, kept in (
            (first, footprint(pipe, "evaporator"), into),
            (second, min(footprint(pipe, "condenser"), base_area(design.parts[fins])), out),
        ):
            if joint.resistance is None:
                raise ValueError(
                    f"{design.name}: joint {' to '.join(joint.between)} goes through {joint.through!r}; "
                    "expected a plain resistance (solder)"
                )
            kept.append(joint.resistance * area)
    for fins, joint in stack.direct.items():
        if joint.resistance is not None and not out:
            out.append(joint.resistance * base_area(design.parts[fins]))
    if not out:
        raise ValueError(f"{design.name}: no joint to the fins with a plain resistance")
    return float(np.mean(into)) if into else 0.0, float(np.mean(out))


def chips_extent(design: Design) -> tuple[float, float]:
    """Length and width in m of a rectangle that holds all chips, side by side, 10 mm apart."""
    sides = [math.sqrt(float(part.area)) for part in design.parts.values() if isinstance(part, Die)]
    return sum(sides) + 0.01 * (len(sides) - 1), max(sides)
