"""Fan noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermnet.physics import acoustics as a

# IEC 61672-1 table 3 (nominal octave frequencies), from memory, rounded to 0.1 dB there.
A_WEIGHTS = {
    31.5: -39.4,
    63: -26.2,
    125: -16.1,
    250: -8.6,
    500: -3.2,
    1000: 0.0,
    2000: 1.2,
    4000: 1.0,
    8000: -1.1,
}


def test_a_weighting_follows_the_standards_table():
    exact = {1000.0 * 10.0 ** (0.3 * k): v for k, v in zip(range(-5, 4), A_WEIGHTS.values(), strict=True)}
    np.testing.assert_allclose(a.a_weighting(np.array(list(exact))), list(exact.values()), atol=0.06)


def test_level_follows_speed_down_to_silence():
    speed = np.linspace(0.0, 6000.0, 10_000)
    level = a.level_at_speed(38.0, speed, 4500.0, 55.0)
    assert level[0] == a.SILENCE
    assert np.all(np.diff(level) >= 0)
    assert np.max(np.diff(level)) < 0.05
    assert a.level_at_speed(38.0, 4500.0, 4500.0) == pytest.approx(38.0)
    assert a.level_at_speed(38.0, 9000.0, 4500.0, 50.0) == pytest.approx(38.0 + 15.0515, abs=1e-4)


@given(st.lists(st.floats(-20, 120), min_size=1, max_size=6))
def test_sum_is_above_the_loudest_and_order_does_not_count(levels):
    total = a.add_levels(levels)
    assert max(levels) <= total <= max(levels) + 10 * np.log10(len(levels)) + 1e-9
    assert a.add_levels(levels[::-1]) == pytest.approx(total)


def test_sum_takes_arrays_that_broadcast():
    speed = np.array([[1.0], [2.0], [3.0]])
    total = a.add_levels([30.0 + speed, np.array([31.0, 35.0])])
    assert total.shape == (3, 2)
    assert total[2, 1] == pytest.approx(a.add_levels([33.0, 35.0]))
    with pytest.raises(ValueError, match="at least one source"):
        a.add_levels([])


def test_operator_level_is_about_what_the_trade_subtracts():
    # Sound power to operator position: about 8 to 10 dB at arm's length and a little more.
    drop = 40.0 - a.operator_level(40.0, np.array([1.0, 1.2]))
    np.testing.assert_allclose(drop, [7.98, 9.57], atol=0.01)
    assert a.operator_level(40.0, 1.0) - a.operator_level(40.0, 2.0) == pytest.approx(
        a.distance_change(1.0, 2.0)
    )


def test_loudness_is_smooth_and_doubles_per_ten_phon():
    phon = np.linspace(0.0, 100.0, 10_000)
    sone = a.sones(phon)
    assert np.all(np.diff(sone) >= 0)
    # The two branches meet at 1 sone; 0.01 phon from it both are within 0.1 %.
    assert a.sones(40.0) == 1.0
    assert a.sones(39.99) == pytest.approx(a.sones(40.01), abs=2e-3)
    assert a.sones(60.0) == 2 * a.sones(50.0) == 4 * a.sones(40.0)


@given(st.lists(st.tuples(st.floats(20, 60), st.floats(45, 65)), min_size=1, max_size=4), st.floats(15, 70))
def test_speed_for_a_level_is_the_inverse_of_the_sum(fans, cap):
    levels, exponents = zip(*fans, strict=True)
    ratio = a.speed_ratio_for_level(cap, levels, exponents)
    back = a.add_levels([level + a.level_change(ratio, n) for level, n in fans])
    assert back == pytest.approx(cap, abs=1e-9)


def test_speed_for_a_level_of_arrays_equals_a_loop():
    caps = np.array([28.0, 34.0, 40.0])
    together = a.speed_ratio_for_level(caps, [38.0, np.array([36.0, 37.0, 38.0])], [55.0, 50.0])
    for i in range(3):
        one = a.speed_ratio_for_level(caps[i], [38.0, 36.0 + i], [55.0, 50.0])
        assert together[i] == pytest.approx(one, rel=1e-12)
    with pytest.raises(ValueError, match="one of each per fan"):
        a.speed_ratio_for_level(30.0, [38.0], [])


def test_two_equal_fans_run_slower_for_the_same_noise():
    one, two = (a.speed_ratio_for_level(36.0, [38.0] * n, [50.0] * n) for n in (1, 2))
    assert two / one == pytest.approx(2 ** (-10 / 50))


def test_blade_tone():
    assert a.blade_pass_frequency(41, 4500.0) == 3075.0
