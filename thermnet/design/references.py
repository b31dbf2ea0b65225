"""Every place in a design where one thing names another, and whether what it names is there.

The walk works on a :class:`Design` and on the raw tables of a file alike, so that a wrong name is reported
even where something beside it could not be read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from thermnet.design.schema import joined
from thermnet.errors import Problem
from thermnet.parts import part_kinds
from thermnet.parts.base import Joiner, Part
from thermnet.wording import any_of, nearest, quoted


@dataclass(frozen=True)
class Reference:
    """One name that stands for something else: where it is written, what it should be, and the name."""

    key: str
    what: str
    name: str


def get(owner: Any, name: str) -> Any:
    """Field of a dataclass or entry of a raw table; None where there is none."""
    return owner.get(name) if isinstance(owner, Mapping) else getattr(owner, name, None)


def rows(value: Any) -> list[Any]:
    """Give the rows of a list of tables, or nothing if it is something else."""
    return list(value) if isinstance(value, list | tuple) else []


def items(value: Any) -> list[tuple[str, Any]]:
    """Entries of a table of tables, or nothing if it is something else."""
    return list(value.items()) if isinstance(value, Mapping) else []


def references(design: Any) -> Iterator[Reference]:
    """Every reference in a design or in the raw tables of a design file."""
    yield from _of_parts(design)
    yield from _of_joints(design)
    for name, sensor in items(get(design, "sensors")):
        for index, node in enumerate(rows(get(sensor, "reads"))):
            yield Reference(f"{joined('sensors', name)}.reads.{index}", "node", node)
    for name, mode in items(get(design, "modes")):
        yield from _of_mode(mode, joined("modes", name))
    for name, load in items(get(design, "workloads")):
        for source, _ in items(get(load, "other")):
            yield Reference(joined(f"{joined('workloads', name)}.other", source), "source of heat", source)


PART_REFERENCES: Mapping[str, Mapping[str, str]] = {"board": {"feeds": "chip"}}
"""By kind of part: fields that name other parts, and what those should be (an air path checks its own)."""


def _of_parts(design: Any) -> Iterator[Reference]:
    for name, part in items(get(design, "parts")):
        kind = get(part, "kind")
        for field, what in PART_REFERENCES.get(kind if isinstance(kind, str) else "", {}).items():
            for index, other in enumerate(rows(get(part, field))):
                yield Reference(f"{joined('parts', name)}.{field}.{index}", what, other)


def _of_joints(design: Any) -> Iterator[Reference]:
    for index, joint in enumerate(rows(get(design, "joints"))):
        for end, face in enumerate(rows(get(joint, "between"))):
            yield Reference(f"joints.{index}.between.{end}", "face", face)
        if get(joint, "through"):
            yield Reference(f"joints.{index}.through", "interface part", get(joint, "through"))


def _of_mode(mode: Any, path: str) -> Iterator[Reference]:
    for chip, control in items(get(mode, "chips")):
        yield Reference(joined(f"{path}.chips", chip), "chip", chip)
        if get(control, "junction_sensor"):
            yield Reference(
                f"{joined(f'{path}.chips', chip)}.junction_sensor", "sensor", get(control, "junction_sensor")
            )
    for fan, control in items(get(mode, "fans")):
        key = joined(f"{path}.fans", fan)
        yield Reference(key, "fan", fan)
        for index, table in enumerate(rows(get(control, "tables"))):
            yield Reference(f"{key}.tables.{index}.sensor", "sensor", get(table, "sensor"))
    for index, control in enumerate(rows(get(mode, "skin_limits"))):
        yield Reference(f"{path}.skin_limits.{index}.sensor", "sensor", get(control, "sensor"))
    charger = get(mode, "charger")
    if charger is not None:
        yield Reference(f"{path}.charger.charger", "charger", get(charger, "charger"))
        yield Reference(f"{path}.charger.sensor", "sensor", get(charger, "sensor"))


@dataclass(frozen=True)
class Known:
    """What may be named.

    Attributes
    ----------
    parts : mapping
        Parts by name, None where one could not be read.
    kinds : mapping
        Kind of each part, where known.
    sensors, nodes, sources : tuple of str
        Sensors, nodes of the network, and parts with heat of their own that are no chips.
    unsure : set of str
        Parts that could not be read or put together, so that their nodes are not known.
    """

    parts: Mapping[str, Part | None]
    kinds: Mapping[str, str]
    sensors: tuple[str, ...]
    nodes: tuple[str, ...]
    sources: tuple[str, ...]
    unsure: frozenset[str]

    def faces_of(self, name: str) -> tuple[str, ...] | None:
        """Faces of a part; None where the part could not be read and its kind does not settle them."""
        part = self.parts[name]
        if part is not None:
            return part.face_names()
        owner = part_kinds().get(self.kinds.get(name, ""))
        return owner.faces if owner is not None and owner.face_names is Part.face_names else None

    def of_kind(self, kind: str) -> list[str]:
        """Names of the parts of a kind."""
        return [name for name, own in self.kinds.items() if own == kind]


def reference_problems(design: Any, known: Known) -> list[Problem]:
    """List the references that name nothing of the right sort."""
    problems = []
    for reference in references(design):
        if isinstance(reference.name, str):
            problem = _problem(reference, known)
            problems += [problem] if problem is not None else []
    return problems


def _problem(reference: Reference, known: Known) -> Problem | None:
    name, key = reference.name, reference.key
    if reference.what == "face":
        return _face_problem(key, name, known)
    if reference.what == "node":
        if name in known.nodes or name == "ambient" or name.partition(".")[0] in known.unsure:
            return None
        return _unknown(key, "node", name, known.nodes)
    if reference.what == "source of heat":
        known_name = name in known.sources or name in known.unsure
        return None if known_name else _unknown(key, "source of heat", name, known.sources)
    if reference.what == "interface part":
        return _joiner_problem(key, name, known)
    if reference.what == "sensor":
        return None if name in known.sensors else _unknown(key, "sensor", name, known.sensors)
    options = known.of_kind({"chip": "die"}.get(reference.what, reference.what))
    return None if name in options else _unknown(key, reference.what, name, options)


def _face_problem(key: str, name: str, known: Known) -> Problem | None:
    owner, dot, face = name.partition(".")
    joinable = [n for n, part in known.parts.items() if not isinstance(part, Joiner)]
    every = [f"{n}.{f}" for n in known.parts for f in known.faces_of(n) or ()]
    if not dot or not face:
        return Problem(key, quoted(name), "a face, written part.face", nearest(name, every))
    if owner not in known.parts:
        hint = nearest(name, every) or nearest(owner, joinable)
        return Problem(
            key, f"{quoted(name)}: there is no part {quoted(owner)}", f"a face of {any_of(joinable)}", hint
        )
    own = known.faces_of(owner)
    if own is None or face in own:
        return None
    faces = [f"{owner}.{f}" for f in own]
    if isinstance(known.parts[owner], Joiner):
        return Problem(
            key, f"{quoted(name)}: an interface part has no faces", f'the joint to have through = "{owner}"'
        )
    return Problem(key, f"{quoted(name)}: unknown face", any_of(faces), nearest(name, faces))


def _joiner_problem(key: str, name: str, known: Known) -> Problem | None:
    options = [n for n, part in known.parts.items() if isinstance(part, Joiner)]
    if name not in known.parts:
        return _unknown(key, "interface part", name, options)
    part = known.parts[name]
    if part is None or isinstance(part, Joiner):
        return None
    return Problem(key, f"{quoted(name)} is of kind {part.kind}", f"an interface part: {any_of(options)}")


def _unknown(key: str, what: str, name: str, options: Any) -> Problem:
    return Problem(key, f"{quoted(name)}: unknown {what}", any_of(options), nearest(name, options))
