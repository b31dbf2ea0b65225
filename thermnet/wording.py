"""Words for error messages: what was found, and which known name is nearest."""

from __future__ import annotations

import datetime
import difflib
import json
import re
from collections.abc import Iterable
from typing import Any

NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,39}")
NAME_EXPECTED = "a name of letters, digits, _ or -, starting with a letter, at most 40 long"


def found(value: Any) -> str:
    """Describe a value as it stands in the file, in a few words."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, int | float):
        text = str(value) if isinstance(value, float) or abs(value) < 10**18 else "a very long whole number"
        return f"{text} (a bare number)"
    if isinstance(value, dict):
        keys = ", ".join(short(str(key), 24) for key in list(value)[:4])
        return f"a table ({keys}{', ...' if len(value) > 4 else ''})" if keys else "an empty table"
    if isinstance(value, list | tuple):
        return "an empty list" if not value else f"a list of {len(value)}"
    if isinstance(value, datetime.date | datetime.time):
        return "a date or time"
    return f"a {type(value).__name__}"


def quoted(text: str) -> str:
    """Quote a text on one line, control characters escaped and long texts cut."""
    return json.dumps(short(text, 60), ensure_ascii=False)


def short(text: str, length: int) -> str:
    """Cut a text and escape what cannot be printed on one line."""
    clean = "".join(
        c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode()
        for c in text[: 2 * length]
    )
    return clean if len(text) <= length else clean[: length - 3] + "..."


def nearest(name: str, known: Iterable[str]) -> str:
    """Suggest the nearest known name in one sentence; empty where nothing is near."""
    close = difflib.get_close_matches(str(name)[:80], list(known), n=1, cutoff=0.5)
    return f'Did you mean "{close[0]}"?' if close else ""


def any_of(names: Iterable[str], limit: int = 12) -> str:
    """List names for an ``expected`` text: ``one of a, b, c``."""
    options = [name for name in names if name]
    if not options:
        return "something declared (there is none)"
    return (
        ("one of " if len(options) > 1 else "")
        + ", ".join(options[:limit])
        + (", ..." if len(options) > limit else "")
    )
