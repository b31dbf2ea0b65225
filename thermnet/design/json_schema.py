"""JSON schema of the design file, for editors: keys, units, ranges, meanings and sources."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from thermnet import units
from thermnet.design.design import Design
from thermnet.design.own_workloads import HOLDS
from thermnet.design.schema import column, nested_tables
from thermnet.parameter import Declaration, declarations
from thermnet.parts import part_kinds
from thermnet.wording import NAME

_NUMBER = r"[-+]?(\d[\d_]*\.?\d*|\.\d+)([eE][-+]?\d+)?"


def design_schema() -> dict[str, Any]:
    """JSON schema (draft 2020-12) of the design file.

    Returns
    -------
    dict
        Ready for ``json.dump``; quantities are texts with a pattern, an example, and ``x-unit``,
        ``x-bounds``, ``x-plausible`` and ``x-step`` beside their meaning and source.
    """
    kinds = part_kinds()
    schema = table_schema(Design)
    schema["properties"]["parts"] = _named({"oneOf": [{"$ref": f"#/$defs/{kind}"} for kind in sorted(kinds)]})
    schema["properties"]["workloads"] = _named(_workload_schema())
    schema["required"] = [*schema["required"], "parts"]
    definitions = {}
    for kind, owner in sorted(kinds.items()):
        part = table_schema(owner)
        part["properties"] = {"kind": {"const": kind}, **part["properties"]}
        part["required"] = ["kind", *part["required"]]
        definitions[kind] = part
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "thermnet design",
        **schema,
        "$defs": definitions,
    }


def table_schema(owner: type) -> dict[str, Any]:
    """JSON schema of one declared dataclass, tables inside it included."""
    properties: dict[str, Any] = {}
    required = []
    fields = {f.name: f for f in dataclasses.fields(owner)}
    for name, declared in declarations(owner).items():
        schema = value_schema(declared)
        default = fields[name].default
        if default is dataclasses.MISSING:
            required.append(name)
        elif default is not None:
            schema["default"] = default_shown(declared, default)
        properties[name] = schema
    for name, (shape, item) in nested_tables(owner).items():
        if owner is Design and name in ("parts", "workloads"):
            continue
        inner = table_schema(item)
        properties[name] = {
            "mapping": _named(inner),
            "list": {"type": "array", "items": inner},
            "one": inner,
        }[shape]
    first_line = (owner.__doc__ or "").strip().split("\n")[0]
    return {
        "type": "object",
        "description": first_line,
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }


def _named(schema: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "propertyNames": {"pattern": f"^{NAME.pattern}$"},
        "additionalProperties": dict(schema),
    }


def default_shown(declared: Declaration, default: Any) -> Any:
    """Default value as it would stand in a file."""
    if declared.role == "quantity":
        return units.show(float(default), declared.unit, declared.shown or declared.unit, digits=6)
    if declared.role == "table":
        return [
            [units.show(float(cell), unit) for cell, (_, unit) in zip(row, declared.columns, strict=True)]
            for row in np.asarray(default, dtype=float)
        ]
    return list(default) if declared.role == "names" else default


def _workload_schema() -> dict[str, Any]:
    seconds = {"type": "array", "items": value_schema(column("time", "s"))}
    watts = {"type": "array", "items": value_schema(column("demand", "W"))}
    return {
        "type": "object",
        "description": "A load of your own: times and watts, or a CSV log beside the design file.",
        "properties": {
            "title": {"type": "string"},
            "times": seconds,
            "watts": _named(watts),
            "csv": {"type": "string", "description": "demand log, relative to the design file"},
            "holds": {"enum": list(HOLDS)},
            "duration": value_schema(column("natural length of the run", "s")),
            "other": _named(value_schema(column("heat of another part while this load runs", "W"))),
            "notes": {"type": "array", "items": {"type": "string"}},
        },
        "additionalProperties": False,
    }


def value_schema(declared: Declaration) -> dict[str, Any]:
    """JSON schema of one value, with what an editor may show: meaning, unit, range, example, source."""
    build: Callable[[Declaration], dict[str, Any]] = {
        "quantity": _quantity_schema,
        "count": _count_schema,
        "flag": lambda d: {"type": "boolean"},
        "choice": lambda d: {"enum": list(d.choices)},
        "names": lambda d: {"type": "array", "items": {"type": "string"}},
        "table": _rows_schema,
        "text": lambda d: {"type": "string"},
    }[declared.role]
    schema = build(declared)
    words = [declared.doc, declared.source and f"Source: {declared.source}."]
    description = " ".join(word for word in words if word)
    return {**schema, "description": description} if description else schema


def _quantity_schema(declared: Declaration) -> dict[str, Any]:
    shown = declared.shown or declared.unit
    ratio = declared.unit == "1"
    text = {
        "type": "string",
        "pattern": rf"^\s*{_NUMBER}\s*%?\s*$" if ratio else rf"^\s*{_NUMBER}\s*(1/)?[^\s\d.].*$",
    }
    schema: dict[str, Any] = {"anyOf": [text, {"type": "number"}]} if ratio else text
    schema |= {
        "examples": [declared.example()],
        "x-unit": shown,
        "x-dimension": units.dimension(declared.unit),
    }
    if declared.bounds_text():
        schema["x-bounds"] = declared.bounds_text()
    if declared.plausible is not None:
        schema["x-plausible"] = [units.show(end, declared.unit, shown) for end in declared.plausible]
    if declared.step is not None:
        schema["x-step"] = (
            units.show(declared.step, declared.unit, shown)
            if declared.unit != "degC"
            else f"{declared.step:g} K"
        )
    return schema


def _count_schema(declared: Declaration) -> dict[str, Any]:
    ends = {"minimum": declared.at_least, "maximum": declared.at_most}
    return {"type": "integer", **{key: int(end) for key, end in ends.items() if end is not None}}


def _rows_schema(declared: Declaration) -> dict[str, Any]:
    cells = [value_schema(column(*pair)) for pair in declared.columns]
    row = {"type": "array", "prefixItems": cells, "minItems": len(cells), "maxItems": len(cells)}
    return {"type": "array", "items": row, "minItems": 1}
