"""Conduction formulas against libraries, independent integrations and what must hold for any of them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from thermnet.physics import conduction

sizes = st.floats(1e-4, 0.2)
conductivities = st.floats(0.05, 2000.0)


def test_tube_wall_agrees_with_library():
    ht = pytest.importorskip("ht")
    inner, outer, length, k = (np.array(v) for v in ([3e-3, 0.01], [3.3e-3, 0.1], [0.1, 1.0], [390.0, 0.04]))
    ours = conduction.cylinder_shell_resistance(inner, outer, length, k)
    theirs = [ht.R_cylinder(2 * a, 2 * b, c, d) for a, b, c, d in zip(inner, outer, k, length, strict=True)]
    np.testing.assert_allclose(ours, theirs, rtol=1e-12)


def test_sphere_in_endless_medium_agrees_with_library():
    ht = pytest.importorskip("ht")
    for radius, k in ((1e-3, 1.0), (0.05, 0.026)):
        shape_factor = ht.conduction.S_isothermal_sphere_to_plane(2 * radius, 1e9)
        assert conduction.sphere_shell_resistance(radius, np.inf, k) == pytest.approx(
            1 / (k * shape_factor), rel=1e-8
        )


@given(sizes, st.floats(1.0001, 50.0), conductivities)
def test_thin_tube_wall_is_a_flat_layer(radius, ratio, k):
    exact = conduction.cylinder_shell_resistance(radius, radius * ratio, 1.0, k)
    outside = conduction.layer_resistance(radius * (ratio - 1), k, 2 * np.pi * radius * ratio)
    inside = conduction.layer_resistance(radius * (ratio - 1), k, 2 * np.pi * radius)
    assert outside <= exact * (1 + 1e-9)
    assert exact <= inside * (1 + 1e-9)


@given(st.floats(-50, 300), st.floats(-50, 300), st.floats(0.01, 0.99), st.floats(0.1, 1e4))
def test_time_to_inverts_temperature(start, end, share, tau):
    if abs(start - end) < 1.0:
        return
    target = start + share * (end - start)
    time = conduction.lumped_time_to(target, start, end, tau)
    assert conduction.lumped_temperature(time, start, end, tau) == pytest.approx(
        target, abs=1e-9 * abs(end - start)
    )


def test_time_to_is_nan_where_never_reached_and_zero_at_the_start():
    times = conduction.lumped_time_to([250.0, 20.0, 25.0, 200.0], 25.0, 200.0, 1.0)
    assert np.isnan(times[0])
    assert np.isnan(times[1])
    assert times[2] == 0.0
    assert np.isnan(times[3])


def test_natural_cooling_becomes_exponential_without_exponent():
    time = np.linspace(0, 3000, 7)
    np.testing.assert_allclose(conduction.natural_cooling(time, 10, 0.01, 100, 0.0), np.exp(-time / 1000))
    np.testing.assert_allclose(
        conduction.natural_cooling(time, 10, 0.01, 100, 1e-9), np.exp(-time / 1000), rtol=1e-6
    )


@given(
    st.floats(1, 500),
    st.floats(1, 500),
    st.floats(0.01, 10),
    st.floats(-20, 100),
    st.floats(-20, 100),
    st.floats(0, 1e5),
)
def test_two_bodies_keep_their_heat(c1, c2, g, t1, t2, time):
    after = conduction.two_bodies_equalising(time, c1, c2, g, t1, t2)
    assert c1 * after.first + c2 * after.second == pytest.approx(c1 * t1 + c2 * t2, abs=1e-7)
    low, high = sorted((t1, t2))
    assert low - 1e-9 <= after.first <= high + 1e-9


def test_two_nodes_agree_with_integration():
    c1, c2, r12, r2a, power = 0.2, 8.0, 0.15, 0.9, 40.0
    times = np.array([0.01, 0.1, 1.0, 5.0, 20.0])
    solution = solve_ivp(
        lambda _, y: [(power - (y[0] - y[1]) / r12) / c1, ((y[0] - y[1]) / r12 - y[1] / r2a) / c2],
        (0, 20), [0, 0], t_eval=times, rtol=1e-11, atol=1e-11, method="LSODA",
    )  # fmt: skip
    ours = conduction.two_node_step(times, power, c1, c2, r12, r2a)
    np.testing.assert_allclose(ours.first, solution.y[0], rtol=1e-7)
    np.testing.assert_allclose(ours.second, solution.y[1], rtol=1e-7)


def test_half_space_flux_at_the_surface_is_the_square_root_law():
    k, rho, c, q = 130.0, 2330.0, 700.0, 1e6
    rise = conduction.half_space_flux_step(0.0, 1e-3, q, k, k / (rho * c))
    assert rise == pytest.approx(2 * q * np.sqrt(1e-3 / (np.pi * k * rho * c)), rel=1e-12)


def test_half_space_film_tends_to_surface_step_and_does_not_overflow():
    step = conduction.half_space_surface_step(1e-3, 10.0, 1e-5)
    assert conduction.half_space_film_step(1e-3, 10.0, 1e12, 50.0, 1e-5) == pytest.approx(step, abs=1e-6)
    assert conduction.half_space_film_step(0.0, 1e9, 1e4, 1.0, 1e-5) == pytest.approx(1.0, abs=1e-5)


def test_half_space_depth_inverts_surface_step():
    share = np.array([0.05, 0.4, 0.9])
    depth = conduction.half_space_depth_of(share, 3600.0, 1.4e-7)
    np.testing.assert_allclose(conduction.half_space_surface_step(depth, 3600.0, 1.4e-7), share)


def test_slab_is_continuous_rises_and_starts_as_a_half_space():
    fourier = np.linspace(0.0, 3.0, 10_001)
    rise = conduction.slab_step(fourier)
    steps = np.diff(rise)
    assert rise[0] == 0.0
    assert np.all(steps > 0)
    assert np.all(np.diff(steps) < 1e-12)  # ever slower: no jump, no kink upward
    early = np.array([1e-6, 1e-3, 0.05])
    np.testing.assert_allclose(conduction.slab_step(early), 2 * np.sqrt(early / np.pi), rtol=5e-3)
    near = conduction.slab_step(np.array([0.4 - 1e-12, 0.4, 0.4 + 1e-12]))
    assert np.ptp(near) < 1e-11


def test_slab_refuses_negative_time():
    with pytest.raises(ValueError, match="expected 0 or more"):
        conduction.slab_step(-0.1)


@settings(deadline=None)
@given(st.floats(1e-3, 0.05), st.floats(1.05, 20), conductivities, st.floats(5e-5, 3e-3), st.floats(2, 60))
def test_deck_lies_between_its_bounds(zone, ratio, k, thickness, film):
    resistance = conduction.deck_resistance(zone, k, thickness, film, zone * ratio)
    alone = 1 / (film * np.pi * zone**2)
    everything = 1 / (film * np.pi * (zone * ratio) ** 2)
    assert everything * (1 - 1e-9) <= resistance <= alone * (1 + 1e-9)
    assert conduction.deck_resistance(zone, 2 * k, thickness, film, zone * ratio) <= resistance * (1 + 1e-9)
    assert conduction.deck_resistance(zone, k, thickness, film) <= resistance * (1 + 1e-9)


def test_deck_of_perfect_conductor_and_of_no_size():
    assert conduction.deck_resistance(0.01, 1e9, 1e-3, 10.0, 0.1) == pytest.approx(
        1 / (10 * np.pi * 0.01), rel=1e-4
    )
    assert conduction.deck_resistance(0.01, 160, 1e-3, 10.0, 0.01) == pytest.approx(1 / (10 * np.pi * 1e-4))
    with pytest.raises(ValueError, match="expected at least the zone"):
        conduction.deck_resistance(0.02, 160, 1e-3, 10.0, 0.01)


def test_arrays_give_what_scalars_give():
    radii, k = np.array([0.005, 0.01, 0.02]), np.array([[0.25], [160.0]])
    table = conduction.deck_resistance(radii, k, 1e-3, 20.0, 0.1)
    assert table.shape == (2, 3)
    for i in range(2):
        for j in range(3):
            single = conduction.deck_resistance(float(radii[j]), float(k[i, 0]), 1e-3, 20.0, 0.1)
            assert table[i, j] == pytest.approx(float(single), rel=1e-12)
    fourier = np.array([0.01, 0.39, 0.41, 2.0])
    np.testing.assert_allclose(
        conduction.slab_step(fourier), [conduction.slab_step(float(f)) for f in fourier]
    )
