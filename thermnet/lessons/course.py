"""The lessons, in the order of a course.  A new lesson is one line here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermnet.lessons import burst_lessons as burst
from thermnet.lessons import cooling_lessons as cooling
from thermnet.lessons import firmware_lessons as firmware
from thermnet.lessons import heat_path_lessons as path
from thermnet.lessons import line_lessons as line
from thermnet.lessons.lesson import Lesson
from thermnet.wording import any_of, nearest, quoted

if TYPE_CHECKING:
    import pandas as pd

LESSONS: tuple[Lesson, ...] = (
    path.KELVINS,
    burst.HOW_LONG,
    burst.WARM_START,
    burst.RECOVERY,
    path.LOCAL_FLUX,
    path.INTERFACE,
    firmware.GOVERNOR,
    firmware.AVERAGING_TIME,
    burst.AT_ITS_LIMIT,
    cooling.THREE_DECIBELS,
    cooling.PIPES_OR_CHAMBER,
    firmware.HUNTING,
    cooling.LAP,
    cooling.WARM_ROOM,
    line.UNDERVOLT,
    path.BAD_UNIT,
    line.THIRTY_UNITS,
)


def find_lesson(name: str) -> Lesson:
    """Return a lesson by name.

    Raises
    ------
    ValueError
        There is none of this name; tells the nearest.
    """
    names = {lesson.name: lesson for lesson in LESSONS}
    if name not in names:
        raise ValueError(
            f"lesson {quoted(str(name))}; expected {any_of(names, 20)}. {nearest(str(name), names)}".rstrip()
        )
    return names[name]


def list_lessons() -> pd.DataFrame:
    """Table of the lessons: name, title, question, unit."""
    import pandas as pd

    rows = [(lesson.name, lesson.title, lesson.question, lesson.unit) for lesson in LESSONS]
    return pd.DataFrame(rows, columns=["lesson", "title", "question", "unit"])
