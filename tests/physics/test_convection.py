"""Natural and forced convection over plates, gaps and skins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermnet.materials import air
from thermnet.network import SurfaceExchange
from thermnet.physics import convection as c

LENGTH, WIDTH = 0.22, 0.31


def steepest(x, y):
    """Largest slope of log y over log x between neighbours: a jump would make it huge."""
    return np.max(np.abs(np.diff(np.log(y)) / np.diff(np.log(x))))


@pytest.mark.parametrize(
    ("function", "name", "arguments"),
    [
        (c.nusselt_vertical_plate, "Nu_vertical_plate_Churchill", {}),
        (c.nusselt_horizontal_down, "Nu_horizontal_plate_McAdams", {"buoyancy": False}),
        (c.nusselt_gap_heated_below, "Nu_Nusselt_Rayleigh_Hollands", {}),
    ],
)
def test_agrees_with_ht(function, name, arguments):
    library = getattr(pytest.importorskip("ht"), name, None) or getattr(
        pytest.importorskip("ht.conv_free_enclosed"), name
    )
    ra = np.geomspace(1e3, 9e9, 40)
    got = function(ra) if "McAdams" in name else function(ra, 0.71)
    np.testing.assert_allclose(got, [library(0.71, x / 0.71, **arguments) for x in ra], rtol=1e-10)


def test_horizontal_up_agrees_with_ht_outside_the_blend():
    ht = pytest.importorskip("ht")
    ra = np.concatenate([np.geomspace(1e4, 2e6, 20), np.geomspace(2e7, 1e11, 20)])
    expected = [ht.Nu_horizontal_plate_McAdams(0.71, x / 0.71) for x in ra]
    np.testing.assert_allclose(c.nusselt_horizontal_up(ra), expected, rtol=1e-12)


def test_a_second_set_of_formulas_for_the_horizontal_plate_is_near():
    # Accepted formulas differ by 10 to 15 % in natural convection; here over what a notebook's decks meet.
    ht = pytest.importorskip("ht")
    ra = np.geomspace(1e4, 4e5, 20)
    other = np.array([ht.Nu_horizontal_plate_VDI(0.71, x / 0.71) for x in ra])
    assert np.all(np.abs(c.nusselt_horizontal_up(ra) / other - 1.0) < 0.15)


@pytest.mark.parametrize(
    ("function", "low", "high"),
    [
        (c.nusselt_vertical_plate, 1e0, 1e12),
        (c.nusselt_horizontal_up, 1e0, 1e11),
        (c.nusselt_gap_heated_below, 1e2, 1e8),
        (lambda ra: c.nusselt_gap_vertical(ra, 10.0), 1e0, 1e7),
        (lambda ra: c.nusselt_gap_vertical(ra, 80.0), 1e0, 1e7),
        (lambda re: c.nusselt_flat_plate(re), 1e3, 1e7),
        (lambda ra: c.nusselt_fin_channel(ra, 0.1), 1e-1, 1e6),
    ],
)
def test_no_jump_and_never_falling(function, low, high):
    x = np.geomspace(low, high, 10_000)
    y = function(x)
    assert steepest(x, y) < 2.4
    assert np.all(np.diff(y) > -1e-12)


def test_gap_begins_to_convect_at_its_critical_rayleigh_number():
    ra = np.array([1.0, 1707.0, 1708.0, 1708.0 * (1 + 1e-9), 2000.0])
    nu = c.nusselt_gap_heated_below(ra)
    np.testing.assert_array_equal(nu[:3], 1.0)
    assert nu[3] == pytest.approx(1.0, abs=1e-7)
    assert nu[4] > 1.1


def test_narrow_gaps_only_conduct():
    for position in ("above", "below", "vertical"):
        h = c.gap_coefficient(0.0015, 15.0, 40.0, position, height=0.2)
        assert h == pytest.approx(air.conductivity(40.0) / 0.0015, rel=0.01)
    # The trade's check: 40 cm2 of 1.5 mm air is about 14 K/W.
    assert 1.0 / (h * 40e-4) == pytest.approx(14.0, abs=0.3)


def test_gap_refuses_what_it_cannot_do():
    with pytest.raises(ValueError, match="expected above, below or vertical"):
        c.gap_coefficient(0.001, 10.0, 30.0, "sideways")
    with pytest.raises(ValueError, match="needs its height"):
        c.gap_coefficient(0.001, 10.0, 30.0, "vertical")


def test_tilting_a_plate_never_makes_it_jump():
    angle = np.linspace(0.0, 180.0, 10_000)
    h = c.plate_coefficient(10.0, LENGTH, WIDTH, angle)
    assert np.max(np.abs(np.diff(h))) < 0.005
    assert h[0] > h[5000] > h[-1]
    assert h[0] == pytest.approx(
        plate(c.nusselt_horizontal_up, LENGTH * WIDTH / (2 * (LENGTH + WIDTH))), rel=1e-4
    )
    assert h[-1] == pytest.approx(
        plate(c.nusselt_horizontal_down, LENGTH * WIDTH / (2 * (LENGTH + WIDTH))), rel=1e-4
    )


def plate(formula, length):
    return float(formula(c.rayleigh_in_air(length, 10.0, 30.0)) * air.conductivity(30.0) / length)


@given(
    st.floats(0.5, 60), st.floats(1.01, 2.0), st.floats(0.02, 0.5), st.floats(0.02, 0.5), st.floats(0, 180),
    st.floats(0, 80), st.floats(6e4, 1.1e5),
)  # fmt: skip
def test_a_larger_difference_never_convects_less(rise, more, length, width, angle, film, pressure):
    low = c.plate_coefficient(rise, length, width, angle, film, pressure)
    high = c.plate_coefficient(rise * more, length, width, angle, film, pressure)
    assert 0 < low <= high


def test_thin_air_convects_less():
    thick, thin = (c.plate_coefficient(10.0, LENGTH, WIDTH, 90.0, 30.0, p) for p in (101325.0, 70000.0))
    assert 0.8 < thin / thick < 0.9


def test_arrays_equal_a_loop():
    rise = np.array([1.0, 10.0, 40.0])
    angle = np.array([[0.0], [45.0], [90.0], [180.0]])
    together = c.plate_coefficient(rise, LENGTH, WIDTH, angle)
    for i in range(4):
        for j in range(3):
            assert together[i, j] == pytest.approx(
                c.plate_coefficient(rise[j], LENGTH, WIDTH, angle[i, 0]), rel=1e-14
            )


@pytest.mark.parametrize("orientation", list(c.ORIENTATIONS))
def test_painted_skin_at_10_K_lies_where_measurements_lie(orientation):
    area = LENGTH * WIDTH
    law = SurfaceExchange(**c.skin_exchange(LENGTH, WIDTH, orientation, 0.9)._asdict())
    assert 8.0 < law.conductance(35.0, 25.0) / area < 12.0
    bare = SurfaceExchange(**c.skin_exchange(LENGTH, WIDTH, orientation, 0.1)._asdict())
    assert 2.5 < bare.conductance(35.0, 25.0) / area < 7.0


@pytest.mark.parametrize(
    ("orientation", "limit"), [("up", 1e-3), ("down", 1e-3), ("vertical", 0.02), (45.0, 0.02)]
)
def test_skin_power_law_follows_the_correlation(orientation, limit):
    exchange = c.skin_exchange(LENGTH, WIDTH, orientation)
    rise = np.linspace(2.0, 40.0, 60)
    angle = c.ORIENTATIONS.get(orientation, orientation)
    full = c.plate_coefficient(rise, LENGTH, WIDTH, angle) * LENGTH * WIDTH
    np.testing.assert_allclose(exchange.convection * rise**exchange.exponent, full, rtol=limit)


def test_zone_takes_its_share_of_the_face():
    whole = c.skin_exchange(LENGTH, WIDTH, "up", 0.85)
    zone = c.skin_exchange(LENGTH, WIDTH, "up", 0.85, area=0.006)
    share = 0.006 / (LENGTH * WIDTH)
    assert zone.convection == pytest.approx(share * whole.convection)
    assert zone.radiating_area == pytest.approx(0.85 * 0.006)
    assert zone.exponent == whole.exponent


def test_skin_takes_arrays_and_refuses_unknown_words():
    many = c.skin_exchange(np.array([0.2, 0.25]), WIDTH, "vertical", np.array([0.2, 0.9]))
    for i, (length, e) in enumerate([(0.2, 0.2), (0.25, 0.9)]):
        one = c.skin_exchange(length, WIDTH, "vertical", e)
        np.testing.assert_allclose([v[i] for v in many], one, rtol=1e-13)
    with pytest.raises(ValueError, match="expected up, vertical, down or an angle"):
        c.skin_exchange(LENGTH, WIDTH, "sideways")


def test_best_fin_spacing_is_a_maximum_of_heat():
    # Isothermal fins on a base of given width: heat ~ coefficient x number of gaps, fins taken thin.
    length, rise, film = 0.1, 30.0, 40.0
    best = c.optimum_fin_spacing(length, rise, film)
    spacing = best * np.linspace(0.5, 2.0, 301)
    nusselt = c.nusselt_fin_channel(c.rayleigh_in_air(spacing, rise, film), spacing / length)
    heat = nusselt / spacing**2
    assert spacing[np.argmax(heat)] == pytest.approx(best, rel=0.02)
    at_best = c.nusselt_fin_channel(c.rayleigh_in_air(best, rise, film), best / length)
    assert at_best == pytest.approx(c.OPTIMUM_FIN_NUSSELT, rel=0.01)


def test_flat_plate_meets_at_the_critical_point():
    at = c.CRITICAL_REYNOLDS
    assert c.nusselt_flat_plate(at) == pytest.approx(c.nusselt_flat_plate_laminar(at), rel=1e-14)
    assert c.nusselt_flat_plate(at * (1 + 1e-9)) == pytest.approx(c.nusselt_flat_plate(at), rel=1e-8)
    # The usual constant of the mixed formula.
    assert 0.037 * at**0.8 - c.nusselt_flat_plate(at, 1.0) == pytest.approx(871.0, abs=1.0)


def test_mean_drag_and_heat_of_a_plate_obey_colburns_analogy():
    re, pr = np.geomspace(1e3, 4e5, 10), 0.71
    stanton = c.nusselt_flat_plate_laminar(re, pr) / (re * pr)
    np.testing.assert_allclose(
        stanton * pr ** (2 / 3), c.drag_coefficient_flat_plate_laminar(re) / 2, rtol=1e-12
    )
