"""A rigid plate on beds: closed forms, balance, lift-off, uniqueness."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.physics import contact_mechanics as c
from thermnet.physics.gap_maps import bow_height, cell_centres

CURVE = ((0.0, 20e3, 50e3, 100e3, 200e3, 350e3, 700e3), (0.0, 0.07, 0.15, 0.25, 0.38, 0.49, 0.60))


def pad(gap, thickness):
    return c.pad_bed(gap, thickness, *CURVE)


def paste(gap, stress, limit):
    return c.paste_bed(gap, stress, limit, 1.31e-4, 0.166)


def strip(force, eccentricity, cells=4000, length=0.02, width=0.015):
    x = ((np.arange(cells) + 0.5) / cells - 0.5) * length
    rest = c.settle_plate(
        c.elastic_bed, (x, 0 * x, np.full(cells, length * width / cells), 0 * x), ([eccentricity], [0.0], [force], [0.0]),
        parameters=(1e-3, 1e9),
    )  # fmt: skip
    return rest, x


@pytest.mark.parametrize("eccentricity", [0.0, 0.001, 0.002, 0.0033, 0.0034, 0.005, 0.008, 0.0095])
def test_edge_pressure_is_the_closed_form_within_and_beyond_the_middle_third(eccentricity):
    rest, _ = strip(45.0, eccentricity)
    edge = 1e9 * (1e-3 - rest.height - np.array([0.5, -0.5]) * 0.02 * rest.slope_x)
    near, far = c.edge_pressures(45.0, 0.02, 0.015, eccentricity)
    assert edge[0] == pytest.approx(near, rel=3e-5)
    assert max(edge[1], 0.0) == pytest.approx(far, rel=3e-5, abs=3.0)


def test_the_far_edge_lifts_at_a_sixth_of_the_length():
    bears = [strip(45.0, e)[0].pressure.min() > 0 for e in (0.02 / 6 * 0.99, 0.02 / 6 * 1.01)]
    assert bears == [True, False]
    e = np.linspace(0.0, 0.0099, 10_000)
    for value in (c.edge_pressures(45.0, 0.02, 0.015, e)[0], c.bearing_length(0.02, e)):
        assert np.all(np.isfinite(value))
        assert np.max(np.abs(np.diff(value)) / value[:-1]) < 0.02


def random_assembly(rng):
    """Bodies of different kind, size and height under one plate, and screws whose resultant acts among them."""
    kinds, cells, params = [], [], []
    count = rng.integers(3, 7)
    places = rng.uniform(-0.04, 0.04, (count, 2))
    for k in range(count):
        x, y = cell_centres(rng.uniform(5e-3, 2e-2), rng.uniform(5e-3, 2e-2), 6)
        area = np.full(x.shape, (x[1] - x[0]) * (y[6] - y[0]))
        kind = ("bed", "pad", "paste")[rng.integers(3)]
        top = bow_height(x, y, 0.015, 0.015, rng.uniform(-3e-5, 3e-5)) - rng.uniform(0.0, 2e-4)
        if kind == "bed":
            params.append((rng.uniform(2e-4, 1e-3), 10 ** rng.uniform(8, 11)))
        elif kind == "pad":
            params.append((rng.uniform(5e-4, 2e-3),))
        else:
            params.append((10 ** rng.uniform(0.3, 2), 1e-5))
            top = top + 5e-4
        kinds.append(kind)
        cells.append((x + places[k, 0], y + places[k, 1], area, top))
    laws = {"bed": c.elastic_bed, "pad": pad, "paste": paste}

    def law(gap):
        found = [
            laws[kind](gap[36 * k : 36 * k + 36], *p)
            for k, (kind, p) in enumerate(zip(kinds, params, strict=True))
        ]
        return np.concatenate([p for p, _ in found]), np.concatenate([s for _, s in found])

    share = rng.dirichlet(np.full(count, 2.0))
    inside = share @ places
    offsets = rng.uniform(-0.03, 0.03, (4, 2))
    force = rng.uniform(10.0, 60.0, 4)
    offsets -= force @ offsets / force.sum()
    loads = (offsets[:, 0] + inside[0], offsets[:, 1] + inside[1], force, np.zeros(4))
    return law, [np.concatenate([body[k] for body in cells]) for k in range(4)], loads


def test_force_and_moments_balance_on_a_thousand_random_assemblies():
    rng = np.random.default_rng(20)
    lifted = 0
    for _ in range(1000):
        law, cells, loads = random_assembly(rng)
        rest = c.settle_plate(law, cells, loads)
        bearing, total = rest.pressure * cells[2], loads[2].sum()
        assert np.all(rest.pressure >= 0.0)
        lifted += np.any(rest.pressure == 0.0)
        arm = max(
            np.abs(cells[0]).max(), np.abs(cells[1]).max(), np.abs(loads[0]).max(), np.abs(loads[1]).max()
        )
        assert abs(bearing.sum() - total) < 1e-9 * total
        assert abs(bearing @ cells[0] - loads[2] @ loads[0]) < 1e-9 * total * arm
        assert abs(bearing @ cells[1] - loads[2] @ loads[1]) < 1e-9 * total * arm
    assert lifted > 100  # the sample does contain plates that lift off


def test_balance_is_the_minimum_of_the_potential():
    from scipy.optimize import minimize

    x, y = cell_centres(0.012, 0.012, 8)
    area, force = np.full(64, (0.012 / 8) ** 2), 40.0

    def potential(pose):
        gap = (pose[0] + pose[1] * x / 0.006 + pose[2] * y / 0.006) * 1e-6
        pressed = np.maximum(1e-3 - gap, 0.0)
        under = pose[0] + pose[1] * 0.003 / 0.006 + pose[2] * 0.004 / 0.006
        return np.sum(area * 0.5 * 1e9 * pressed**2) * 1e6 + force * under

    rest = c.settle_plate(
        c.elastic_bed, (x, y, area, 0 * x), ([0.003], [0.004], [force], [0.0]), parameters=(1e-3, 1e9)
    )
    found = minimize(
        potential,
        [900.0, 0.0, 0.0],
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 4000},
    )
    mine = np.array([rest.height, rest.slope_x * 0.006, rest.slope_y * 0.006]) * 1e6
    assert np.any(rest.pressure == 0.0)  # a corner has lifted
    np.testing.assert_allclose(found.x, mine, atol=0.02)


@settings(max_examples=40, deadline=None)
@given(
    force=st.floats(5.0, 200.0), more=st.floats(1.01, 3.0), x=st.floats(-3e-3, 3e-3), bow=st.floats(-4e-5, 4e-5),
    stress=st.floats(1.0, 200.0),
)  # fmt: skip
def test_more_force_never_gives_more_gap_on_average(force, more, x, bow, stress):
    px, py = cell_centres(0.012, 0.012, 8)
    cells = (px, py, np.full(64, (0.012 / 8) ** 2), bow_height(px, py, 0.012, 0.012, bow))
    gaps = [
        c.settle_plate(paste, cells, ([x], [0.0], [q], [0.0]), parameters=(stress, 1e-5)).gap
        for q in (force, force * more)
    ]
    assert np.mean(1.0 / gaps[1]) >= np.mean(1.0 / gaps[0]) * (1 - 1e-9)


def test_samples_are_a_loop_of_single_ones():
    rng = np.random.default_rng(1)
    x, y = cell_centres(0.012, 0.010, 8)
    bow, at, force, stress = (
        rng.uniform(-3e-5, 3e-5, 9),
        rng.uniform(-3e-3, 3e-3, 9),
        rng.uniform(20, 90, 9),
        rng.uniform(3, 90, 9),
    )
    area = np.full(64, 0.012 * 0.010 / 64)
    top = bow_height(x[:, None], y[:, None], 0.012, 0.010, bow)
    many = c.settle_plate(
        paste, (x, y, area, top), (at[None], [0.0], force[None], [8e3]), parameters=(stress, 1e-5)
    )
    for k in range(9):
        one = c.settle_plate(
            paste, (x, y, area, top[:, k]), ([at[k]], [0.0], [force[k]], [8e3]), parameters=(stress[k], 1e-5)
        )
        np.testing.assert_allclose(many.pressure[:, k], one.pressure, rtol=1e-8)
        assert many.height[k] == pytest.approx(one.height, rel=1e-10)


def test_a_held_tilt_is_held_and_forces_still_balance():
    x, y = cell_centres(0.012, 0.012, 8)
    area = np.full(64, (0.012 / 8) ** 2)
    rest = c.settle_plate(
        paste,
        (x, y, area, 0 * x),
        ([0.0], [0.0], [50.0], [0.0]),
        slopes=(2e-3, -1e-3),
        parameters=(40.0, 1e-5),
    )
    assert (rest.slope_x, rest.slope_y) == (2e-3, -1e-3)
    assert np.sum(rest.pressure * area) == pytest.approx(50.0, rel=1e-9)


def test_a_raised_plate_presses_its_springs_further():
    x, y = cell_centres(0.012, 0.012, 4)
    cells = [x, y, np.full(16, (0.012 / 4) ** 2), 0 * x]
    corners = ([-0.015, 0.015, 0.015, -0.015], [-0.01, -0.01, 0.01, 0.01], [10.0] * 4, [1e4] * 4)
    low = c.settle_plate(pad, cells, corners, parameters=(0.5e-3,))
    high = c.settle_plate(pad, [*cells[:3], cells[3] + 1e-4], corners, parameters=(0.5e-3,))
    assert high.loads.sum() > low.loads.sum()
    assert low.loads.sum() == pytest.approx(40.0 + 4e4 * low.height, rel=1e-9)


@pytest.mark.parametrize("law", ["bed", "pad", "paste"])
def test_beds_have_no_jump_and_never_pull_and_their_stiffness_is_the_slope(law):
    gap = np.linspace(-2e-5, 1.2e-3, 10_000)
    found = {
        "bed": lambda g: c.elastic_bed(g, 1e-3, 1e9), "pad": lambda g: pad(g, 1e-3), "paste": lambda g: paste(g, 40.0, 1.2e-5),
    }[law]  # fmt: skip
    pressure, stiffness = found(gap)
    assert np.all(pressure >= 0)
    assert np.all(stiffness >= 0)
    assert np.all(np.diff(pressure) <= 0)
    step = -np.diff(pressure) / np.diff(gap)
    slack = 1e-6 * np.maximum(stiffness[:-1], stiffness[1:]) + 1.0
    low, high = np.minimum(stiffness[:-1], stiffness[1:]), np.maximum(stiffness[:-1], stiffness[1:])
    assert np.all(step >= low - slack)
    assert np.all(step <= high + slack)


@pytest.mark.parametrize(
    ("loads", "said"),
    [
        (([0.02], [0.0], [10.0], [0.0]), "finds no rest.*20 mm"),
        (([0.0], [0.0], [0.0], [0.0]), "no load presses"),
    ],
)
def test_what_cannot_rest_is_refused(loads, said):
    x, y = cell_centres(0.012, 0.012, 8)
    with pytest.raises(ValueError, match=said):
        c.settle_plate(c.elastic_bed, (x, y, np.full(64, 1e-6), 0 * x), loads, parameters=(1e-3, 1e9))


def test_nothing_to_rest_on_is_refused():
    x, y = cell_centres(0.012, 0.012, 8)
    with pytest.raises(ValueError, match="nothing bears"):
        c.settle_plate(
            c.elastic_bed, (x, y, np.zeros(64), 0 * x), ([0.0], [0.0], [5.0], [0.0]), parameters=(1e-3, 1e9)
        )


def test_eccentricity_off_the_plate_is_refused():
    with pytest.raises(ValueError, match="below half"):
        c.edge_pressures(45.0, 0.02, 0.015, 0.01)
