"""Spreading: published limits, plain series, and finite differences of the plates themselves."""

import time

import numpy as np
import pytest
import scipy.sparse as sparse
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse.linalg import splu, spsolve

from thermnet.materials.solids import solid
from thermnet.network import ThermalNetwork
from thermnet.parts.base import Assembly, Patch, join
from thermnet.parts.interface import InterfaceLayer
from thermnet.parts.plate import ColdPlate
from thermnet.physics import spreading
from thermnet.physics.plate_spreading import between_rectangles, rectangle_on_plate

# Source sides, plate sides, thickness (m), conductivity (W/m K), film on the back (W/m2 K).
PLATES = {
    "copper_40": (0.012, 0.012, 0.040, 0.040, 0.0015, 390.0, 1500.0),
    "copper_50_oblong_source": (0.010, 0.015, 0.050, 0.040, 0.0010, 390.0, 500.0),
    "hot_spot_on_wide_plate": (0.006, 0.006, 0.090, 0.060, 0.0020, 390.0, 300.0),
    "thin_aluminium_large_source": (0.030, 0.020, 0.040, 0.030, 0.0005, 167.0, 50.0),
    "thick_copper_strong_cooling": (0.012, 0.012, 0.040, 0.040, 0.0030, 390.0, 1e5),
    "thick_aluminium": (0.010, 0.020, 0.060, 0.040, 0.0040, 160.0, 5000.0),
    "wide_thin_copper": (0.015, 0.020, 0.120, 0.080, 0.0006, 390.0, 350.0),
    "plastic_lid": (0.020, 0.020, 0.060, 0.050, 0.0020, 0.3, 20.0),
}


# -- finite differences --------------------------------------------------------------------------------------


def half_axis(source, plate, inside, outside):
    """Cells from the middle outwards: even over half the source, then growing to half the plate."""
    first = 0.5 * source / inside
    rest = 0.5 * (plate - source)
    low, high = 0.5, 3.0
    for _ in range(80):
        growth = 0.5 * (low + high)
        total = first * sum(growth**n for n in range(1, outside + 1))
        low, high = (growth, high) if total < rest else (low, growth)
    outer = first * growth ** np.arange(1, outside + 1)
    return np.concatenate([np.full(inside, first), outer * rest / outer.sum()])


class Stack:
    """A quarter of layers one upon another; ``over_source`` layers are only as wide as the source.

    Layers are (thickness, conductivity, heat capacity per volume, cells, over_source), from the top down.  1
    W goes in evenly at the top of the source; a film cools the bottom.
    """

    def __init__(self, source, plate, layers, film, cells=(8, 14)):
        dx, dy = (half_axis(s, p, *cells) for s, p in zip(source, plate, strict=True))
        dz = np.concatenate([np.full(n, t / n) for t, _, _, n, _ in layers])
        k = np.concatenate([np.full(n, value) for _, value, _, n, _ in layers])
        heat = np.concatenate([np.full(n, value) for _, _, value, n, _ in layers])
        narrow = np.concatenate([np.full(n, flag) for *_, n, flag in layers])
        inside = np.outer(np.arange(dx.size) < cells[0], np.arange(dy.size) < cells[0])
        active = np.where(narrow[:, None, None], inside[None], True)
        number = np.full(active.shape, -1)
        number[active] = np.arange(active.sum())
        area = np.outer(dx, dy)
        entries = []

        def link(first, second, conductance):
            both = (first >= 0) & (second >= 0)
            a, b, g = first[both], second[both], np.broadcast_to(conductance, first.shape)[both]
            entries.extend([(a, a, g), (b, b, g), (a, b, -g), (b, a, -g)])

        sheet = (k * dz)[:, None, None]
        link(number[:, :-1], number[:, 1:], sheet * dy / (0.5 * (dx[:-1] + dx[1:]))[:, None])
        link(number[:, :, :-1], number[:, :, 1:], sheet * dx[:, None] / (0.5 * (dy[:-1] + dy[1:])))
        half = 0.5 * dz / k
        link(number[:-1], number[1:], area / (half[:-1] + half[1:])[:, None, None])
        bottom = number[-1].ravel()
        entries.append((bottom, bottom, (area / (half[-1] + 1.0 / film)).ravel()))
        rows, columns, values = (np.concatenate([e[i].ravel() for e in entries]) for i in range(3))
        count = int(active.sum())
        self.conductance = sparse.csc_matrix((values, (rows, columns)), shape=(count, count))
        self.capacity = ((heat * dz)[:, None, None] * area)[active]
        self.top, self.weight = number[0][inside], area[inside] / area[inside].sum()
        self.source = np.zeros(count)
        self.source[self.top] = 0.25 * self.weight
        self.skin = half[0] / (source[0] * source[1])  # from the first cell's middle to the surface

    def surface(self, temperature):
        """Mean temperature of the source."""
        return float(temperature[self.top] @ self.weight) + self.skin

    def steady(self):
        return self.surface(spsolve(self.conductance, self.source))

    def step(self, duration):
        """Times and rise of the source after 1 W begins; two-stage L-stable steps that grow."""
        gamma = 1.0 - 1.0 / np.sqrt(2.0)
        temperature, now, length = np.zeros(self.source.size), 0.0, 2e-4
        times, rises = [], []
        while now < duration:
            lu = splu((sparse.diags(self.capacity) + gamma * length * self.conductance).tocsc())
            for _ in range(12):
                first = lu.solve(self.source - self.conductance @ temperature)
                moved = temperature + (1.0 - gamma) * length * first
                second = lu.solve(self.source - self.conductance @ moved)
                temperature = moved + gamma * length * second
                now += length
                times.append(now)
                rises.append(self.surface(temperature))
            length *= 1.8
        return np.array(times), np.array(rises)


@pytest.mark.parametrize("plate", PLATES.values(), ids=PLATES)
def test_plate_agrees_with_finite_differences(plate):
    c, d, length, width, t, k, h = plate
    stack = Stack((c, d), (length, width), [(t, k, 1.0, 8, False)], h, cells=(10, 16))
    through = spreading.through_plate(length * width, t, k, h)
    assert rectangle_on_plate(*plate) == pytest.approx(stack.steady() - through, rel=0.03)


DIE_THICKNESS = 0.775e-3
STACKS = {
    **{name: PLATES[name] for name in ("copper_40", "copper_50_oblong_source", "wide_thin_copper")},
    "aluminium_60": (0.010, 0.015, 0.060, 0.040, 0.0010, 160.0, 420.0),
    "thick_copper_60": (0.012, 0.012, 0.060, 0.060, 0.0030, 390.0, 1400.0),
    "small_chip": (0.006, 0.006, 0.040, 0.040, 0.0010, 390.0, 1500.0),
}


@pytest.mark.parametrize("case", STACKS.values(), ids=STACKS)
def test_die_on_plate_follows_finite_differences(case):
    c, d, length, width, t, k, h = case
    material = "copper" if k > 300 else "aluminium"
    silicon, metal = solid("silicon"), solid(material)
    layer = InterfaceLayer(material="grease")
    joint, area = layer.area_resistance(), c * d
    layers = [
        (DIE_THICKNESS, silicon.conductivity, silicon.volumetric_heat_capacity, 4, True),
        (30e-6, 30e-6 / joint, 1e3, 1, True),
        (t, k, metal.volumetric_heat_capacity, 6, False),
    ]
    duration = 5 * metal.volumetric_heat_capacity * t / h
    times, rises = Stack((c, d), (length, width), layers, h).step(duration)

    film = 1.0 / (h * length * width)
    plate = ColdPlate(
        length=length, width=width, thickness=t, material=material, source_area=area, back_resistance=film,
        conductivity=k,
    )  # fmt: skip
    net = ThermalNetwork()
    assembly = Assembly(net, {})
    net.add_boundary("ambient", 0.0)
    plate.add_to(assembly, "plate")
    half = 0.5 * silicon.volumetric_heat_capacity * DIE_THICKNESS * area
    net.add_node("junction", capacity=half)
    net.add_node("base", capacity=half)
    net.add_link("junction", "base", resistance=DIE_THICKNESS / (silicon.conductivity * area))
    assembly.add_face("die.back", Patch("base", area), material="silicon")
    join(assembly, "die.back", "plate.top", through=layer, through_name="joint")
    net.add_link(assembly.faces["plate.bottom"].patches[0].node, "ambient", resistance=film)
    run = net.transient({"junction": 1.0}, initial=0.0, times=np.concatenate([[0.0], times]))
    lumped = run.temperature("junction")[1:]
    final = float(net.steady({"junction": 1.0})["junction"])
    # The part takes the flux under a die as even (the die itself evens it out) and oblong sources as squares.
    assert final == pytest.approx(rises[-1], rel=0.03)
    assert np.max(np.abs(lumped - rises)) < 0.05 * final


def test_a_plate_of_one_node_would_miss_the_first_second():
    """Why the plate has a core: without it the same comparison is several times worse."""
    c, d, length, width, t, k, h = PLATES["copper_40"]
    times, rises = Stack((c, d), (length, width), [(t, k, 3.45e6, 6, False)], h).step(5.0)
    plate = ColdPlate(length=length, width=width, thickness=t, back_resistance=1 / (h * length * width))
    at_once = plate.spreading_resistance(c * d)
    early = rises[times < 5e-3]
    assert np.all(at_once - early > 0.3 * at_once)


# -- exact limits --------------------------------------------------------------------------------------------


def test_small_source_on_a_large_block_is_a_half_space():
    block = rectangle_on_plate(0.01, 0.02, 20.0, 20.0, 20.0, 50.0, np.inf)
    assert block == pytest.approx(spreading.rectangle_on_half_space(0.01, 0.02, 50.0), rel=1e-3)
    disc = spreading.disc_on_disc(0.01, 10.0, 10.0, 50.0)
    assert disc == pytest.approx(spreading.disc_on_half_space(0.01, 50.0, "mean"), rel=2e-3)
    bar = spreading.disc_in_square_bar(0.01, 0.5, 50.0)
    assert bar == pytest.approx(spreading.disc_on_half_space(0.01, 50.0, "mean"), rel=0.03)


def test_centre_of_small_source_on_a_large_block():
    block = rectangle_on_plate(0.02, 0.02, 20.0, 20.0, 20.0, 50.0, at="centre")
    assert block == pytest.approx(spreading.rectangle_on_half_space(0.02, 0.02, 50.0, "centre"), rel=2e-3)
    disc = spreading.disc_on_disc(0.01, 2.0, 2.0, 50.0, at="centre")
    assert disc == pytest.approx(spreading.disc_on_half_space(0.01, 50.0, "centre"), rel=6e-3)


def test_source_that_covers_the_plate_does_not_spread():
    assert rectangle_on_plate(0.04, 0.03, 0.04, 0.03, 0.001, 390.0, 500.0) == pytest.approx(0.0, abs=1e-9)
    assert spreading.disc_on_disc(0.02, 0.02, 0.001, 390.0, 500.0) == pytest.approx(0.0, abs=1e-9)
    assert rectangle_on_plate(0.04, 0.03, 0.04, 0.03, 0.001, 390.0, 500.0, at="centre") == pytest.approx(
        0.0, abs=1e-7
    )


def test_square_and_disc_of_equal_area_differ_little():
    side, plate = 0.012, 0.04
    square = rectangle_on_plate(side, side, plate, plate, 0.0015, 390.0, 1500.0)
    disc = spreading.disc_on_disc(side / np.sqrt(np.pi), plate / np.sqrt(np.pi), 0.0015, 390.0, 1500.0)
    assert square == pytest.approx(disc, rel=0.03)


def test_strip_is_two_dimensional_whichever_way_it_lies():
    along = rectangle_on_plate(0.01, 0.03, 0.05, 0.03, 0.002, 160.0, 800.0)
    across = rectangle_on_plate(0.03, 0.01, 0.03, 0.05, 0.002, 160.0, 800.0)
    m = np.arange(1, 4000) * np.pi / 0.05
    phi = (m + 5.0 * np.tanh(m * 0.002)) / (m * np.tanh(m * 0.002) + 5.0)
    shape = np.cos(m * 0.025) * np.sinc(m * 0.005 / np.pi)
    plain = np.sum(2.0 / 0.05 * shape**2 * phi / m) / (0.03 * 160.0)
    assert along == pytest.approx(plain, rel=1e-6)
    assert across == pytest.approx(along, rel=1e-9)


# Thin wide plates of poor conductors are the hardest: there the series in use is good to four digits.
# -- what must hold for any plate ----------------------------------------------------------------------------

plates = st.tuples(
    st.floats(0.05, 0.95), st.floats(0.05, 0.95), st.floats(0.02, 0.15), st.floats(0.02, 0.15),
    st.floats(3e-4, 5e-3), st.floats(1.0, 500.0), st.floats(5.0, 1e4),
)  # fmt: skip
common = settings(deadline=None, max_examples=60)


@common
@given(plates, st.floats(1.02, 3.0))
def test_more_metal_or_cooling_is_never_hotter(p, factor):
    a, b, length, width, t, k, h = p
    source = (a * length, b * width)

    def total(length, width, t, k, h):
        return rectangle_on_plate(*source, length, width, t, k, h) + spreading.through_plate(
            length * width, t, k, h
        )

    base = total(length, width, t, k, h)
    slack = base * 2e-4
    assert total(length * factor, width, t, k, h) <= base + slack
    assert total(length, width * factor, t, k, h) <= base + slack
    assert total(length, width, t, k * factor, h) <= base + slack
    assert total(length, width, t, k, h * factor) <= base + slack


@common
@given(plates, st.floats(0.5, 0.99))
def test_smaller_source_is_never_cooler_and_centre_not_cooler_than_mean(p, factor):
    a, b, length, width, t, k, h = p
    large = rectangle_on_plate(a * length, b * width, length, width, t, k, h)
    small = rectangle_on_plate(a * length * factor, b * width * factor, length, width, t, k, h)
    centre = rectangle_on_plate(a * length, b * width, length, width, t, k, h, at="centre")
    slack = 2e-4 * small + 1e-9
    assert 0.0 <= large + slack
    assert large <= small + slack
    assert centre >= large - slack


@common
@given(plates, st.floats(-1, 1), st.floats(-1, 1))
def test_source_away_from_the_middle_is_never_cooler(p, x, y):
    a, b, length, width, t, k, h = p
    x, y = 0.5 * x * length * (1 - a), 0.5 * y * width * (1 - b)
    middle = rectangle_on_plate(a * length, b * width, length, width, t, k, h)
    aside = rectangle_on_plate(a * length, b * width, length, width, t, k, h, x_offset=x, y_offset=y)
    mirrored = rectangle_on_plate(a * length, b * width, length, width, t, k, h, x_offset=-x, y_offset=y)
    assert aside >= middle * (1 - 2e-4) - 1e-9
    assert mirrored == pytest.approx(aside, rel=1e-6, abs=1e-9)


@common
@given(plates, st.floats(0.1, 0.4), st.floats(-0.5, 0.5))
def test_two_sources_are_reciprocal_and_their_halves_add_up(p, share, y):
    a, _, length, width, t, k, h = p
    first = (0.4 * a * length, share * width, -0.25 * length, 0.0)
    second = (0.3 * length, 0.2 * width, 0.3 * length, y * 0.7 * width)
    body = (length, width, t, k, h)
    there, back = between_rectangles(first, second, *body), between_rectangles(second, first, *body)
    assert there == pytest.approx(back, rel=1e-4, abs=1e-5 / k)
    # A source cut in two: the whole is the mean of what the halves do.
    left = (0.2 * a * length, share * width, -0.25 * length - 0.1 * a * length, 0.0)
    right = (0.2 * a * length, share * width, -0.25 * length + 0.1 * a * length, 0.0)
    parts = 0.5 * (between_rectangles(left, second, *body) + between_rectangles(right, second, *body))
    assert parts == pytest.approx(there, rel=1e-4, abs=1e-5 / k)


def test_whole_plate_as_receiver_sees_no_spreading():
    body = (0.05, 0.04, 0.0015, 390.0, 900.0)
    value = between_rectangles((0.01, 0.01, 0.012, -0.008), (0.05, 0.04, 0.0, 0.0), *body)
    assert value == pytest.approx(0.0, abs=1e-9)


def test_discs_behave_as_plates_do():
    ratio = np.linspace(0.02, 1.0, 10_000)
    for at in ("mean", "centre"):
        scan = spreading.disc_on_disc(0.02 * ratio, 0.02, 0.0015, 390.0, 1500.0, at)
        assert np.all(np.diff(scan) < 1e-7)
        assert np.max(-np.diff(scan)) < 0.05 * scan[0]
    mean, centre = (
        spreading.disc_on_disc(0.005, 0.02, 0.0015, 390.0, 1500.0, at) for at in ("mean", "centre")
    )
    assert centre > mean


def test_scan_of_sizes_offsets_and_films_has_no_jump():
    x = np.linspace(0.0, 1.0, 10_000)
    scans = (
        rectangle_on_plate(0.001 + 0.039 * x, 0.01, 0.04, 0.04, 0.0015, 390.0, 1500.0),
        rectangle_on_plate(0.012, 0.012, 0.04, 0.04, 0.0015, 390.0, 1500.0, x_offset=0.014 * (2 * x - 1)),
        rectangle_on_plate(0.012, 0.012, 0.04, 0.04, 0.0015, 390.0, 10.0 ** (6 * x)),
        rectangle_on_plate(0.012, 0.012, 0.04, 0.04, 10.0 ** (2 * x - 4), 390.0, 1500.0),
    )
    for scan in scans:
        assert np.all(np.isfinite(scan))
        assert np.max(np.abs(np.diff(scan))) < 0.004 * np.ptp(scan)


def test_arrays_give_what_scalars_give():
    values = np.array(list(PLATES.values())).T
    many = rectangle_on_plate(*values)
    single = [rectangle_on_plate(*row) for row in values.T]
    np.testing.assert_allclose(many, single, rtol=2e-5)
    films = np.array([[200.0], [2000.0]])
    table = rectangle_on_plate(np.array([0.01, 0.012, 0.02]), 0.012, 0.04, 0.04, 0.0015, 390.0, films)
    assert table.shape == (2, 3)
    assert isinstance(rectangle_on_plate(0.01, 0.01, 0.04, 0.04, 0.0015, 390.0), float)


def test_wrong_arguments_are_named():
    with pytest.raises(ValueError, match=r"source length 0.05 m .* plate of 0.04 m"):
        rectangle_on_plate(0.05, 0.01, 0.04, 0.04, 0.001, 390.0)
    with pytest.raises(ValueError, match="source width"):
        rectangle_on_plate(0.01, 0.01, 0.04, 0.04, 0.001, 390.0, y_offset=0.016)
    with pytest.raises(ValueError, match="'mean' or 'centre'"):
        rectangle_on_plate(0.01, 0.01, 0.04, 0.04, 0.001, 390.0, at="max")
    with pytest.raises(ValueError, match="at most the plate's"):
        spreading.disc_on_disc(0.03, 0.02, 0.001, 390.0)
    with pytest.raises(ValueError, match="isothermal, mean, centre"):
        spreading.disc_on_half_space(0.01, 390.0, "edge")
    with pytest.raises(ValueError, match="a point"):
        between_rectangles((0.01, 0.01, 0, 0), (0.0, 0.01, 0, 0), 0.04, 0.04, 0.001, 390.0)


def test_a_call_is_fast_enough_for_parts():
    rectangle_on_plate(*PLATES["copper_40"])
    best = np.inf
    for _ in range(20):
        start = time.perf_counter()
        rectangle_on_plate(*PLATES["copper_40"])
        best = min(best, time.perf_counter() - start)
    assert best < 5e-3  # about 0.6 ms on an idle core
