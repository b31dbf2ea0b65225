"""Work that pauses now and then, so that whoever does it can turn to something more urgent."""

from __future__ import annotations

from collections.abc import Generator
from typing import TypeVar

Found = TypeVar("Found")
InPieces = Generator[None, None, Found]
"""A generator that yields nothing, pause by pause, and returns what it has found."""


def finished(work: InPieces[Found]) -> Found:
    """Do work that comes in pieces without pausing."""
    while True:
        try:
            next(work)
        except StopIteration as end:
            found: Found = end.value
            return found
