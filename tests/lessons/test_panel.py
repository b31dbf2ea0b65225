"""The lessons' panel without a browser: values set as a browser would, texts read back."""

import re

import pytest

pytest.importorskip("ipywidgets")

import thermnet as tn
from thermnet.lessons.lesson_panel import DONE
from thermnet.lessons.session import Session


@pytest.fixture
def panel():
    return tn.lessons.panel()


def choose(panel, name):
    panel.menu.value = name
    return panel


def test_a_question_stands_there_and_no_answer(panel):
    choose(panel, "governor")
    assert "After how many seconds" in panel.task.value
    assert panel.outcome.value == ""
    assert panel.field.description == "Your number, s"
    assert panel.ask.layout.display is None


def test_committing_shows_score_explanation_and_picture(panel):
    choose(panel, "governor")
    panel.field.set_state({"value": "20"})
    panel.commit.click()
    assert panel.message.value == ""
    assert "you said 20 s, the machine says 22.1 s" in panel.outcome.value
    assert "<svg" in panel.outcome.value
    assert 'role="img"' in panel.outcome.value
    assert panel.ask.layout.display == "none"
    assert DONE in dict((name, label) for label, name in panel.menu.options)["governor"]
    assert "20" in panel.results.value
    assert "download=" in panel.results.value


@pytest.mark.parametrize("text", ["", "many", "-3", "3 K", "1e99"])
def test_trouble_is_shown_and_nothing_is_committed(panel, text):
    choose(panel, "governor")
    panel.field.value = text
    panel.commit.click()
    assert 'role="alert"' in panel.message.value
    assert "expected a number from 0 to 120 s" in panel.message.value
    assert not panel.session.is_committed("governor")
    panel.field.value = "20"
    panel.commit.click()
    assert panel.message.value == ""
    assert panel.session.is_committed("governor")


def test_onward_goes_to_the_next_lesson_without_a_number(panel):
    panel.session.commit("how_long", 20)
    choose(panel, "kelvins")
    panel.onward.click()
    assert panel.menu.value == "warm_start"


def test_an_exception_in_the_machine_is_shown(panel, monkeypatch):
    def broken(name):
        raise RuntimeError("the machine is on fire")

    choose(panel, "governor")
    panel.field.value = "20"
    monkeypatch.setattr(panel.session, "reveal", broken)
    panel.commit.click()
    assert "the machine is on fire" in panel.message.value


def test_names_are_escaped(panel):
    panel.name.value = "<script>alert(1)</script>"
    choose(panel, "governor")
    panel.field.value = "20"
    panel.commit.click()
    assert "<script>" not in panel.results.value


def test_goes_on_from_a_file_and_gathers_a_class(panel):
    session = Session("Zoë")
    session.commit("governor", "20 s")
    file = {"name": "zoe.json", "type": "", "size": 1, "last_modified": 0, "content": session.to_json().encode()}
    panel._resume({"new": ({**file},)})
    assert panel.name.value == "Zoë"
    assert panel.session.is_committed("governor")
    panel._gather({"new": ({**file}, {**file, "name": "other.json"})})
    assert "What a class of 2 expected" in panel.class_results.value
    assert len(re.findall("download=", panel.class_results.value)) == 2
    panel._gather({"new": ({**file, "content": b"{"},)})
    # Told where the file was given, and by its name.
    assert "zoe.json: 1 problem\n  file: is not JSON" in panel.class_message.value
    assert "What a class of 2 expected" in panel.class_results.value
    panel._resume({"new": ({**file, "content": b"[]"},)})
    assert "zoe.json: 1 problem" in panel.my_message.value
    assert panel.message.value == ""
    panel._resume({"new": ({**file},)})
    assert panel.my_message.value == ""


def test_every_lesson_can_be_opened(panel):
    for name in panel.session.lessons:
        choose(panel, name)
        assert panel.session.lessons[name].title in panel.task.value
        assert panel.message.value == ""
