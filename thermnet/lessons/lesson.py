"""What a lesson is, and what its answer brings along."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any

from thermnet.errors import ThermnetError
from thermnet.studies.words import UNITS, number_text

if TYPE_CHECKING:
    import pandas as pd


class LessonError(ThermnetError, ValueError):
    """A commitment that cannot be taken, or an answer asked for too early."""


SAFETY = (
    "A model result for learning and design decisions, not a safety test: touch temperatures are judged by the standard that "
    "applies and a licensed laboratory, battery limits by the cell maker."
)


def say(value: float, unit: str = "", figures: int = 3) -> str:
    """Write a number with its unit for people."""
    return f"{number_text(float(value), figures)} {'' if unit == '1' else UNITS.get(unit, unit)}".strip()


@dataclass(frozen=True, eq=False)
class Answer:
    """What was computed.

    Attributes
    ----------
    value : float
        The answer in the lesson's unit.
    because : tuple of str
        The explanation, a short paragraph each, with numbers from the run.
    figure : callable
        Of the learner's number (or None): draws the figure that shows it, a :class:`thermnet.show.style.Drawing`.
    table : pandas.DataFrame, optional
        The numbers behind it; column names carry their unit.
    facts : mapping of name to float
        Intermediate results, for tests and teachers.
    """

    value: float
    because: tuple[str, ...]
    figure: Callable[[float | None], Any]
    table: pd.DataFrame | None = None
    facts: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Lesson:
    """One exercise.

    Attributes
    ----------
    name, title : str
    setting : str
        What is given: machine, mode, load, room.
    question : str
        Asks for one number.
    unit : str
        Of the answer; ``"1"`` for a plain count.
    plausible : (low, high)
        Numbers within which a guess makes sense, in the unit; they bound the field, and do not give the answer away.
    hint : str
        One thought that leads to an estimate by hand.
    work : callable
        Computes the answer from the studies or the closed loop; takes a second or a few.
    caution : str
    """

    name: str
    title: str
    setting: str
    question: str
    unit: str
    plausible: tuple[float, float]
    hint: str
    work: Callable[[], Answer]
    caution: str = ""

    def answer(self) -> Answer:
        """Compute the answer; the second time it is remembered."""
        return _worked(self)

    @property
    def range_text(self) -> str:
        """Plausible range for people."""
        low, high = self.plausible
        return f"{say(low)} to {say(high, self.unit)}"


@cache
def _worked(lesson: Lesson) -> Answer:
    return lesson.work()
