"""Files of results: written, read back with care, and gathered for the instructor."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

import thermnet
from thermnet.errors import DesignError, Problem
from thermnet.files import decode, read_bytes
from thermnet.lessons.course import LESSONS
from thermnet.lessons.lesson import Lesson, LessonError
from thermnet.lessons.scoring import RULE, points, relative_error
from thermnet.lessons.session import LONGEST_NAME, Commitment, read_guess, unit_text
from thermnet.studies.study import Study, provenance
from thermnet.wording import any_of, found, nearest, short

if TYPE_CHECKING:
    import pandas as pd

    from thermnet.lessons.session import Session

SCHEMA = "thermnet-lessons/1"
LARGEST = 1_000_000
"""Bytes; a session is a few thousand."""
WHAT = "a file of results saved by a lesson"


def write_session(session: Session) -> str:
    """Commitments of a session as JSON text."""
    content = {
        "schema": SCHEMA,
        "thermnet": thermnet.__version__,
        "learner": session.learner,
        "commitments": [
            {"lesson": c.lesson, "guess": c.guess, "unit": session.lessons[c.lesson].unit, "at": c.at}
            for c in session.commitments
        ],
    }
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def read_session(
    source: str | Path | bytes, lessons: Mapping[str, Lesson], name: str = ""
) -> tuple[str, list[Commitment]]:
    """Read a learner's name and commitments from a file, or from its content; ``name`` is that of the file in messages.

    Raises
    ------
    DesignError
        Lists every problem in it.
    """
    name = short(name or ("results" if isinstance(source, bytes) else str(source)), 200)
    if isinstance(source, bytes):
        content = source[: LARGEST + 1]
        if len(content) > LARGEST:
            raise DesignError(
                name, [Problem("file", "is too large", f"{WHAT} of at most {LARGEST / 1e6:.0f} MB")]
            )
    else:
        content = read_bytes(Path(source), WHAT, LARGEST)
    try:
        data = json.loads(decode(content, name))
    except (json.JSONDecodeError, RecursionError) as error:
        raise DesignError(name, [Problem("file", f"is not JSON ({error})", WHAT)]) from None
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        told = found(data.get("schema")) if isinstance(data, dict) else found(data)
        raise DesignError(name, [Problem("schema", told, f'"{SCHEMA}"')])
    problems: list[Problem] = []
    learner = data.get("learner", "")
    if not isinstance(learner, str) or len(learner) > LONGEST_NAME:
        problems.append(Problem("learner", found(learner), f"a text of at most {LONGEST_NAME} characters"))
        learner = ""
    rows = data.get("commitments")
    if not isinstance(rows, list) or len(rows) > 10_000:
        problems.append(Problem("commitments", found(rows), "a list of commitments"))
        rows = []
    commitments: dict[str, Commitment] = {}
    for k, row in enumerate(rows):
        _read_commitment(f"commitments[{k}]", row, lessons, commitments, problems)
    if problems:
        raise DesignError(name, problems)
    return learner, list(commitments.values())


def _read_commitment(
    where: str,
    row: Any,
    lessons: Mapping[str, Lesson],
    commitments: dict[str, Commitment],
    problems: list[Problem],
) -> None:
    if not isinstance(row, dict):
        problems.append(Problem(where, found(row), "lesson, guess, unit and at"))
        return
    name, guess, at = row.get("lesson"), row.get("guess"), row.get("at", "")
    lesson = lessons.get(name) if isinstance(name, str) else None
    if lesson is None:
        problems.append(
            Problem(f"{where}.lesson", found(name), any_of(lessons, 20), nearest(str(name), lessons))
        )
        return
    if lesson.name in commitments:
        problems.append(Problem(f"{where}.lesson", found(name), "each lesson once"))
    if row.get("unit") != lesson.unit:
        problems.append(Problem(f"{where}.unit", found(row.get("unit")), f'"{lesson.unit}"'))
    try:
        value = read_guess(lesson, guess) if isinstance(guess, int | float) else float("nan")
    except LessonError:
        value = float("nan")
    if not np.isfinite(value):
        problems.append(Problem(f"{where}.guess", found(guess), f"a number from {lesson.range_text}"))
    try:
        datetime.fromisoformat(at)
    except (TypeError, ValueError):
        problems.append(Problem(f"{where}.at", found(at), "a time such as 2026-01-31T09:30:00+00:00"))
    commitments[lesson.name] = Commitment(lesson.name, value, str(at))


def collect(sources: Iterable[str | Path] | Mapping[str, bytes], *, progress: bool = False) -> Study:
    """Gather the results of a class: what was expected, how far off, and by whom.

    Answers are computed here, once per lesson, and never taken from the files.

    Parameters
    ----------
    sources : paths of saved results, or mapping of name to content
    progress : bool
        Show a progress bar over the lessons.

    Returns
    -------
    Study
        One row per lesson that somebody committed to: ``lesson``, ``title``, ``unit``, ``answer``, ``learners``,
        ``median_guess``, ``median_over_answer``, ``within_a_quarter_percent`` (of the learners, %), ``mean_points``.
        Tables ``commitments`` (one row each) and ``learners``.

    Raises
    ------
    DesignError
        A file that cannot be read; every problem in it is listed.
    ValueError
        No files, or not one commitment in them.
    """
    import pandas as pd
    from tqdm.auto import tqdm

    lessons = {lesson.name: lesson for lesson in LESSONS}
    named: Mapping[str, Any] = (
        sources if isinstance(sources, Mapping) else {str(source): source for source in sources}
    )
    if not isinstance(sources, Mapping) and not named:
        raise ValueError("no files; expected at least one file of results")
    rows = []
    for file, source in named.items():
        learner, commitments = read_session(source, lessons, file)
        rows += [(file, learner or Path(file).stem, c.lesson, c.guess, c.at) for c in commitments]
    if not rows:
        raise ValueError(f"{len(named)} files without a commitment; expected at least one")
    table = pd.DataFrame(rows, columns=["file", "learner", "lesson", "guess", "committed"])
    used = [name for name in lessons if (table["lesson"] == name).any()]
    answers = {name: lessons[name].answer().value for name in tqdm(used, disable=not progress, unit="lesson")}
    table.insert(4, "unit", [unit_text(lessons[name]) for name in table["lesson"]])
    table.insert(5, "answer", [answers[name] for name in table["lesson"]])
    table.insert(6, "guess_over_answer", table["guess"] / table["answer"])
    errors = [
        relative_error(g, answers[n], lessons[n].plausible)
        for n, g in zip(table["lesson"], table["guess"], strict=True)
    ]
    table.insert(7, "error_percent", [100.0 * e for e in errors])
    table.insert(8, "points", [points(e) for e in errors])
    by_lesson = pd.DataFrame(
        [_lesson_row(lessons[name], answers[name], table[table["lesson"] == name]) for name in used]
    )
    learners = table.groupby(["file", "learner"], sort=False).agg(
        lessons=("lesson", "size"), mean_points=("points", "mean")
    )
    hardest = by_lesson.sort_values("mean_points", kind="stable").iloc[0]
    return Study(
        name="lessons", title=f"What a class of {len(learners)} expected", question="Where does intuition hold, and where does it lead astray?",
        table=by_lesson,
        facts={
            "learners": len(learners), "commitments": len(table), "mean points": (float(table["points"].mean()), "of 100"),
            "hardest": f"{hardest['title']} ({hardest['mean_points']:.0f} points)",
        },
        tables={"commitments": table, "learners": learners.reset_index()},
        assumptions=[RULE, "Where an answer is next to nothing, errors are taken relative to a hundredth of the plausible range."],
        provenance=provenance(files=list(named)),
    )  # fmt: skip


def _lesson_row(lesson: Lesson, answer: float, part: pd.DataFrame) -> dict[str, Any]:
    return {
        "lesson": lesson.name, "title": lesson.title, "unit": unit_text(lesson), "answer": answer, "learners": len(part),
        "median_guess": float(part["guess"].median()), "median_over_answer": float(part["guess_over_answer"].median()),
        "within_a_quarter_percent": 100.0 * float((part["error_percent"] <= 25.0).mean()), "mean_points": float(part["points"].mean()),
    }  # fmt: skip
