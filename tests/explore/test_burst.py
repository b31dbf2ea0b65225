"""The burst explorer against the simulation and the study that it shows."""

import numpy as np
import pytest

import thermnet as tn
from thermnet.explore import open_session
from thermnet.explore.burst_scene import Sampled
from thermnet.explore.canvas import Canvas


def test_strips_are_those_of_a_simulation():
    session = open_session("burst", "tern-14", mode="workshop", burst_power=55, load="compile", ambient=30)
    picture = session.picture()
    design = tn.load_design("tern-14").replace(**{"modes.workshop.chips.cpu.burst_limit": 55.0})
    run = design.simulate("compile", mode="workshop", ambient=30.0, duration=600.0)
    np.testing.assert_array_equal(picture.power, run.channels["power"].values)
    np.testing.assert_array_equal(picture.die[:, 0], run.temperature("cpu.hot_spot"))
    np.testing.assert_array_equal(picture.skin["bottom.hot_zone"], run.temperature("bottom.hot_zone"))
    np.testing.assert_array_equal(picture.bound, run.channels["limit"].values)


@pytest.mark.parametrize("name", ["tern-14", "wren-13"])
def test_curve_is_that_of_the_study(name):
    state = {"ambient": 28, "mode": "desk", "start": "cold"}
    curve = open_session("burst", name, **state).picture().curve
    study = tn.studies.burst_budget(tn.load_design(name), "desk", 28.0, start="cold")
    np.testing.assert_allclose(
        curve.power, study.table["power_W"], atol=0.03
    )  # found to 0.02 W and to 0.005 W
    assert list(curve.binds) == list(study.table["binds"])
    assert curve.sustained == pytest.approx(study.facts["sustained power"][0], abs=0.03)


def test_present_point_is_what_the_governor_lets_through():
    """Flat out from idle the burst ends when the running average reaches the sustained limit."""
    picture = open_session("burst", burst_power=50, sustained_power=20, averaging_time=20).picture()
    seconds, power = picture.point
    before = picture.average[0, 0]
    exact = 20.0 * np.log((50.0 - before) / (50.0 - 20.0))
    assert power == 50
    assert seconds == pytest.approx(exact, abs=0.2)  # whole control samples of 0.1 s


def test_mode_brings_its_limits_and_material_its_bond_line():
    session = open_session("burst")
    session.set(burst_power=50)
    session.set(mode="library")
    assert session.state["burst_power"] == 40.0
    session.set(interface="phase_change")
    assert session.state["bond_line_um"] < 32
    assert session.call() == 'tn.explore.burst("tern-14", mode="library", interface="phase_change")'
    session.set(interface="grease")
    assert session.state["bond_line_um"] == 32
    assert session.design().parts["interface"] == tn.load_design("tern-14").parts["interface"]


def test_the_curve_is_not_worked_out_again_for_a_power_limit(monkeypatch):
    session = open_session("burst")
    session.picture()
    monkeypatch.setattr("thermnet.explore.burst_explorer.budget_curve", None)
    session.set(burst_power=51)
    assert len(list(session.pictures())) == 1  # all at once
    session.set(ambient=26)
    with pytest.raises(TypeError):
        session.picture()


def test_first_picture_has_the_strips_and_the_whole_one_the_curve():
    session = open_session("burst")
    first, second, whole = session.pictures()
    assert first.curve is None
    assert np.isnan(second.curve.sustained)
    assert whole.curve.sustained > 0
    np.testing.assert_array_equal(second.curve.power, whole.curve.power)
    np.testing.assert_array_equal(first.power, whole.power)


def test_cautions_belong_to_the_state():
    session = open_session("burst")
    assert len(session.cautions(session.picture())) == 1
    session.set(interface="liquid_metal")
    assert any("Liquid metal" in text for text in session.cautions(session.picture()))
    session.set(mode="workshop", ambient=35, sustained_power=40)
    hot = [text for text in session.cautions(session.picture()) if "touched" in text]
    assert "limit is 43 °C" in hot[0]


def test_controls_that_a_machine_lacks_are_left_out():
    assert "pipe_count" not in open_session("burst", "wren-13").controls
    two = open_session("burst", "heron-16").controls
    assert {"burst_power_cpu", "burst_power_gpu"} <= set(two)


def test_two_chips_share_the_soak_as_their_sustained_limits():
    session = open_session("burst", "heron-16", start="soaked", soak_power=70)
    picture = session.picture()
    assert picture.average[0].sum() == pytest.approx(70.0)
    assert picture.average[0, 1] / picture.average[0, 0] == pytest.approx(95.0 / 45.0)


def test_sampling_for_the_screen_keeps_every_peak():
    time = np.linspace(0.0, 600.0, 6001)
    values = np.zeros(6001)
    values[4321] = 7.0
    seen = Sampled(time)
    assert seen.of(values).max() == 7.0
    assert seen.time.size < 900


@pytest.mark.parametrize(
    ("design", "values"),
    [("tern-14", {}), ("wren-13", {}), ("tern-14", {"burst_power": 40}), ("tern-14", {"mode": "library"})],
)
def test_words_beside_the_point_meet_no_line(design, values):
    session = open_session("burst", design, **values)
    canvas = Canvas(session.explorer)
    canvas.show(session.picture())
    scene = canvas.scene
    words, to_pixels = scene.point_words, scene.curve.transData.transform
    assert " W for " in words.get_text()
    left, low = to_pixels(words.get_position())
    width, height = words.size(canvas.figure.dpi)
    across = np.linspace(left, left + width, 50)
    for line in (scene.curve_line, scene.governor, scene.level):
        x, y = to_pixels(np.column_stack(line.get_data())).T
        level = np.interp(across, x, y, left=np.nan, right=np.nan)
        assert not np.any((level >= low) & (level <= low + height))
    for marks in scene.curve_marks.values():
        for x, y in to_pixels(np.column_stack(marks.get_data())):
            assert not (left <= x <= left + width and low <= y <= low + height)
