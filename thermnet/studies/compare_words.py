"""A comparison in words: who wins where, by how much, and where curves cross."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from thermnet.parameter import declarations
from thermnet.parts.vapor_chamber import VaporChamber
from thermnet.studies.side_by_side import SAME_WITHIN, Conditions
from thermnet.studies.words import Fact, number_text

NOT_HEARD = 1.0
"""dB; a smaller difference is heard by nobody."""

NOT_FELT = 0.2
"""K; a smaller difference counts as none."""

PLURAL = {
    "holds most": "hold most", "is coolest": "are coolest", "is thinnest": "are thinnest", "is lightest": "are lightest",
    "costs least": "cost least",
}  # fmt: skip

MOST_CROSSINGS = 3
"""Crossings told in words; the table has all."""


@dataclass(frozen=True)
class Said:
    """One line of the verdict: where, in short (a headline), and in full."""

    where: str
    short: str
    full: str


def verdict(
    table: Any, tables: Mapping[str, Any], level: float, given: Conditions, shown: Sequence[float]
) -> list[Said]:
    """Say who wins where, in the order to be read.

    Parameters
    ----------
    table, tables
        Those of the study.
    level : float
        W, at which the designs are compared at equal power.
    given : Conditions
    shown : sequence of s
        Burst durations with a column of their own.
    """
    reference = str(table["design"].iloc[0])
    lines: list[Said] = []
    for duration in shown:
        word = "short burst" if duration <= 20 else "longer burst"
        lines += lead(f"{word}, {duration:g} s", table, f"power_{duration:g}_s_W", "W", "holds most")
    cap = f" at {given.noise:g} dBA" if given.noise is not None else ""
    lines += lead(f"long load{cap}", table, "sustained_W", "W", "holds most", held_by="held_by")
    lines += crossings(tables.get("crossings"), reference)
    lines += quietest(f"quietest at {level:g} W", table)
    dry = table["dry_out_margin_W"] < 0
    wet = table[~dry] if (~dry).any() else table
    for what, column in (("junction", "junction_degC"), ("skin", "skin_degC")):
        lines += lead(f"coolest {what} at {level:g} W", wet, column, "°C", "is coolest", least=True)
    if dry.any():
        text = " and ".join(
            f"{name} by {_number(-margin)} W"
            for name, margin in zip(table["design"][dry], table["dry_out_margin_W"][dry], strict=True)
        )
        lines.append(Said(f"past its heat limit at {level:g} W", text, f"{text}, fans at the cap, level"))
    lines += doubtful(tables.get("heat limits"))
    lines += end_to_end(tables.get("heat limits"))
    lines += held_back(table, tables.get("bursts"), given.start)
    leaning = tables.get("tilt")
    if leaning is not None and len(leaning):
        lines += leaned(leaning, given.ambient)
    lines += lead("thinnest over the chip", table, "height_mm", "mm", "is thinnest", least=True)
    lines += lead("lightest stack", table, "mass_g", "g", "is lightest", least=True)
    if "cost" in table:
        rate = table["cost"] / table["sustained_W"].where(table["sustained_W"] > 0)
        lines += lead(
            "least cost per sustained watt",
            table.assign(rate=rate),
            "rate",
            "per W",
            "costs least",
            least=True,
        )
    return lines


def headlines(lines: Sequence[Said], reference: str) -> dict[str, Fact]:
    """Short form of a verdict, as the facts of a study."""
    return {"measured against": reference, **{line.where: line.short for line in lines}}


def lead(
    where: str, table: Any, column: str, unit: str, wins: str, *, least: bool = False, held_by: str = ""
) -> list[Said]:  # fmt: skip
    """Say which design leads in a column, by how much over the first design or the next; nothing if unknown."""
    rows = table[np.isfinite(table[column])]
    if len(rows) < 2:
        return []
    kelvin = unit == "°C"
    order = rows.sort_values(column, ascending=least, kind="stable")
    names, values = [str(n) for n in order["design"]], [float(v) for v in order[column]]
    value = values[0]
    ahead = [n for n, v in zip(names, values, strict=True) if _same(v, value, kelvin)]
    if len(ahead) == len(names):
        text = f"no difference: {_number(value)} {unit}"
        return [Said(where, text, text)]
    reference, own = str(rows["design"].iloc[0]), float(rows[column].iloc[0])
    against, other = (names[len(ahead)], values[len(ahead)]) if reference in ahead else (reference, own)
    word = "less" if least else "more"
    distance = by_how_much(value, other, unit)
    held = f", held by {order[held_by].iloc[0]}" if held_by else ""
    full = f"{' and '.join(ahead)} {wins if len(ahead) == 1 else PLURAL[wins]}"
    full += f": {_number(value)} {unit}{held}; {distance} {word} than {against}"
    if names[-1] not in (against, reference):
        full += f"; last {names[-1]}, {_number(values[-1])} {unit}"
    signed = (
        f"{value - other:+.2g} K" if kelvin else f"{100.0 * (value / other - 1.0):+.0f} %" if other else ""
    )
    short = f"{' or '.join(ahead)}: {_number(value)} {unit}, {signed}"
    if reference in ahead:
        short += f" against {against}"
    return [Said(where, short, full)]


def by_how_much(value: float, other: float, unit: str) -> str:
    """Write the distance between two values: ``12 W (15 %)``; temperatures in K without a share."""
    distance = abs(value - other)
    if unit == "°C":
        return f"{distance:.2g} K"
    share = f" ({100 * distance / abs(other):.0f} %)" if other else ""
    return f"{number_text(distance, 2)} {unit}{share}"


def quietest(where: str, table: Any) -> list[Said]:
    """Say which designs need least noise for the power, and which cannot hold it at all."""
    rows = table[np.isfinite(table["noise_dBA"])]
    cannot = [str(name) for name in table["design"][~np.isfinite(table["noise_dBA"])]]
    never = f"{' and '.join(cannot)} at no fan speed" if cannot else ""
    if not len(rows):
        return [Said(where, never, never)]
    order = rows.sort_values("noise_dBA", kind="stable")
    names, noise = [str(n) for n in order["design"]], [float(v) for v in order["noise_dBA"]]
    ahead = [n for n, v in zip(names, noise, strict=True) if v - noise[0] < NOT_HEARD]
    level = "fans at rest" if noise[0] == 0 else f"{_number(noise[0])} dBA"
    short = f"{' or '.join(ahead)}: {level}"
    full = f"{' and '.join(ahead)} within {NOT_HEARD:g} dB" if len(ahead) > 1 else ahead[0]
    full += f": {level}"
    behind = [(n, v) for n, v in zip(names, noise, strict=True) if n not in ahead]
    reference = str(table["design"].iloc[0])
    wanted = next(((n, v) for n, v in behind if n == reference), behind[0] if behind else None)
    if wanted and noise[0] > 0:
        full += f", {wanted[1] - noise[0]:.2g} dB less than {wanted[0]}"
    return [Said(where, short, "; ".join(filter(None, (full, never))))]


def crossings(found: Any, reference: str) -> list[Said]:
    """Say where the first design's burst curve crosses others."""
    where = "burst curves cross"
    if found is None or not len(found):
        return [Said(where, "nowhere", "nowhere: the order is the same at every duration")]
    mine = found[(found["leads_before"] == reference) | (found["leads_after"] == reference)]
    if not len(mine):
        text = f"none of {reference}'s; {len(found)} between the others (see table)"
        return [Said(where, text, text)]
    few = mine.head(MOST_CROSSINGS)
    words = [
        f"{row.leads_before} leads up to {_time(row.duration_s)} ({_number(row.power_W)} W), then {row.leads_after}"
        for row in few.itertuples()
    ]
    more = f"; {len(mine) - len(few)} more in the table" if len(mine) > len(few) else ""
    short = f"at {', '.join(_time(t) for t in few['duration_s'])}{' ...' if more else ''}"
    return [Said(where, short, "; ".join(words) + more)]


def doubtful(limits: Any) -> list[Said]:
    """Name the chambers whose computed limit is past what is met in practice: cooled evenly all over, on paper."""
    if limits is None or not len(limits):
        return []
    top = declarations(VaporChamber)["heat_limit"].plausible[1]  # type: ignore[index]
    bad = limits[
        (limits["kind"] == "vapor_chamber")
        & (limits["limit_W"] > top)
        & (limits["governed_by"] != "supplier's value")
        & limits["way_mm"].isna()
    ]
    if not len(bad):
        return []
    names = list(dict.fromkeys(bad["design"]))
    most = _number(float(bad["limit_W"].max()))
    full = (
        f"{' and '.join(names)}: up to {most} W computed for heat that leaves evenly over the chamber, above the {top:g} W "
        "met in practice; tell where the fins are (condenser_distance) or give the supplier's heat_limit"
    )
    return [Said("chamber limits to doubt", f"above {top:g} W: {len(names)} of the designs", full)]


MAKERS = (0.3, 0.4)
"""K/W; what makers state of one pipe of 5 to 8 mm below its limit, heater block to cooler block (common practice, no source)."""


def end_to_end(limits: Any) -> list[Said]:
    """Set the pipes' resistances beside what makers state, whose measurement has the joints in it."""
    if limits is None or not len(limits):
        return []
    pipes = limits[(limits["kind"] == "heat_pipe") & limits["with_joints_K_per_W"].notna()]
    if not len(pipes):
        return []
    alone, whole = (_span(pipes[name]) for name in ("resistance_K_per_W", "with_joints_K_per_W"))
    short = f"{alone} K/W each, {whole} K/W with both joints"
    full = (
        f"{short}; makers state {MAKERS[0]:g} to {MAKERS[1]:g} K/W from heater block to cooler block (common practice, no "
        "source), so that a supplier's value takes the place of pipe and joints together"
    )
    return [Said("one pipe, end to end", short, full)]


def _span(values: Any) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{low:.2f}" if f"{low:.2f}" == f"{high:.2f}" else f"{low:.2f} to {high:.2f}"


def held_back(table: Any, bursts: Any, start: Any) -> list[Said]:
    """Name the designs that hold less from the start state than for ever: dry-out while cold."""
    if bursts is None or not len(bursts):
        return []
    cold = bursts.groupby("design", sort=False)["power_W"].last()
    begun = (
        f"{start:g} W" if isinstance(start, int | float) else start if isinstance(start, str) else "its start"
    )
    found = [
        f"{name}: {_number(cold[name])} W from {begun}, {_number(long)} W once warm"
        for name, long in zip(table["design"], table["sustained_W"], strict=True)
        if name in cold and long > 1.05 * cold[name]
    ]
    return [Said("held back while cold", "; ".join(found), "; ".join(found))] if found else []


def leaned(table: Any, ambient: float) -> list[Said]:
    """Say who keeps most power when the evaporators stand above the condensers."""
    rooms = list(table["ambient_degC"])
    room = table[table["ambient_degC"] == (ambient if ambient in rooms else rooms[0])]
    tilts = [t for t in sorted(room["tilt_deg"].unique()) if t > 0]
    lines = []
    for tilt in [t for t in tilts if t in (30.0, 90.0)] or tilts[-1:]:
        there = room[room["tilt_deg"] == tilt]
        lines += lead(
            f"tilted {tilt:g}°, evaporator up", there, "sustained_W", "W", "holds most", held_by="binds"
        )
    return lines


def _same(a: float, b: float, kelvin: bool) -> bool:
    return abs(a - b) <= (NOT_FELT if kelvin else SAME_WITHIN * max(abs(a), abs(b)))


def _number(value: float) -> str:
    return number_text(float(value), 3)


def _time(seconds: float) -> str:
    return f"{seconds:.2g} s" if seconds < 60 else f"{seconds / 60:.2g} min"
