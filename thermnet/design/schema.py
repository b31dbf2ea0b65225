"""The design file's schema, made from the declarations: what a table may hold and how a value is read.

Every declared dataclass (part, mode, sensor, joint ...) becomes one flat pydantic model whose fields read
text quantities; tables inside tables are found from the dataclass's type hints.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Mapping
from functools import cache
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, create_model
from pydantic_core import PydanticCustomError

from thermnet import units
from thermnet.errors import Problem, UnitError
from thermnet.parameter import Declaration, declarations
from thermnet.wording import NAME, NAME_EXPECTED, any_of, found, nearest, quoted

FAR_ABOVE, FAR_BELOW = 1e3, 1e-6
"""A value this many times beyond the plausible range is taken for a slip and refused."""
LARGEST, SMALLEST = 1e15, 1e-18
"""The same for values without a plausible range, in the inside unit."""

_NO_UNIT = "' is not a unit"

Shape = Literal["mapping", "list", "one"]
_NUMBER = r"[-+]?(\d[\d_]*\.?\d*|\.\d+)([eE][-+]?\d+)?"


@dataclasses.dataclass
class Reading:
    """What a table gave: the object (None if it could not be made) and everything wrong with it."""

    value: Any
    problems: list[Problem]


def read_table(owner: type, raw: Any, path: str, skip: tuple[str, ...] = ()) -> Reading:
    """Read one table of the design file into an instance of a declared dataclass.

    Parameters
    ----------
    owner : type
        Dataclass with declared fields; tables inside it are read in turn.
    raw : Any
        What the TOML parser gave for the table.
    path : str
        Key path of the table, for messages.
    skip : tuple of str
        Keys that may be there and are somebody else's to read.

    Returns
    -------
    Reading
        ``value`` is None if anything was wrong.
    """
    reading = read_fields(owner, raw, path, skip)
    if reading.problems:
        return Reading(None, reading.problems)
    try:
        return Reading(owner(**reading.value), [])
    except (ValueError, ArithmeticError, TypeError) as error:
        return Reading(None, [from_exception(error, path, owner, reading.value)])


def read_fields(owner: type, raw: Any, path: str, skip: tuple[str, ...] = ()) -> Reading:
    """Read the fields of a table without making the object: ``value`` holds what could be read, by name."""
    if not isinstance(raw, dict):
        return Reading({}, [Problem(path, found(raw), f"a table ([{path}])")])
    inner = {name: shape for name, shape in nested_tables(owner).items() if name not in skip}
    own = {key: value for key, value in raw.items() if key not in inner and key not in skip}
    problems: list[Problem] = []
    arguments: dict[str, Any] = {}
    try:
        model = model_of(owner).model_validate(own)
        arguments = {name: _frozen(getattr(model, name)) for name in model.model_fields_set}
    except ValidationError as error:
        problems += _problems(error, owner, raw, path, [*inner, *skip])
    for name, (shape, item) in inner.items():
        if name in raw:
            reading = read_inner(shape, item, raw[name], joined(path, name))
            arguments[name] = reading.value
            problems += reading.problems
    return Reading(arguments, problems)


def read_inner(shape: Shape, item: type, raw: Any, path: str) -> Reading:
    """Read tables inside a table: one, a list, or a mapping by name (None where one could not be read)."""
    if shape == "one":
        return read_table(item, raw, path)
    if shape == "list":
        if not isinstance(raw, list):
            return Reading((), [Problem(path, found(raw), f"a list of tables ([[{path}]])")])
        readings = [read_table(item, row, f"{path}.{index}") for index, row in enumerate(raw)]
        return Reading(tuple(r.value for r in readings), [p for r in readings for p in r.problems])
    if not isinstance(raw, dict):
        return Reading({}, [Problem(path, found(raw), f"a table of tables ([{path}.NAME])")])
    problems, values = [], {}
    for name, row in raw.items():
        problems += name_problems(name, path)
        reading = read_table(item, row, joined(path, name))
        values[name] = reading.value
        problems += reading.problems
    return Reading(values, problems)


def joined(path: str, key: str) -> str:
    """Key path of ``key`` inside the table ``path``."""
    shown = key if NAME.fullmatch(key) else quoted(key)
    return f"{path}.{shown}" if path else shown


def name_problems(name: str, path: str) -> list[Problem]:
    """List what is wrong with a name given to a part, sensor, mode, chip, fan or workload."""
    return [] if NAME.fullmatch(name) else [Problem(joined(path, name), quoted(name), NAME_EXPECTED)]


def from_exception(
    error: Exception, path: str, owner: Any = None, fields: Mapping[str, Any] | None = None
) -> Problem:
    """Turn an error raised by a part into a problem at its key path.

    A message of the form ``Class.field: what was found; expected what`` gives a problem at that field; one
    that quotes an unknown name (``unknown solid 'alu'; did you mean 'aluminium'?``) gives one at the field
    of ``fields`` that holds it.
    """
    message = " ".join(str(error).split()) or type(error).__name__
    if owner is not None and message.startswith(f"{owner.__name__}."):
        field_name, _, rest = message.removeprefix(f"{owner.__name__}.").partition(": ")
        if rest and field_name.isidentifier():
            path, message = joined(path, field_name), rest
    else:
        holders = [k for k, v in (fields or {}).items() if isinstance(v, str) and v and repr(v) in message]
        path = joined(path, holders[0]) if len(holders) == 1 else path
    what, separator, expected = message.partition("; expected ")
    if separator:
        return Problem(path, what, expected)
    what, separator, meant = message.partition("; did you mean ")
    if separator:
        return Problem(path, what, "a known name", f"Did you mean {meant}".replace("'", '"'))
    what, separator, known = message.partition("; known: ")
    return Problem(path, what, f"one of {known}" if separator else "values that fit together")


# -- single values ---------------------------------------------------------------------------------------


def read_value(declared: Declaration, raw: Any) -> Any:
    """Read one value as a design file holds it.

    Raises
    ------
    PydanticCustomError
        The value does not fit; its context holds ``found``, ``expected`` and ``hint``.
    """
    expected = declared.expected_text()
    if declared.role == "quantity":
        return _read_quantity(declared, raw)
    if declared.role == "count":
        if isinstance(raw, bool) or not isinstance(raw, int) or abs(raw) > 10**6 or declared.outside(raw):
            raise _refuse(found(raw).removesuffix(" (a bare number)"), expected)
    elif declared.role == "flag":
        if not isinstance(raw, bool):
            raise _refuse(found(raw).removesuffix(" (a bare number)"), expected)
    elif declared.role == "choice":
        if not isinstance(raw, str) or raw not in declared.choices:
            hint = nearest(raw, declared.choices) if isinstance(raw, str) else ""
            raise _refuse(found(raw), expected, hint)
    elif declared.role == "names":
        if not isinstance(raw, list) or not all(isinstance(item, str) for item in raw):
            raise _refuse(found(raw), expected)
    elif declared.role == "text" and not isinstance(raw, str):
        raise _refuse(found(raw), expected)
    return raw


def _read_quantity(declared: Declaration, raw: Any) -> float:
    if declared.unit == "1" and isinstance(raw, int | float) and not isinstance(raw, bool):
        try:
            value, shown = float(raw), str(raw)[:40]
        except OverflowError:
            value, shown = math.inf, "a very long whole number"
    else:
        if not isinstance(raw, str):
            raise _refuse(found(raw), declared.expected_text())
        shown = quoted(raw)
        try:
            value = units.parse(raw, declared.unit)
        except UnitError as error:
            reason = str(error).split("; ")[0]
            raise _refuse(shown + _reason(reason), declared.expected_text()) from None
    refusal = refused(declared, value)
    if refusal is not None:
        raise _refuse(shown + refusal[0], refusal[1])
    return value


def _reason(message: str) -> str:
    """Tail of a unit error's message: ``'25' has no unit`` gives ``has no unit``."""
    if message.endswith(_NO_UNIT):
        return f": {quoted(message[1:].removesuffix(_NO_UNIT))} is not a unit"
    for phrase in (" has no unit", " is not a number with a unit", " is not a finite number"):
        if message.endswith(phrase):
            return phrase
    start = message.rfind("' is ")
    return message[start + 1 :] if start >= 0 else f" ({message})"


def refused(declared: Declaration, value: Any) -> tuple[str, str] | None:
    """Tell why a value (float or array, inside unit) is out of the question: (reason, what was expected)."""
    if declared.outside(value):
        return "", declared.expected_text()
    size = np.abs(np.asarray(value, dtype=float))
    low, high = SMALLEST, LARGEST
    if declared.plausible is not None:
        ends = [abs(end) for end in declared.plausible]
        low, high = min(ends) * FAR_BELOW, max(ends) * FAR_ABOVE
        if declared.plausible[0] <= 0.0 <= declared.plausible[1]:
            low = 0.0  # what may be of either sign may be as small as it likes
    if np.any(size > high) or np.any((size > 0) & (size < low)):
        what, shown = units.a(units.dimension(declared.unit)), declared.shown or declared.unit
        ends_text = [units.show(end, declared.unit, shown) for end in declared.plausible or ()]
        practice = ", in practice " + " to ".join(ends_text) if ends_text else ""
        return " is far outside what can be meant", f'{what}{practice}, e.g. "{declared.example()}"'
    return None


def _refuse(what: str, expected: str, hint: str = "") -> PydanticCustomError:
    return PydanticCustomError("unfit", "unfit", {"found": what, "expected": expected, "hint": hint})


def column(name: str, unit: str) -> Declaration:
    """Declare one column of a table of quantities."""
    return Declaration(role="quantity", unit=unit, shown=unit, doc=name)


# -- models ----------------------------------------------------------------------------------------------


@cache
def model_of(owner: type) -> type[BaseModel]:
    """Pydantic model of the declared fields of a dataclass (tables inside it apart)."""
    fields: dict[str, Any] = {}
    defaults = {f.name: f.default for f in dataclasses.fields(owner)}
    for name, declared in declarations(owner).items():
        default = defaults[name]
        fields[name] = (
            field_type(declared),
            Field(default=... if default is dataclasses.MISSING else default),
        )
    return create_model(
        owner.__name__, __config__=ConfigDict(extra="forbid", protected_namespaces=()), **fields
    )


def field_type(declared: Declaration) -> Any:
    """Annotated type that reads a value of this declaration."""

    def read(raw: Any) -> Any:
        return read_value(declared, raw)

    if declared.role == "table":
        return _table_type(declared)
    base = {"quantity": float, "count": int, "flag": bool, "names": list[str]}.get(declared.role, str)
    return Annotated[base, BeforeValidator(read)]


def _table_type(declared: Declaration) -> Any:
    columns = [column(*pair) for pair in declared.columns]
    example = "[" + ", ".join(f'"{c.example()}"' for c in columns) + "]"

    def rows(raw: Any) -> Any:
        if not isinstance(raw, list) or not raw:
            raise _refuse(found(raw), f"{declared.expected_text()}, e.g. [{example}]")
        return raw

    def row(raw: Any) -> Any:
        if not isinstance(raw, list) or len(raw) != len(columns):
            raise _refuse(found(raw), f"a row of {len(columns)} quantities, e.g. {example}")
        return raw

    cells: Any = tuple[tuple(field_type(c) for c in columns)]  # type: ignore[misc]
    return Annotated[list[Annotated[cells, BeforeValidator(row)]], BeforeValidator(rows)]


def _frozen(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def nested_tables(owner: Any) -> dict[str, tuple[Shape, type]]:
    """Fields of a dataclass (class, not instance) that hold declared dataclasses: name to (shape, class)."""
    return _nested_tables(owner)


@cache
def _nested_tables(owner: Any) -> dict[str, tuple[Shape, type]]:
    declared = declarations(owner)
    hints = typing.get_type_hints(owner)
    inner: dict[str, tuple[Shape, type]] = {}
    for f in dataclasses.fields(owner):
        if f.name in declared:
            continue
        shape = _shape(hints[f.name])
        if shape is not None:
            inner[f.name] = shape
    return inner


def _shape(hint: Any) -> tuple[Shape, type] | None:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if isinstance(origin, type) and issubclass(origin, Mapping) and _is_table(arguments[1]):
        return "mapping", arguments[1]
    if origin is tuple and len(arguments) == 2 and arguments[1] is Ellipsis and _is_table(arguments[0]):
        return "list", arguments[0]
    if origin in (types.UnionType, typing.Union):
        inner = [a for a in arguments if _is_table(a)]
        if len(inner) == 1:
            return "one", inner[0]
    return None


def _is_table(hint: Any) -> bool:
    return isinstance(hint, type) and dataclasses.is_dataclass(hint)


def _wanted(declared: Declaration) -> str:
    """Say what a missing key should hold; a text or a list of names does not explain itself."""
    expected = declared.expected_text()
    return f"{expected} ({declared.doc})" if declared.role in ("text", "names") else expected


def _problems(
    error: ValidationError, owner: type, raw: Mapping[str, Any], path: str, others: list[str]
) -> list[Problem]:
    declared = declarations(owner)
    keys = [*declared, *others]
    problems = []
    for one in error.errors(include_url=False, include_input=False):
        name, *rest = one["loc"]
        key = joined(path, str(name))
        if one["type"] == "missing":
            problems.append(Problem(key, "missing", _wanted(declared[str(name)])))
        elif one["type"] == "extra_forbidden":
            spare = [k for k in keys if k not in raw]
            hint = nearest(str(name), spare) or nearest(str(name), keys)
            problems.append(Problem(key, "unknown key", any_of(keys, 40), hint))
        else:
            columns = declared[str(name)].columns
            names = [str(part) if i != 1 else columns[int(part)][0] for i, part in enumerate(rest)]
            context = one.get("ctx", {})
            problems.append(
                Problem(
                    ".".join([key, *names]),
                    str(context.get("found", one["msg"])),
                    str(context.get("expected", declared[str(name)].expected_text())),
                    str(context.get("hint", "")),
                )
            )
    return problems
