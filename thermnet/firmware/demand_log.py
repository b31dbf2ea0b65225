"""Demand from a logger's CSV file: found columns, mended rows, and a plain account of what was mended.

Logs are messy: preambles, comments, units in the header or in a row of their own, local time stamps, uneven
sampling, gaps, repeated and unordered rows, missing cells, small negative readings.  All of that is mended
and noted; what cannot be mended is refused with every problem listed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import DesignError, Problem
from thermnet.files import decode, read_bytes
from thermnet.firmware.log_columns import Column, find_columns
from thermnet.firmware.log_rows import Rows, split_rows
from thermnet.firmware.log_times import read_times
from thermnet.firmware.workload import Workload
from thermnet.wording import quoted

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

LARGEST_LOG = 200_000_000
"""Bytes."""
GAP_FACTOR, GAP_LEAST = 10.0, 5.0
"""A step of more than this many median steps, and of more than this many s, is a gap in the log."""
NOISE = 2.0
"""W; readings down to minus this (or 5 % of the largest) are noise around zero, below that a mistake."""
HIGHEST = 2000.0
"""W; more than this on one chip is taken for a slip of units."""
MOST_LISTED = 20
"""Problems of one kind listed one by one."""
_MISSING = {"", "nan", "na", "n/a", "none", "null", "-", "--", "?", "nil"}


def read_demand_csv(path: str | Path, chips: Sequence[str]) -> Workload:
    """Read the demand on each chip from a logger's CSV file.

    Parameters
    ----------
    path : path
        Text file with one header row: a time column (``time [s]``, ``t (ms)``, ISO local time stamps) and a
        column of power for each chip (``cpu power (W)``, ``power_mW``); separator comma, semicolon, tab or
        bar.
    chips : sequence of str
        The machine's chips, processor first; columns are matched to them by name.

    Returns
    -------
    Workload
        Piecewise constant demand that starts at 0 s; ``notes`` lists what was assumed and mended.

    Raises
    ------
    DesignError
        The file is not usable; lists every problem with its line and column.
    """
    place = Path(path)
    source = str(place)
    if not chips:
        raise DesignError(source, [Problem("chips", "no chip", "at least one chip to put the demand on")])
    rows = split_rows(log_text(place, source), source)
    notes = list(rows.notes)
    columns = find_columns(rows, chips, source, notes)
    problems: list[Problem] = []
    seconds = read_times(rows, columns.time, problems, notes)
    power = {chip: _power(rows, column, problems, notes) for chip, column in columns.power.items()}
    if problems:
        raise DesignError(source, problems)
    times, watts = _ordered(seconds, power, notes)
    if times.size < 2:
        raise DesignError(
            source, [Problem("rows", f"{times.size} usable", "at least 2 rows with a time and a power")]
        )
    times, watts = _without_gaps(times, watts, notes)
    silent = [chip for chip in chips if chip not in watts]
    if silent:
        notes.append(f"no column for {', '.join(silent)}: taken as 0 W")
    return Workload(
        name=place.stem, title=f"demand log {place.name}", times=times, watts=watts, holds="power",
        duration=float(times[-1] + np.median(np.diff(times))), notes=tuple(notes),
    )  # fmt: skip


def log_text(path: Path, source: str) -> str:
    """Text of a log file in whatever usual encoding."""
    content = read_bytes(path, "a demand log (CSV)", LARGEST_LOG)
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return content.decode("utf-16")
        except UnicodeDecodeError:
            raise DesignError(
                source, [Problem("file", "broken UTF-16 text", "a text file saved as UTF-8")]
            ) from None
    try:
        return decode(content, source)
    except DesignError:
        if any(byte < 9 or 13 < byte < 27 for byte in content[:4096]):
            raise
        return content.decode("latin-1")


def _power(rows: Rows, column: Column, problems: list[Problem], notes: list[str]) -> Array:
    """Power of one column in W, nan where a cell is missing."""
    text = rows.cells[column.index]
    values = numbers(text, rows.decimal_comma) * column.factor
    missing = text.str.lower().isin(_MISSING).to_numpy() | (
        np.isnan(values) & (text.str.lower() == "nan").to_numpy()
    )
    cells = text.to_numpy()
    _list_cells(rows, column, cells, np.isnan(values) & ~missing, "a number", problems)
    if missing.mean() > 0.5:
        what = f"{missing.sum()} of {missing.size} cells hold no number"
        problems.append(Problem(f"column {quoted(column.name)}", what, "most cells filled"))
        return values
    known = np.isfinite(values)
    noise = max(NOISE, 0.05 * float(np.max(values[known & (values <= HIGHEST)], initial=0.0)))
    slips = ~np.isnan(values) & ((values < -noise) | (values > HIGHEST))
    expected = f"power from 0 W to {HIGHEST:g} W (the column's unit is {column.unit})"
    _list_cells(rows, column, cells, slips, expected, problems)
    negative = (values < 0) & ~slips
    if negative.any():
        notes.append(f"{column.name}: {negative.sum()} small negative readings set to 0 W")
        values = np.where(negative, 0.0, values)
    return np.asarray(values, dtype=float)


def _filled(values: Array, chip: str, notes: list[str]) -> Array:
    """Missing readings hold the reading before them, those at the start the first one."""
    missing = np.isnan(values)
    if not missing.any():
        return values
    number = int(missing.sum())
    said = "1 missing reading holds" if number == 1 else f"{number} missing readings hold"
    notes.append(f"{chip}: {said} the reading before {'it' if number == 1 else 'them'}")
    before = np.maximum.accumulate(np.where(missing, -1, np.arange(values.size)))
    return np.asarray(values[np.where(before < 0, int(np.argmin(missing)), before)], dtype=float)


def numbers(text: pd.Series[str], decimal_comma: bool) -> Array:
    """Numbers of a column of cells, nan where a cell is none."""
    import pandas as pd

    if decimal_comma:
        text = text.str.replace(",", ".", regex=False)
    return np.asarray(pd.to_numeric(text, errors="coerce"), dtype=float)


def _list_cells(rows: Rows, column: Column, text: NDArray[np.object_], bad: NDArray[np.bool_], expected: str,
                problems: list[Problem]) -> None:  # fmt: skip
    where = np.flatnonzero(bad)
    for index in where[:MOST_LISTED]:
        key = f"line {rows.lines[index]}, column {quoted(column.name)}"
        problems.append(Problem(key, quoted(str(text[index])), expected))
    if where.size > MOST_LISTED:
        key = f"column {quoted(column.name)}"
        problems.append(Problem(key, f"{where.size - MOST_LISTED} more such cells", expected))


def _ordered(seconds: Array, power: dict[str, Array], notes: list[str]) -> tuple[Array, dict[str, Array]]:
    """Rows in rising time from 0 s, repeated times averaged, rows without a time dropped."""
    known = np.isfinite(seconds)
    if not known.all():
        notes.append(f"{(~known).sum()} rows without a time left out")
    seconds, power = seconds[known], {chip: watts[known] for chip, watts in power.items()}
    backwards = int(np.sum(np.diff(seconds) < 0))
    if backwards:
        notes.append(f"time ran backwards {backwards} times: rows put in order")
    times, group, counts = np.unique(seconds, return_inverse=True, return_counts=True)
    repeats = int(np.sum(counts - 1))
    if repeats:
        notes.append(f"{repeats} rows repeat a time: averaged")
    watts = {}
    for chip, values in power.items():
        valid = ~np.isnan(values)
        number = np.bincount(group[valid], minlength=times.size)
        total = np.bincount(group[valid], weights=values[valid], minlength=times.size)
        watts[chip] = _filled(np.where(number > 0, total / np.maximum(number, 1), np.nan), chip, notes)
    if times.size and times[0] != 0.0:
        notes.append(f"the log starts at {times[0]:.10g} s: taken as 0 s")
        times, keep = np.unique(times - times[0], return_index=True)
        watts = {chip: values[keep] for chip, values in watts.items()}
    return times, watts


def _without_gaps(times: Array, watts: dict[str, Array], notes: list[str]) -> tuple[Array, dict[str, Array]]:
    """Hold over each gap the mean of the readings at its ends, from one usual step after the last."""
    steps = np.diff(times)
    usual = float(np.median(steps))
    limit = max(GAP_FACTOR * usual, GAP_LEAST, 3.0 * float(np.quantile(steps, 0.75)))
    before = np.flatnonzero(steps > limit)
    if before.size == 0:
        return times, watts
    notes.append(
        f"{before.size} gaps, {steps[before].sum():.4g} s in all, the longest {steps[before].max():.4g} s: "
        "filled with the mean of the readings at their ends"
    )
    filled = np.insert(times, before + 1, times[before] + usual)
    return filled, {
        chip: np.insert(v, before + 1, (v[before] + v[before + 1]) / 2) for chip, v in watts.items()
    }
