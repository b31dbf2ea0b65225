"""A course without a screen: commitments first, answers after, a score, and what it comes to."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermnet.errors import UnitError
from thermnet.lessons.course import LESSONS
from thermnet.lessons.lesson import Answer, Lesson, LessonError, say
from thermnet.lessons.scoring import points, relative_error, verdict
from thermnet.units import parse
from thermnet.wording import any_of, nearest, quoted, short

if TYPE_CHECKING:
    import pandas as pd

LONGEST_NAME = 60
"""Characters of a learner's name."""


@dataclass(frozen=True)
class Commitment:
    """A number somebody stands by."""

    lesson: str
    guess: float
    at: str
    """When, ISO 8601 in UTC."""


@dataclass(frozen=True, eq=False)
class Outcome:
    """A commitment beside its answer."""

    lesson: Lesson
    guess: float
    answer: Answer

    @property
    def error(self) -> float:
        """Relative error of the guess; see :mod:`thermnet.lessons.scoring`."""
        return relative_error(self.guess, self.answer.value, self.lesson.plausible)

    @property
    def points(self) -> int:
        """Points, 0 to 100."""
        return points(self.error)

    @property
    def in_words(self) -> str:
        """Score in one sentence."""
        unit = self.lesson.unit
        return (
            f"{self.points} points, {verdict(self.error)}: you said {say(self.guess, unit)}, "
            f"the machine says {say(self.answer.value, unit)}."
        )

    def figure(self, *, marked: bool = True) -> Any:
        """Draw the figure of the explanation; ``marked`` puts the learner's number into it where it fits."""
        return self.answer.figure(self.guess if marked else None)

    def __repr__(self) -> str:
        return "\n".join(
            [
                f"{self.lesson.title.rstrip('?')}: {self.in_words}",
                *self.answer.because,
                *filter(None, [self.lesson.caution]),
            ]
        )

    def _repr_html_(self) -> str:
        from thermnet.show.style import inline_svg

        told = "".join(f"<p>{escape(text)}</p>" for text in self.answer.because)
        caution = (
            f"<p><strong>Caution:</strong> {escape(self.lesson.caution)}</p>" if self.lesson.caution else ""
        )
        drawn = inline_svg(self.figure(), f"tn-lesson-{self.lesson.name}")
        return (
            f'<div style="max-width:46em"><strong>{escape(self.lesson.title)}</strong><br>{escape(self.lesson.question)}'
            f"<p><strong>{escape(self.in_words)}</strong></p>{told}"
            f'<div style="background:#fff;max-width:40em">{drawn}</div>{caution}</div>'
        )


class Session:
    """One learner's way through the course.

    Parameters
    ----------
    learner : str
        Name or number, as the class agrees; may be left empty.
    lessons : sequence of Lesson
        The whole course if left out.
    """

    def __init__(self, learner: str = "", lessons: Sequence[Lesson] = LESSONS) -> None:
        self.learner = learner
        self.lessons: Mapping[str, Lesson] = {lesson.name: lesson for lesson in lessons}
        self._commitments: dict[str, Commitment] = {}
        self._seen: dict[str, Outcome] = {}

    # -- predict, check, explain ---------------------------------------------------------------------------

    def commit(self, name: str, guess: str | float) -> Commitment:
        """Stand by a number; once only.

        Parameters
        ----------
        name : str
            Of the lesson.
        guess : str or float
            A number in the lesson's unit, or a text with a unit of the same dimension (``"0.5 min"``).

        Raises
        ------
        LessonError
            No such lesson, committed already, or a number that is none or makes no sense; says what was expected.
        """
        lesson = self._lesson(name)
        if name in self._commitments:
            raise LessonError(
                f"{lesson.title}: you stand by {say(self._commitments[name].guess, lesson.unit)} already; "
                "a guess after the answer is none"
            )
        value = read_guess(lesson, guess)
        self._commitments[name] = Commitment(name, value, datetime.now(UTC).isoformat(timespec="seconds"))
        return self._commitments[name]

    def reveal(self, name: str) -> Outcome:
        """Compute the answer and show it beside the commitment.

        Raises
        ------
        LessonError
            Nothing has been committed yet.
        """
        lesson = self._lesson(name)
        if name not in self._commitments:
            raise LessonError(
                f"{lesson.title}: commit a number first, e.g. commit({name!r}, '... {unit_text(lesson)}')"
            )
        if name not in self._seen:
            self._seen[name] = Outcome(lesson, self._commitments[name].guess, lesson.answer())
        return self._seen[name]

    def try_it(self, name: str, guess: str | float) -> Outcome:
        """Commit and reveal at once."""
        self.commit(name, guess)
        return self.reveal(name)

    # -- where the learner stands ----------------------------------------------------------------------------

    @property
    def commitments(self) -> tuple[Commitment, ...]:
        """All commitments, in the order in which they were made."""
        return tuple(self._commitments.values())

    def is_committed(self, name: str) -> bool:
        """Whether a number stands for this lesson."""
        return self._lesson(name).name in self._commitments

    @property
    def next_lesson(self) -> str | None:
        """Name of the first lesson without a commitment; None when all are done."""
        return next((name for name in self.lessons if name not in self._commitments), None)

    def outcomes(self) -> tuple[Outcome, ...]:
        """Everything committed, with its answer, in the order of the course (computes what was not shown yet)."""
        return tuple(self.reveal(name) for name in self.lessons if name in self._commitments)

    def summary(self) -> pd.DataFrame:
        """Table of what was committed: lesson, title, unit, guess, answer, error in percent, points."""
        import pandas as pd

        rows = [
            (
                o.lesson.name,
                o.lesson.title,
                unit_text(o.lesson),
                o.guess,
                o.answer.value,
                100.0 * o.error,
                o.points,
            )
            for o in self.outcomes()
        ]
        return pd.DataFrame(
            rows, columns=["lesson", "title", "unit", "guess", "answer", "error_percent", "points"]
        )

    # -- keeping ---------------------------------------------------------------------------------------------

    def to_json(self) -> str:
        """Commitments as JSON text; answers are not kept, they are computed again."""
        from thermnet.lessons.results import write_session

        return write_session(self)

    def save(self, path: str | Path) -> Path:
        """Write :meth:`to_json` to a file and return its path."""
        target = Path(path)
        target.write_text(self.to_json(), encoding="utf-8")
        return target

    @classmethod
    def resume(cls, source: str | Path | bytes | Mapping[str, bytes], lessons: Sequence[Lesson] = LESSONS) -> Session:
        """Go on from a saved file (a path, its content as bytes, or a mapping of its name to its content).

        Raises
        ------
        DesignError
            The file is no session; lists every problem.
        """
        from thermnet.lessons.results import read_session

        session = cls("", lessons)
        name, content = next(iter(source.items())) if isinstance(source, Mapping) else ("", source)
        session.learner, found = read_session(content, session.lessons, name)
        session._commitments = {commitment.lesson: commitment for commitment in found}
        return session

    def __repr__(self) -> str:
        return f"<Session {self.learner or 'without a name'}: {len(self._commitments)} of {len(self.lessons)} lessons committed>"

    def _lesson(self, name: str) -> Lesson:
        if name not in self.lessons:
            raise LessonError(
                f"lesson {quoted(str(name))}; expected {any_of(self.lessons, 20)}. {nearest(str(name), self.lessons)}".rstrip()
            )
        return self.lessons[name]


def unit_text(lesson: Lesson) -> str:
    """Unit of a lesson for people; empty for a plain number."""
    return say(0.0, lesson.unit).removeprefix("0").strip()


def read_guess(lesson: Lesson, guess: str | float) -> float:
    """Read a number in the lesson's unit.

    Raises
    ------
    LessonError
        It is none, or lies outside the lesson's plausible range.
    """
    wanted = f"a number from {lesson.range_text}"
    if isinstance(guess, bool) or not isinstance(guess, int | float | str):
        raise LessonError(f"{lesson.title}: {type(guess).__name__}; expected {wanted}")
    if isinstance(guess, str) and not guess.strip():
        raise LessonError(f"{lesson.title}: no number yet; expected {wanted}")
    try:
        value = _number(guess, lesson.unit)
    except UnitError as error:
        raise LessonError(f"{lesson.title}: {error}; expected {wanted}") from None
    low, high = lesson.plausible
    if not math.isfinite(value) or not low <= value <= high:
        raise LessonError(f"{lesson.title}: {short(str(guess), 40)} is not plausible; expected {wanted}")
    return value


def _number(guess: str | float, unit: str) -> float:
    if not isinstance(guess, str):
        return float(guess)
    text = guess.strip()
    # A decimal comma is a slip that many keyboards make; thousands are not written with commas here.
    if text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    try:
        return float(text)
    except ValueError:
        return parse(text, unit)
