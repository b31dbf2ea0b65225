"""Wicks, heat-pipe limits and resistances, dry-out law, vapor chambers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.materials import water
from thermnet.network.laws import DryOut
from thermnet.physics import heat_pipe, pipe_limits, two_phase, vapor_chamber, wicks
from thermnet.physics.heat_pipe import Lengths
from thermnet.verify.worked_two_phase import mesh_chamber, round_pipe_limits, sintered_pipe_limit

COPPER = 390.0
LENGTHS = Lengths(0.02, 0.08, 0.05)
DIAMETERS = np.array([3.0, 4.0, 5.0, 6.0, 8.0]) * 1e-3
FLAT = np.array([2.0, 2.0, 2.0, 2.0, 2.5]) * 1e-3


def sintered(temperature=55.0, particle=105e-6, porosity=0.45):
    return wicks.sintered_powder(particle, porosity, COPPER, water.liquid_conductivity(temperature))


def limit(temperature=55.0, *, diameter=6e-3, thickness=3e-3, lengths=LENGTHS, **more):
    section = heat_pipe.pipe_section(diameter, 0.3e-3, 0.42e-3, thickness)
    wick = sintered(water.within_range(temperature))
    parts = heat_pipe.resistances(55.0, section, wick, lengths, wall_conductivity=COPPER)
    return pipe_limits.heat_limit(
        temperature, section, wick, lengths, wick_resistance=parts["evaporator_wick"], **more
    )


# -- wicks -------------------------------------------------------------------------------------------------


def test_sphere_permeability_is_the_laminar_end_of_ergun():
    fluids = pytest.importorskip("fluids")
    diameter, porosity = np.array([40e-6, 100e-6, 200e-6]), np.array([0.35, 0.45, 0.55])
    drop = np.array([
        fluids.packed_bed.Ergun(dp=d, voidage=e, vs=1e-9, rho=1000.0, mu=1e-3, L=0.1)
        for d, e in zip(diameter, porosity, strict=True)
    ])  # fmt: skip
    assert wicks.spheres_permeability(diameter, porosity) == pytest.approx(1e-3 * 1e-9 * 0.1 / drop, rel=1e-6)


def test_groove_permeability_of_a_deep_narrow_groove_is_that_of_a_slot():
    # Parallel plates a distance w apart: K = w^2/12 per open area; Dh = 2w for an infinitely deep groove.
    value = wicks.groove_permeability(0.1e-3, 50e-3, 0.1e-3)
    assert value == pytest.approx(0.5 * (0.1e-3) ** 2 / 12.0, rel=0.01)


def test_measured_wick_permeability_lies_inside_the_formula_for_fine_powder():
    # 7.81e-13 m^2 measured (IJAERS); the formula needs 29 um powder at porosity 0.4, a fine powder.
    needed = np.sqrt(7.81e-13 * 150 * 0.6**2 / 0.4**3)
    assert 20e-6 < needed < 60e-6
    assert wicks.spheres_permeability(needed, 0.4) == pytest.approx(7.81e-13, rel=1e-12)


@pytest.mark.parametrize(
    "conductivity",
    [
        wicks.spheres_conductivity_bound,
        wicks.spheres_conductivity,
        wicks.screen_conductivity,
        wicks.groove_conductivity,
    ],
)
def test_conductivity_lies_between_liquid_and_metal_and_falls_with_porosity(conductivity):
    porosity = np.linspace(0.0, 1.0, 101)
    values = conductivity(porosity, COPPER, 0.65)
    assert values[0] == pytest.approx(COPPER)
    assert values[-1] == pytest.approx(0.65)
    assert np.all(np.diff(values) < 0)


def test_maxwell_bounds_the_geometric_mean():
    porosity = np.linspace(0.05, 0.95, 50)
    bound = wicks.spheres_conductivity_bound(porosity, COPPER, 0.65)
    assert np.all(wicks.spheres_conductivity(porosity, COPPER, 0.65) < bound)


def test_composite_takes_the_fine_pores_and_most_of_the_coarse_permeability():
    cover, grooves = sintered(), wicks.axial_grooves(0.2e-3, 0.25e-3, 0.15e-3, COPPER, 0.65)
    both = wicks.composite(cover, 0.15e-3, grooves, 0.25e-3)
    assert both.pore_radius == cover.pore_radius
    assert cover.permeability < both.permeability < grooves.permeability
    assert cover.conductivity < both.conductivity < grooves.conductivity
    only = wicks.composite(cover, 0.4e-3, cover, 0.1e-3)
    assert only == pytest.approx(cover)


def test_wire_thicker_than_the_mesh_is_refused():
    with pytest.raises(ValueError, match="expected a wire thinner than the pitch"):
        wicks.screen_porosity(50e-6, 60e-6)


# -- section -----------------------------------------------------------------------------------------------


def test_unflattened_section_is_a_ring():
    section = heat_pipe.pipe_section(6e-3, 0.3e-3, 0.4e-3)
    assert section.width == section.height == 6e-3
    assert section.vapour_area == pytest.approx(np.pi * 2.3e-3**2)
    assert section.wick_area == pytest.approx(np.pi * (2.7e-3**2 - 2.3e-3**2))
    assert section.wall_area == pytest.approx(np.pi * (3.0e-3**2 - 2.7e-3**2))
    assert section.vapour_diameter == pytest.approx(4.6e-3)
    assert section.vapour_friction == pytest.approx(16.0)
    assert section.wick_perimeter == pytest.approx(np.pi * 5.0e-3)


def test_flattening_keeps_the_metal_and_takes_the_vapour_space():
    thickness = np.linspace(6e-3, 2e-3, 50)
    section = heat_pipe.pipe_section(6e-3, 0.3e-3, 0.4e-3, thickness)
    # Constant perimeter at the outside: the wall's section grows by no more than its curvature term.
    assert section.wall_area == pytest.approx(section.wall_area[0] * np.ones(50), rel=0.06)
    assert np.all(np.diff(section.vapour_area) < 0)
    assert np.all(np.diff(section.width) > 0)


def test_no_room_for_vapour_is_refused_in_words():
    with pytest.raises(ValueError, match="no room for vapour"):
        heat_pipe.pipe_section(4e-3, 0.3e-3, 0.42e-3, 1e-3)
    with pytest.raises(ValueError, match="expected at most the diameter"):
        heat_pipe.pipe_section(4e-3, 0.3e-3, 0.3e-3, 5e-3)


def stadium_by_finite_differences(aspect, points):
    """Fanning f Re between flat sides joined by half circles: uneven steps at the boundary."""
    sparse = pytest.importorskip("scipy.sparse")
    from scipy.sparse.linalg import spsolve

    radius, flat, h = 0.5, 0.5 * (1 / aspect - 1), 0.5 / points
    top = lambda x: radius if x <= flat else np.sqrt(max(radius**2 - (x - flat) ** 2, 0.0))  # noqa: E731
    columns = int(np.ceil((flat + radius) / h)) + 1
    number = {}
    for i in range(columns):
        for j in range(points):
            if j * h < top(i * h) - 1e-12:
                number[i, j] = len(number)
    rows, cols, values = [], [], []
    for (i, j), k in number.items():
        diagonal = 0.0
        reach_x = flat + np.sqrt(radius**2 - (j * h) ** 2) - i * h
        reach_y = top(i * h) - j * h
        for step, ahead, behind, reach in (
            (h, (i + 1, j), (i - 1, j), reach_x), (h, (i, j + 1), (i, j - 1), reach_y),
        ):  # fmt: skip
            inner = ahead in number
            first = step if inner else reach
            mirrored = behind[0] < 0 or behind[1] < 0
            weight = 2 / first**2 if mirrored else 2 / (first * (first + h))
            if inner:
                rows.append(k), cols.append(number[ahead]), values.append(weight)
            diagonal -= weight
            if not mirrored:
                back = 2 / (h * (first + h))
                rows.append(k), cols.append(number[behind]), values.append(back)
                diagonal -= back
        rows.append(k), cols.append(k), values.append(diagonal)
    matrix = sparse.csr_matrix((values, (rows, cols)), shape=(len(number), len(number)))
    speed = spsolve(matrix, np.full(len(number), -1.0))
    slices = []
    for i in range(columns):
        ys = [j * h for j in range(points) if (i, j) in number]
        us = [speed[number[i, j]] for j in range(points) if (i, j) in number]
        slices.append(np.trapezoid([*us, 0.0], [*ys, top(i * h)]) if ys else 0.0)
    used = [i for i in range(columns) if slices[i] > 0]
    flow = 4 * np.trapezoid([*(slices[i] for i in used), 0.0], [*(i * h for i in used), flat + radius])
    area, perimeter = np.pi * radius**2 + 4 * flat * radius, 2 * np.pi * radius + 4 * flat
    return (4 * area / perimeter) ** 2 / (2 * flow / area)


@pytest.mark.parametrize("aspect", [1.0, 0.6, 0.3])
def test_stadium_friction_against_finite_differences(aspect):
    coarse, fine = stadium_by_finite_differences(aspect, 10), stadium_by_finite_differences(aspect, 20)
    assert heat_pipe.stadium_friction(aspect) == pytest.approx(fine + (fine - coarse) / 3, rel=1.5e-3)


def test_mean_perimeter_stands_for_the_cylinder():
    conduction = pytest.importorskip("ht.conduction")
    section = heat_pipe.pipe_section(6e-3, 0.3e-3, 0.42e-3)
    flat = section.wick_thickness / (20.0 * section.wick_perimeter * 0.02)
    exact = conduction.R_cylinder(Di=2 * 2.28e-3, Do=2 * 2.7e-3, k=20.0, L=0.02)
    assert flat == pytest.approx(exact, rel=3e-3)


# -- limits ------------------------------------------------------------------------------------------------


def test_limits_live_with_coolprop_properties():
    cool = pytest.importorskip("CoolProp.CoolProp")
    kelvin = 333.15
    liquid = {k: cool.PropsSI(k, "T", kelvin, "Q", 0, "Water") for k in ("D", "V", "H", "L")}
    vapour = {
        k: cool.PropsSI(k, "T", kelvin, "Q", 1, "Water") for k in ("D", "V", "H", "P", "CPMASS", "CVMASS")
    }
    latent, tension = vapour["H"] - liquid["H"], water.surface_tension(60.0)
    gamma, area = vapour["CPMASS"] / vapour["CVMASS"], np.pi * 5e-3**2
    got = round_pipe_limits(60.0, 6.5e-3, 5e-3, 0.15, 0.2, 0.15, 1e-4, 0.65, 1e-7, 393.0)
    speed = np.sqrt(gamma * water.GAS_CONSTANT * kelvin / (2 * (gamma + 1)))
    assert got["sonic"] == pytest.approx(area * vapour["D"] * latent * speed, rel=1e-6)
    pore = 0.41 * 50e-6
    assert got["entrainment"] == pytest.approx(
        area * latent * np.sqrt(tension * vapour["D"] / (2 * pore)), rel=1e-6
    )
    viscous = area * 5e-3**2 * latent * vapour["D"] * vapour["P"] / (16 * vapour["V"] * 0.35)
    assert got["viscous"] == pytest.approx(viscous, rel=1e-6)
    permeability = 50e-6**2 * 0.65**3 / (37.5 * 0.35**2)
    friction = liquid["V"] / (permeability * np.pi * (6.5e-3**2 - 5e-3**2) * liquid["D"] * latent)
    friction += 8 * vapour["V"] / (np.pi * 5e-3**4 * vapour["D"] * latent)
    pressure = 2 * tension / pore - liquid["D"] * 9.80665 * 10e-3
    assert got["capillary"] == pytest.approx(pressure / (friction * 0.35), rel=1e-4)


def test_one_set_of_wick_parameters_gives_the_published_table():
    published = np.array([15.0, 22.0, 30.0, 38.0, 63.0, 10.5, 18.0, 25.5, 33.0, 52.0])
    ours = sintered_pipe_limit(
        60.0, np.tile(DIAMETERS, 2), np.concatenate([DIAMETERS, FLAT]), 0.02, 0.08, 0.05,
        0.3e-3, 0.42e-3, 105e-6, 0.45,
        COPPER,
    )  # fmt: skip
    deviation = ours / published - 1
    assert np.max(np.abs(deviation)) < 0.16
    assert abs(np.mean(deviation)) < 0.05


def test_thin_chamber_limits_and_resistances_stand_near_the_published_ones():
    got = mesh_chamber(
        60.0, 0.14, 0.08, np.array([0.40, 0.50, 0.58]) * 1e-3, np.array([0.15, 0.25, 0.35]) * 1e-3, 15e-3,
        127e-6, 50e-6,
        8.0, COPPER,
    )  # fmt: skip
    assert got["limit"] == pytest.approx([55.0, 90.0, 140.0], rel=0.25)
    # Published 0.053-0.078, 0.036-0.055, 0.036-0.055 K/W.
    assert np.all((got["resistance"] > 0.03) & (got["resistance"] < 0.10))
    assert np.all(np.diff(got["resistance"]) < 0)


def test_raising_the_evaporator_lowers_the_limit_all_the_way():
    values = limit(tilt=np.linspace(-90.0, 90.0, 181))
    # In the last two degrees the height of the vapour space, no longer climbed, gives a trace back.
    assert np.all(np.diff(values[:178]) < 0)
    assert values[-1] == pytest.approx(values[177], rel=1e-3)
    assert 0.2 < 1 - values[-1] / values[90] < 0.6  # straight up: 20 to 60 % less for a sintered wick


def test_gravity_that_wins_leaves_almost_nothing_but_never_less():
    # A wide groove cannot lift water over 150 mm.
    section = heat_pipe.pipe_section(6e-3, 0.3e-3, 0.4e-3, 3e-3)
    wick = wicks.axial_grooves(0.3e-3, 0.4e-3, 0.2e-3, COPPER, 0.65)
    tilt = np.linspace(0.0, 88.0, 10_001)
    values = pipe_limits.heat_limit(55.0, section, wick, LENGTHS, wick_resistance=0.01, tilt=tilt)
    assert np.all(values > 0)
    assert values[-1] < 0.01 * values[0]
    assert np.all(np.diff(values) < 0)
    assert np.max(np.abs(np.diff(values))) < 1e-3 * values[0]


def test_hotter_vapour_carries_more():
    # Trade practice says about +30 % from 40 to 70 degC; the merit number alone gives +42 %, and thin
    # pipes, held back by their vapour, gain more.
    round_gain = limit(70.0, thickness=6e-3) / limit(40.0, thickness=6e-3)
    flat_gain = limit(70.0, thickness=2e-3) / limit(40.0, thickness=2e-3)
    assert 1.2 < round_gain < 1.5
    assert round_gain < flat_gain < 1.9


def test_thicker_pipes_carry_more_and_bends_cost():
    thickness = np.linspace(1.6e-3, 6e-3, 100)
    values = limit(thickness=thickness)
    assert np.all(np.diff(values[:60]) > 0)
    # Near round the vapour no longer matters, and its greater height costs a trace of pressure.
    assert values[-1] == pytest.approx(np.max(values), rel=2e-3)
    assert np.all(np.diff(limit(diameter=np.linspace(3e-3, 10e-3, 50), thickness=2.5e-3)) > 0)
    assert limit(bends=90.0) == pytest.approx(0.965 * limit(), rel=1e-12)
    assert limit(lengths=Lengths(0.02, 0.16, 0.05)) < limit()


def test_flattening_takes_less_than_half_of_the_limit_as_published():
    ratio = limit(60.0, diameter=DIAMETERS, thickness=FLAT) / limit(
        60.0, diameter=DIAMETERS, thickness=DIAMETERS
    )
    assert ratio == pytest.approx(
        np.array([10.5, 18.0, 25.5, 33.0, 52.0]) / [15.0, 22.0, 30.0, 38.0, 63.0], abs=0.16
    )


def test_cold_start_collapses_smoothly():
    temperatures = np.linspace(-10.0, 30.0, 10_001)
    values = limit(temperatures)
    assert np.all(np.diff(values) >= 0)
    assert values[0] < 0.02 * limit(30.0)
    assert np.max(np.abs(np.diff(values))) < 2e-3 * limit(30.0)
    second = np.abs(np.diff(values, 2))
    assert np.max(second) < 1e-5 * limit(30.0)  # C1: no kink
    assert two_phase.cold_start(12.0) == 1.0
    assert two_phase.cold_start(np.array([-5.0, 0.0])) == pytest.approx(two_phase.COLD_FLOOR)


def test_limit_is_smooth_over_the_whole_range():
    temperatures = np.linspace(12.0, 200.0, 10_001)
    values = limit(temperatures, thickness=2e-3)
    assert np.max(np.abs(np.diff(values, 2))) < 2e-5 * np.max(values)
    assert np.all(values > 0)


def test_governing_limit_is_named_elementwise():
    section = heat_pipe.pipe_section(6e-3, 0.3e-3, 0.42e-3, 2e-3)
    limits = pipe_limits.heat_limits(
        np.array([2.0, 60.0, 190.0]),
        section,
        sintered(),
        LENGTHS,
        wick_resistance=0.1,
        nucleation_radius=1e-5,
    )
    names, values = two_phase.governing(limits)
    assert names.tolist() == ["viscous", "capillary", "boiling"]
    assert values == pytest.approx(np.min(np.stack(list(limits.values())), axis=0))
    name, value = two_phase.governing({"a": 3.0, "b": 2.0})
    assert (name, value) == ("b", 2.0)


def test_limits_of_arrays_are_loops_of_limits():
    temperatures, tilts = np.array([20.0, 45.0, 70.0]), np.array([-20.0, 0.0, 40.0])
    thickness, length = np.array([2e-3, 3e-3, 6e-3]), np.array([0.06, 0.08, 0.1])
    together = limit(temperatures, thickness=thickness, lengths=Lengths(0.02, length, 0.05), tilt=tilts)
    alone = [
        limit(t, thickness=h, lengths=Lengths(0.02, m, 0.05), tilt=s)
        for t, h, m, s in zip(temperatures, thickness, length, tilts, strict=True)
    ]
    assert together == pytest.approx(alone, rel=1e-12)


# -- joining limits ----------------------------------------------------------------------------------------


@given(st.lists(st.floats(min_value=1e-3, max_value=1e6), min_size=1, max_size=6))
def test_smooth_minimum_stands_just_below_the_minimum(values):
    got = two_phase.smooth_minimum(*values)
    assert got <= min(values) * (1 + 1e-12)
    assert got >= min(values) * len(values) ** (-1 / 12) * (1 - 1e-12)


def test_smooth_minimum_has_no_kink_where_limits_cross():
    x = np.linspace(10.0, 30.0, 10_001)
    values = two_phase.smooth_minimum(x, 40.0 - x)
    slope = np.gradient(values, x)
    assert np.max(np.abs(np.diff(slope))) < 2e-3
    with pytest.raises(ValueError, match="positive"):
        two_phase.smooth_minimum(1.0, 0.0)
    with pytest.raises(ValueError, match="at least one"):
        two_phase.smooth_minimum()


def test_limit_line_returns_an_exact_line_and_samples():
    temperature = np.linspace(40, 70, 7)
    value, slope = two_phase.limit_line(temperature, 30.0 * (1 + 0.01 * (temperature - 55)), 55.0)
    assert (value, slope) == pytest.approx((30.0, 0.01))
    many = np.stack([30.0 * (1 + 0.01 * (temperature - 55)), 20.0 * (1 + 0.005 * (temperature - 55))], axis=1)
    value, slope = two_phase.limit_line(temperature, many, 55.0)
    assert value == pytest.approx([30.0, 20.0])
    assert slope == pytest.approx([0.01, 0.005])


def test_line_stands_for_the_limit_between_40_and_70():
    temperature = np.linspace(40.0, 70.0, 61)
    for thickness in (2e-3, 3e-3, 6e-3):
        values = limit(temperature, thickness=thickness)
        value, slope = two_phase.limit_line(temperature, values, 55.0)
        assert value * (1 + slope * (temperature - 55.0)) == pytest.approx(values, rel=0.015)


# -- dry-out law -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("steepness", "blend"), [(4.0, 0.1), (20.0, 0.3), (1.0, 0.1)])
def test_dry_out_heat_is_c1_and_always_rises(steepness, blend):
    drop = np.linspace(0.0, 60.0, 10_001)
    heat = two_phase.dry_out_heat(drop, 0.5, 40.0, steepness, blend)
    slope = np.diff(heat) / np.diff(drop)
    assert np.all(slope > 0)
    assert np.max(slope) == pytest.approx(2.0)
    assert np.min(slope) == pytest.approx(2.0 / steepness, rel=1e-6)
    # Slope changes over the width of the transition only, never in a jump.
    assert np.max(np.abs(np.diff(slope))) < 2.0 * 0.012 * 0.1 / blend + 1e-9


@settings(max_examples=200)
@given(
    st.floats(min_value=-200, max_value=200), st.floats(min_value=0.05, max_value=2),
    st.floats(min_value=1, max_value=100), st.floats(min_value=1, max_value=30),
    st.floats(min_value=0.01, max_value=0.5),
)  # fmt: skip
def test_drop_and_heat_are_inverse(drop, resistance, limit_, steepness, blend):
    heat = two_phase.dry_out_heat(drop, resistance, limit_, steepness, blend)
    assert two_phase.dry_out_drop(heat, resistance, limit_, steepness, blend) == pytest.approx(
        drop, rel=1e-9, abs=1e-9
    )


def test_network_law_carries_what_the_physics_says():
    law = DryOut(resistance=0.5, limit=40.0, reference=55.0, slope=0.009, steepness=4.0, blend=0.1)
    hot, cold = np.linspace(50.0, 120.0, 10_001), 50.0
    heat = law.conductance(hot, cold) * (hot - cold)
    expected = two_phase.dry_out_heat(hot - cold, 0.5, law.heat_limit(hot, cold), 4.0, 0.1)
    assert heat == pytest.approx(expected, rel=1e-12)
    assert np.all(np.diff(heat) > 0)
    assert np.max(np.abs(np.diff(heat, 2))) < 2e-4


def test_network_law_on_a_cold_start_is_the_physics_share_and_has_no_jump():
    law = DryOut(resistance=0.5, limit=40.0, reference=55.0, slope=0.0, full_above=12.0)
    mean = np.linspace(-10.0, 30.0, 10_001)
    assert law.heat_limit(mean + 1, mean - 1) == pytest.approx(40.0 * two_phase.cold_start(mean), rel=1e-12)
    hot = np.linspace(-20.0, 80.0, 10_001)
    heat = law.conductance(hot, -20.0) * (hot + 20.0)
    assert np.all(np.diff(heat) >= 0)
    assert np.max(np.diff(heat)) < 0.05
    without = DryOut(resistance=0.5, limit=40.0)
    assert without.heat_limit(-5.0, -5.0) == pytest.approx(40.0)


def test_wetness_dries_above_and_wets_below_with_memory_between():
    wet, limit_, rewet = 1.0, 40.0, 0.7
    assert two_phase.rewet_limit(limit_, 1.0, rewet) == limit_
    assert two_phase.rewet_limit(limit_, 0.0, rewet) == pytest.approx(28.0)
    for _ in range(50):
        wet = two_phase.next_wetness(wet, 45.0, limit_, rewet, 0.5)
    assert wet < 1e-4
    assert two_phase.next_wetness(wet, 30.0, limit_, rewet, 0.5) <= wet  # above the dried limit: stays dry
    between = two_phase.next_wetness(0.5, 29.0, limit_, rewet, 0.5)
    assert between == pytest.approx(0.5)  # neither: as it is
    for _ in range(50):
        wet = two_phase.next_wetness(wet, 20.0, limit_, rewet, 0.5)
    assert wet > 1 - 1e-4
    both = two_phase.next_wetness(np.array([1.0, 0.0]), np.array([45.0, 20.0]), limit_, rewet, 0.5)
    assert both == pytest.approx([
        two_phase.next_wetness(1.0, 45.0, limit_, rewet, 0.5),
        two_phase.next_wetness(0.0, 20.0, limit_, rewet, 0.5)
    ])  # fmt: skip


# -- resistances -------------------------------------------------------------------------------------------


def test_pipe_resistance_stands_in_the_published_range():
    for diameter, thickness in ((5e-3, 2e-3), (6e-3, 3e-3), (8e-3, 2.5e-3)):
        section = heat_pipe.pipe_section(diameter, 0.3e-3, 0.42e-3, thickness)
        total = sum(
            heat_pipe.resistances(55.0, section, sintered(), LENGTHS, wall_conductivity=COPPER).values()
        )
        assert 0.08 < total < 0.40  # makers quote 0.3 to 0.4 K/W with their own contacts


def test_shell_width_runs_from_the_contact_to_the_whole_perimeter():
    section = heat_pipe.pipe_section(6e-3, 0.3e-3, 0.42e-3, 3e-3)
    width = np.linspace(0.5e-3, 30e-3, 300)
    shell = heat_pipe.shell_width(width, section, 22.0, COPPER)
    assert np.all(shell >= np.minimum(width, section.wick_perimeter))
    assert np.all(shell <= section.wick_perimeter * (1 + 1e-12))
    assert np.all(np.diff(shell) >= -1e-15)
    # A wall that does not conduct adds nothing; one that conducts perfectly adds all.
    assert heat_pipe.shell_width(4e-3, section, 22.0, 1e-6) == pytest.approx(4e-3, rel=1e-3)
    assert heat_pipe.shell_width(4e-3, section, 22.0, 1e9) == pytest.approx(section.wick_perimeter, rel=1e-3)


def test_vapour_resistance_is_the_slope_of_the_saturation_curve_times_the_pressure_drop():
    section = heat_pipe.pipe_section(6e-3, 0.3e-3, 0.42e-3, 2e-3)
    per_watt = (
        heat_pipe.vapour_friction(60.0, section.vapour_area, section.vapour_diameter, section.vapour_friction)
        * LENGTHS.effective
    )
    slope = 0.01 / (water.saturation_pressure(60.005) - water.saturation_pressure(59.995))
    assert heat_pipe.vapour_resistance(60.0, section, LENGTHS) == pytest.approx(per_watt * slope, rel=5e-4)


# -- vapor chamber -----------------------------------------------------------------------------------------


def radial_integral(a, b, rim):
    """Integral of the share of flow at radius r over r, from the middle to the edge."""
    r = np.linspace(1e-9, b, 400_001)
    share = np.minimum((r / a) ** 2, 1.0) - (0.0 if rim else (r / b) ** 2)
    return np.trapezoid(share / r, r)


@pytest.mark.parametrize("rim", [False, True])
def test_radial_factor_is_the_integral_of_the_flow(rim):
    got = vapor_chamber.radial_factor(np.pi * 0.01**2, np.pi * 0.05**2, rim)
    assert got == pytest.approx(radial_integral(0.01, 0.05, rim), rel=1e-5)


def test_source_larger_than_the_chamber_is_refused():
    with pytest.raises(ValueError, match="expected a smaller source"):
        vapor_chamber.radial_factor(2e-4, 1e-4)


def test_sheet_spreading_is_the_mean_over_the_source_less_the_mean_over_all():
    a, b = 0.01, 0.04
    r = np.linspace(1e-9, b, 400_001)
    slope = -(np.minimum((r / a) ** 2, 1.0) - (r / b) ** 2) / (2 * np.pi * r)
    temperature = np.concatenate([[0.0], np.cumsum(0.5 * (slope[1:] + slope[:-1]) * np.diff(r))])
    inside = r <= a
    source = np.trapezoid(temperature[inside] * 2 * r[inside], r[inside]) / a**2
    everywhere = np.trapezoid(temperature * 2 * r, r) / b**2
    got = vapor_chamber.sheet_spreading(np.pi * a**2, np.pi * b**2, 1.0)
    assert got == pytest.approx(source - everywhere, rel=1e-4)
    assert vapor_chamber.sheet_spreading(1e-3, 1e-3, 1.0) == pytest.approx(0.0, abs=1e-15)


def test_wall_spreading_against_a_finite_volume_disc():
    a, wall, metal, layer, filled = 6e-3, 0.3e-3, COPPER, 0.3e-3, 20.0
    edges = np.linspace(0.0, 40e-3, 1601)
    centre, area = 0.5 * (edges[1:] + edges[:-1]), np.pi * np.diff(edges**2)
    between = 2 * np.pi * edges[1:-1] * wall * metal / np.diff(centre)
    matrix = np.diag(filled / layer * area)
    i = np.arange(len(between))
    np.add.at(matrix, (i, i), between)
    np.add.at(matrix, (i + 1, i + 1), between)
    np.add.at(matrix, (i, i + 1), -between)
    np.add.at(matrix, (i + 1, i), -between)
    source = np.where(centre < a, area, 0.0)
    temperature = np.linalg.solve(matrix, source / source.sum())
    mean = np.sum(temperature * source) / source.sum()
    plain = layer / (filled * np.pi * a**2)
    assert vapor_chamber.wall_spreading(np.pi * a**2, wall, metal, layer, filled) == pytest.approx(
        mean / plain, rel=2e-3
    )


def test_chamber_limit_falls_with_tilt_and_rises_with_gap_and_source():
    def chamber(**change):
        values = {
            "wick_thickness": 0.3e-3, "vapour_gap": 0.5e-3, "source_area": 2e-4, "chamber_area": 80e-4,
            "wick_resistance": 0.05, "length": 0.06, "tilt": 0.0,
        } | change  # fmt: skip
        return vapor_chamber.heat_limit(55.0, sintered(), **values)

    assert np.all(np.diff(chamber(tilt=np.linspace(-90, 90, 181))) < 0)
    assert np.all(np.diff(chamber(vapour_gap=np.linspace(0.1e-3, 1e-3, 100))) > 0)
    assert np.all(np.diff(chamber(source_area=np.linspace(1e-4, 80e-4, 100))) > 0)
    assert np.all(np.diff(chamber(chamber_area=np.linspace(10e-4, 200e-4, 100))) < 0)
    assert chamber(rim=True) < chamber()
    gaps = np.array([0.2e-3, 0.5e-3])
    assert chamber(vapour_gap=gaps) == pytest.approx([chamber(vapour_gap=g) for g in gaps], rel=1e-12)


def test_thin_vapour_gap_conducts_like_the_published_claim():
    # A 0.27 mm chamber is claimed to exceed 10 000 W/(m K) (Energy 301, 2024): a 0.1 mm gap at 60 degC does.
    assert vapor_chamber.vapour_conductivity(60.0, 0.1e-3) > 1e4
    assert vapor_chamber.vapour_conductivity(60.0, 0.15e-3) == pytest.approx(4.903e4, rel=1e-3)  # by hand
    colder = vapor_chamber.vapour_conductivity(np.linspace(-5.0, 90.0, 200), 0.2e-3)
    assert np.all(np.diff(colder) >= 0)


def _strip_by_differences(width: float, radius: float, distance: float, behind: float, cells: int = 160):
    """Mean and middle potential (times 2 pi) of a disc source in a strip, by finite differences."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.linalg import spsolve

    h = width / cells
    x = (np.arange(round((distance + behind) / h)) + 0.5) * h - behind
    y = (np.arange(cells // 2) + 0.5) * h
    across, along = np.meshgrid(y, x)
    source = (along**2 + across**2 < radius**2).astype(float)
    source /= 2.0 * source.sum()
    index = np.arange(source.size).reshape(source.shape)
    a = np.concatenate([index[:-1].ravel(), index[:, :-1].ravel()])
    b = np.concatenate([index[1:].ravel(), index[:, 1:].ravel()])
    ones, end = np.ones(a.size), index[-1]
    matrix = coo_matrix(
        (
            np.concatenate([ones, ones, -ones, -ones, np.full(end.size, 2.0)]),
            (np.concatenate([a, b, a, b, end]), np.concatenate([a, b, b, a, end])),
        ),
        shape=(source.size, source.size),
    ).tocsc()
    potential = spsolve(matrix, source.ravel()).reshape(source.shape)
    return 2 * np.pi * 2 * float((potential * source).sum()), 2 * np.pi * float(
        potential[np.argmin(abs(x)), 0]
    )


@pytest.mark.parametrize(
    ("width", "radius", "distance", "behind", "within"),
    [(0.08, 0.007, 0.10, 0.04, 0.004), (0.08, 0.007, 0.10, 0.02, 0.01), (0.03, 0.007, 0.08, 0.03, 0.025)],
)
def test_strip_factor_stands_against_finite_differences(width, radius, distance, behind, within):
    mean, middle = _strip_by_differences(width, radius, distance, behind)
    factor = vapor_chamber.strip_factor(np.pi * radius**2, width, distance)
    assert middle == pytest.approx(factor, rel=within)
    assert mean == pytest.approx(factor - 0.25, rel=within)
    # With fins at both ends the even flow drops out: half of it is the way along the strip.
    both = vapor_chamber.strip_factor(np.pi * radius**2, width, distance, 2)
    assert factor - both == pytest.approx(np.pi * distance / width)


def test_fins_at_one_end_cost_a_chamber_limit_and_resistance():
    geometry = {
        "wick_thickness": 0.2e-3, "vapour_gap": 0.5e-3, "source_area": 1.5e-4, "chamber_area": 112e-4,
        "wick_resistance": 0.06, "open_share": 0.9,
    }  # fmt: skip
    even = vapor_chamber.heat_limit(55.0, sintered(), **geometry)
    one_end = vapor_chamber.heat_limit(55.0, sintered(), width=0.08, distance=0.1, **geometry)
    assert one_end == pytest.approx(
        even * vapor_chamber.radial_factor(1.5e-4, 112e-4) / vapor_chamber.strip_factor(1.5e-4, 0.08, 0.1),
        rel=0.02,
    )
    assert one_end < 0.3 * even
    distances = np.linspace(0.03, 0.2, 50)
    assert np.all(
        np.diff(vapor_chamber.heat_limit(55.0, sintered(), width=0.08, distance=distances, **geometry)) < 0
    )
    remote = vapor_chamber.remote_vapour_resistance(55.0, 0.5e-3, 1.5e-4, 0.08, 0.1)
    assert remote > vapor_chamber.vapour_resistance(55.0, 0.5e-3, 1.5e-4, 112e-4)
