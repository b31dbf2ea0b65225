"""The clamped joint: the plain joint when flat and centred, balance always, trends of faults, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.design.load import load_design
from thermnet.parts.clamped_joint import ClampedJoint
from thermnet.parts.interface import InterfaceLayer
from thermnet.studies.joint import joint
from thermnet.studies.study import Study

CHIP = {"length": 15e-3, "width": 10e-3, "clamp_force": 50.0}
AREA = 150e-6


@pytest.mark.parametrize("material", ["grease", "phase_change", "liquid_metal"])
def test_flat_and_centred_is_the_plain_bond_line(material):
    plain = InterfaceLayer(material=material, clamp_force=50.0, contact_area=AREA)
    found = ClampedJoint(material=material, **CHIP).map()
    assert float(np.squeeze(found.whole())) == pytest.approx(float(plain.area_resistance("silicon", "copper")), rel=1e-9)
    np.testing.assert_allclose(np.squeeze(found.pressure), 50.0 / AREA, rtol=1e-6)


@settings(deadline=None, max_examples=25)
@given(
    force=st.floats(20.0, 150.0), x=st.floats(-1.5e-3, 1.5e-3), y=st.floats(-1e-3, 1e-3), bow=st.floats(0.0, 40e-6),
)  # fmt: skip
def test_forces_and_moments_balance_and_nothing_pulls(force, x, y, bow):
    part = ClampedJoint(material="grease", **{**CHIP, "clamp_force": force}, load_x=x, load_y=y, chip_bow=bow)
    found = part.map()
    pressure, cell = np.squeeze(found.pressure), float(np.squeeze(found.cell_x * found.cell_y))
    assert np.all(pressure >= 0.0)
    assert pressure.sum() * cell == pytest.approx(force, rel=1e-6)
    assert np.sum(pressure * np.squeeze(found.x)) * cell == pytest.approx(force * x, abs=1e-6 * force * 15e-3)
    assert np.sum(pressure * np.squeeze(found.y)) * cell == pytest.approx(force * y, abs=1e-6 * force * 10e-3)


def test_more_force_is_never_a_worse_joint_and_faults_never_a_better_one():
    values = [float(np.squeeze(ClampedJoint(material="grease", **{**CHIP, "clamp_force": f}).map().whole())) for f in (20, 50, 100)]
    assert values[0] > values[1] > values[2]
    for fault in ({"chip_bow": 40e-6}, {"void_fraction": 0.1}, {"load_x": 2e-3}):
        assert float(np.squeeze(ClampedJoint(material="grease", **CHIP, **fault).map().whole())) > values[1]


def test_a_forty_micron_wedge_adds_what_the_trade_says():
    # 40 um at 4 W/(m K): 10 K mm2/W at the open edge over the closed one (common practice, no source).
    part = ClampedJoint(material="grease", conductivity=4.0, tilt_x=40e-6, **CHIP)
    row = np.squeeze(part.map().grid("area_resistance"))[0]
    across = part.map().across
    step = abs(row[-1] - row[0]) * across / (across - 1)
    assert step * 1e6 == pytest.approx(10.0, rel=0.02)


def test_samples_are_single_joints():
    forces = np.array([30.0, 60.0, 90.0])
    many = ClampedJoint(material="grease", **{**CHIP, "clamp_force": forces}, load_x=1e-3).map().whole()
    for value, force in zip(np.ravel(many), forces, strict=True):
        one = ClampedJoint(material="grease", **{**CHIP, "clamp_force": float(force)}, load_x=1e-3).map().whole()
        assert float(value) == pytest.approx(float(np.squeeze(one)), rel=1e-9)


def test_a_load_beside_the_chip_tips_the_plate():
    with pytest.raises(ValueError, match="finds no rest"):
        ClampedJoint(material="grease", **CHIP, load_x=7.4e-3, load_y=4.9e-3).map()


def test_joint_study_of_a_demonstration_machine():
    study = joint(load_design("tern-14"))
    assert len(study.table) > 0
    assert Study.from_json(study.to_json()).table.shape == study.table.shape
    assert study.plot().axes
