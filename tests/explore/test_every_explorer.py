"""What holds for every explorer: sessions, undo, calls that give the same picture again, panels by setting values."""

import dataclasses
import hashlib
import io
import subprocess
import sys

import matplotlib as mpl
import numpy as np
import pytest
from PIL import Image

import thermnet as tn
from thermnet.design.load import load_text
from thermnet.explore import EXPLORERS, open_session
from thermnet.explore import canvas as canvas_module
from thermnet.explore.canvas import SMALL, Canvas, png_of, svg_of
from thermnet.explore.panel import Panel
from thermnet.show.style import look

pytestmark = pytest.mark.filterwarnings("error")


@pytest.fixture(params=sorted(EXPLORERS))
def name(request):
    return request.param


@pytest.fixture(params=tn.list_designs())
def design(request):
    return request.param


def movable(session):
    """Numbers that do something in the present state."""
    asleep = session.explorer.asleep(session.state)
    return [c for c in session.controls.values() if c.kind != "choice" and c.name not in asleep]


def other_value(control, now):
    step = control.step
    return control.accept(now + step if now + step <= control.high else now - step)


def test_controls_have_words_units_and_reachable_steps(name, design):
    session = open_session(name, design)
    assert len(session.controls) == len(session.explorer.controls())
    for control in session.controls.values():
        assert control.label
        assert control.doc
        assert control.accept(control.value) == control.value
        if control.kind != "choice":
            assert control.low <= control.value <= control.high
            assert 0 < control.step <= control.high - control.low
            # A key press is a step: the whole way takes neither three presses nor thousands.
            assert 3 <= (control.high - control.low) / control.step <= 400


@pytest.mark.slow
def test_every_number_moves_something(name, design):
    session = open_session(name, design)
    for control in movable(session):
        state = session.applied(
            {control.name: other_value(control, session.state[control.name])}, session.state
        )
        assert state != session.state
        *_, first = session.pictures()
        *_, second = session.pictures(state)
        assert session.explorer.describe(session.state, first) != ""
        if name == "firmware":  # a limit that this load does not meet moves nothing but the mode
            explorer = session.explorer
            moved = explorer.design_at(state) != explorer.design_at(session.state)
            assert moved or _data(first) != _data(second), control.name
        else:
            assert _data(first) != _data(second), control.name


def _data(picture):
    return hashlib.sha256(repr(_plain(picture)).encode()).hexdigest()


def _plain(value):
    if hasattr(value, "__dataclass_fields__"):
        return {f: _plain(getattr(value, f)) for f in value.__dataclass_fields__}
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    return value.tobytes() if hasattr(value, "tobytes") else value


def test_undo_redo_and_reset(name):
    session = open_session(name)
    begun = dict(session.state)
    control = movable(session)[0]
    values = [other_value(control, begun[control.name])]
    session.set(**{control.name: values[0]})
    assert session.can_undo
    assert session.undo()
    assert session.state == begun
    assert not session.undo()
    assert session.redo()
    assert session.state[control.name] == values[0]
    assert session.reset()
    assert session.state == begun
    session.undo()
    assert session.state[control.name] == values[0]


def test_a_slider_on_its_way_is_one_step(name):
    session = open_session(name)
    begun = dict(session.state)
    control = movable(session)[0]
    session.set(**{control.name: control.low})
    for k in range(1, 4):
        session.set(joined=True, **{control.name: control.accept(control.low + k * control.step)})
    session.undo()
    assert session.state == begun


def test_everything_wrong_is_told_at_once(name):
    session = open_session(name)
    number = movable(session)[0]
    options = [c for c in session.controls.values() if c.kind == "choice"]
    wrong = {f"{number.name}s": 1, number.name: 1e9, **({options[0].name: "desksk"} if options else {})}
    with pytest.raises(ValueError, match=f"{number.name}s: no such") as told:
        open_session(name, **wrong)
    text = str(told.value)
    assert f"{number.name}: 1e+09" in text
    assert f'Did you mean "{number.name}"' in text
    if options:
        assert str(options[0].choices[0][1]) in text


def test_texts_with_units_are_read_and_checked(name):
    session = open_session(name)
    for control in movable(session):
        if control.unit:
            assert (
                open_session(name, **{control.name: f"{control.low:g} {control.unit}"}).state[control.name]
                == control.low
            )
            with pytest.raises(ValueError, match=control.name):
                open_session(name, **{control.name: "35 mol"})
    with pytest.raises(ValueError, match="explorer"):
        open_session("bursts")


def test_picture_does_not_depend_on_the_way_to_it(name):
    """The same state gives the same bytes, after however many other states."""
    session = open_session(name)
    for control in movable(session)[:6]:
        session.set(**{control.name: other_value(control, session.state[control.name])})
        session.picture()
    again = open_session(name, **session.changes())
    assert again.state == session.state
    canvas = Canvas(session.explorer)
    canvas.show(open_session(name).picture())
    canvas.show(session.picture())
    fresh = Canvas(again.explorer)
    fresh.show(again.picture())
    assert canvas.png() == fresh.png()
    assert svg_of(session) == svg_of(again)


@pytest.mark.slow
def test_call_gives_the_same_picture_in_a_fresh_process(name):
    session = open_session(name)
    for control in movable(session)[:3]:
        session.set(**{control.name: other_value(control, session.state[control.name])})
    session.freeze()
    last = movable(session)[-1]
    session.set(**{last.name: other_value(last, session.state[last.name])})
    code = f"""
import hashlib, thermnet as tn
from thermnet.explore.canvas import png_of, svg_of
panel = {session.call()}
print(hashlib.sha256(png_of(panel.session)).hexdigest(), hashlib.sha256(svg_of(panel.session).encode()).hexdigest())
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == [
        hashlib.sha256(png_of(session)).hexdigest(), hashlib.sha256(svg_of(session).encode()).hexdigest(),
    ]  # fmt: skip


def test_design_file_of_the_state_reads_back(name, design):
    session = open_session(name, design)
    for control in movable(session)[:4]:
        session.set(**{control.name: other_value(control, session.state[control.name])})
    made = load_text(session.design_text())
    assert dataclasses.replace(made, source="") == dataclasses.replace(session.design(), source="")
    assert made.name != design
    assert open_session(name, made).picture() is not None


@pytest.mark.parametrize("dark", [False, True])
def test_moves_redraw_only_what_moves(name, dark):
    """Small moves keep the images of axes and ticks, but for those whose ends change."""
    session = open_session(name)
    canvas = Canvas(session.explorer, dark=dark)
    canvas.show(session.picture())
    first, made = canvas.png(), canvas.backgrounds
    assert made == len(canvas.figure.axes)
    small = movable(session)[0]
    session.set(**{small.name: other_value(small, session.state[small.name])})
    canvas.show(session.picture())
    assert canvas.png() != first
    assert canvas.backgrounds <= made + 2
    made = canvas.backgrounds
    canvas.show(session.picture())
    assert canvas.backgrounds == made
    assert Image.open(io.BytesIO(first)).size == (canvas.scene.width, canvas.scene.height)
    drawn = np.asarray(canvas._agg.buffer_rgba())[:, :, :3]
    np.testing.assert_array_equal(np.asarray(Image.open(io.BytesIO(canvas.png()))), drawn)


def test_same_pixels_are_packed_once(name, monkeypatch):
    session, packed = open_session(name), []
    canvas = Canvas(session.explorer)
    own = canvas_module.png_bytes
    monkeypatch.setattr(canvas_module, "png_bytes", lambda pixels, *rest: packed.append(1) or own(pixels, *rest))
    canvas.show(session.picture())
    first = canvas.element("one")
    assert canvas.element("two") == first.replace('alt="one"', 'alt="two"')
    assert len(packed) == 1
    small = movable(session)[0]
    session.set(**{small.name: other_value(small, session.state[small.name])})
    canvas.show(session.picture())
    assert canvas.element("one") != first
    assert len(packed) == 2


def test_images_of_axes_put_together_are_the_figure(name):
    """What the canvas puts together is what matplotlib draws of the whole figure at once, to the rounding of a blend."""
    session = open_session(name)
    canvas = Canvas(session.explorer)
    canvas.show(session.picture())
    together = np.asarray(canvas._agg.buffer_rgba())[:, :, :3].astype(int)
    with look(), mpl.rc_context(SMALL):
        canvas._agg.draw()
    for artist in canvas.scene.moving:
        if artist.get_visible():
            artist.draw(canvas._agg.get_renderer())
    whole = np.asarray(canvas._agg.buffer_rgba())[:, :, :3].astype(int)
    assert np.abs(together - whole).max() <= 3


# -- panels ------------------------------------------------------------------------------------------------


def test_panel_follows_its_controls(name):
    panel = Panel(open_session(name))
    before = panel.picture.value
    control = movable(panel.session)[0]
    value = other_value(control, panel.session.state[control.name])
    panel.inputs[control.name].value = value
    assert panel.session.state[control.name] == value
    assert panel.twins[control.name].value == value
    assert panel.picture.value != before
    assert 'alt="' in panel.picture.value
    assert control.name in panel.call.value
    panel.twins[control.name].set_state({"value": control.value})  # the way of a message from the browser
    assert panel.inputs[control.name].value == control.value
    assert panel.picture.value == before


def test_panel_buttons(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    panel = Panel(open_session(name))
    first = panel.picture.value
    assert panel.buttons["undo"].disabled
    control = movable(panel.session)[0]
    panel.inputs[control.name].value = other_value(control, control.value)
    assert not panel.buttons["undo"].disabled
    moved = panel.picture.value
    panel.buttons["undo"].click()
    assert panel.inputs[control.name].value == control.value
    assert panel.picture.value == first
    panel.buttons["redo"].click()
    assert panel.picture.value == moved
    panel.buttons["freeze"].click()
    assert panel.buttons["freeze"].description == "Clear baseline"
    panel.buttons["reset"].click()
    assert panel.picture.value != first
    assert "was " in panel.picture.value
    panel.buttons["freeze"].click()
    assert panel.picture.value == first
    panel.buttons["dark"].value = True
    assert panel.picture.value != first
    for word, ending in (("design", "toml"), ("svg", "svg"), ("png", "png"), ("png", "png")):
        panel.buttons[word].click()
        assert f".{ending}" in panel.message.value
    assert len(list(tmp_path.glob("*.png"))) == 2
    (design,) = tmp_path.glob("*.toml")
    assert tn.load_design(design).name


def test_trouble_is_shown_and_the_last_picture_stays(name, monkeypatch):
    panel = Panel(open_session(name))
    before = panel.picture.value
    control = movable(panel.session)[0]

    def fails(*_):
        raise RuntimeError("the <model> is out of its range")
        yield

    with monkeypatch.context() as patch:
        patch.setattr(type(panel.session.explorer), "pictures", fails)
        panel.inputs[control.name].value = other_value(control, control.value)
        assert "the &lt;model&gt; is out of its range" in panel.message.value
        assert 'role="alert"' in panel.message.value
        assert panel.picture.value == before
    panel.inputs[control.name].value = other_value(control, other_value(control, control.value))
    assert "alert" not in panel.message.value
    assert panel.picture.value != before


def test_every_control_says_its_unit_and_meaning(name):
    panel = Panel(open_session(name))
    for word, control in panel.session.controls.items():
        assert panel.inputs[word].description == control.title
        assert control.doc in panel.inputs[word].tooltip
        if control.unit:
            assert ", " in panel.inputs[word].description


def test_exploring_is_loaded_only_when_asked_for():
    code = (
        "import sys, thermnet as tn; tn.explore; from thermnet.explore.session import Session;"
        "import thermnet.explore.machine;"
        "print(*[m for m in ('ipywidgets', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
