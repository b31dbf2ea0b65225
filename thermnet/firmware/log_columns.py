"""Which column of a log is the time, which is whose power, and in what unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from thermnet import units
from thermnet.errors import DesignError, Problem, UnitError
from thermnet.firmware.log_rows import Rows
from thermnet.wording import any_of, quoted

PROCESSOR_WORDS = frozenset({"cpu", "processor", "package", "pkg", "soc", "chip", "die"})
GRAPHICS_WORDS = frozenset({"gpu", "graphics", "dgpu"})
OTHER_WORDS = frozenset(
    {"adapter", "battery", "system", "rail", "wall", "charger", "display", "limit", "budget", "total"}
)
_BRACKETS = re.compile(r"^(.*?)[\[(]([^\[\]()]*(?:\([^()]*\))?[^\[\]()]*)[\])]\s*$")
_TAIL = re.compile(r"^(.*?)[\s_/,:]+(s|ms|us|min|h|sec|W|mW|kW|w|mw|kw|watts?|seconds?|milliseconds?)$")
_TIME_WORDS = {"time", "times", "timestamp", "datetime", "date", "t", "elapsed", "seconds", "clock"}


@dataclass(frozen=True)
class Column:
    """One column of the log: its place, name and unit, and what a reading is multiplied by (to SI)."""

    index: int
    name: str
    stem: str
    unit: str
    factor: float


@dataclass(frozen=True)
class Columns:
    """Time columns (a date and a clock may stand apart) and the power column of each chip."""

    time: tuple[Column, ...]
    power: dict[str, Column]


def find_columns(rows: Rows, chips: Sequence[str], source: str, notes: list[str]) -> Columns:
    """Find the time and the power of each chip.

    Raises
    ------
    DesignError
        No or several columns may be meant, or a unit is missing or wrong; lists every problem.
    """
    problems: list[Problem] = []
    parsed = [
        split_name(name, rows.units[i] if i < len(rows.units) else "") for i, name in enumerate(rows.header)
    ]
    line = f"line {rows.header_line}"
    time = _time_columns(rows, parsed, line, problems)
    power = _power_columns(rows, parsed, chips, line, problems, notes)
    if problems:
        raise DesignError(source, problems)
    used = {c.index for c in (*time, *power.values())}
    unused = [name for i, name in enumerate(rows.header) if i not in used and name]
    if unused:
        notes.append(f"columns not used: {', '.join(unused[:8])}{', ...' if len(unused) > 8 else ''}")
    return Columns(time, power)


def split_name(name: str, unit_below: str) -> tuple[str, str]:
    """Split ``cpu power (W)`` into stem and unit; the unit may also stand in a row of its own."""
    below = unit_below.strip().strip("[]()").strip()
    match = _BRACKETS.match(name) or _TAIL.match(name)
    if below:
        return (match.group(1) if match else name).strip(" _"), below
    if match is None:
        return name.strip(), "s" if name.strip().lower() == "seconds" else ""
    unit = match.group(2).strip()
    plain = {"w": "W", "mw": "mW", "kw": "kW", "sec": "s"}
    return match.group(1).strip(" _"), plain.get(unit, unit)


def words_of(stem: str) -> list[str]:
    """Lower-case words of a column's name."""
    return [
        word for word in re.split(r"[^a-z0-9]+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", stem).lower()) if word
    ]


def _time_columns(
    rows: Rows, parsed: list[tuple[str, str]], line: str, problems: list[Problem]
) -> tuple[Column, ...]:
    found = [
        i
        for i, (stem, _) in enumerate(parsed)
        if set(words_of(stem)[:1]) & _TIME_WORDS and not _is_power(*parsed[i])
    ]
    by_word = {words_of(parsed[i][0])[0]: i for i in found}
    if "date" in by_word and len(found) > 1:
        clock = next(i for i in found if i != by_word["date"])
        return tuple(Column(i, rows.header[i], parsed[i][0], "", 1.0) for i in (by_word["date"], clock))
    if len(found) > 1:
        elapsed = [i for i in found if parsed[i][1]]
        found = elapsed[:1] or found[:1]
    index = found[0]
    stem, unit = parsed[index]
    name = rows.header[index]
    sample = [cell for cell in rows.cells[index].head(200) if cell]
    is_stamp = sum(":" in cell for cell in sample) > len(sample) / 2
    if is_stamp:
        return (Column(index, name, stem, "", 1.0),)
    if not unit:
        what = "has no unit and holds no time stamps"
        problems.append(
            Problem(f"{line}, column {quoted(name)}", what, 'a unit, e.g. "time [s]", or ISO time stamps')
        )
        return (Column(index, name, stem, "", 1.0),)
    return (Column(index, name, stem, unit, _factor(unit, "s", f"{line}, column {quoted(name)}", problems)),)


def _factor(unit: str, inside: str, key: str, problems: list[Problem]) -> float:
    try:
        return units.parse(f"1 {unit}", inside)
    except UnitError:
        what = units.a(units.dimension(inside))
        problems.append(
            Problem(
                key, f"unit {quoted(unit)} is not that of {what}", f'a unit such as "{inside}" or "m{inside}"'
            )
        )
        return 1.0


def _is_power(stem: str, unit: str) -> bool:
    words = set(words_of(stem))
    return "power" in words or unit in {"W", "mW", "kW", "uW", "MW", "watt", "watts"}


def _power_columns(
    rows: Rows,
    parsed: list[tuple[str, str]],
    chips: Sequence[str],
    line: str,
    problems: list[Problem],
    notes: list[str],
) -> dict[str, Column]:
    candidates = [i for i, (stem, unit) in enumerate(parsed) if _is_power(stem, unit)]
    chosen: dict[str, int] = {}
    for position, chip in enumerate(chips):
        index = _match(chip, position, candidates, parsed, rows, line, problems)
        if index is not None and index not in chosen.values():
            chosen[chip] = index
    free = [i for i in candidates if not set(words_of(parsed[i][0])) & OTHER_WORDS]
    if not chosen and len(free) == 1:
        chosen[chips[0]] = free[0]
        notes.append(f"column {rows.header[free[0]]!r} taken for {chips[0]}")
    if not chosen and not problems:
        what = f"no column of power for {' or '.join(chips)} (columns: {', '.join(rows.header)[:120]})"
        problems.append(Problem(line, what, f'a column such as "{chips[0]} power (W)"'))
    columns = {}
    for chip, index in chosen.items():
        stem, unit = parsed[index]
        key = f"{line}, column {quoted(rows.header[index])}"
        if not unit:
            problems.append(Problem(key, "has no unit", f'a unit, e.g. "{stem} (W)"'))
        factor = _factor(unit, "W", key, problems) if unit else 1.0
        columns[chip] = Column(index, rows.header[index], stem, unit, factor)
    return columns


def _match(
    chip: str,
    position: int,
    candidates: list[int],
    parsed: list[tuple[str, str]],
    rows: Rows,
    line: str,
    problems: list[Problem],
) -> int | None:
    """Column of a chip: by its own name first, by the trade's words for processor and graphics after that."""
    own = set(words_of(chip))
    by_name = [i for i in candidates if own and own <= set(words_of(parsed[i][0]))]
    words = PROCESSOR_WORDS if position == 0 else GRAPHICS_WORDS if position == 1 else frozenset()
    by_word = [i for i in candidates if words & set(words_of(parsed[i][0]))]
    fits = [i for i in (by_name or by_word) if not set(words_of(parsed[i][0])) & (OTHER_WORDS - {"total"})]
    exact = [i for i in fits if set(words_of(parsed[i][0])) - {"power", "total", "package"} == own]
    if len(fits) > 1 and len(exact) == 1:
        fits = exact
    if len(fits) > 1:
        names = [rows.header[i] for i in fits]
        what = f"{len(fits)} columns may be meant for {chip}: {', '.join(names)}"
        problems.append(
            Problem(line, what, f"one column for each chip ({any_of(['rename or delete the others'])})")
        )
        return None
    return fits[0] if fits else None
