"""Screws and springs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.physics import fasteners as f

CORNERS = ([-0.01, 0.01, -0.01, 0.01], [-0.0075, -0.0075, 0.0075, 0.0075])


def test_torque_and_preload_are_inverse():
    torque = np.array([0.02, 0.05, 0.15])
    preload = f.screw_preload(torque, 0.2, 2e-3)
    np.testing.assert_allclose(f.screw_torque(preload, 0.2, 2e-3), torque, rtol=1e-14)
    assert preload[2] == pytest.approx(375.0)


def test_springs_in_series_are_softer_and_in_parallel_stiffer_than_each():
    rates = np.array([10e3, 15e3])
    assert f.springs_in_series(rates) == pytest.approx(6e3)
    assert f.springs_in_series(rates) < rates.min()
    assert f.springs_in_parallel(rates) == pytest.approx(25e3)


def test_a_loose_spring_presses_with_nothing():
    np.testing.assert_array_equal(f.spring_force(1e4, np.array([-1e-3, 0.0, 1e-3])), [0.0, 0.0, 10.0])


@settings(max_examples=50, deadline=None)
@given(
    rates=st.lists(st.floats(1e3, 1e5), min_size=4, max_size=4), x=st.floats(-0.01, 0.01), y=st.floats(-0.0075, 0.0075),
    force=st.floats(1.0, 300.0),
)  # fmt: skip
def test_forces_on_unequal_springs_balance(rates, x, y, force):
    found = f.forces_on_springs(*CORNERS, rates, force, x, y)
    assert found.sum() == pytest.approx(force, rel=1e-9)
    assert np.dot(found, CORNERS[0]) == pytest.approx(force * x, abs=1e-9 * force)
    assert np.dot(found, CORNERS[1]) == pytest.approx(force * y, abs=1e-9 * force)


def test_samples_are_a_loop_of_single_ones():
    rng = np.random.default_rng(3)
    rates, force, x = rng.uniform(5e3, 2e4, (4, 6)), rng.uniform(10, 60, 6), rng.uniform(-3e-3, 3e-3, 6)
    many = f.forces_on_springs(*CORNERS, rates, force, x, 1e-3)
    one = [f.forces_on_springs(*CORNERS, rates[:, k], force[k], x[k], 1e-3) for k in range(6)]
    np.testing.assert_allclose(many, np.transpose(one), rtol=1e-12)


def test_springs_in_one_line_are_refused():
    with pytest.raises(ValueError, match="free to tip"):
        f.forces_on_springs([0.0, 0.01, 0.02], [0.0, 0.01, 0.02], 1e4, 10.0)


def test_ten_to_25_pound_force_go_with_the_chip():
    area = np.array([150e-6, 250e-6, 370e-6])
    load = f.in_pound_force(f.load_for_pressure(area, 300e3))
    assert 10.0 <= load[0] < load[1] < load[2] <= 25.1
    np.testing.assert_allclose(load / load[0], area / area[0])
