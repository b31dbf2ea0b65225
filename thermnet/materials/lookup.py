"""Finding a row of a table by name, with a kind word when there is none."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import TypeVar

from thermnet.errors import ThermnetError

Row = TypeVar("Row")


class UnknownMaterialError(ThermnetError, ValueError):
    """A material name that no table has."""


def find(name: str, table: Mapping[str, Row], what: str, aliases: Mapping[str, str] | None = None) -> Row:
    """Return ``table[name]`` (or of its alias), or raise naming the nearest known name.

    Raises
    ------
    UnknownMaterialError
        Not in the table; the message offers the nearest name, or all of them.
    """
    aliases = aliases or {}
    key = str(name).strip().lower().replace(" ", "_")
    key = aliases.get(key, key)
    if key in table:
        return table[key]
    close = difflib.get_close_matches(key, [*table, *aliases], n=1, cutoff=0.5)
    hint = f"did you mean {close[0]!r}?" if close else f"known: {', '.join(table)}"
    raise UnknownMaterialError(f"unknown {what} {name!r}; {hint}")
