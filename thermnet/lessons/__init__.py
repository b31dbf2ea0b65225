"""Lessons: predict, check, explain.

A learner commits a number, with its unit, before anything is computed; then the machine is run, the guess is scored by
its relative error, and the explanation is drawn from the run itself.  ``tn.lessons.Session()`` is the course without a
screen, ``tn.lessons.panel()`` shows it in a notebook, ``tn.lessons.collect(files)`` gathers the results of a class.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from thermnet.lessons.course import find_lesson, list_lessons
    from thermnet.lessons.lesson_panel import panel
    from thermnet.lessons.results import collect
    from thermnet.lessons.session import Session

_NAMES = {
    "Session": "session", "collect": "results", "find_lesson": "course", "list_lessons": "course", "panel": "lesson_panel",
}  # fmt: skip

__all__ = ["Session", "collect", "find_lesson", "list_lessons", "panel"]


def __getattr__(name: str) -> Any:
    if name in _NAMES:
        module = import_module(f"thermnet.lessons.{_NAMES[name]}")

        globals()[name] = getattr(module, name)
        return globals()[name]
    raise AttributeError(f"module 'thermnet.lessons' has no attribute {name!r}")
