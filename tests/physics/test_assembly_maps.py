"""Gap maps, coverage, averages and spreading, plates over several bodies, tightening."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.physics import gap_maps as g
from thermnet.physics import joint_maps as j
from thermnet.physics.contact_mechanics import paste_bed
from thermnet.physics.mounted_plate import Body, crosswise, mount, tightening_steps
from thermnet.physics.plate_spreading import rectangle_on_plate

L, W, N = 0.012, 0.010, 24
X, Y = g.cell_centres(L, W, N)
CX, CY = L / N, W / N


@pytest.mark.parametrize("shape", g.BOWS)
def test_a_bow_is_nil_in_the_middle_and_turns_over_with_its_sign(shape):
    assert g.bow_height(0.0, 0.0, L, W, 3e-5, shape) == 0.0
    np.testing.assert_allclose(g.bow_height(X, Y, L, W, 3e-5, shape), -g.bow_height(X, Y, L, W, -3e-5, shape))
    corner = g.bow_height(L / 2, W / 2, L, W, 3e-5, shape)
    assert corner == pytest.approx(0.0 if shape == "saddle" else -3e-5)


def test_flatness_takes_out_any_tilt_and_is_that_of_a_dome():
    x, y = np.meshgrid(np.linspace(-1, 1, 15), np.linspace(-1, 1, 15))
    assert g.flatness(x, y, 3 + 0.2 * x - 0.5 * y) == pytest.approx(0.0, abs=1e-9)
    assert g.flatness(x, y, 7 + 0.3 * x - 0.01 * (x**2 + y**2)) == pytest.approx(0.02, rel=1e-6)


@pytest.mark.parametrize("points", [([0, 1], [0, 1], [0, 0]), ([0, 1, 2], [0, 1, 2], [0, 1, 0])])
def test_flatness_needs_a_plane(points):
    with pytest.raises(ValueError, match="expected"):
        g.flatness(*points)


@settings(max_examples=40, deadline=None)
@given(fraction=st.floats(0.0, 1.0), x=st.floats(-6e-3, 6e-3), y=st.floats(-5e-3, 5e-3))
def test_a_void_has_the_area_asked_for_wherever_it_is(fraction, x, y):
    assert np.mean(g.void_share(X, Y, CX, CY, fraction, x, y)) == pytest.approx(fraction, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(length=st.floats(1e-3, 12e-3), width=st.floats(1e-3, 10e-3), u=st.floats(-1, 1), v=st.floats(-1, 1))
def test_a_sheet_on_the_chip_keeps_its_area(length, width, u, v):
    share = g.sheet_share(X, Y, CX, CY, length, width, u * (L - length) / 2, v * (W - width) / 2)
    assert share.sum() * CX * CY == pytest.approx(length * width, rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    volume=st.floats(1e-10, 2e-8),
    x=st.floats(-4e-3, 4e-3),
    y=st.floats(-3e-3, 3e-3),
    wedge=st.floats(-2e-5, 2e-5),
)
def test_dispensed_paste_is_kept_or_squeezed_out(volume, x, y, wedge):
    gap = 3e-5 + wedge * X / L
    share, lost = g.spread_dots(X, Y, CX, CY, gap, ((x, y, volume),))
    assert np.sum(share * gap) * CX * CY + lost == pytest.approx(volume, rel=1e-6)
    assert np.all((share >= 0) & (share <= 1))
    assert lost >= 0.0


def test_more_paste_covers_more_and_off_centre_less():
    gap = np.full(X.shape, 3e-5)
    covered = [
        g.spread_dots(X, Y, CX, CY, gap, ((0.0, 0.0, v),))[0].mean() for v in (5e-10, 1e-9, 2e-9, 4e-9, 2e-8)
    ]
    assert np.all(np.diff(covered) > 0)
    assert covered[-1] == pytest.approx(1.0)
    centre, off = (g.spread_dots(X, Y, CX, CY, gap, ((x, 0.0, 3e-9),)) for x in (0.0, 3e-3))
    assert off[0].mean() < centre[0].mean()
    assert off[1] > centre[1]


def test_dots_refuse_what_cannot_be():
    with pytest.raises(ValueError, match="square grid"):
        g.spread_dots(X[:-1], Y[:-1], CX, CY, X[:-1] * 0 + 3e-5, ((0.0, 0.0, 1e-9),))
    with pytest.raises(ValueError, match="volume is 0"):
        g.spread_dots(X, Y, CX, CY, X * 0 + 3e-5, ((0.0, 0.0, 0.0),))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(1e-6, 1e-3), min_size=3, max_size=9))
def test_heat_that_may_choose_its_way_sees_less_resistance(values):
    weight = np.arange(1.0, len(values) + 1)
    free, even = (j.mean_area_resistance(values, weight, flux) for flux in ("free", "even"))
    assert min(values) * (1 - 1e-12) <= free <= even * (1 + 1e-12) <= max(values) * (1 + 1e-11)


def test_averages_refuse_an_unknown_word_and_an_empty_patch():
    with pytest.raises(ValueError, match="free or even"):
        j.mean_area_resistance([1.0], [1.0], "any")
    with pytest.raises(ValueError, match="no cell"):
        j.mean_area_resistance([1.0, 2.0], [0.0, 0.0])


@pytest.mark.parametrize(
    ("x", "y", "resistance"), [(0.0, 0.0, 9e-6), (2e-3, -1e-3, 9e-6), (-3e-3, 2e-3, 40e-6)]
)
def test_spreading_in_the_silicon_is_the_fourier_series(x, y, resistance):
    n = 48
    px, py = g.cell_centres(L, W, n)
    spot = g.sheet_share(px, py, L / n, W / n, 4e-3, 3e-3, x, y)
    flux = j.block_flux([spot], [10.0], L * W / n**2).reshape(n, n)
    rise = j.rise_with_spreading(flux, np.full((n, n), resistance), L / n, W / n, 0.775e-3, 120.0, layers=6)
    args = (4e-3, 3e-3, L, W, 0.775e-3, 120.0, 1 / resistance)
    level = 10.0 * (0.775e-3 / (120.0 * L * W) + resistance / (L * W))
    centre = 10.0 * rectangle_on_plate(*args, x_offset=x, y_offset=y, at="centre") + level
    inside = spot.reshape(n, n) > 0.999
    at = np.argmin(np.hypot(px - x, py - y))
    assert rise.ravel()[at] == pytest.approx(centre, rel=0.005)
    mean = 10.0 * rectangle_on_plate(*args, x_offset=x, y_offset=y) + level
    assert np.mean(rise[inside]) == pytest.approx(
        mean, rel=0.04
    )  # the cells on the spot's border are left out


def test_spreading_keeps_heat_and_is_local_where_silicon_does_not_conduct():
    n = 12
    rng = np.random.default_rng(4)
    flux, resistance = rng.uniform(0, 1e6, (n, n)), rng.uniform(5e-6, 5e-5, (n, n))
    # One layer thin enough: the face is at the joint's own side, so heat across follows from it.
    rise = j.rise_with_spreading(flux, resistance, 1e-3, 1e-3, 1e-11, 100.0, layers=1)
    np.testing.assert_allclose(rise, j.rise_under_flux(flux, resistance), rtol=1e-4)
    rise = j.rise_with_spreading(flux, resistance, 1e-3, 1e-3, 0.3e-3, 120.0, layers=1)
    middle = rise - flux * 0.5 * 0.3e-3 / 120.0
    assert np.sum(middle / (resistance + 0.5 * 0.3e-3 / 120.0)) == pytest.approx(np.sum(flux), rel=1e-9)


# -- several bodies ----------------------------------------------------------------------------------------


def plate(**changes):
    bodies = [
        Body(name="chip", material="grease", length=15e-3, width=14e-3, drawn_gap=30e-6),
        *(
            Body(name=f"pad {k}", x=x, y=y, drawn_gap=0.75e-3, supplied=changes.get(f"pad {k}", 1e-3))
            for k, (x, y) in enumerate(((-0.02, -0.02), (0.02, -0.02), (-0.02, 0.02), (0.02, 0.02)))
        ),
    ]
    loads = [(x, y, 25.0, changes.get("rate", 0.0)) for x in (-0.03, 0.03) for y in (-0.03, 0.03)]
    return mount(bodies, loads)


def test_even_pads_share_evenly_and_a_thick_one_takes_from_the_chip_and_tilts_the_plate():
    even, thick = plate(), plate(**{"pad 0": 1.1e-3})
    assert np.ptp([b.force for b in even.bodies[1:]]) < 1e-9
    assert sum(b.force for b in even.bodies) == pytest.approx(100.0, rel=1e-9)
    assert thick.bodies[1].force > even.bodies[1].force
    assert thick.bodies[0].force < even.bodies[0].force
    assert thick.bodies[0].area_resistance > even.bodies[0].area_resistance
    assert thick.settled.slope_x < 0
    assert thick.settled.slope_y < 0


def test_a_far_too_thick_pad_starves_its_neighbour():
    found = plate(**{"pad 0": 2.2e-3})
    opposite = found.bodies[4]
    assert opposite.force > plate().bodies[4].force or opposite.touching < 1.0 or found.bodies[0].force < 60.0


def test_samples_of_a_plate_are_a_loop_of_single_ones():
    thickness = np.array([0.95e-3, 1.0e-3, 1.1e-3])
    many = plate(**{"pad 0": thickness, "rate": 1e4})
    for k, value in enumerate(thickness):
        one = plate(**{"pad 0": value, "rate": 1e4})
        for a, b in zip(many.bodies, one.bodies, strict=True):
            assert a.force[k] == pytest.approx(b.force, rel=1e-8)
            assert a.area_resistance[k] == pytest.approx(b.area_resistance, rel=1e-8)


def test_plates_without_bodies_or_with_two_of_one_name_are_refused():
    with pytest.raises(ValueError, match="different names"):
        mount([Body(name="a"), Body(name="a", x=0.02)], [(0.0, 0.0, 10.0, 0.0)])
    with pytest.raises(ValueError, match="none"):
        mount([], [(0.0, 0.0, 10.0, 0.0)])


def test_crosswise_goes_to_the_far_side_each_time_and_visits_all_once_a_pass():
    x, y = [-1, 1, 1, -1], [-1, -1, 1, 1]
    order = crosswise(x, y, (0.5, 1.0))
    assert [s for s, _ in order[:2]] == [0, 2]
    assert sorted(s for s, _ in order[:4]) == [0, 1, 2, 3]
    assert [p for _, p in order] == [0.5] * 4 + [1.0] * 4


@pytest.mark.parametrize("order", [[0, 1, 2, 3], [0, 2, 1, 3], [3, 1, 0, 2]])
def test_the_end_of_tightening_does_not_depend_on_the_order_but_the_way_does(order):
    px, py = g.cell_centres(0.012, 0.012, 8)
    cells = (px, py, np.full(64, (0.012 / 8) ** 2), 0 * px)
    loads = (
        [-0.015, 0.015, 0.015, -0.015],
        [-0.012, -0.012, 0.012, 0.012],
        [12.0, 12.0, 10.0, 12.0],
        [1e4] * 4,
    )

    def law(gap):
        return paste_bed(gap, 40.0, 1.2e-5, 1.31e-4, 0.166)

    steps = tightening_steps(law, cells, loads, order=[(k, 1.0) for k in order], clearance=0.3e-3)
    from thermnet.physics.contact_mechanics import settle_plate

    whole = settle_plate(law, cells, loads)
    np.testing.assert_allclose(steps[-1].pressure, whole.pressure, rtol=1e-6)
    tilts = [abs(s.slope_x) + abs(s.slope_y) for s in steps]
    assert max(tilts) > 5 * tilts[-1]
    # No stand-off is pressed in by more than a few um: the plate cannot tilt further than the clearance allows.
    low = [s.height + np.asarray(loads[0]) * s.slope_x + np.asarray(loads[1]) * s.slope_y for s in steps]
    assert np.min(low) > -0.3e-3 - 5e-6


def direct(flux, resistance, cell_x, cell_y, thickness, conductivity, layers):
    """The same finite volumes, cell by cell, solved by sparse elimination."""
    from scipy.sparse import lil_array
    from scipy.sparse.linalg import spsolve

    rows, columns = flux.shape
    number = np.arange(layers * rows * columns).reshape(layers, rows, columns)
    depth = thickness / layers
    sides = [conductivity * a / d for a, d in (
        (cell_x * cell_y, depth), (cell_x * depth, cell_y), (cell_y * depth, cell_x))]  # fmt: skip
    matrix = lil_array((number.size, number.size))
    for axis, link in enumerate(sides):
        near = np.moveaxis(number, axis, 0)
        for a, b in zip(near[:-1].ravel(), near[1:].ravel(), strict=True):
            matrix[a, a] += link
            matrix[b, b] += link
            matrix[a, b] -= link
            matrix[b, a] -= link
    for cell, r in zip(number[-1].ravel(), resistance.ravel(), strict=True):
        matrix[cell, cell] += cell_x * cell_y / (r + 0.5 * depth / conductivity)
    heat = np.zeros(number.size)
    heat[number[0].ravel()] = flux.ravel() * cell_x * cell_y
    answer = spsolve(matrix.tocsc(), heat)[number[0]]
    return answer + 0.5 * depth / conductivity * flux


@pytest.mark.parametrize(
    ("shape", "layers", "spread"),
    [((9, 14), 4, 0.5), ((12, 12), 3, 3.0), ((1, 20), 2, 1.0), ((8, 5), 1, 1.0)],
)
def test_spreading_is_that_of_a_direct_solution(shape, layers, spread):
    rng = np.random.default_rng(4)
    flux, resistance = rng.random(shape) * 1e6, 1e-5 * np.exp(spread * rng.standard_normal(shape))
    case = (flux, resistance, 3e-4, 2.5e-4, 0.775e-3, 110.0, layers)
    np.testing.assert_allclose(j.rise_with_spreading(*case), direct(*case), rtol=1e-9)
