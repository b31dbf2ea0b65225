"""The Rosenbrock integrator by itself: order, dense output, accounts, and what happens when it cannot go on."""

from __future__ import annotations

import numpy as np
import pytest
from own_networks import convection, leakage, radiation
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from thermnet.errors import ConvergenceError
from thermnet.network import Leakage, SurfaceExchange, ThermalNetwork
from thermnet.network.compiled import compile_network
from thermnet.solve.equations import HeatBalance
from thermnet.solve.rosenbrock import ALPHA, DENSE, GAMMA, A, C, D, Rosenbrock

END = 8.0


def room(t):
    return 25.0 + 8.0 * np.sin(0.9 * t)


def watts(t):
    return 20.0 + 10.0 * np.cos(0.7 * t)


def body(massless):
    """A leaking body that radiates to a room whose temperature swings, perhaps through a thin skin without capacity."""
    net = ThermalNetwork()
    net.add_boundary("room", room)
    net.add_node("die", capacity=2.0)
    net.add_leakage("die", Leakage(power=2.0, reference=60.0, slope=0.03))
    law = SurfaceExchange(radiating_area=0.05, convection=0.1)
    if massless:
        net.add_node("skin")
        net.add_link("die", "skin", resistance=0.8)
        net.add_link("skin", "room", law=law)
    else:
        net.add_link("die", "room", law=law)
    return compile_network(net)


def carried(massless, t, die):
    """Heat from the body to the room, W."""

    def surface(skin):
        return radiation(0.05, skin, room(t)) + convection(0.1, skin, room(t))

    if not massless:
        return surface(die)
    skin = brentq(lambda s: (die - s) / 0.8 - surface(s), room(t) - 1e-9, die + 1e-9, xtol=1e-14, rtol=1e-15)
    return (die - skin) / 0.8


@pytest.fixture(scope="module")
def exact():
    found = {}
    for massless in (False, True):
        found[massless] = solve_ivp(
            lambda t, y, m=massless: [(watts(t) + leakage(2.0, 60.0, 0.03, y[0]) - carried(m, t, y[0])) / 2.0],
            (0.0, END), [55.0], method="DOP853", rtol=1e-12, atol=1e-12, dense_output=True,
        )  # fmt: skip
    return found


def solver(compiled, tolerance):
    def inputs(t):
        power = np.zeros(compiled.size)
        power[compiled.row("die")] = watts(t)
        return compiled.boundary_temperature(t), power

    return Rosenbrock(HeatBalance(compiled), inputs, tolerance)


def fixed_steps(massless, count, start):
    steps = []
    integrator = solver(body(massless), 1e9)
    size = END / count
    integrator.integrate(start, 0.0, END, first=size, largest=size, on_step=lambda s: steps.append(s))
    assert len(steps) == count
    return steps


def starting(massless):
    from thermnet.solve.transient import _consistent

    compiled = body(massless)
    start = np.full(compiled.size, 55.0)
    return _consistent(HeatBalance(compiled), start, *solver(compiled, 1.0).inputs(0.0))


@pytest.mark.parametrize("massless", [False, True])
def test_error_falls_with_the_fourth_power_of_the_step(massless, exact):
    errors = []
    for count in (16, 32, 64, 128):
        end = fixed_steps(massless, count, starting(massless))[-1].after[0]
        errors.append(abs(end - exact[massless].y[0, -1]))
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert errors[-1] < 1e-8
    assert np.all(orders[1:] > 3.6), (errors, orders)


def test_dense_output_is_of_third_order(exact):
    errors = []
    for count in (8, 16, 32):
        steps = fixed_steps(False, count, starting(False))
        fine = np.linspace(0.0, 1.0, 9)
        errors.append(
            max(
                abs(s.at(s.start + f * s.size)[0] - exact[False].sol(s.start + f * s.size)[0])
                for s in steps
                for f in fine
            )
        )
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all(orders > 2.7), (errors, orders)


def test_dense_output_meets_the_ends_of_the_step():
    for step in fixed_steps(True, 8, starting(True)):
        np.testing.assert_array_equal(step.at(step.start), step.before)
        np.testing.assert_allclose(step.at(step.start + step.size), step.after, rtol=1e-13)


@pytest.mark.parametrize("massless", [False, True])
def test_accounts_close_in_every_step_however_coarse(massless):
    for step in fixed_steps(massless, 8, starting(massless)):
        stored = 2.0 * (step.after[0] - step.before[0])
        assert step.into - step.out == pytest.approx(stored, abs=1e-8 * abs(step.into))


def test_accounts_are_as_accurate_as_the_temperatures(exact):
    # Heat in and out against quadrature of the independent solution.
    steps = fixed_steps(True, 64, starting(True))
    t = np.linspace(0.0, END, 4001)
    die = exact[True].sol(t)[0]
    out = np.trapezoid([carried(True, a, b) for a, b in zip(t, die, strict=True)], t)
    into = np.trapezoid(watts(t) + leakage(2.0, 60.0, 0.03, die), t)
    assert sum(s.out for s in steps) == pytest.approx(out, rel=1e-5)
    assert sum(s.into for s in steps) == pytest.approx(into, rel=1e-5)


@pytest.mark.parametrize("tolerance", [1e-1, 1e-2, 1e-3, 1e-4, 1e-6])
@pytest.mark.parametrize("massless", [False, True])
def test_error_estimate_holds_the_tolerance(massless, tolerance, exact):
    integrator = solver(body(massless), tolerance)
    worst = []
    integrator.integrate(
        starting(massless), 0.0, END,
        on_step=lambda s: worst.append(abs(s.after[0] - exact[massless].sol(s.start + s.size)[0])),
    )  # fmt: skip
    assert max(worst) < 3.0 * tolerance
    assert integrator.accepted == len(worst)


def test_smaller_tolerance_takes_more_steps():
    counts = []
    for tolerance in (1e-1, 1e-3, 1e-5):
        integrator = solver(body(False), tolerance)
        integrator.integrate(np.array([55.0]), 0.0, END)
        counts.append(integrator.accepted)
    assert counts[0] < counts[1] < counts[2] < 2000


def test_coefficients_are_consistent():
    """Conditions that any such method meets: stages at their times, stiff accuracy, end of the dense output."""
    # Transformed back: the stage times are row sums of alpha, here read off a problem y' = 1.
    u = np.zeros(6)
    times = []
    for i in range(6):
        stage = A[i] @ u[:5] if i < 5 else A[4] @ u[:5] + u[4]
        times.append(stage)
        u[i] = GAMMA * (1.0 + C[i] @ u[:5])
    np.testing.assert_allclose(times, ALPHA, atol=1e-13)
    # And y' = 2t needs the time coefficients too: exact after one step of 1.
    u = np.zeros(6)
    for i in range(6):
        u[i] = GAMMA * (2.0 * ALPHA[i] + 2.0 * D[i] + C[i] @ u[:5])
    assert A[4] @ u[:5] + u[4] + u[5] == pytest.approx(1.0, abs=1e-13)
    assert DENSE.shape == (2, 5)


def test_steps_stop_on_request():
    steps = []
    integrator = solver(body(False), 1e-3)
    integrator.integrate(
        np.array([55.0]), 0.0, END, on_step=lambda s: bool(steps.append(s) or len(steps) == 3)
    )
    assert len(steps) == 3


def test_hopeless_input_ends_in_an_error_that_names_the_node():
    compiled = body(False)

    def inputs(t):
        # A power that is never twice the same.
        return compiled.boundary_temperature(t), np.array([1e12 * np.sin(1e15 * t)])

    integrator = Rosenbrock(HeatBalance(compiled), inputs, 1e-6)
    with pytest.raises(ConvergenceError, match=r"step size collapsed at .* s; the largest error is at 'die'"):
        integrator.integrate(np.array([55.0]), 0.0, 1.0)


def test_massless_node_that_finds_no_temperature_is_named():
    from thermnet.solve.transient import _consistent

    class Saturating:
        """Never carries more than 5 W, however large the difference."""

        def conductance(self, hot, cold):
            return 5.0 / (1.0 + abs(hot - cold))

    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("air")
    net.add_link("air", "room", law=Saturating())
    net.add_node("die", capacity=1.0)
    net.add_link("die", "room", resistance=1.0)
    compiled = compile_network(net)
    balance = HeatBalance(compiled)
    power = np.zeros(compiled.size)
    power[compiled.row("air")] = 3.0
    assert _consistent(balance, np.full(2, 25.0), np.array([25.0]), power)[
        compiled.row("air")
    ] == pytest.approx(26.5)
    power[compiled.row("air")] = 8.0
    with pytest.raises(ConvergenceError, match="'air'"):
        _consistent(balance, np.full(2, 25.0), np.array([25.0]), power)
