"""Predict first, then check: the course without a screen, its files, and the instructor's summary."""

import json

import pytest

import thermnet as tn
from thermnet.errors import DesignError
from thermnet.lessons.course import LESSONS
from thermnet.lessons.lesson import Answer, Lesson, LessonError
from thermnet.lessons.results import collect
from thermnet.lessons.scoring import points, relative_error, verdict
from thermnet.lessons.session import Session


def quick(name, value, unit="s", plausible=(0.0, 100.0), calls=None):
    def work():
        if calls is not None:
            calls.append(name)
        return Answer(value, ("because",), lambda guess: None)

    return Lesson(name, name.title(), "given", "how much?", unit, plausible, "hint", work)


def test_nothing_is_computed_or_shown_before_a_number_stands():
    calls = []
    session = Session("a", [quick("one", 10.0, calls=calls)])
    with pytest.raises(LessonError, match="commit a number first"):
        session.reveal("one")
    session.commit("one", "12 s")
    assert calls == []
    assert session.reveal("one").answer.value == 10.0
    assert calls == ["one"]


def test_a_number_stands_once():
    session = Session("a", [quick("one", 10.0)])
    session.commit("one", 12)
    with pytest.raises(LessonError, match="you stand by 12 s already"):
        session.commit("one", 10)
    assert session.reveal("one").guess == 12.0


@pytest.mark.parametrize(("text", "value"), [("12", 12.0), ("12 s", 12.0), ("0.2 min", 12.0), ("12,5", 12.5), (" 12.0 ", 12.0)])
def test_numbers_come_with_or_without_a_unit(text, value):
    assert Session("a", [quick("one", 10.0)]).commit("one", text).guess == pytest.approx(value)


def test_score_follows_the_declared_rule():
    assert points(0.0) == 100
    assert [points(e) for e in (0.25, 0.5, 1.0)] == [50, 25, 6]
    assert relative_error(15.0, 10.0, (0.0, 50.0)) == pytest.approx(0.5)
    assert relative_error(0.2, 0.1, (0.0, 50.0)) == pytest.approx(0.2)  # next to nothing: over a hundredth of the range
    assert relative_error(-5.0, 5.0, (-10.0, 10.0)) == pytest.approx(2.0)
    scores = [points(e / 10) for e in range(30)]
    assert scores == sorted(scores, reverse=True)
    assert verdict(0.01) != verdict(5.0)


def test_summary_lists_what_was_committed_in_the_order_of_the_course():
    session = Session("a", [quick("one", 10.0), quick("two", 20.0), quick("three", 30.0)])
    session.commit("three", 30)
    session.commit("one", 15)
    table = session.summary()
    assert table["lesson"].tolist() == ["one", "three"]
    assert table["points"].tolist() == [25, 100]
    assert table["error_percent"].tolist() == pytest.approx([50.0, 0.0])
    assert session.next_lesson == "two"


def test_saved_and_resumed(tmp_path):
    session = Session("Zoë, group 2")
    session.commit("governor", "20 s")
    session.commit("thirty_units", 1.1)
    path = session.save(tmp_path / "results.json")
    again = Session.resume(path)
    assert again.to_json() == session.to_json()
    assert again.learner == "Zoë, group 2"
    assert "answer" not in path.read_text(encoding="utf-8")  # nothing to peep at
    with pytest.raises(LessonError, match="already"):
        again.commit("governor", 22)
    assert Session.resume(path.read_bytes()).to_json() == session.to_json()


BAD = {
    "not json": (b"{", "is not JSON"),
    "schema": (b'{"schema": "other/1"}', "thermnet-lessons/1"),
    "list": (b"[]", "thermnet-lessons/1"),
    "deep": (b"[" * 100_000, "is not JSON"),
    "binary": (b"\x00\x01\x02", "not a text"),
}


@pytest.mark.parametrize("case", BAD)
def test_files_that_are_none_are_refused(case):
    content, told = BAD[case]
    with pytest.raises(DesignError, match=told):
        Session.resume(content)


def test_every_problem_of_a_file_is_told_at_once():
    rows = [
        {"lesson": "governer", "guess": 1.0, "unit": "s", "at": "2026-01-31T09:30:00"},
        {"lesson": "governor", "guess": "22 s", "unit": "min", "at": "yesterday"},
        {"lesson": "lap", "guess": 1e9, "unit": "K", "at": "2026-01-31T09:30:00"},
        7,
    ]
    text = json.dumps({"schema": "thermnet-lessons/1", "learner": 3, "commitments": rows})
    with pytest.raises(DesignError) as error:
        Session.resume(text.encode())
    said = str(error.value)
    for part in ('Did you mean "governor"', "commitments[1].guess", "commitments[1].unit", "commitments[1].at", "commitments[2].guess",
                 "commitments[3]", "learner"):  # fmt: skip
        assert part in said


@pytest.fixture(scope="module")
def class_files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("class")
    files = []
    for k, (governor, units) in enumerate([("20 s", 1.3), ("22 s", 1.2), ("60 s", 1.03)]):
        session = Session(f"learner {k}")
        session.commit("governor", governor)
        session.commit("thirty_units", units)
        files.append(session.save(folder / f"{k}.json"))
    return files


def test_a_class_is_gathered_with_answers_computed_here(class_files):
    study = collect(class_files)
    row = study.table.set_index("lesson").loc["governor"]
    assert row["learners"] == 3
    assert row["median_guess"] == 22.0
    assert row["answer"] == pytest.approx(22.1, abs=0.2)
    assert row["within_a_quarter_percent"] == pytest.approx(200 / 3)
    assert len(study.tables["commitments"]) == 6
    assert study.tables["learners"]["lessons"].tolist() == [2, 2, 2]
    assert study.facts["learners"] == 3
    assert tn.Study.from_json(study.to_json()).table["lesson"].tolist() == study.table["lesson"].tolist()


def test_a_class_is_drawn(class_files):
    figure = collect(class_files).plot()
    assert "3 learners" in figure.alt
    assert len(figure.axes[0].get_yticks()) == 2


def test_files_of_one_name_in_two_folders_are_two_learners(class_files, tmp_path):
    other = tmp_path / "0.json"
    other.write_bytes(class_files[1].read_bytes())
    assert collect([class_files[0], other]).facts["learners"] == 2


def test_nothing_to_gather():
    with pytest.raises(ValueError, match="no files"):
        collect([])
    with pytest.raises(ValueError, match="without a commitment"):
        collect({"a.json": Session("a").to_json().encode()})


def test_the_course_shows_itself_as_text_and_page():
    session = Session("a")
    outcome = session.try_it("governor", "22 s")
    assert "points" in repr(outcome)
    page = outcome._repr_html_()
    assert "<svg" in page
    assert "<desc" in page
    assert repr(session) == f"<Session a: 1 of {len(LESSONS)} lessons committed>"
