"""Checks that look at a design as a whole, one function each; every one returns a list of problems."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from thermnet.design.references import Known, get, items, reference_problems, references, rows
from thermnet.design.schema import from_exception, joined
from thermnet.errors import NetworkError, Problem
from thermnet.network import ThermalNetwork
from thermnet.parts.air_path import AirPath, check_air_routes
from thermnet.parts.base import Assembly, Joiner, Part, join
from thermnet.parts.posture import POSTURES
from thermnet.wording import any_of, nearest, quoted, short

RESERVED = frozenset(
    {
        "name",
        "title",
        "note",
        "ambient",
        "altitude",
        "posture",
        "parts",
        "joints",
        "sensors",
        "modes",
        "workloads",
    }
)
"""Names no part may have: they are the first words of other dotted keys, or the room itself."""
TRIAL_SPEED = 3000.0
"""rpm; fan speed at which a design is put together to see whether it can be."""


def problems_of(
    design: Any, parts: Mapping[str, Part | None], kinds: Mapping[str, str], joints: Iterable[Any]
) -> list[Problem]:
    """Everything wrong with how the pieces of a design go together.

    Parameters
    ----------
    design : Design or raw tables
        What names what.
    parts : mapping
        Parts by name, None where one could not be read.
    kinds : mapping
        Kind of each part by name, where known.
    joints : iterable of Joint or None
        Joints in order, None where one could not be read.
    """
    readable = {name: part for name, part in parts.items() if part is not None}
    air = air_routes(readable, set(parts) - set(readable))
    assembly, failed, trial = trial_assembly(
        readable, joints, with_air=not air and len(readable) == len(parts)
    )
    sensors = tuple(name for name, _ in items(get(design, "sensors")))
    unsure = frozenset({name for name in parts if name not in readable} | failed)
    known = Known(parts, kinds, sensors, tuple(assembly.network.nodes), tuple(assembly.fixed_heat), unsure)
    problems = [
        *reserved_names(parts),
        *reference_problems(design, known),
        *joint_shapes(design),
        *trial,
        *without_chip(kinds),
        *joined_to_nothing(design, known),
        *posture_name(design),
        *air,
    ]
    return problems or (adrift(assembly.network) if not unsure else [])


def reserved_names(parts: Mapping[str, Any]) -> list[Problem]:
    """List parts called like the first word of another dotted key."""
    return [
        Problem(f"parts.{name}", f"the name {quoted(name)} is taken by the design itself", "another name")
        for name in parts
        if name in RESERVED
    ]


def joint_shapes(design: Any) -> list[Problem]:
    """List joints without two different faces, without one way across, or made twice."""
    problems = []
    seen: dict[frozenset[str], int] = {}
    for index, joint in enumerate(rows(get(design, "joints"))):
        key, faces = f"joints.{index}", rows(get(joint, "between"))
        if not all(isinstance(face, str) for face in faces):
            continue
        if get(joint, "between") is not None and len(faces) != 2:
            expected = 'two faces, e.g. ["cpu.top", "plate.bottom"]'
            problems.append(
                Problem(f"{key}.between", f"{len(faces)} faces" if faces else "no faces", expected)
            )
        elif len(faces) == 2 and faces[0] == faces[1]:
            problems.append(Problem(f"{key}.between", f"{quoted(faces[0])} twice", "two different faces"))
        elif len(faces) == 2:
            first = seen.setdefault(frozenset(faces), index)
            if first != index:
                found = f"joined already in joints.{first}"
                problems.append(Problem(f"{key}.between", found, "each pair of faces once"))
        problems += _way_across(joint, key, " to ".join(short(face, 40) for face in faces[:2]))
    return problems


def _way_across(joint: Any, key: str, faces: str) -> list[Problem]:
    through, resistance = get(joint, "through"), get(joint, "resistance")
    if through and resistance is not None:
        return [Problem(key, f"both through and resistance ({faces})", "one of them")]
    if not through and resistance is None:
        found = f"neither through nor resistance ({faces})"
        return [Problem(key, found, "one of them: the name of an interface part, or K/W")]
    return []


def without_chip(kinds: Mapping[str, str]) -> list[Problem]:
    """Say so if no part is a die."""
    if "die" in kinds.values():
        return []
    return [Problem("parts", "no chip", 'at least one part with kind = "die"')]


def joined_to_nothing(design: Any, known: Known) -> list[Problem]:
    """List parts with faces that are in no joint, and interface parts that lie in none."""
    used = set()
    for reference in references(design):
        if reference.what in ("face", "interface part") and isinstance(reference.name, str):
            used.add(reference.name.partition(".")[0])
    problems = []
    for name, part in known.parts.items():
        if part is None or name in used:
            continue
        if isinstance(part, Joiner):
            problems.append(
                Problem(joined("parts", name), "lies in no joint", f'a joint with through = "{name}"')
            )
        elif part.face_names():
            faces = [f"{name}.{face}" for face in part.face_names()]
            problems.append(
                Problem(joined("parts", name), "is joined to nothing", f"a joint with {any_of(faces)}")
            )
    return problems


def posture_name(design: Any) -> list[Problem]:
    """List a posture that the package does not know."""
    name = get(design, "posture")
    if not isinstance(name, str) or name in POSTURES:
        return []
    return [Problem("posture", quoted(name), any_of(POSTURES), nearest(name, POSTURES))]


def air_routes(parts: Mapping[str, Part], lost: set[str]) -> list[Problem]:
    """List what is wrong with the ways of the air, leaving out what ``lost`` parts explain."""
    return [p for p in check_air_routes(parts) if not any(repr(name) in p.found for name in lost)]


def adrift(network: ThermalNetwork) -> list[Problem]:
    """Say so if heat from some part has no way to the room."""
    try:
        network.check()
    except NetworkError as error:
        return [Problem("joints", str(error), "joints that lead from every part to the room")]
    return []


def trial_assembly(
    parts: Mapping[str, Part], joints: Iterable[Any], with_air: bool = True
) -> tuple[Assembly, set[str], list[Problem]]:
    """Put the parts together as far as they go.

    Returns
    -------
    assembly : Assembly
    failed : set of str
        Parts that are not in it.
    problems : list of Problem
        What parts and joints object to.
    """
    network = ThermalNetwork()
    network.add_boundary("ambient", 25.0)
    speeds = {name: TRIAL_SPEED for name, part in parts.items() if part.kind == "fan"}
    assembly = Assembly(network=network, parts=parts, ambient=25.0, speeds=speeds)
    problems: list[Problem] = []
    failed = set()
    for name, part in sorted(parts.items(), key=lambda item: isinstance(item[1], AirPath)):
        if isinstance(part, Joiner):
            continue
        if isinstance(part, AirPath) and (problems or not with_air):
            failed.add(name)
            continue
        try:
            part.add_to(assembly, name)
        except (ValueError, ArithmeticError, TypeError, KeyError) as error:
            failed.add(name)
            problems.append(from_exception(error, joined("parts", name), type(part), vars(part)))
    for index, joint in enumerate(joints):
        problems += _trial_joint(assembly, index, joint)
    return assembly, failed, problems


def _trial_joint(assembly: Assembly, index: int, joint: Any) -> list[Problem]:
    """Join two faces if both are there; wrong names are another check's business."""
    faces: tuple[str, ...] = () if joint is None else joint.between
    if len(faces) != 2 or faces[0] == faces[1] or not all(face in assembly.faces for face in faces):
        return []
    through = assembly.parts.get(joint.through) if joint.through else None
    if bool(joint.through) == (joint.resistance is not None) or (
        joint.through and not isinstance(through, Joiner)
    ):
        return []
    joiner = through if isinstance(through, Joiner) else None
    how = {
        "through": joiner,
        "through_name": joint.through,
        "resistance": joint.resistance,
        "area": joint.area,
    }
    try:
        join(assembly, *faces, **how)
    except NetworkError as error:
        return [Problem(f"joints.{index}", str(error), "two faces that can be joined")]
    except (ValueError, ArithmeticError, TypeError, KeyError) as error:
        for name in (joint.through, *(face.partition(".")[0] for face in faces)):
            owner = type(assembly.parts.get(name))
            if str(error).startswith(f"{owner.__name__}."):
                return [from_exception(error, joined("parts", name), owner)]
        return [from_exception(error, f"joints.{index}")]
    return []
