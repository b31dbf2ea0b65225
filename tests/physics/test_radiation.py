"""Radiation between grey surfaces."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermnet.physics import radiation as r


def test_net_flux_agrees_with_ht():
    ht = pytest.importorskip("ht")
    hot = np.linspace(0, 100, 11)
    # The library takes the constant of CODATA 2014.
    expected = [ht.radiation.q_rad(0.85, t + 273.15, 298.15) for t in hot]
    np.testing.assert_allclose(r.net_flux(hot, 25.0, 0.85), expected, rtol=2e-6)


@given(st.floats(0.02, 1), st.floats(0.02, 1), st.floats(0, 1))
def test_exchange_factors_meet_at_their_limits(first, second, ratio):
    assert r.exchange_factor_enclosed(first, second, 1.0) == pytest.approx(
        r.exchange_factor_plates(first, second)
    )
    assert r.exchange_factor_enclosed(first, second, 0.0) == pytest.approx(first)
    between = r.exchange_factor_enclosed(first, second, ratio)
    assert r.exchange_factor_plates(first, second) <= between * (1 + 1e-12)
    assert between <= first * (1 + 1e-12)
    assert r.exchange_factor_plates(first, second) == pytest.approx(r.exchange_factor_plates(second, first))


@given(st.floats(-20, 150), st.floats(-20, 150), st.floats(0.05, 1))
def test_coefficient_times_difference_is_the_flux(a, b, factor):
    flux = r.net_flux(a, b, factor)
    assert r.radiation_coefficient(a, b, factor) * (a - b) == pytest.approx(flux, rel=1e-9, abs=1e-9)
    assert r.net_flux(b, a, factor) == pytest.approx(-flux)


def test_linearised_coefficient_is_the_limit_of_small_differences():
    assert r.radiation_coefficient(40.0, 40.0, 0.9) == pytest.approx(
        r.linearised_coefficient(40.0, 0.9), rel=1e-12
    )
    exact = r.radiation_coefficient(45.0, 25.0, 0.9)
    assert 0 < exact - r.linearised_coefficient(35.0, 0.9) < 0.002 * exact


def test_arrays_equal_a_loop_and_no_jump():
    t = np.linspace(-20, 150, 10_000)
    together = r.radiation_coefficient(t, 25.0, 0.85)
    assert [r.radiation_coefficient(x, 25.0, 0.85) for x in t[::2000]] == pytest.approx(
        together[::2000], rel=1e-14
    )
    assert np.all(np.diff(together) > 0)
    assert np.max(np.diff(together)) < 1e-3


def test_black_surface_at_freezing():
    assert r.emissive_flux(0.0) == pytest.approx(5.670374419e-8 * 273.15**4)
