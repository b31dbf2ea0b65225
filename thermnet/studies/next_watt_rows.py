"""Rows of the next-watt table: one step's effect from its two sides, what the parameter is, and the better direction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from thermnet import units
from thermnet.design.design import Design
from thermnet.parameter import Declaration

Answers = dict[str, tuple[float, str]]
"""Effect on each output, and the limit that then binds."""

UNIT = {"sustained": "W", "burst": "W", "skin": "K"}


def effect_row(
    design: Design, key: str, declared: Declaration, value: float, found: Mapping[str, Answers],
    before: Mapping[str, str], outputs: Sequence[str],
) -> dict[str, Any]:  # fmt: skip
    """Row of one parameter from the answers of its sides; ``before`` names what binds each output unchanged."""
    shown = declared.shown or declared.unit
    row: dict[str, Any] = {
        "parameter": key, "what": meaning(design, key, declared), "group": group_of(design, key),
        "value": units.show(value, declared.unit, shown),
        "step": units.show(float(declared.step or 0.0), _difference(declared.unit), _difference(shown)),
    }  # fmt: skip
    remarks = []
    for name in outputs:
        more, less = (found.get(side, {}).get(name) for side in ("more", "less"))
        row[f"{name}_{UNIT[name]}_per_step"], remark = _per_step(name, more, less, before[name])
        remarks += [remark] if remark else []
    first = outputs[0]
    sign = -1.0 if first == "skin" else 1.0
    gains = {side: sign * answers[first][0] for side, answers in found.items()}
    best = max(gains, key=lambda side: gains[side])
    worth = gains[best] > noticed(first)
    row |= {"gain": sign * gains[best] if worth else 0.0, "move": best if worth else "keep"}
    row |= {"remark": "; ".join(remarks), "reach": max(abs(gain) for gain in gains.values())}
    return row


def _per_step(
    name: str, more: tuple[float, str] | None, less: tuple[float, str] | None, before: str
) -> tuple[float, str]:
    """Effect of one step more: mean of both sides, or one side where the other is refused or another limit binds."""
    if more is None or less is None:
        side, refused = (less, "more") if more is None else (more, "less")
        if side is None:
            return float("nan"), f"{name}: both sides refused"
        return (-side[0] if more is None else side[0]), f"{name}: one-sided, one step {refused} is refused"
    if more[1] != less[1]:
        side, what = (less, "more") if more[1] != before else (more, "less")
        other = more[1] if what == "more" else less[1]
        return (
            -side[0] if what == "more" else side[0]
        ), f"{name}: one-sided, with one step {what} {other} binds"
    mean, bend = 0.5 * (more[0] - less[0]), abs(more[0] + less[0])
    if bend > abs(mean) and abs(mean) > 1e-9:
        smaller = more[0] if abs(more[0]) < abs(less[0]) else -less[0]
        return (
            smaller,
            f"{name}: the sides differ much, {more[0]:+.2g} and {less[0]:+.2g} {UNIT[name]}; the smaller is given",
        )
    return mean, ""


def meaning(design: Design, key: str, declared: Declaration) -> str:
    """Say in words what a parameter is."""
    first, _, rest = key.partition(".")
    if first == "joints":
        between = design.joints[int(rest.partition(".")[0])].between
        return f"{declared.doc}: {between[0]} to {between[1]}"
    return declared.doc


def group_of(design: Design, key: str) -> str:
    """Kind of part that a parameter belongs to; limits, surroundings and firmware stand apart."""
    first, _, rest = key.partition(".")
    last = rest.rpartition(".")[2]
    if first in ("ambient", "altitude"):
        return "surroundings"
    if first in ("modes", "sensors"):
        return "firmware"
    if first == "joints":
        return "joint"
    if last.endswith("limit") or last.startswith("limit"):
        return "limit"
    return design.parts[first].kind.replace("_", " ")


def _difference(unit: str) -> str:
    return "K" if unit in ("degC", "degF", "kelvin") else unit


def noticed(name: str) -> float:
    """Effect from which a parameter is worth a row."""
    return 5e-4 if name == "burst" else 1e-5


__all__ = ["UNIT", "Answers", "effect_row", "group_of", "meaning", "noticed"]
