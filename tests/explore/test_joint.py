"""The joint explorer against the study that it shows."""

import numpy as np
import pytest

import thermnet as tn
from thermnet.explore import open_session
from thermnet.explore.joint_scene import border, calm
from thermnet.materials.interface_materials import INTERFACE_MATERIALS


@pytest.mark.parametrize("design", tn.list_designs())
def test_maps_are_those_of_the_study_on_the_exported_design(design):
    session = open_session(
        "joint", design, chip_bow_um=25, right_percent=8, back_percent=-3, void_fraction=0.05, power=22
    )
    picture = session.picture()
    name = session.state.get("joint") or "interface"
    study = tn.studies.joint(session.design(), through=name, power=22.0)
    rows = study.tables["map"]
    for column, values in (
        ("pressure_kPa", picture.pressure),
        ("bond_line_um", picture.bond_line),
        ("rise_K", picture.rise),
    ):
        np.testing.assert_allclose(values.ravel(), rows[column], rtol=1e-12)
    assert picture.flat_rise == pytest.approx(study.facts["the same, flat joint"][0], rel=1e-12)
    assert picture.tilt == pytest.approx(study.facts["gap opens from corner to corner"][0], rel=1e-12)
    steps = study.tables["tightening"]
    steps = steps[steps["order"] == "crosswise"]["tilt_um"]
    np.testing.assert_allclose(picture.tightening, steps, rtol=1e-12)


def test_flat_joint_with_even_screws_costs_nothing_and_presses_evenly():
    picture = open_session("joint", clamp_force=60).picture()
    assert picture.rise.max() == pytest.approx(picture.flat_rise, rel=1e-9)
    assert np.ptp(picture.pressure) < 1e-6 * picture.pressure.mean()
    assert picture.mean_pressure == pytest.approx(60.0 / 150e-6 / 1e3)  # load over the die's 150 mm^2


def test_trends_of_the_trade():
    """Tighter screws press their side; a convex chip presses its middle, a concave one its corners; load thins the paste."""
    right = open_session("joint", right_percent=10).picture()
    assert right.pressure[20, -1] > 2 * right.pressure[20, 0]
    assert right.bond_line[20, -1] < right.bond_line[20, 0]
    convex, concave = (open_session("joint", chip_bow_um=bow).picture() for bow in (25, -25))
    assert convex.pressure[20, 20] > convex.pressure[0, 0]
    assert concave.pressure[20, 20] < concave.pressure[0, 0]
    assert concave.rise.max() > convex.rise.max()  # the hot spot lies in the middle
    soft, hard = (open_session("joint", clamp_force=load).picture() for load in (20, 160))
    # Bond line of a filled paste goes with pressure to the power -0.166 (Prasher 2002).
    assert hard.bond_line.mean() / soft.bond_line.mean() == pytest.approx((160 / 20) ** -0.166, rel=0.01)


def test_rise_goes_with_power_and_leaves_the_rest_alone(monkeypatch):
    session = open_session("joint", right_percent=5, power=20)
    small = session.picture()
    monkeypatch.setattr("thermnet.explore.joint_explorer._order", None)
    session.set(power=40)
    large = session.picture()  # the order of tightening is not worked out again
    np.testing.assert_allclose(large.rise, 2 * small.rise, rtol=1e-9)
    np.testing.assert_array_equal(large.pressure, small.pressure)


@pytest.mark.parametrize("material", sorted(INTERFACE_MATERIALS))
def test_every_material_can_be_chosen(material):
    session = open_session("joint", interface=material, right_percent=3)
    picture = session.picture()
    assert np.all(picture.rise > 0)
    assert np.isfinite(picture.bond_line).all()
    liquid = any("Liquid metal" in text for text in session.cautions(picture))
    assert liquid == INTERFACE_MATERIALS[material].attacks_aluminium


def test_pressure_past_its_limit_is_told():
    session = open_session("joint", chip_bow_um=40, clamp_force=100)
    top = session.picture().pressure.max()
    assert any(
        "bare die" in text and f"{top:.0f} kPa" in text for text in session.cautions(session.picture())[:-1]
    )
    session.set(pressure_limit_kPa=3000, chip_bow_um=0)
    assert not any("may chip" in text for text in session.cautions(session.picture())[:-1])


def test_a_load_beside_the_chip_is_refused_in_words():
    session = open_session("joint", "wren-13", right_percent=20, screw_spacing_mm=70)
    with pytest.raises(ValueError, match=r"screws: .*"):
        session.picture()


def test_a_joint_brings_its_own_values_and_a_design_without_one_is_refused():
    session = open_session("joint", "heron-16")
    session.set(joint="gpu_interface")
    design = tn.load_design("heron-16")
    assert session.state["power"] == design.modes["desk"].chips["gpu"].burst_limit
    assert session.picture().half_x == pytest.approx(0.5e3 * design.parts["gpu"].area ** 0.5)


def test_screws_of_a_clamped_joint_keep_their_places():
    first = open_session("joint", right_percent=6)
    again = open_session("joint", first.design())
    assert "screw_spacing_mm" not in again.controls
    np.testing.assert_allclose(again.picture().pressure, first.picture().pressure, rtol=1e-9)
    again.set(clamp_force=100)
    assert again.picture().load == pytest.approx(100.0)


def test_scales_move_in_calm_steps():
    assert [calm(v) for v in (0.93, 12.7, 56.4, 1288.0)] == [1.0, 15.0, 60.0, 1500.0]
    share = np.zeros((4, 4))
    share[1:3, 0:2] = 1.0
    assert border(share, 2.0, 2.0) == ([-2.0, 0.0, 0.0, -2.0, -2.0], [-1.0, -1.0, 1.0, 1.0, -1.0])
    assert border(0 * share, 2.0, 2.0) == (None, None)
