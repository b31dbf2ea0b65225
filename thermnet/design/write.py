"""Designs out: the tables of a design file, and their TOML text, from which the same design is read again."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from thermnet import units
from thermnet.design.design import Design
from thermnet.design.schema import nested_tables
from thermnet.errors import DesignError, Problem
from thermnet.firmware.workload import Workload
from thermnet.parameter import Declaration, declarations

WIDTH = 100
"""Columns after which a list is broken into lines."""


def dump_design(design: Design) -> str:
    """Write a design as TOML text.

    Only fields that differ from their defaults are written, in the unit in which they are shown, with as many
    digits as it takes to read the very same number again.  Loads that came from a CSV log are written out.

    Raises
    ------
    DesignError
        A field holds samples (an array): a file describes one machine.
    """
    tables = design_to_dict(design)
    plain = {key: value for key, value in tables.items() if not _is_table(value)}
    lines = [f"{key} = {_value(value)}" for key, value in plain.items()]
    for key in [k for k in tables if k not in plain]:
        lines += _tables(key, tables[key])
    return "\n".join(lines) + "\n"


def design_to_dict(design: Design) -> dict[str, Any]:
    """Tables of the design file that describes a design, as a TOML parser would give them."""
    tables = _fields(design, "")
    for name, part in design.parts.items():
        tables.setdefault("parts", {})[name] = {"kind": part.kind, **_fields(part, name)}
    for key in ("joints", "sensors", "modes"):
        if key in tables:
            tables[key] = tables.pop(key)
    for name, load in design.workloads.items():
        tables.setdefault("workloads", {})[name] = _workload(load)
    return tables


def _fields(owner: Any, path: str) -> dict[str, Any]:
    defaults = {f.name: f.default for f in dataclasses.fields(owner)}
    written = {}
    for name, declared in declarations(owner).items():
        value = getattr(owner, name)
        if value is None or _equal(value, defaults[name]):
            continue
        written[name] = file_value(declared, value, f"{path}.{name}" if path else name)
    for name, (shape, _) in nested_tables(type(owner)).items():
        inner = getattr(owner, name)
        if not inner or (isinstance(owner, Design) and name in ("parts", "workloads")):
            continue
        key = f"{path}.{name}" if path else name
        if shape == "mapping":
            written[name] = {k: _fields(row, f"{key}.{k}") for k, row in inner.items()}
        elif shape == "list":
            written[name] = [_fields(row, f"{key}.{i}") for i, row in enumerate(inner)]
        else:
            written[name] = _fields(inner, key)
    return written


def _equal(value: Any, default: Any) -> bool:
    if default is dataclasses.MISSING:
        return False
    return (np.ndim(value) == np.ndim(default) == 0 and value == default) or (
        isinstance(value, tuple) and value == default
    )


def file_value(declared: Declaration, value: Any, key: str) -> Any:
    """Value of a field as it stands in a file."""
    if declared.role == "quantity":
        if np.ndim(value) > 0:
            what = f"{np.size(value)} samples"
            raise DesignError(
                "design", [Problem(key, what, "one value: a design file describes one machine")]
            )
        return exact_text(float(value), declared.unit, declared.shown or declared.unit)
    if declared.role == "table":
        pairs = declared.columns
        return [
            [exact_text(float(c), unit, unit) for c, (_, unit) in zip(row, pairs, strict=True)]
            for row in value
        ]
    if declared.role == "names":
        return list(value)
    return int(value) if declared.role == "count" else value


def exact_text(value: float, unit: str, shown: str) -> str:
    """Write ``value`` so that it reads as exactly that: in the shown unit if a dozen digits will do."""
    for written, fewest, most in ((shown, 1, 12), (unit, 1, 12), (shown, 13, 17)):
        number = float(units.convert(value, unit, written))
        for nearby in (number, math.nextafter(number, math.inf), math.nextafter(number, -math.inf)):
            for digits in range(fewest, most + 1):
                text = _number(nearby, digits) + ("" if written == "1" else f" {written}")
                if units.parse(text, unit) == value:
                    return text
    return f"{value!r}" if unit == "1" else f"{value!r} {unit}"


def _number(value: float, digits: int) -> str:
    if value == 0.0 or 1e-4 <= abs(value) < 1e7:
        return np.format_float_positional(value, precision=digits, unique=False, fractional=False, trim="-")
    return f"{value:.{digits}g}"


def _workload(load: Workload) -> dict[str, Any]:
    table: dict[str, Any] = {"title": load.title} if load.title else {}
    if load.holds != "power":
        table["holds"] = load.holds
    table["duration"] = exact_text(load.duration, "s", "s")
    table["times"] = [exact_text(float(t), "s", "s") for t in load.times]
    if load.notes:
        table["notes"] = list(load.notes)
    table["watts"] = {
        chip: [exact_text(float(w), "W", "W") for w in watts] for chip, watts in load.watts.items()
    }
    if load.other:
        table["other"] = {name: exact_text(float(w), "W", "W") for name, w in load.other.items()}
    return table


# -- TOML ------------------------------------------------------------------------------------------------


def _is_table(value: Any) -> bool:
    return isinstance(value, Mapping) or (
        isinstance(value, list) and bool(value) and isinstance(value[0], Mapping)
    )


def _tables(path: str, table: Any) -> Iterator[str]:
    """Lines of a table, of a list of tables, or of a table of tables."""
    if isinstance(table, list):
        for row in table:
            yield from _table(f"[[{path}]]", path, row)
    else:
        plain = any(not _is_table(value) for value in table.values())
        header = f"[{path}]" if plain or not table else ""
        yield from _table(header, path, table)


def _table(header: str, path: str, table: Mapping[str, Any]) -> Iterator[str]:
    if header:
        yield ""
        yield header
    for key, value in table.items():
        if not _is_table(value):
            yield f"{key} = {_value(value)}"
    for key, value in table.items():
        if _is_table(value):
            yield from _tables(f"{path}.{key}", value)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list):
        return _list([_value(item) for item in value])
    return repr(value)


def _list(items: list[str]) -> str:
    line = "[" + ", ".join(items) + "]"
    if len(line) <= WIDTH:
        return line
    lines, row = [], "  "
    for item in items:
        if len(row) + len(item) > WIDTH and row.strip():
            lines.append(row.rstrip())
            row = "  "
        row += f"{item}, "
    return "[\n" + "\n".join([*lines, row.rstrip()]) + "\n]"
