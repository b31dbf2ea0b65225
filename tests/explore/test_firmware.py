"""Firmware explorer: its picture is the closed loop of the mode that its design file holds."""

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.explore import open_session
from thermnet.explore.canvas import Canvas
from thermnet.explore.firmware_scene import STRETCHES


def whole(session):
    return session.picture(session.state)


@pytest.mark.parametrize("design", ["tern-14", "heron-16", "wren-13"])
def test_picture_is_the_run_of_the_exported_design(design, tmp_path):
    session = open_session("firmware", design, ambient=30.0)
    session.set(throttle_margin=4.0)
    path = tmp_path / "changed.toml"
    path.write_text(session.design_text(), encoding="utf-8")
    state = session.state
    run = load_design(path).simulate(state["load"], mode=state["mode"], ambient=30.0, duration=60.0 * state["minutes"])
    picture = whole(session)
    np.testing.assert_allclose(picture.power, run.channels["power"].values, rtol=0, atol=1e-9)
    np.testing.assert_array_equal(picture.bound, run.channels["limit"].values)


def test_change_of_the_mode_does_not_build_the_network_again():
    session = open_session("firmware")
    whole(session)
    plant = session.explorer.design.plant(session.state["ambient"], 0.1)
    used = plant.used
    session.set(throttle_margin=4.0)
    whole(session)
    assert session.explorer.design.plant(session.state["ambient"], 0.1) is plant
    assert plant.used >= used


def test_fan_hunts_less_with_more_hysteresis_and_dwell():
    calm = open_session("firmware", hysteresis=8.0, dwell=60.0)
    nervous = open_session("firmware", hysteresis=1.0, dwell=0.0)
    assert whole(calm).ramps["fan"] < 0.7 * whole(nervous).ramps["fan"]
    assert any("hunts" in text for text in whole(nervous).trouble)
    assert any("hunts" in caution for caution in nervous.cautions(whole(nervous)))


def test_slower_table_is_quieter_and_hotter():
    slow = open_session("firmware", minutes=30, **{f"speed_{k}": 1500.0 + 100.0 * k for k in range(1, 6)})
    own = open_session("firmware", minutes=30)
    assert np.nanmax(whole(slow).noise) < np.nanmax(whole(own).noise) - 3.0
    assert whole(slow).die.max() > whole(own).die.max() + 3.0


def test_steps_in_the_way_move_along():
    session = open_session("firmware")
    session.set(on_2=80.0)
    assert [session.state[f"on_{k}"] for k in range(1, 7)] == [52.0, 80.0, 81.0, 82.0, 84.0, 92.0]
    session.set(on_4=50.0)
    assert [session.state[f"on_{k}"] for k in range(1, 7)] == [47.0, 48.0, 49.0, 50.0, 84.0, 92.0]
    session.set(speed_1=3600.0)
    assert [session.state[f"speed_{k}"] for k in range(1, 4)] == [3600.0, 3600.0, 3600.0]
    session.set(speed_3=1000.0)
    assert [session.state[f"speed_{k}"] for k in range(1, 5)] == [1000.0, 1000.0, 1000.0, 3800.0]


@pytest.mark.parametrize("design", ["tern-14", "heron-16"])
def test_no_way_of_the_sliders_leads_to_a_table_that_does_not_rise(design):
    session, chance = open_session("firmware", design), np.random.default_rng(8)
    rows = [control for name, control in session.controls.items() if name.startswith(("on_", "speed_"))]
    for k in range(120):
        control = rows[chance.integers(len(rows))]
        value = chance.choice([control.low, control.high, chance.uniform(control.low, control.high)])
        session.set(**{control.name: control.accept(round(value)), "steps": int(chance.integers(1, 7))})
        assert all(session.controls[name].accept(value) == value for name, value in session.state.items())
        session.explorer.mode_at(session.state)
        if k % 10 == 0:
            assert open_session("firmware", design, **session.changes()).state == session.state


def test_table_that_does_not_rise_is_refused():
    session = open_session("firmware", on_1=60.0, on_2=40.0)
    with pytest.raises(ValueError, match="ris"):
        whole(session)


def test_much_switching_is_drawn_as_few_boxes():
    """A limit that comes and goes for an hour is one path with no more boxes than the strip can tell apart."""
    session = open_session("firmware", minutes=60, hysteresis=0.0, dwell=0.0)
    canvas = Canvas(session.explorer)
    canvas.show(whole(session))
    for bars in canvas.scene.bars_of.values():
        assert len(bars.get_path().vertices) <= 5 * STRETCHES
    times = canvas.scene.bars_of["sustained limit"].get_path().vertices[:, 0]
    assert times.min() >= 0.0
    assert times.max() <= 60.5
