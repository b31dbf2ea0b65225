"""A lab log of a run under load: chip power, die temperature, fan speed, and which limit the firmware reported.

Found by column names and units, as in :mod:`thermnet.firmware.demand_log`; what is missing is left out, what
cannot be understood is refused with every problem listed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import DesignError, Problem
from thermnet.firmware.demand_log import log_text, numbers
from thermnet.firmware.log_columns import PROCESSOR_WORDS, find_columns, split_name, words_of
from thermnet.firmware.log_rows import Rows, split_rows
from thermnet.firmware.log_times import read_times
from thermnet.wording import any_of, quoted

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

CELSIUS = {"degC", "°C", "C", "celsius", "Celsius", "deg C"}
FAHRENHEIT = {"degF", "°F", "F", "fahrenheit", "Fahrenheit"}
HOT_WORDS = ("junction", "hot", "hotspot", "max", "die", "core", "package", "spot")
"""Words of a temperature column that make it the die's, most telling first."""
ELSEWHERE = frozenset({"skin", "ambient", "room", "board", "battery", "fin", "fins", "plate", "ssd", "drive", "memory",
                       "surface", "bottom", "keyboard", "inlet", "outlet", "air", "pipe", "charger"})  # fmt: skip
_TAIL = re.compile(r"^(.*?)[\s_/,:]+(degC|°C|C|degF|°F|F|rpm|RPM)$")
FLAG_WORDS = frozenset(
    {"limit", "limits", "limiter", "flag", "flags", "reason", "throttle", "throttled", "binds", "bound"}
)

KINDS = ("none", "power", "junction", "skin", "noise")
MEANINGS: Mapping[str, tuple[str, ...]] = {
    "junction": ("junction", "thermal", "temperature", "temp", "hot", "die"),
    "skin": ("skin", "touch", "surface", "case"),
    "noise": ("noise", "acoustic", "fan"),
    "power": ("power", "burst", "sustained", "peak", "budget", "shared", "current", "electrical"),
    "none": ("none", "no", "demand", "idle", "free", "ok", "-", "0", "false", "nan", ""),
}
"""Words in a flag, by the limit they mean; the first limit that has one of the flag's words."""


@dataclass(frozen=True)
class LimitLog:
    """What a log says.

    Attributes
    ----------
    time : (n,) s, rising from 0
    power : (n,) W
    temperature : (n,) degC of the die; nan where the log has none
    speed : (n,) fan speed in rpm; nan where the log has none
    limit : (n,) one of :data:`KINDS`, or None where the log has no flags
    notes : what was assumed and mended
    """

    time: Array
    power: Array
    temperature: Array
    speed: Array
    limit: NDArray[np.object_] | None
    notes: tuple[str, ...] = ()


def read_limit_csv(path: str | Path, chip: str = "cpu", flags: Mapping[str, str] | None = None) -> LimitLog:
    """Read a log.

    Parameters
    ----------
    path : path
        CSV with a time column, a power column for the chip, and where there are any: a die temperature
        (``die temperature (degC)``), a fan speed (``fan (rpm)``), and a limit flag (``limit``).
    chip : str
        Whose columns to take.
    flags : mapping, optional
        The log's own words for limits to those of :data:`KINDS`.

    Raises
    ------
    DesignError
        The file is not usable; lists every problem.
    """
    place = Path(path)
    source = str(place)
    rows = split_rows(log_text(place, source), source)
    notes = list(rows.notes)
    columns = find_columns(rows, [chip], source, notes)
    notes = [note for note in notes if not note.startswith("columns not used")]
    problems: list[Problem] = []
    seconds = read_times(rows, columns.time, problems, notes)
    power = numbers(rows.cells[columns.power[chip].index], rows.decimal_comma) * columns.power[chip].factor
    taken = {column.index for column in (*columns.time, *columns.power.values())}
    temperature = _temperature(rows, taken, problems)
    speed = _speed(rows, taken)
    limit = _limits(rows, taken, dict(flags or {}), problems)
    if problems:
        raise DesignError(source, problems)
    keep = np.isfinite(seconds) & np.isfinite(power)
    if not keep.all():
        notes.append(f"{int((~keep).sum())} rows without a time or a power left out")
    order = np.argsort(seconds[keep], kind="stable")
    time = seconds[keep][order]
    _, first = np.unique(time, return_index=True)
    if first.size < time.size:
        notes.append(f"{time.size - first.size} rows repeat a time: the first of each kept")
    if first.size < 3:
        raise DesignError(
            source, [Problem("rows", f"{first.size} usable", "at least 3 rows with a time and a power")]
        )
    chosen = np.flatnonzero(keep)[order][first]
    return LimitLog(
        seconds[chosen] - seconds[chosen][0], np.maximum(power[chosen], 0.0), temperature[chosen], speed[chosen],
        None if limit is None else limit[chosen], tuple(notes),
    )  # fmt: skip


def kind_of(flag: str, own: Mapping[str, str]) -> str | None:
    """Limit that a flag means, or None for a flag nobody knows."""
    text = flag.strip()
    if text in own:
        return own[text]
    words = set(words_of(text)) or {text.lower()}
    return next((kind for kind, known in MEANINGS.items() if words & set(known)), None)


def _parsed(rows: Rows, i: int) -> tuple[str, str]:
    """Stem and unit of a column's name."""
    stem, unit = split_name(rows.header[i], rows.units[i] if i < len(rows.units) else "")
    tail = _TAIL.match(stem) if not unit else None
    return (tail.group(1), tail.group(2)) if tail else (stem, unit)


def _temperature(rows: Rows, taken: set[int], problems: list[Problem]) -> Array:
    found = []
    for i, name in enumerate(rows.header):
        if i in taken:
            continue
        stem, unit = _parsed(rows, i)
        words = words_of(stem)
        named = bool({"temp", "temperature", "tj"} & set(words))
        if (unit in CELSIUS | FAHRENHEIT or (named and not unit)) and not set(words) & (
            ELSEWHERE | FLAG_WORDS
        ):
            told = [HOT_WORDS.index(word) for word in words if word in HOT_WORDS]
            own = bool(PROCESSOR_WORDS & set(words)) or named
            found.append(((min(told) if told else len(HOT_WORDS)), not own, i, unit, name))
    if not found:
        return np.full(len(rows.cells), np.nan)
    found.sort()
    best = [row for row in found if row[:2] == found[0][:2]]
    if len(best) > 1:
        names = ", ".join(row[4] for row in best)
        problems.append(Problem(f"line {rows.header_line}", f"{len(best)} columns may be the die temperature: {names}",
                                "one of them (rename or delete the others)"))  # fmt: skip
    *_, index, unit, name = found[0]
    if not unit:
        problems.append(
            Problem(f"line {rows.header_line}, column {quoted(name)}", "has no unit", 'a unit, e.g. "(degC)"')
        )
    values = numbers(rows.cells[index], rows.decimal_comma)
    taken.add(index)
    return (values - 32.0) / 1.8 if unit in FAHRENHEIT else values


def _speed(rows: Rows, taken: set[int]) -> Array:
    """Speed of the fastest fan in rpm."""
    found = []
    for i in range(len(rows.header)):
        stem, unit = _parsed(rows, i)
        if i not in taken and (unit.lower() in ("rpm", "1/min") or "rpm" in words_of(stem)):
            found.append(numbers(rows.cells[i], rows.decimal_comma))
            taken.add(i)
    if not found:
        return np.full(len(rows.cells), np.nan)
    return np.asarray(np.fmax.reduce(found), dtype=float)


def _limits(
    rows: Rows, taken: set[int], own: Mapping[str, str], problems: list[Problem]
) -> NDArray[np.object_] | None:
    wrong = [kind for kind in own.values() if kind not in KINDS]
    if wrong:
        problems.append(Problem("flags", quoted(wrong[0]), any_of(KINDS)))
        return None
    found = []
    for i in range(len(rows.header)):
        stem, unit = _parsed(rows, i)
        if i not in taken and not unit and FLAG_WORDS & set(words_of(stem)):
            found.append(i)
    if not found:
        return None
    if len(found) > 1:
        names = ", ".join(rows.header[i] for i in found)
        problems.append(Problem(f"line {rows.header_line}", f"{len(found)} columns may be the limit flag: {names}",
                                "one of them (rename or delete the others)"))  # fmt: skip
        return None
    return _kinds(rows, found[0], own, problems)


def _kinds(rows: Rows, index: int, own: Mapping[str, str], problems: list[Problem]) -> NDArray[np.object_]:
    text: pd.Series[str] = rows.cells[index]
    meaning = {word: kind_of(str(word), own) for word in text.unique()}
    unknown = [str(word) for word, kind in meaning.items() if kind is None]
    if unknown:
        shown = ", ".join(quoted(word) for word in unknown[:8])
        problems.append(Problem(
            f"column {quoted(rows.header[index])}", f"flags {shown}",
            f"words that name a limit ({', '.join(KINDS)}), or flags={{their word: one of these}}",
        ))  # fmt: skip
        return np.full(len(text), "none", dtype=object)
    return np.array([meaning[word] for word in text], dtype=object)


__all__ = ["KINDS", "LimitLog", "kind_of", "read_limit_csv"]
