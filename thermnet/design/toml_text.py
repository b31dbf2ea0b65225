"""TOML text to a dictionary, with syntax errors in plain words."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from thermnet.errors import DesignError, Problem
from thermnet.wording import quoted, short

MOST_DOTS = 5_000
"""Dots in one line: a key of so many parts takes the parser quadratic time."""
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
_BARE = re.compile(r"([\w.-]+)\s*=\s*([^\s\[{\"'#][^\[{\"'#]*)")
_MISTAKES = (
    (
        "Invalid value",
        "no value that can be read",
        "a text in quotes, a number, a list in brackets, true or false",
    ),
    (
        "Invalid statement",
        "neither key nor heading",
        'a line such as key = "value", or a heading such as [parts.cpu]',
    ),
    ("Expected '=' after a key", "no = after the key", 'key = "value"'),
    ("Unclosed array", "a list without its end (it may begin on a line before)", "a closing bracket ]"),
    ("Unclosed inline table", "a table without its end", "a closing brace }"),
    ("Expected newline or end of document", "something after the value", "one key = value per line"),
    (
        "Illegal character",
        "a text that is not closed, or a control character",
        "texts closed on the line they begin on",
    ),
    ("Unterminated string", "a text that is not closed", "a closing quote"),
    ("Expected ']' at the end of a table", "a heading without its end", "a heading such as [parts.cpu]"),
    ("Expected ']]' at the end of an array", "a heading without its end", "a heading such as [[joints]]"),
    ("Unescaped", "a backslash in a text", "two backslashes, or the text in single quotes"),
    ("Cannot ", "is declared twice", "each key and table once"),
)


def parse_toml(text: str, source: str) -> dict[str, Any]:
    """Parse TOML; a syntax error names its line and column.

    Raises
    ------
    DesignError
        The text is not TOML, or declares a key twice.
    """
    for number, line in enumerate(text.splitlines(), start=1):
        if line.count(".") > MOST_DOTS:
            problem = Problem(
                f"line {number}", f"{line.count('.')} dots in one line", "shorter lines; keep a log as CSV"
            )
            raise DesignError(source, [problem])
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise DesignError(source, [Problem("file", "brackets nested too deep", "a design file")]) from None
    except ValueError as error:  # TOMLDecodeError, and Python's own refusal of very long whole numbers
        raise DesignError(source, [_syntax_problem(str(error), text)]) from None


def _syntax_problem(message: str, text: str) -> Problem:
    place = _PLACE.search(message)
    reason = message[: place.start()] if place else message
    if place is None:
        return Problem("file", short(reason, 200), "TOML text")
    lines = text.splitlines() or [""]
    if place.group(1) is None:
        key, row = f"line {len(lines)}, end of file", len(lines)
    else:
        row = min(int(place.group(1)), len(lines))
        key = f"line {place.group(1)}, column {place.group(2)}"
    written = lines[row - 1].strip()
    what, expected = next(
        ((what, expected) for start, what, expected in _MISTAKES if reason.startswith(start)),
        (f"{reason[:1].lower()}{reason[1:]}", "TOML text"),
    )
    if reason.startswith("Cannot "):
        name = written.split("=")[0].strip().strip("[]").strip() or "a key"
        hint = f"{_first_line(lines, row, name)}Delete or rename one of them."
        return Problem(key, f"{quoted(name)} {what}", expected, hint)
    bare = _BARE.match(written)
    hint = f"Put quotes around it: {bare.group(1)} = {quoted(bare.group(2).strip())}." if bare else ""
    return Problem(key, f"{what} in {quoted(written)}", expected, hint)


def _first_line(lines: list[str], row: int, name: str) -> str:
    for number in range(row - 1, 0, -1):
        line = lines[number - 1].strip()
        if line.split("=")[0].strip().strip("[]").strip() == name:
            return f"Line {number} has it already. "
    return ""
