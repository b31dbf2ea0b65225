"""Pages of the app.  Every explorer is one by itself; another page is one line in :func:`all_pages`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Page:
    """One page: its name in the menu, and what builds its widget when it is first opened."""

    title: str
    build: Callable[[], Any]


def all_pages() -> tuple[Page, ...]:
    """Pages in the order of the menu: lessons first, then the explorers."""
    from thermnet import explore, lessons

    explorers = [
        Page(name.replace("_", " ").capitalize(), getattr(explore, name)) for name in explore.EXPLORERS
    ]
    return (Page("Lessons", lessons.panel), *explorers)
