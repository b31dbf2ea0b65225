"""Firmware explorer: its picture is the closed loop of the mode that its design file holds."""

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.explore import open_session


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


def test_table_that_does_not_rise_is_refused():
    session = open_session("firmware")
    session.set(on_2=40.0)
    with pytest.raises(ValueError, match="ris"):
        whole(session)
