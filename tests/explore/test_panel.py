"""What a panel does while nobody looks: working the next step out, only where that saves more than it costs."""

import time

import pytest

from thermnet.explore import open_session, panel
from thermnet.explore.panel import AHEAD_FROM, Panel


class Loop:
    """Stands for a kernel's loop: keeps what is to be done later."""

    def __init__(self):
        self.later = []

    def call_later(self, after, act, *args):
        self.later.append((after, act, args))

    def run(self):
        while self.later:
            _, act, args = self.later.pop(0)
            act(*args)


@pytest.fixture
def loop(monkeypatch):
    made = Loop()
    monkeypatch.setattr(panel, "_kernel_loop", lambda: made)
    return made


def slowed(explorer, monkeypatch, seconds):
    own = type(explorer).pictures

    def slow(self, state, kept):
        time.sleep(seconds)
        yield from own(self, state, kept)

    monkeypatch.setattr(type(explorer), "pictures", slow)


def shown_ahead(loop, monkeypatch, seconds):
    shown = Panel(open_session("firmware"))
    loop.run()
    slowed(shown.session.explorer, monkeypatch, seconds)
    shown.inputs["on_2"].value += 1.0
    loop.run()
    coming = shown.session.applied({"on_2": shown.session.state["on_2"] + 1.0}, shown.session.state)
    return shown, tuple(coming.values()) in shown.session._pictures


def test_next_step_of_a_slow_picture_is_worked_out_ahead(loop, monkeypatch):
    shown, known = shown_ahead(loop, monkeypatch, 1.5 * AHEAD_FROM)
    assert known
    # A step that was known already does not end it.
    shown.inputs["on_2"].value += 1.0
    loop.run()
    coming = shown.session.applied({"on_2": shown.session.state["on_2"] + 1.0}, shown.session.state)
    assert tuple(coming.values()) in shown.session._pictures


def test_next_step_of_a_quick_picture_waits_for_its_key(loop, monkeypatch):
    monkeypatch.setattr(panel, "AHEAD_FROM", 30.0)
    _, known = shown_ahead(loop, monkeypatch, 0.0)
    assert not known
