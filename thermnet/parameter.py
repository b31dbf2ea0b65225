"""One declaration per parameter: unit, range, tolerance, practical step, meaning and source.

The design-file schema, error messages, sliders, ``Design.replace``, tolerance runs and the next-watt table all
read these declarations; nothing about a parameter is written down twice.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from thermnet import units
from thermnet.errors import Problem

Role = Literal["quantity", "choice", "count", "flag", "text", "names", "table"]


@dataclass(frozen=True, kw_only=True)
class Declaration:
    """What is known about one field of a part, a mode or a design.

    Attributes
    ----------
    role : str
        ``quantity`` (float with unit), ``choice`` (one of ``choices``), ``count`` (whole number), ``flag``
        (true or false), ``text``, ``names`` (list of names) or ``table`` (list of rows of quantities).
    unit : str
        Inside unit of a quantity; ``columns`` holds (name, unit) pairs for a table.
    shown : str
        Unit used when the value is shown to people.
    above, at_least, below, at_most : float or None
        Hard bounds in the inside unit; a value outside is refused.
    plausible : (float, float) or None
        Range met in practice, inside unit: the slider's ends and the declared range for uncertainty bands.
    tolerance : float or None
        Unit-to-unit three-sigma half width: relative if ``tolerance_is_relative`` else in the inside unit.
    step : float or None
        Smallest change worth making in practice, inside unit.
    doc, source : str
        Meaning in one line; where the range or default comes from.
    """

    role: Role
    unit: str = "1"
    shown: str = ""
    above: float | None = None
    at_least: float | None = None
    below: float | None = None
    at_most: float | None = None
    plausible: tuple[float, float] | None = None
    tolerance: float | None = None
    tolerance_is_relative: bool = True
    step: float | None = None
    choices: tuple[str, ...] = ()
    columns: tuple[tuple[str, str], ...] = ()
    doc: str = ""
    source: str = ""

    def bounds_text(self) -> str:
        """Hard bounds in words, for error messages."""
        shown = self.shown or self.unit
        parts = [
            f"{word} {units.show(bound, self.unit, shown)}"
            for word, bound in (
                ("above", self.above), ("at least", self.at_least), ("below", self.below), ("at most", self.at_most),
            )
            if bound is not None
        ]
        return " and ".join(parts)

    def outside(self, value: Any) -> bool:
        """Tell whether any element of ``value`` breaks a hard bound or is not finite."""
        array = np.asarray(value, dtype=float)
        bad = ~np.isfinite(array)
        if self.above is not None:
            bad |= array <= self.above
        if self.at_least is not None:
            bad |= array < self.at_least
        if self.below is not None:
            bad |= array >= self.below
        if self.at_most is not None:
            bad |= array > self.at_most
        return bool(np.any(bad))

    def expected_text(self) -> str:
        """Say what a valid value looks like, for error messages."""
        if self.role == "choice":
            return "one of " + ", ".join(self.choices)
        if self.role == "count":
            bounds = self.bounds_text()
            return "a whole number" + (f" {bounds}" if bounds else "")
        if self.role == "flag":
            return "true or false"
        if self.role == "names":
            return 'a list of names, e.g. ["fan"]'
        if self.role == "table":
            return "rows of " + ", ".join(f"{name} ({unit})" for name, unit in self.columns)
        if self.role == "text":
            return "a text"
        bounds = self.bounds_text()
        what = units.a(units.dimension(self.unit))
        return f'{what}{" " + bounds if bounds else ""}, e.g. "{self.example()}"'

    def example(self) -> str:
        """A well-written value in the shown unit: the middle of the plausible range, if there is one."""
        if self.plausible is not None:
            shown = self.shown or self.unit
            middle = float(units.convert(sum(self.plausible) / 2, self.unit, shown))
            return units.show(float(f"{middle:.2g}"), shown, digits=6)
        return units.example(self.unit)


def quantity(
    unit: str,
    *,
    default: Any = dataclasses.MISSING,
    shown: str = "",
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
    plausible: tuple[float, float] | None = None,
    tolerance: float | None = None,
    absolute_tolerance: float | None = None,
    step: float | None = None,
    doc: str,
    source: str = "common practice, no source",
) -> Any:
    """Declare a dataclass field that holds a physical quantity (float, or array over samples) in ``unit``."""
    declaration = Declaration(
        role="quantity", unit=unit, shown=shown or unit, above=above, at_least=at_least, below=below, at_most=at_most,
        plausible=plausible, tolerance=tolerance if tolerance is not None else absolute_tolerance,
        tolerance_is_relative=tolerance is not None, step=step, doc=doc, source=source,
    )  # fmt: skip
    return field(default=default, metadata={"declaration": declaration})


def choice(options: Sequence[str], *, default: Any = dataclasses.MISSING, doc: str, source: str = "") -> Any:
    """Declare a field that holds one of a fixed set of words."""
    declaration = Declaration(role="choice", choices=tuple(options), doc=doc, source=source)
    return field(default=default, metadata={"declaration": declaration})


def count(
    *, default: Any = dataclasses.MISSING, at_least: int = 0, at_most: int | None = None, doc: str, source: str = ""
) -> Any:
    """Declare a field that holds a whole number."""
    declaration = Declaration(role="count", at_least=at_least, at_most=at_most, doc=doc, source=source)
    return field(default=default, metadata={"declaration": declaration})


def flag(*, default: bool = False, doc: str) -> Any:
    """Declare a field that is true or false."""
    return field(default=default, metadata={"declaration": Declaration(role="flag", doc=doc)})


def text(*, default: Any = dataclasses.MISSING, doc: str) -> Any:
    """Declare a field that holds free text or the name of another part."""
    return field(default=default, metadata={"declaration": Declaration(role="text", doc=doc)})


def names(*, default: Any = (), doc: str) -> Any:
    """Declare a field that holds a tuple of names (of parts, faces or nodes)."""
    return field(default=default, metadata={"declaration": Declaration(role="names", doc=doc)})


def table(columns: Sequence[tuple[str, str]], *, default: Any = dataclasses.MISSING, doc: str, source: str = "") -> Any:
    """Declare a field that holds rows of quantities: a tuple of tuples of floats in the inside units."""
    declaration = Declaration(role="table", columns=tuple(columns), doc=doc, source=source)
    return field(default=default, metadata={"declaration": declaration})


def declarations(owner: Any) -> dict[str, Declaration]:
    """Return the declarations of a dataclass (or an instance of one) by field name."""
    return {f.name: f.metadata["declaration"] for f in dataclasses.fields(owner) if "declaration" in f.metadata}


def problems(owner: Any, where: str = "") -> list[Problem]:
    """List the fields of an instance that break their declared hard bounds or choices."""
    found = []
    for name, declared in declarations(owner).items():
        value = getattr(owner, name)
        if value is None:
            continue
        key = f"{where}.{name}" if where else name
        if declared.role in ("quantity", "count") and declared.outside(value):
            shown = units.show(float(np.asarray(value, dtype=float).flat[0]), declared.unit, declared.shown or declared.unit)
            found.append(Problem(key, shown, declared.expected_text()))
        elif declared.role == "choice" and value not in declared.choices:
            found.append(Problem(key, repr(value), declared.expected_text()))
    return found


def check(owner: Any) -> None:
    """Raise ValueError naming every field outside its hard bounds."""
    bad = problems(owner, type(owner).__name__)
    if bad:
        raise ValueError("; ".join(str(problem) for problem in bad))


def replaced(owner: Any, changes: Mapping[str, Any]) -> Any:
    """Return a copy of a frozen dataclass with some fields changed."""
    return dataclasses.replace(owner, **changes)
