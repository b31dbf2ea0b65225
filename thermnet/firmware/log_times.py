"""Times of a log in s: plain numbers with a unit, ISO local time stamps, or a date and a clock apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import Problem
from thermnet.wording import quoted

if TYPE_CHECKING:
    import pandas as pd

    from thermnet.firmware.log_columns import Column
    from thermnet.firmware.log_rows import Rows

Array = NDArray[np.float64]

DAY, HOUR = 86400.0, 3600.0
MOST_LISTED = 20
_MISSING = {"", "nan", "na", "n/a", "none", "null", "-", "--"}


def read_times(rows: Rows, columns: tuple[Column, ...], problems: list[Problem], notes: list[str]) -> Array:
    """Time of each row in s (nan where the cell is empty), from any origin.

    Clock times that pass midnight go on into the next day; a local clock set back by one hour is set right.
    """
    text = rows.cells[columns[0].index]
    if len(columns) == 2:
        text = (text + " " + rows.cells[columns[1].index]).str.strip()
    name = " ".join(column.name for column in columns)
    missing = text.str.lower().isin(_MISSING).to_numpy()
    if len(columns) == 1 and columns[0].unit:
        if rows.decimal_comma:
            text = text.str.replace(",", ".", regex=False)
        seconds = _plain(text) * columns[0].factor
    else:
        seconds = _stamps(text, notes)
        seconds = seconds - np.nanmin(seconds, initial=np.inf) if np.isfinite(seconds).any() else seconds
    bad = ~np.isfinite(seconds) & ~missing
    where = np.flatnonzero(bad)
    for index in where[:MOST_LISTED]:
        expected = (
            f"a number of {columns[0].unit}"
            if columns[0].unit
            else "a time stamp such as 2026-03-14 09:26:53"
        )
        problems.append(
            Problem(f"line {rows.lines[index]}, column {quoted(name)}", quoted(text.iloc[index]), expected)
        )
    if where.size > MOST_LISTED:
        problems.append(
            Problem(f"column {quoted(name)}", f"{where.size - MOST_LISTED} more such cells", "times")
        )
    return seconds


def _plain(text: pd.Series[str]) -> Array:
    import pandas as pd

    return np.asarray(pd.to_numeric(text, errors="coerce"), dtype=float)


def _stamps(text: pd.Series[str], notes: list[str]) -> Array:
    import pandas as pd

    clock_only = not text.str.contains(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}", regex=True).any()
    if clock_only:
        seconds = np.asarray(pd.to_timedelta(_padded(text), errors="coerce").dt.total_seconds(), dtype=float)
        return _over_midnight(seconds, notes)
    zoned = text.str.contains(r"(?:[+-]\d{2}:?\d{2}|Z)$", regex=True).any()
    moments = pd.to_datetime(text, errors="coerce", format="ISO8601", utc=bool(zoned))
    if zoned:
        moments = moments.dt.tz_localize(None)
    if moments.isna().all():
        return np.full(len(text), np.nan)
    seconds = np.asarray((moments - moments.min()).dt.total_seconds(), dtype=float)
    return seconds if zoned else _clock_set_back(seconds, notes)


def _padded(text: pd.Series[str]) -> pd.Series[str]:
    """Clock times with seconds: ``9:26`` becomes ``9:26:00``."""
    return text.where(text.str.count(":") != 1, text + ":00")


def _over_midnight(seconds: Array, notes: list[str]) -> Array:
    steps = np.diff(seconds, prepend=seconds[:1])
    days = np.cumsum(np.where(np.nan_to_num(steps) < -DAY / 2, 1.0, 0.0))
    if days[-1] > 0:
        notes.append("the clock passed midnight: times go on into the next day")
    return np.asarray(seconds + DAY * days)


def _clock_set_back(seconds: Array, notes: list[str]) -> Array:
    """Set right a local clock that was put back by one hour (the end of summer time)."""
    known = np.flatnonzero(np.isfinite(seconds))
    steps = np.diff(seconds[known])
    back = np.flatnonzero(steps < 0)
    usual = float(np.median(steps)) if steps.size else 0.0
    if back.size == 1 and abs(steps[back[0]] + HOUR - usual) <= max(60.0, 10 * usual):
        notes.append("the local clock was put back by one hour: times after it set right")
        seconds = seconds.copy()
        seconds[known[back[0] + 1] :] += HOUR
    return seconds
