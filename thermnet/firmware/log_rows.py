"""A log's text to rows of cells: comments, preamble, separator, decimal comma, header, row of units."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import DesignError, Problem
from thermnet.wording import quoted

if TYPE_CHECKING:
    import pandas as pd

SEPARATORS = (",", ";", "\t", "|")
SEARCHED = 60
"""Lines searched for the header."""
_TIME = re.compile(
    r"^\W*(time|times|timestamp|datetime|date|t|elapsed|seconds|clock)(?![a-z])", re.IGNORECASE
)
_COMMENT = ("#", "//", "%")
_NUMBER = re.compile(r"^\s*[-+]?(\d+\.?\d*|\.\d+|\d+,\d+)([eE][-+]?\d+)?\s*$")


@dataclass(frozen=True)
class Rows:
    """Cells of a log as texts, one pandas column per column of the file, with the line each row stood on."""

    header: tuple[str, ...]
    units: tuple[str, ...]
    header_line: int
    cells: pd.DataFrame
    lines: NDArray[np.int64]
    decimal_comma: bool
    notes: tuple[str, ...]


def split_rows(text: str, source: str) -> Rows:
    """Find the header and cut the rows below it into cells.

    Raises
    ------
    DesignError
        There is no header with a time column, or nothing below it.
    """
    import pandas as pd

    lines = text.splitlines()
    kept = [
        (n, line)
        for n, line in enumerate(lines, start=1)
        if line.strip() and not line.lstrip().startswith(_COMMENT)
    ]
    notes = []
    if len(kept) < sum(1 for line in lines if line.strip()):
        notes.append("comment lines left out")
    place, separator = _header(kept, source)
    header_line, header_text = kept[place]
    header = [cell.strip() for cell in _cut(header_text, separator)]
    if place:
        notes.append(f"{place} lines above the header left out")
    body = kept[place + 1 :]
    units: list[str] = []
    if body and _is_units_row(cells := [c.strip() for c in _cut(body[0][1], separator)], header):
        units, body = cells, body[1:]
    whole = [(n, line) for n, line in body if line.strip() != header_text.strip()]
    if len(whole) < len(body):
        notes.append(f"{len(body) - len(whole)} repeated headers left out")
    if not whole:
        raise DesignError(
            source, [Problem(f"line {header_line}", "a header and no rows", "rows of readings below it")]
        )
    widest = max(line.count(separator) for _, line in [kept[place], *whole]) + 1
    body_text = io.StringIO("\n".join(line for _, line in whole))
    frame = pd.read_csv(
        body_text,
        sep=separator,
        header=None,
        names=range(widest),
        dtype=str,
        keep_default_na=False,
        na_values=[],
        quoting=csv.QUOTE_NONE,
        engine="c",
    )
    frame = frame.fillna("").apply(lambda column: column.str.strip().str.strip('"').str.strip())
    decimal_comma = separator != "," and bool(
        frame.map(lambda cell: bool(re.fullmatch(r"-?\d+,\d+", cell))).to_numpy().any()
    )
    if decimal_comma:
        notes.append("decimal commas read as points")
    lines_of = np.array([n for n, _ in whole], dtype=np.int64)
    return Rows(tuple(header), tuple(units), header_line, frame, lines_of, decimal_comma, tuple(notes))


def _header(kept: list[tuple[int, str]], source: str) -> tuple[int, str]:
    for place, (_, line) in enumerate(kept[:SEARCHED]):
        for separator in sorted(SEPARATORS, key=lambda s: -line.count(s)):
            cells = [cell.strip() for cell in _cut(line, separator)]
            if (
                len(cells) > 1
                and any(_TIME.match(cell) for cell in cells)
                and not any(_NUMBER.match(c) for c in cells)
            ):
                return place, separator
    first = kept[0] if kept else (1, "")
    raise DesignError(
        source,
        [
            Problem(
                f"line {first[0]}",
                f"no header with a time column ({quoted(first[1].strip())})",
                'a header such as "time [s], cpu power (W)", separated by commas, semicolons, tabs or bars',
            )
        ],
    )


def _cut(line: str, separator: str) -> list[str]:
    return [cell.strip().strip('"') for cell in line.split(separator)]


def _is_units_row(cells: list[str], header: list[str]) -> bool:
    """Tell whether a row holds nothing but short units, such as ``s; W; degC``."""
    words = [cell.strip("[]() ") for cell in cells]
    if not any(words) or len(words) > len(header):
        return False
    return all(re.fullmatch(r"([^\W\d][\w%°/*^]{0,9}|%|)", word) for word in words) and any(
        word in {"s", "ms", "min", "h", "us", "W", "mW", "kW"} for word in words
    )
