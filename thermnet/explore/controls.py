"""Controls of an explorer: what may be changed, in which unit, between which ends and in which steps.

A control over a parameter of the design takes unit, ends, step and meaning from the parameter's one declaration.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from thermnet import units
from thermnet.design.design import Design
from thermnet.design.replace import get, parameters
from thermnet.errors import UnitError
from thermnet.wording import any_of, nearest, quoted

UNIT_TEXT = {"degC": "°C", "um": "µm", "1": "", "deg": "°", "K*mm^2/W": "K mm²/W", "W/(m*K)": "W/(m K)"}
"""How units are written on a screen, where that differs."""


@dataclass(frozen=True, kw_only=True)
class Control:
    """One thing that can be changed.

    Attributes
    ----------
    name : str
        Keyword in the call that opens the explorer; ends in the unit where that is not the inside one.
    label, doc : str
        What people read beside the control; its meaning in one line.
    group : str
        Heading under which it stands.
    kind : "number", "count" or "choice"
    value : the value at the start
    unit : str
        Of the numbers shown and given (``W``, ``degC``, ``um``).
    low, high, step : float
        Ends and step in that unit; the ends are those met in practice, the hard bounds are the parameter's own.
    choices : (words shown, value) pairs
    """

    name: str
    label: str
    group: str
    kind: Literal["number", "count", "choice"]
    value: Any
    doc: str = ""
    unit: str = ""
    low: float = 0.0
    high: float = 1.0
    step: float = 1.0
    choices: tuple[tuple[str, Any], ...] = ()

    @property
    def title(self) -> str:
        """Label with its unit, as it stands beside the control."""
        unit = UNIT_TEXT.get(self.unit, self.unit)
        return f"{self.label}, {unit}" if unit else self.label

    def accept(self, value: Any) -> Any:
        """Check a value and give it in the control's unit.

        Raises
        ------
        ValueError
            Names the control, what was found and what was expected.
        """
        if self.kind == "choice":
            known = [choice for _, choice in self.choices]
            if value not in known:
                hint = nearest(str(value), map(str, known))
                raise ValueError(
                    f"{self.name}: {quoted(str(value))}; expected {any_of(map(str, known), 20)}. {hint}".rstrip(
                        ". "
                    )
                    + "."
                )
            return value
        expected = (
            f"a number from {self.low:g} to {self.high:g} {UNIT_TEXT.get(self.unit, self.unit)}".rstrip()
        )
        if isinstance(value, str) and self.unit:
            try:
                value = units.parse(value, self.unit)
            except UnitError as error:
                raise ValueError(f"{self.name}: {error}") from None
        if isinstance(value, bool) or (
            not isinstance(value, int | float) and not hasattr(value, "__float__")
        ):
            raise ValueError(f"{self.name}: {quoted(str(value))}; expected {expected}")
        number = float(value)
        room = 1e-9 * max(abs(self.low), abs(self.high))
        if not math.isfinite(number) or not self.low - room <= number <= self.high + room:
            raise ValueError(f"{self.name}: {number:g}; expected {expected}")
        if self.kind == "count":
            if number != round(number):
                raise ValueError(
                    f"{self.name}: {number:g}; expected a whole number from {self.low:g} to {self.high:g}"
                )
            return int(number)
        return float(f"{number:.10g}")

    def same(self, shown: Any, value: Any) -> bool:
        """Tell whether a value shown is another one but for rounding."""
        if self.kind == "choice":
            return bool(shown == value)
        return math.isclose(shown, value, rel_tol=1e-9, abs_tol=1e-12)

    def text(self, value: Any) -> str:
        """Write a value for people."""
        if self.kind == "choice":
            return next((words for words, choice in self.choices if choice == value), str(value))
        unit = UNIT_TEXT.get(self.unit, self.unit)
        return f"{value:g} {unit}".rstrip()


def of_parameter(
    design: Design, key: str, name: str, label: str, group: str, *, unit: str | None = None,
    low: float | None = None, high: float | None = None, value: float | None = None,
) -> Control:  # fmt: skip
    """Control over a parameter of a design, by its dotted key; everything not given comes from its declaration.

    Parameters
    ----------
    unit : str, optional
        Shown and given; that of the declaration for people if left out.
    low, high, value : float, optional
        In that unit, in place of the range met in practice and of the design's own value.  The ends reach at least
        to the value.
    """
    declared = parameters(design, derived=True)[key]
    shown = unit or declared.shown or declared.unit

    def to_shown(number: float) -> float:
        return float(f"{float(units.convert(number, declared.unit, shown)):.10g}")

    now = to_shown(float(get(design, key))) if value is None else value
    ends = declared.plausible or (declared.at_least or declared.above or 0.0, 2.0 * now)
    step = units.convert(ends[1] if declared.step is None else ends[0] + declared.step, declared.unit, shown)
    step = (
        float(f"{float(step) - to_shown(ends[0]):.6g}")
        if declared.step is not None
        else _calm((to_shown(ends[1]) - to_shown(ends[0])) / 50)
    )
    whole = declared.role == "count"
    return Control(
        name=name, label=label, group=group, kind="count" if whole else "number", value=int(now) if whole else now,
        doc=declared.doc, unit="" if shown == "1" else shown, step=1.0 if whole else step,
        low=min(to_shown(ends[0]) if low is None else low, now), high=max(to_shown(ends[1]) if high is None else high, now),
    )  # fmt: skip


def choice(
    name: str, label: str, group: str, options: Sequence[str | tuple[str, Any]], value: Any, doc: str
) -> Control:
    """Make a control that takes one of several values; an option is a value, or (words shown, value)."""
    pairs = tuple(
        option if isinstance(option, tuple) else (option.replace("_", " "), option) for option in options
    )
    return Control(name=name, label=label, group=group, kind="choice", value=value, doc=doc, choices=pairs)


def calm_top(value: float, step: float) -> float:
    """Next multiple of ``step`` above a value, so that axes and ends move seldom."""
    return step * math.ceil(value / step - 1e-9)


def _calm(value: float) -> float:
    """Round to 1, 2 or 5 times a power of ten."""
    size = 10.0 ** math.floor(math.log10(value))
    return size * min((1.0, 2.0, 5.0, 10.0), key=lambda share: abs(share - value / size))
