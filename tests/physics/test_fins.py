"""Fin efficiency, effectiveness, and stacks of fins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_bvp

from thermnet.materials import air
from thermnet.physics import airflow as f
from thermnet.physics import fins

SHAPE = {"width": 0.055, "height": 0.0055, "depth": 0.018, "pitch": 0.0011, "thickness": 0.0001}
CFM = 0.3048**3 / 60


def stack(**changes):
    return fins.stack_geometry(**{**SHAPE, **changes})


def conductance(flow, conductivity=390.0, film=40.0, pressure=101325.0, **changes):
    shape = {**SHAPE, **changes}
    return fins.stack_conductance(
        flow, stack(**changes), shape["depth"], shape["thickness"], conductivity, film, pressure
    )


def test_annular_fin_agrees_with_ht():
    ht = pytest.importorskip("ht")
    for h in (5.0, 58.0, 500.0):
        for outer in (0.006, 0.012, 0.03):
            expected = ht.fin_efficiency_Kern_Kraus(0.008, 2 * outer, 0.0002, 200.0, h)
            assert fins.annular_fin_efficiency(0.004, outer, 0.0002, 200.0, h) == pytest.approx(
                expected, rel=1e-12
            )


def test_annular_fin_of_large_radius_is_a_straight_fin():
    straight = fins.straight_fin_efficiency(0.01, 0.0003, 200.0, 60.0)
    assert fins.annular_fin_efficiency(100.0, 100.01, 0.0003, 200.0, 60.0) == pytest.approx(
        straight, rel=1e-4
    )


def test_very_long_annular_fin_does_not_overflow():
    value = fins.annular_fin_efficiency(0.004, 3.0, 0.0001, 20.0, 2000.0)
    assert 0 < value < 1e-5


def test_straight_fin_against_a_boundary_value_solution():
    length, thickness, k, h = 0.008, 0.0002, 150.0, 120.0
    m2 = 2 * h / (k * thickness)
    x = np.linspace(0, length, 30)
    solved = solve_bvp(
        lambda _, y: np.array([y[1], m2 * y[0]]),
        lambda a, b: np.array([a[0] - 1.0, b[1]]),
        x, np.ones((2, 30)), tol=1e-9,
    )  # fmt: skip
    heat = -solved.sol(0.0)[1] * k * thickness
    assert fins.straight_fin_efficiency(length, thickness, k, h) == pytest.approx(
        heat / (2 * h * length), rel=1e-7
    )


@given(st.floats(0, 50), st.floats(1.001, 3))
def test_efficiency_lies_between_0_and_1_and_falls(group, more):
    here, further = fins.efficiency_from_group(group), fins.efficiency_from_group(group * more)
    assert 0 < further <= here <= 1


def test_efficiency_has_no_jump_at_its_series():
    group = np.linspace(0, 3e-4, 10_000)
    values = fins.efficiency_from_group(group)
    assert values[0] == 1.0
    assert np.all(np.diff(values) <= 1e-16)
    assert np.min(np.diff(values)) > -1e-10


def test_cooled_tip_is_half_a_thickness_more():
    assert fins.straight_fin_efficiency(0.01, 0.002, 200.0, 50.0, "cooled") == fins.straight_fin_efficiency(
        0.011, 0.002, 200.0, 50.0
    )
    with pytest.raises(ValueError, match="expected insulated or cooled"):
        fins.straight_fin_efficiency(0.01, 0.002, 200.0, 50.0, "blunt")


def test_effectiveness_agrees_with_ht():
    ht = pytest.importorskip("ht")
    units = np.linspace(0.1, 5, 9)
    np.testing.assert_allclose(
        fins.effectiveness(units),
        [ht.effectiveness_from_NTU(n, 0.0, subtype="boiler") for n in units],
        rtol=1e-12,
    )


@given(st.floats(1e-4, 50), st.floats(0, 50))
def test_outlet_cell_gives_the_heat_of_the_stream(rate, ua):
    g = float(fins.outlet_cell_conductance(rate, ua))
    heat = g * rate / (g + rate)
    assert heat == pytest.approx(rate * float(fins.effectiveness(ua / rate)), rel=2e-7, abs=1e-12)


def test_outlet_cell_without_flow_carries_nothing():
    np.testing.assert_array_equal(
        fins.outlet_cell_conductance(np.array([0.0, 0.0]), np.array([1.0, 0.0])), 0.0
    )
    rate = np.geomspace(1e-6, 10.0, 10_000)
    g = fins.outlet_cell_conductance(rate, 1.0)
    assert np.all(np.isfinite(g))
    assert np.max(np.abs(np.diff(np.log(g)) / np.diff(np.log(rate)))) < 20


def test_geometry_of_a_stack():
    g = stack()
    assert g.gap == pytest.approx(0.001)
    assert g.flow_area == pytest.approx(50 * 0.001 * 0.0055)
    assert g.base_area + g.fin_area == pytest.approx(50 * 2 * (0.001 + 0.0055) * 0.018)
    assert g.open_share == pytest.approx(1 / 1.1)
    assert stack(blocked=0.25).flow_area == pytest.approx(0.75 * g.flow_area)


def test_typical_stack_does_what_the_trade_sees():
    # 14-inch machine: 1.9 cfm, effectiveness 0.55 to 0.75, about 1.5 K/W from fin base to entering air.
    flow = 1.9 * CFM
    rate = flow * air.density(25.0) * air.specific_heat(25.0)
    effectiveness = fins.effectiveness(conductance(flow) / rate)
    assert 0.55 < effectiveness < 0.75
    assert 1 / (effectiveness * rate) == pytest.approx(1.5, abs=0.15)
    assert fins.stack_reynolds(flow, stack(), 40.0) < 900


@given(st.floats(1e-5, 5e-3), st.floats(1.01, 3))
def test_more_flow_more_area_thicker_fins_never_carry_less(flow, more):
    base = conductance(flow)
    assert conductance(flow * more) >= base
    assert conductance(flow, width=SHAPE["width"] * more) >= base * (1 - 1e-12)
    assert conductance(flow, conductivity=390.0 * more) >= base
    assert conductance(flow, blocked=0.3) <= base


@given(st.floats(0, 0.8), st.floats(1.05, 1.2))
def test_dust_and_tighter_fins_resist_more(blocked, tighter):
    clean = fins.stack_impedance(stack(blocked=blocked), SHAPE["depth"], 40.0)
    dusty = fins.stack_impedance(stack(blocked=min(blocked * 1.05 + 0.05, 0.95)), SHAPE["depth"], 40.0)
    tight = fins.stack_impedance(stack(blocked=blocked, pitch=SHAPE["pitch"] / tighter), SHAPE["depth"], 40.0)
    assert dusty.linear > clean.linear
    assert dusty.quadratic > clean.quadratic
    # Flatter channels develop faster: only the friction is sure to grow, and with it the whole at fan flows.
    assert tight.linear > clean.linear
    assert f.impedance_pressure(9e-4, tight) > f.impedance_pressure(9e-4, clean)


def test_conductance_is_smooth_from_no_flow_on():
    flow = np.concatenate([[0.0], np.geomspace(1e-12, 5e-3, 10_000)])
    values = conductance(flow)
    assert np.all(np.diff(values) >= 0)
    assert np.max(np.diff(values)) < 2e-3 * values[-1]


def test_arrays_equal_a_loop():
    flow, pitch = np.array([2e-4, 1e-3]), np.array([[0.001], [0.0014]])
    together = conductance(flow, pitch=pitch)
    drop = fins.stack_impedance(stack(pitch=pitch), 0.018, 40.0)
    for i in range(2):
        one = fins.stack_impedance(stack(pitch=pitch[i, 0]), 0.018, 40.0)
        assert drop.linear[i, 0] == pytest.approx(one.linear, rel=1e-14)
        assert drop.quadratic[i, 0] == pytest.approx(one.quadratic, rel=1e-14)
        for j in range(2):
            assert together[i, j] == pytest.approx(conductance(flow[j], pitch=pitch[i, 0]), rel=1e-14)
