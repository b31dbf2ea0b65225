"""Dotted keys: read any parameter of a design, list them all, and make a changed copy."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from pydantic_core import PydanticCustomError

from thermnet.design.check import problems_of
from thermnet.design.design import Design
from thermnet.design.schema import column, from_exception, nested_tables, read_value, refused
from thermnet.errors import DesignError, Problem
from thermnet.parameter import Declaration, declarations
from thermnet.parts.base import Part
from thermnet.wording import any_of, found, quoted, short

Steps = tuple[Any, ...]


@dataclasses.dataclass(frozen=True)
class Slot:
    """Where a dotted key leads: the steps from the design, what is declared there, and the value now."""

    steps: Steps
    declared: Declaration
    value: Any
    may_be_none: bool = False
    is_cell: bool = False


def parameters(design: Design, derived: bool = False) -> dict[str, Declaration]:
    """List every numeric parameter of a design that has a value: dotted key to declaration.

    Part names need no prefix (``interface.bond_line``); the rest is ``joints.0.resistance``,
    ``sensors.skin_proxy.lag``, ``modes.desk.chips.cpu.burst_limit`` and so on.  ``derived`` adds those that
    were left out and follow from others (a bond line from material and pressure); changing one of them makes
    it stand on its own.
    """
    return {
        key: slot.declared
        for key, slot in slots(design).items()
        if slot.declared.role in ("quantity", "count")
        and not slot.is_cell
        and (slot.value is not None or (derived and _in_use(design, slot) is not None))
    }


def values_of(design: Design) -> dict[str, Any]:
    """Value of every parameter that :func:`parameters` lists, in its inside unit: one look for all of them."""
    return {
        key: slot.value
        for key, slot in slots(design).items()
        if slot.declared.role in ("quantity", "count") and not slot.is_cell and slot.value is not None
    }


def get(design: Design, key: str) -> Any:
    """Value of a parameter in its inside unit; where it was left out, the one that follows from others.

    Raises
    ------
    DesignError
        There is no such key; the nearest ones are named.
    """
    known = slots(design)
    name = _plain(key)
    if name not in known:
        raise DesignError(design.name, [_unknown(key, known)])
    slot = known[name]
    return _in_use(design, slot) if slot.value is None else slot.value


def _in_use(design: Design, slot: Slot) -> Any:
    """Value that a part uses for a field left out; None if it uses none."""
    if slot.steps[0] != "parts" or len(slot.steps) != 3:
        return None
    values_in_use = getattr(design.parts[slot.steps[1]], "values_in_use", None)
    return values_in_use().get(slot.steps[2]) if values_in_use is not None else None


def replace_in(design: Design, changes: Mapping[str, Any], *, whole: bool = True) -> Design:
    """Make a changed copy of a design.

    Parameters
    ----------
    design : Design
    changes : mapping
        Dotted key to new value: a text with a unit as in a design file, a number or an array over samples in
        the inside unit, a word for a choice, or a whole Part under the part's name.  None clears what may be
        left out.
    whole : bool
        Also put the changed design together on trial, which takes most of the time.  Without it, what does not
        fit together is found only where the copy is used.

    Returns
    -------
    Design
        The design given is not touched.

    Raises
    ------
    DesignError
        Lists every unknown key (with the nearest one) and every value that does not fit.
    """
    source = f"changes to {design.name}"
    known = slots(design)
    problems: list[Problem] = []
    tree: dict[Any, Any] = {}
    check = whole
    for key, raw in changes.items():
        name = _plain(key)
        if isinstance(raw, Part) and name in design.parts:
            tree.setdefault("parts", {})[name] = raw
            continue
        slot = known.get(name)
        if slot is None:
            problems.append(_unknown(key, known))
            continue
        try:
            value = _new_value(slot, raw)
        except PydanticCustomError as error:
            context = error.context or {}
            problems.append(Problem(name, context["found"], context["expected"], context.get("hint", "")))
            continue
        check &= np.ndim(value) == 0 or slot.declared.role != "quantity"
        _plant(tree, slot.steps, value)
    changed = design if problems else _changed(design, tree, "", problems)
    if check and not problems:
        problems += _whole(changed)
        if problems:  # what was wrong before is not the changes' fault
            before = set(_whole(design))
            problems = [problem for problem in problems if problem not in before]
    if problems:
        raise DesignError(source, list(dict.fromkeys(problems)))
    return changed


def _whole(design: Design) -> list[Problem]:
    kinds = {name: part.kind for name, part in design.parts.items()}
    return problems_of(design, design.parts, kinds, design.joints)


# -- finding ---------------------------------------------------------------------------------------------


def slots(design: Design) -> dict[str, Slot]:
    """Every place in a design that a dotted key can name."""
    found_slots = dict(_slots_of(design, "", (), skip=("parts", "workloads")))
    for name, part in design.parts.items():
        found_slots |= dict(_slots_of(part, name, ("parts", name)))
    return found_slots


def _slots_of(
    owner: Any, prefix: str, steps: Steps, skip: tuple[str, ...] = ()
) -> Iterator[tuple[str, Slot]]:
    defaults = {f.name: f.default for f in dataclasses.fields(owner)}
    for name, declared in declarations(owner).items():
        key, value = f"{prefix}.{name}" if prefix else name, getattr(owner, name)
        yield key, Slot((*steps, name), declared, value, defaults[name] is None)
        if declared.role == "table" and value is not None:
            yield from _cells(key, (*steps, name), declared, value)
    for name in nested_tables(type(owner)):
        inner = getattr(owner, name)
        if name in skip or not inner:
            continue
        key, here = f"{prefix}.{name}" if prefix else name, (*steps, name)
        if isinstance(inner, Mapping):
            pairs: list[tuple[Any, Any]] = list(inner.items())
        elif isinstance(inner, tuple):
            pairs = list(enumerate(inner))
        else:
            yield from _slots_of(inner, key, here)
            continue
        for step, row in pairs:
            yield from _slots_of(row, f"{key}.{step}", (*here, step))


def _cells(key: str, steps: Steps, declared: Declaration, rows: Any) -> Iterator[tuple[str, Slot]]:
    for index, row in enumerate(rows):
        for place, ((name, unit), cell) in enumerate(zip(declared.columns, row, strict=True)):
            yield (
                f"{key}.{index}.{name}",
                Slot((*steps, index, place), column(name, unit), cell, is_cell=True),
            )


def _plain(key: Any) -> str:
    return key.removeprefix("parts.") if isinstance(key, str) else repr(key)


def _unknown(key: Any, known: Mapping[str, Slot]) -> Problem:
    name = short(_plain(key), 80)
    options = [k for k, slot in known.items() if not slot.is_cell]
    owner = name.rpartition(".")[0]
    beside = [k for k in options if owner and k.rpartition(".")[0] == owner]
    close = difflib.get_close_matches(name, options, n=3, cutoff=0.5)
    words = " or ".join(quoted(k) for k in close)
    hint = f"Did you mean {words}?" if close else ""
    return Problem(
        name, "unknown key", any_of(beside, 30) if beside else "the dotted key of a parameter", hint
    )


# -- changing --------------------------------------------------------------------------------------------


def _new_value(slot: Slot, raw: Any) -> Any:
    declared = slot.declared
    if raw is None:
        if slot.may_be_none:
            return None
        raise _refusal("None", declared.expected_text())
    if declared.role == "quantity":
        return _quantity(declared, raw)
    if declared.role == "table":
        return _rows(declared, raw)
    if isinstance(raw, str) and declared.role == "count" and raw.strip().isdecimal():
        raw = int(raw[:12])
    elif isinstance(raw, np.integer):
        raw = int(raw)
    elif declared.role == "flag" and raw in ("true", "false"):
        raw = raw == "true"
    elif isinstance(raw, tuple):
        raw = list(raw)
    value = read_value(declared, raw)
    return tuple(value) if isinstance(value, list) else value


def _quantity(declared: Declaration, raw: Any) -> Any:
    if isinstance(raw, str):
        return read_value(declared, raw)
    number = isinstance(raw, int | float | np.integer | np.floating) and not isinstance(raw, bool)
    array = isinstance(raw, np.ndarray) and raw.ndim <= 2 and raw.size > 0 and raw.dtype.kind in "fiu"
    if not number and not array:
        raise _refusal(found(raw), declared.expected_text())
    value = float(raw) if number or raw.ndim == 0 else np.array(raw, dtype=float)
    refusal = refused(declared, value)
    if refusal is not None:
        low, high = float(np.min(raw)), float(np.max(raw))
        what = f"{low:g}" if low == high or low != low else f"values from {low:g} to {high:g}"
        raise _refusal(
            f"{what} {declared.unit if declared.unit != '1' else ''}".strip() + refusal[0], refusal[1]
        )
    return value


def _rows(declared: Declaration, raw: Any) -> tuple[tuple[Any, ...], ...]:
    columns = [column(*pair) for pair in declared.columns]
    if not isinstance(raw, list | tuple | np.ndarray) or len(raw) == 0:
        raise _refusal(found(raw), declared.expected_text())
    rows = []
    for row in raw:
        if not isinstance(row, list | tuple | np.ndarray) or len(row) != len(columns):
            raise _refusal(f"a row {short(repr(row), 40)}", declared.expected_text())
        rows.append(tuple(_quantity(c, cell) for c, cell in zip(columns, row, strict=True)))
    return tuple(rows)


def _refusal(what: str, expected: str) -> PydanticCustomError:
    return PydanticCustomError("unfit", "unfit", {"found": what, "expected": expected, "hint": ""})


def _plant(tree: dict[Any, Any], steps: Steps, value: Any) -> None:
    for step in steps[:-1]:
        tree = tree.setdefault(step, {})
    tree[steps[-1]] = value


def _changed(owner: Any, tree: Mapping[Any, Any], path: str, problems: list[Problem]) -> Any:
    """Copy of a dataclass, mapping or tuple with the changes of ``tree`` made inside it."""
    inner = {}
    for step, change in tree.items():
        key = str(step) if not path or path == "parts" else f"{path}.{step}"
        now = owner[step] if isinstance(owner, Mapping | tuple) else getattr(owner, step)
        inner[step] = _changed(now, change, key, problems) if isinstance(change, dict) else change
    if isinstance(owner, Mapping):
        return {**owner, **inner}
    if isinstance(owner, tuple):
        return tuple(inner.get(index, row) for index, row in enumerate(owner))
    try:
        return dataclasses.replace(owner, **inner)
    except (ValueError, ArithmeticError, TypeError) as error:
        problems.append(from_exception(error, path or "design", type(owner), {**vars(owner), **inner}))
        return owner
