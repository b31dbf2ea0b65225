"""Foster and Cauer networks, their kernel, package metrics."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.physics import zth

TIMES = np.logspace(-7, 5, 121)

stage_lists = st.integers(1, 7).flatmap(
    lambda n: st.tuples(
        st.lists(st.floats(0.01, 50.0), min_size=n, max_size=n),
        st.lists(st.floats(-5.0, 3.0), min_size=n, max_size=n),
    )
)


@settings(deadline=None, max_examples=60)
@given(stage_lists)
def test_conversion_keeps_the_impedance(stages):
    resistances = np.array(stages[0])
    capacities = 10.0 ** np.array(stages[1]) / resistances
    ladder = zth.foster_to_cauer(resistances, capacities)
    assert np.all(ladder[0] > 0)
    assert np.all(ladder[1] > 0)
    assert ladder[0].sum() == pytest.approx(resistances.sum(), rel=1e-9)
    # The junction's capacity is what all Foster capacities give in series.
    assert ladder[1][0] == pytest.approx(1.0 / np.sum(1.0 / capacities), rel=1e-9)
    wanted = zth.foster_impedance(TIMES, resistances, capacities)
    assert zth.cauer_impedance(TIMES, *ladder) == pytest.approx(wanted, rel=1e-9)


def test_conversion_back_returns_the_stages_sorted():
    resistances, capacities = [0.4, 1.0, 0.2], [2.0, 40.0, 0.01]
    back = zth.cauer_to_foster(*zth.foster_to_cauer(resistances, capacities))
    order = np.argsort(np.multiply(resistances, capacities))
    assert back[0] == pytest.approx(np.array(resistances)[order], rel=1e-10)
    assert back[1] == pytest.approx(np.array(capacities)[order], rel=1e-10)


def test_equal_time_constants_merge():
    resistances, capacities = zth.foster_to_cauer([1.0, 2.0, 4.0], [4.0, 2.0, 1.0])
    assert resistances == pytest.approx([7.0])
    assert capacities == pytest.approx([4.0 / 7.0])


def test_ladder_agrees_with_the_package_network():
    from thermnet.network import ThermalNetwork

    resistances, capacities = [0.5, 0.8, 1.2], [0.05, 8.0, 120.0]
    net = ThermalNetwork()
    net.add_boundary("ambient", 25.0)
    names = ["a", "b", "c", "ambient"]
    for name, capacity in zip(names, capacities, strict=False):
        net.add_node(name, capacity=capacity)
    for i, resistance in enumerate(resistances):
        net.add_link(names[i], names[i + 1], resistance=resistance)
    times = [0.0, 0.01, 0.3, 5.0, 60.0, 600.0]
    run = net.transient({"a": 10.0}, 600.0, initial=25.0, times=times)
    wanted = 25.0 + 10.0 * zth.cauer_impedance(times, resistances, capacities)
    assert run.temperature("a") == pytest.approx(wanted, abs=1e-6)


def test_heating_curve_starts_at_zero_and_rises_to_the_total():
    curve = zth.foster_impedance(TIMES, [0.3, 1.0], [0.1, 20.0])
    assert zth.foster_impedance(0.0, [0.3, 1.0], [0.1, 20.0]) == 0.0
    assert np.all(np.diff(curve) >= 0)
    assert curve[-1] == pytest.approx(1.3)


def test_slope_is_the_derivative():
    stages = ([0.3, 1.0, 2.0], [0.1, 20.0, 200.0])
    log_time = np.linspace(-8, 8, 50)
    step = 1e-5
    upper = zth.foster_impedance(np.exp(log_time + step), *stages)
    lower = zth.foster_impedance(np.exp(log_time - step), *stages)
    assert zth.impedance_slope(np.exp(log_time), *stages) == pytest.approx(
        (upper - lower) / (2 * step), abs=1e-8
    )


@pytest.mark.parametrize("fraction", [0.01, 0.1, 0.5, 0.9, 0.999])
def test_kernel_width_ends_where_the_kernel_has_that_height(fraction):
    from scipy.optimize import brentq

    def over(z):
        return float(zth.logarithmic_kernel(z)) - fraction / np.e

    width = brentq(over, 0.0, 10.0) - brentq(over, -30.0, 0.0)
    assert zth.kernel_width(fraction) == pytest.approx(width, rel=1e-8)


def test_kernel_far_out_is_zero_without_overflow():
    assert zth.logarithmic_kernel([-1000.0, 1000.0, 1e6]).tolist() == [0.0, 0.0, 0.0]


@settings(deadline=None, max_examples=60)
@given(duty=st.floats(0.01, 1.0), period=st.floats(1e-4, 100.0))
def test_pulses_lie_between_their_mean_and_continuous_power(duty, period):
    stages = ([0.3, 0.6, 1.1], [0.05, 0.5, 6.0])
    peak = zth.periodic_peak_impedance(*stages, duty * period, period)
    assert duty * 2.0 - 1e-9 <= peak <= 2.0 + 1e-9


def test_continuous_power_is_the_limit_of_pulses():
    assert zth.periodic_peak_impedance([1.0, 2.0], [1.0, 1.0], 3.0, 3.0) == pytest.approx(3.0)
    with pytest.raises(ValueError, match="on_time"):
        zth.periodic_peak_impedance([1.0], [1.0], 3.0, 2.0)


def test_power_pieces_superpose():
    stages = ([0.5, 1.5], [2.0, 30.0])
    time = np.linspace(0, 60, 31)
    first = zth.rise_under_power(time, [0.0], [10.0], *stages)
    second = zth.rise_under_power(time, [0.0, 5.0], [0.0, 20.0], *stages)
    both = zth.rise_under_power(time, [0.0, 5.0], [10.0, 30.0], *stages)
    assert both == pytest.approx(first + second)


def test_structure_function_accumulates():
    resistance, capacity = zth.structure_function([0.5, 1.0], [2.0, 3.0])
    assert resistance.tolist() == [0.0, 0.5, 1.5]
    assert capacity.tolist() == [0.0, 2.0, 5.0]


def test_early_record_is_extrapolated_to_the_junction():
    times = np.linspace(1e-4, 1e-3, 20)
    fall = zth.half_space_step_rise(1e6, times, 130.0, 2330.0, 700.0)
    temperature, slope = zth.junction_at_switching(times, 90.0 - fall)
    assert temperature == pytest.approx(90.0, abs=1e-9)
    assert slope == pytest.approx(-2.0 * 1e6 / np.sqrt(np.pi * 130.0 * 2330.0 * 700.0), rel=1e-9)


def test_half_space_is_the_early_limit_of_a_fine_ladder():
    # Silicon, 0.775 mm over 1 mm2, 200 slices, long before the heat is through.
    slices, area, depth = 200, 1e-6, 0.775e-3
    resistance = np.full(slices, depth / slices / (130.0 * area))
    capacity = np.full(slices, depth / slices * area * 2330.0 * 700.0)
    capacity[0] /= 2  # the first node lies in the surface
    time = np.array([2e-4, 5e-4])
    ladder = zth.cauer_impedance(time, resistance, capacity)
    exact = zth.half_space_step_rise(1.0 / area, time, 130.0, 2330.0, 700.0)
    assert ladder == pytest.approx(exact, rel=0.005)


def test_curves_of_two_assemblies_part_at_the_case():
    # Same first stage, different last: the curves share the way through the package, about 0.5 K/W.
    time = np.logspace(-5, 3, 400)
    dry = zth.cauer_impedance(time, [0.2, 0.3, 1.0], [1e-4, 5e-3, 50.0])
    wetted = zth.cauer_impedance(time, [0.2, 0.3, 0.3], [1e-4, 5e-3, 50.0])
    assert zth.separation_resistance(dry, wetted, 0.0005) == pytest.approx(0.5, rel=0.05)
    assert np.isnan(zth.separation_resistance(dry, dry, 0.005))


def test_shapes_follow_time():
    stages = ([0.3, 1.0], [0.1, 20.0])
    grid = np.logspace(-2, 2, 6).reshape(2, 3)
    whole = zth.foster_impedance(grid, *stages)
    assert whole.shape == (2, 3)
    assert whole[1, 2] == pytest.approx(float(zth.foster_impedance(grid[1, 2], *stages)))


@pytest.mark.parametrize("bad", [([], []), ([1.0], [1.0, 2.0]), ([-1.0], [1.0]), ([1.0], [np.inf])])
def test_bad_stages_are_refused(bad):
    with pytest.raises(ValueError, match="expected"):
        zth.foster_to_cauer(*bad)
    with pytest.raises(ValueError, match="expected"):
        zth.foster_impedance(1.0, *bad)
