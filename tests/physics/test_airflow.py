"""Fans against machines."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from thermnet.materials import air
from thermnet.physics import airflow as f
from thermnet.physics.airflow import FanCurve, RunningFan
from thermnet.physics.fins import Impedance

CURVE = FanCurve(1.9e-3, 110.0, 0.4)
MEASURED = FanCurve(1.9e-3, 110.0, points=((0.0, 1.0), (0.3, 0.82), (0.6, 0.5), (0.85, 0.2), (1.0, 0.0)))
FINS = Impedance(2e4, 1.1e7)

speed_ratios = st.floats(0, 1.2)
shares = st.floats(0, 1)


@st.composite
def machines(draw):
    fans = [
        RunningFan(
            FanCurve(
                draw(st.floats(5e-4, 6e-3)), draw(st.floats(40, 500)), draw(shares),
                stopped_loss=draw(st.floats(0.2, 10)), check_valve=draw(st.booleans()),
                points=draw(st.sampled_from([(), MEASURED.points])),
            ),
            draw(speed_ratios), draw(st.floats(0.6, 1.05)),
        )
        for _ in range(draw(st.integers(1, 3)))
    ]  # fmt: skip
    stacks = [
        Impedance(draw(st.floats(1e3, 2e5)), draw(st.floats(0, 1e8))) for _ in range(draw(st.integers(1, 4)))
    ]
    return fans, stacks, draw(st.floats(0, 1e8))


@given(machines())
def test_flow_balances(machine):
    fans, stacks, common = machine
    point = f.operating_point(fans, stacks, common)
    scale = max(sum(abs(v) for v in point.fan_flows), 1e-12)
    assert abs(sum(point.fan_flows) - point.flow) <= 1e-9 * scale
    assert abs(sum(point.stack_flows) - point.flow) <= 1e-12 * scale
    assert all(v >= 0 for v in point.stack_flows)
    for stack, v in zip(stacks, point.stack_flows, strict=True):
        assert f.impedance_pressure(v, stack) == pytest.approx(point.stack_pressure, rel=1e-6, abs=1e-9)
    assert point.fan_pressure == pytest.approx(
        point.stack_pressure + common * point.flow**2, rel=1e-9, abs=1e-12
    )


@pytest.mark.parametrize(
    "curve", [CURVE, MEASURED, FanCurve(1.9e-3, 110.0, 1.0), FanCurve(1.9e-3, 110.0, 0.0)]
)
@pytest.mark.parametrize("ratio", [0.2, 0.6, 1.0])
def test_operating_point_against_brentq(curve, ratio):
    def surplus(v):
        return float(f.fan_pressure(v, curve, ratio, 0.97) - f.impedance_pressure(v, FINS) - 3e6 * v**2)

    v = brentq(surplus, 0.0, 1.9e-3 * ratio, xtol=1e-18, rtol=1e-14)
    point = f.operating_point([RunningFan(curve, ratio, 0.97)], [FINS], 3e6)
    assert point.flow == pytest.approx(v, rel=1e-9)


def test_closed_form_and_iteration_agree():
    one = f.operating_point([RunningFan(CURVE, 0.8)], [FINS], 2e6).flow
    halves = [RunningFan(CURVE._replace(free_flow=CURVE.free_flow / 2), 0.8)] * 2
    assert f.operating_point(halves, [FINS], 2e6).flow == pytest.approx(one, rel=1e-12)
    double = [Impedance(2 * FINS.linear, 4 * FINS.quadratic)] * 2
    assert f.operating_point([RunningFan(CURVE, 0.8)], double, 2e6).flow == pytest.approx(one, rel=1e-12)


@given(
    st.floats(-50, 300), st.floats(0.001, 50), speed_ratios, st.sampled_from([CURVE, MEASURED]), st.booleans()
)
def test_fan_flow_falls_with_pressure_everywhere(pressure, more, ratio, curve, valve):
    fan = curve._replace(check_valve=valve)
    assert f.fan_flow(pressure + more, fan, ratio) <= f.fan_flow(pressure, fan, ratio) + 1e-15


@pytest.mark.parametrize("curve", [CURVE, MEASURED])
@pytest.mark.parametrize("ratio", [0.0, 0.02, 0.5, 1.0])
def test_no_jump_from_back_flow_through_the_curve_to_helped_flow(curve, ratio):
    pressure = np.linspace(-150.0, 250.0, 10_000)
    flow = f.fan_flow(pressure, curve, ratio)
    jumps = np.abs(np.diff(flow)) / curve.free_flow
    # The steepest there is: the two square roots that meet at a stopped fan's zero, half a step each.
    assert np.max(jumps) < 2.01 * np.sqrt(0.02 / 110.0)


def test_no_jump_as_a_fan_starts():
    ratio = np.linspace(0.0, 1.0, 10_000)
    point = f.operating_point([RunningFan(CURVE, 0.7), RunningFan(CURVE, ratio)], [FINS], 1e6)
    second = point.fan_flows[1]
    assert np.max(np.abs(np.diff(second))) < 2e-3 * CURVE.free_flow
    assert np.all(np.diff(second) > -1e-12)
    assert second[0] < 0 < second[-1]
    assert np.all(np.diff(point.flow) > -1e-12)


@pytest.mark.parametrize("curve", [CURVE, MEASURED])
def test_curve_and_its_inverse(curve):
    flow = np.linspace(0.0, 1.0, 101) * 0.8 * curve.free_flow
    pressure = f.fan_pressure(flow, curve, 0.8, 0.9)
    np.testing.assert_allclose(f.fan_flow(pressure, curve, 0.8, 0.9), flow, atol=1e-12)
    assert pressure[0] == pytest.approx(110.0 * 0.64 * 0.9)
    assert pressure[-1] == pytest.approx(0.0, abs=1e-9)
    # Fan laws: the same shape at any speed and density.
    np.testing.assert_allclose(f.fan_pressure(flow / 0.8, curve) * 0.64 * 0.9, pressure, atol=1e-9)


def test_measured_points_are_met_and_kept_monotone():
    for v, p in MEASURED.points:
        assert f.fan_flow(p * 110.0, MEASURED) == pytest.approx(v * 1.9e-3, abs=1e-15)
    x = np.linspace(0, 1, 10_000)
    assert np.all(np.diff(f.monotone_cubic(x, [0, 0.1, 0.2, 1.0], [0, 0.0001, 0.9, 1.0])) >= 0)


def test_monotone_cubic_agrees_with_scipy():
    from scipy.interpolate import PchipInterpolator

    x, y = np.array([0.0, 0.3, 0.5, 0.9, 1.0]), np.array([1.0, 0.7, 0.65, 0.2, 0.0])
    at = np.linspace(0.3, 0.9, 50)
    # End slopes differ by design; the inner intervals only see the same three-point slopes.
    inner = (at >= 0.3) & (at <= 0.9)
    np.testing.assert_allclose(
        f.monotone_cubic(at[inner], x, y), PchipInterpolator(x, y)(at[inner]), rtol=1e-12
    )


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (((0.0, 1.0),), "at least two rows"),
        (((0.1, 1.0), (1.0, 0.0)), "first row at no flow"),
        (((0.0, 1.0), (1.0, 0.1)), "last at no pressure"),
        (((0.0, 1.0), (0.5, 0.4), (0.4, 0.2), (1.0, 0.0)), "flow to rise"),
        (((0.0, 1.0), (0.3, 0.7), (0.5, 0.8), (1.0, 0.0)), "stall dip"),
        (((0.0, 1.0), (0.5, float("nan")), (1.0, 0.0)), "at least two rows"),
    ],
)
def test_bad_points_are_named(points, said):
    assert said in f.check_points(points)


def test_good_points_pass():
    assert f.check_points(MEASURED.points) == ""


def test_stopped_fan_lets_air_back_and_a_flap_keeps_it():
    both = f.operating_point([RunningFan(CURVE, 1.0), RunningFan(CURVE, 1.0)], [FINS])
    open_ = f.operating_point([RunningFan(CURVE, 1.0), RunningFan(CURVE, 0.0)], [FINS])
    valve = CURVE._replace(check_valve=True)
    shut = f.operating_point([RunningFan(CURVE, 1.0), RunningFan(valve, 0.0)], [FINS])
    alone = f.operating_point([RunningFan(CURVE, 1.0)], [FINS])
    assert open_.fan_flows[1] < 0
    assert open_.fan_flows[0] > open_.flow
    assert shut.fan_flows[1] == 0.0
    assert open_.flow < shut.flow == pytest.approx(alone.flow, rel=1e-12)
    assert shut.flow < both.flow
    tight = CURVE._replace(stopped_loss=100.0)
    tighter = f.operating_point([RunningFan(CURVE, 1.0), RunningFan(tight, 0.0)], [FINS])
    assert open_.flow < tighter.flow < shut.flow


def test_all_fans_stopped_is_still_air():
    for fans in ([RunningFan(CURVE, 0.0)], [RunningFan(CURVE, 0.0), RunningFan(MEASURED, 0.0)]):
        point = f.operating_point(fans, [FINS, FINS], 1e6)
        assert point.flow == 0.0
        assert all(v == 0.0 for v in (*point.fan_flows, *point.stack_flows))


@given(st.floats(0.05, 1.0), st.floats(1.01, 1.5), st.floats(1e3, 1e5), st.floats(0, 5e7))
def test_faster_fan_more_flow_and_more_loss_less_flow(ratio, more, linear, quadratic):
    def flow(n, a, b):
        return f.operating_point([RunningFan(CURVE, n)], [Impedance(a, b)], 1e6).flow

    base = flow(ratio, linear, quadratic)
    assert flow(ratio * more, linear, quadratic) > base
    assert flow(ratio, linear * more, quadratic) < base
    assert flow(ratio, linear, quadratic + 1e6) < base


def test_flow_is_proportional_to_speed_only_where_losses_are_quadratic():
    quadratic = [f.operating_point([RunningFan(CURVE, n)], [Impedance(1e-9, 3e7)]).flow for n in (0.4, 0.8)]
    laminar = [f.operating_point([RunningFan(CURVE, n)], [Impedance(5e4, 0.0)]).flow for n in (0.4, 0.8)]
    assert quadratic[1] / quadratic[0] == pytest.approx(2.0, rel=1e-6)
    assert laminar[1] / laminar[0] > 2.2


def test_thin_air_costs_mass_flow():
    thick = f.operating_point([RunningFan(CURVE, 1.0, 1.0)], [FINS], 1e6).flow
    thin = f.operating_point(
        [RunningFan(CURVE, 1.0, 0.7)], [Impedance(FINS.linear, 0.7 * FINS.quadratic)], 0.7e6
    ).flow
    # The laminar part of the resistance does not thin out with the air, so a little volume flow is lost too.
    assert 0.85 < thin / thick < 1.0


def test_arrays_equal_a_loop():
    ratio = np.array([[0.0], [0.3], [1.0]])
    free = np.array([1.5e-3, 1.9e-3])
    for stacks in ([FINS], [FINS, Impedance(5e4, 1e6)]):
        fans = [RunningFan(CURVE._replace(free_flow=free), ratio), RunningFan(MEASURED, 0.5 * ratio)]
        together = f.operating_point(fans, stacks, 1e6)
        assert together.flow.shape == (3, 2)
        for i in range(3):
            for j in range(2):
                one = f.operating_point(
                    [
                        RunningFan(CURVE._replace(free_flow=free[j]), ratio[i, 0]),
                        RunningFan(MEASURED, 0.5 * ratio[i, 0]),
                    ],
                    stacks,
                    1e6,
                )
                assert together.flow[i, j] == pytest.approx(one.flow, rel=1e-11, abs=1e-18)


def test_needs_a_fan_and_a_stack():
    with pytest.raises(ValueError, match="0 fans and 1 fin stacks"):
        f.operating_point([], [FINS])


@given(st.floats(0, 0.5), st.floats(1, 60), st.floats(0.2, 10))
def test_recirculation_balances(share, heat, rate):
    inlet = f.recirculated_inlet(25.0, heat, rate, share)
    exhaust = inlet + heat / rate
    assert inlet == pytest.approx((1 - share) * 25.0 + share * exhaust)


def test_natural_draft_only_counts_when_the_fans_stop():
    assert f.with_natural_draft(0.0, 0.02) == 0.02
    assert f.with_natural_draft(1.0, 0.02) == pytest.approx(1.0, abs=3e-4)
    forced = np.linspace(0, 0.2, 10_000)
    assert np.all(np.diff(f.with_natural_draft(forced, 0.02)) >= 0)


def test_board_passage():
    flow = np.concatenate([[0.0], np.geomspace(1e-8, 5e-3, 10_000)])
    g = f.passage_conductance(flow, 0.0085, 0.002, 25.0)
    assert np.all(np.diff(g) >= 0)
    assert np.max(np.diff(g)) < 2e-3 * g[-1]
    assert g[0] == pytest.approx(4.861 * air.conductivity(25.0) / 0.004 * 0.0085, rel=1e-6)
    assert f.passage_conductance(1e-3, 0.0, 0.002, 25.0) == 0.0
    # The hand model of the trade: the air takes up a quarter of the difference to the board at 1.9 cfm.
    rate = 1.9 * 0.3048**3 / 60 * 1180
    assert 1 - np.exp(-np.interp(1.9 * 4.719e-4, flow, g) / rate) == pytest.approx(0.25, abs=0.05)
