"""Steady states: against root finding, the closed limit of runaway, and what heat must do in any network."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from own_networks import OwnNetwork, convection, leakage, pipe, radiation, random_network
from scipy.optimize import brentq, root

from thermnet.errors import ConvergenceError, ThermalRunawayError
from thermnet.network import DryOut, Leakage, SurfaceExchange, ThermalNetwork
from thermnet.network.compiled import compile_network
from thermnet.solve import equations
from thermnet.solve.equations import Factor, HeatBalance, SingularError
from thermnet.solve.steady import is_stable, steady_temperatures

# -- against other routes ----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_linear_network_against_its_own_algebra(seed):
    own = random_network(seed)
    rng = np.random.default_rng(seed + 100)
    power = {name: float(rng.uniform(0, 20)) for name in own.capacity if rng.random() < 0.4}
    found = own.graph().steady(power)
    assert list(found.index) == list(own.capacity)
    assert found.name == "temperature_degC"
    np.testing.assert_allclose(found, own.steady(power), rtol=0, atol=1e-9)


def nonlinear(p0=1.5, slope=0.02):
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    for name in ("die", "pipe", "fins", "skin"):
        net.add_node(name, capacity=1.0)
    net.add_link("die", "pipe", resistance=0.3)
    net.add_link("pipe", "fins", law=DryOut(resistance=0.2, limit=30.0, steepness=4.0, blend=0.1))
    net.add_link("fins", "room", resistance=0.6)
    net.add_link("pipe", "skin", resistance=4.0)
    net.add_link("skin", "room", law=SurfaceExchange(radiating_area=0.05, convection=0.06))
    net.add_leakage("die", Leakage(power=p0, reference=70.0, slope=slope))
    return net


@pytest.mark.parametrize("watts", [0.0, 5.0, 20.0, 45.0, 60.0])
def test_nonlinear_network_against_root_finding(watts):
    def balance(t):
        die, evaporator, fins, skin = t
        through = pipe(0.2, 30.0, 4.0, 0.1, evaporator, fins)
        return [
            watts + leakage(1.5, 70.0, 0.02, die) - (die - evaporator) / 0.3,
            (die - evaporator) / 0.3 - through - (evaporator - skin) / 4.0,
            through - (fins - 25.0) / 0.6,
            (evaporator - skin) / 4.0 - radiation(0.05, skin, 25.0) - convection(0.06, skin, 25.0),
        ]

    mine = nonlinear().steady({"die": watts})
    # Started well away from it (but below the second, unstable solution that leakage brings).
    reference = root(balance, mine.to_numpy() * 0.9 + 2.0, tol=1e-13)
    assert reference.success
    np.testing.assert_allclose(mine, reference.x, rtol=0, atol=1e-7)
    assert np.abs(balance(mine)).max() < 1e-9 * max(watts, 1.0)


@pytest.mark.parametrize(
    "guess", [{}, {"die": 300.0}, {"die": 900.0, "fins": 10.0}, {"room": 3.0}, {"skin": -200.0}]
)
def test_guess_does_not_change_the_answer(guess):
    net = nonlinear()
    np.testing.assert_allclose(
        net.steady({"die": 40.0}, guess=guess), net.steady({"die": 40.0}), rtol=0, atol=1e-8
    )


def test_steep_start_of_natural_convection_is_not_taken_for_runaway():
    # At no difference there is next to no convection, so that the first step from the cold shoots far past.
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("die", capacity=5.0)
    net.add_link("die", "room", law=SurfaceExchange(convection=0.2))
    net.add_leakage("die", Leakage(power=2.0, reference=70.0, slope=0.018))
    reference = brentq(
        lambda t: 10.0 + leakage(2.0, 70.0, 0.018, t) - convection(0.2, t, 25.0), 26.0, 80.0, xtol=1e-13
    )
    assert net.steady({"die": 10.0})["die"] == pytest.approx(reference, abs=1e-8)


def test_callable_powers_and_boundaries_are_read_at_the_start():
    net = ThermalNetwork()
    net.add_boundary("room", lambda t: 20.0 + t)
    net.add_node("die", capacity=1.0)
    net.add_link("die", "room", resistance=2.0)
    assert net.steady({"die": lambda t: 5.0 + t})["die"] == pytest.approx(30.0, abs=1e-9)


def test_boundaries_at_different_temperatures_drive_heat_through():
    # From 90 through 1/3 to 10 degC: a divider, cooler than the hot end, warmer than the cold.
    net = ThermalNetwork()
    net.add_boundary("hot", 90.0)
    net.add_boundary("cold", 10.0)
    net.add_node("a")
    net.add_node("b", capacity=3.0)
    net.add_link("hot", "a", resistance=1.0)
    net.add_link("a", "b", resistance=3.0)
    net.add_link("b", "cold", resistance=4.0)
    net.add_leakage("b", Leakage(power=1.0, reference=60.0, slope=0.02))
    found = net.steady()
    t = brentq(
        lambda t: (90.0 - t) / 4.0 + leakage(1.0, 60.0, 0.02, t) - (t - 10.0) / 4.0, 10.0, 90.0, xtol=1e-13
    )
    assert found["b"] == pytest.approx(t, abs=1e-9)
    assert found["a"] == pytest.approx(90.0 - (90.0 - t) / 4.0, abs=1e-9)


def test_absurd_powers_in_linear_networks_are_just_numbers():
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("die", capacity=1.0)
    net.add_link("die", "room", resistance=1.0)
    assert net.steady({"die": 1e6})["die"] == pytest.approx(1e6 + 25.0, rel=1e-12)


def test_absurd_powers_over_radiation_are_just_numbers_too():
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("die", capacity=1.0)
    net.add_link("die", "room", law=SurfaceExchange(radiating_area=0.01))
    exact = (1e9 / (0.01 * 5.670374419e-8) + 298.15**4) ** 0.25 - 273.15
    assert net.steady({"die": 1e9})["die"] == pytest.approx(exact, rel=1e-9)


# -- runaway -----------------------------------------------------------------------------------------------


def one_node(p0, slope, resistance=0.8, reference=70.0, room=25.0):
    net = ThermalNetwork()
    net.add_boundary("room", room)
    net.add_node("die.hot", capacity=1.0)
    net.add_link("die.hot", "room", resistance=resistance)
    net.add_leakage("die.hot", Leakage(power=p0, reference=reference, slope=slope))
    return net


def limit_of_one_node(p0, slope, resistance=0.8, reference=70.0, room=25.0):
    """Highest power with a steady state of ``P + P0 exp(b (T - T0)) = (T - Ta)/R``, and the temperature there.

    The leakage curve touches the cooling line where their slopes are equal: ``b P0 exp(b (T - T0)) = 1/R``.  There
    ``T* = T0 + ln(1/(b P0 R))/b``, the leakage is ``1/(b R)``, and what is left of the cooling is the power:
    ``P* = (T* - Ta - 1/b)/R``.  Below it there are two solutions, above it none.
    """
    touching = reference + np.log(1.0 / (slope * p0 * resistance)) / slope
    return (touching - room - 1.0 / slope) / resistance, touching


@pytest.mark.parametrize(("p0", "slope"), [(1.0, 0.018), (4.0, 0.018), (2.0, 0.03), (0.3, 0.05)])
def test_runaway_begins_exactly_at_the_closed_limit(p0, slope):
    net = one_node(p0, slope)
    power, touching = limit_of_one_node(p0, slope)
    for below in (1e-2, 1e-4, 1e-6, 1e-9):
        found = net.steady({"die.hot": power * (1.0 - below)})["die.hot"]
        assert found < touching
        # Near a fold the distance is the square root: dT = sqrt(2 R dP / b).
        assert found == pytest.approx(
            touching - np.sqrt(2 * 0.8 * power * below / slope), abs=2.0 * below**0.5 * 10
        )
        assert leakage(p0, 70.0, slope, found) + power * (1.0 - below) == pytest.approx(
            (found - 25.0) / 0.8, rel=1e-9
        )
    for above in (1e-9, 1e-6, 1e-4, 1e-2, 1.0, 10.0):
        with pytest.raises(ThermalRunawayError, match=r"thermal runaway at 'die\.hot'") as caught:
            net.steady({"die.hot": power * (1.0 + above)})
        assert caught.value.node == "die.hot"


@pytest.mark.parametrize("guess", [30.0, 200.0, 450.0, 2000.0])
def test_state_behind_the_cap_of_the_leakage_is_never_returned(guess):
    # Past its cap the leakage is constant, and there is a "solution" at 25 + 0.8 (P + 403 P0) degC.
    net = one_node(1.0, 0.018)
    power, touching = limit_of_one_node(1.0, 0.018)
    with pytest.raises(ThermalRunawayError):
        net.steady({"die.hot": 1.01 * power}, guess={"die.hot": guess})
    assert net.steady({"die.hot": 0.9 * power}, guess={"die.hot": guess})["die.hot"] < touching


def test_runaway_names_the_node_that_leaks():
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    for name in ("cool", "hot", "other"):
        net.add_node(name, capacity=1.0)
        net.add_link(name, "room", resistance={"cool": 0.1, "hot": 3.0, "other": 5.0}[name])
    net.add_link("cool", "hot", resistance=10.0)
    for name in ("cool", "hot"):
        net.add_leakage(name, Leakage(power=3.0, reference=70.0, slope=0.03))
    with pytest.raises(ThermalRunawayError) as caught:
        net.steady({"hot": 40.0, "other": 60.0})
    assert caught.value.node == "hot"
    assert isinstance(caught.value, ArithmeticError)


def test_runaway_does_not_need_any_other_heat():
    with pytest.raises(ThermalRunawayError):
        one_node(60.0, 0.03).steady()


def test_large_networks_find_runaway_too():
    # More than 300 nodes: the sparse route, whose stability must not hang on an eigenvalue iteration.
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    for i in range(600):
        net.add_node(f"n{i}", capacity=1.0)
        net.add_link(f"n{i}", f"n{i - 1}" if i else "room", resistance=0.002)
    net.add_leakage("n599", Leakage(power=2.0, reference=70.0, slope=0.03))
    power, _ = limit_of_one_node(2.0, 0.03, resistance=1.2)
    began = time.perf_counter()
    below = net.steady({"n599": power * (1 - 1e-6)})
    assert leakage(2.0, 70.0, 0.03, below["n599"]) + power == pytest.approx(
        (below["n599"] - 25.0) / 1.2, rel=1e-5
    )
    with pytest.raises(ThermalRunawayError):
        net.steady({"n599": power * (1 + 1e-6)})
    assert time.perf_counter() - began < 10.0


def test_sparse_and_dense_routes_agree(monkeypatch):
    net, power = nonlinear(), {"die": 45.0}
    dense = net.steady(power)
    monkeypatch.setattr(equations, "DENSE_LIMIT", 0)
    assert not HeatBalance(compile_network(net)).dense
    np.testing.assert_allclose(net.steady(power), dense, rtol=0, atol=1e-9)


# -- the parts of it ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("matrix", "stable"),
    [
        ([[-1.0, 0.5], [0.5, -1.0]], True),
        ([[-1.0, 1.5], [0.5, -1.0]], True),
        ([[-1.0, 2.5], [0.5, -1.0]], False),
        ([[0.1, 0.0], [0.0, -1.0]], False),
        ([[-1.0, 1.0], [1.0, -1.0]], False),
        ([[-1.0, -5.0], [5.0, -1.0]], True),  # warming one cools the other: eigenvalues -1 +- 5i
        ([[0.1, -5.0], [5.0, -0.05]], False),
    ],
)
def test_stability_is_that_of_the_eigenvalues(matrix, stable):
    from scipy.sparse import csc_matrix

    matrix = np.array(matrix)
    assert (np.linalg.eigvals(matrix).real.max() < -1e-12) is np.bool_(stable)
    assert is_stable(matrix, ("a", "b")) is stable
    assert is_stable(csc_matrix(matrix), ("a", "b")) is stable


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_stability_of_random_heat_balances_is_that_of_the_eigenvalues(seed):
    rng = np.random.default_rng(seed)
    k, _ = random_network(seed, nodes=8, massless=0).matrices()
    matrix = -k + np.diag(rng.uniform(0.0, 0.6, len(k)) * (rng.random(len(k)) < 0.5))
    largest = np.linalg.eigvals(matrix).real.max()
    assume(abs(largest) > 1e-9)
    assert is_stable(matrix, tuple("abcdefghijk")) is bool(largest < 0)


def test_singular_balance_names_its_node():
    with pytest.raises(SingularError, match="singular at node 'b'"):
        Factor(np.array([[1.0, 0.0], [0.0, 0.0]]), ("a", "b"))
    assert issubclass(SingularError, ConvergenceError)


def test_start_array_is_not_written_to():
    compiled = compile_network(nonlinear())
    start = np.full(4, 40.0)
    steady_temperatures(compiled, np.array([20.0, 0.0, 0.0, 0.0]), start=start)
    np.testing.assert_array_equal(start, 40.0)


def test_asking_twice_gives_the_same_bits():
    net = nonlinear()
    first = net.steady({"die": 30.0})
    net.steady({"die": 3.0})
    np.testing.assert_array_equal(first, net.steady({"die": 30.0}))


# -- what heat must do -------------------------------------------------------------------------------------

seeds = st.integers(0, 10**6)
powers = st.floats(0.0, 50.0)


@settings(max_examples=40, deadline=None)
@given(seed=seeds, streams=st.booleans(), first=powers, second=powers, scale=st.floats(-3.0, 3.0))
def test_rises_superpose_in_linear_networks(seed, streams, first, second, scale):
    own = random_network(seed, nodes=8, massless=2, streams=streams)
    net = own.graph()
    rest = net.steady()
    a, b = net.steady({"n1": first}) - rest, net.steady({"n5": second}) - rest
    both = net.steady({"n1": scale * first, "n5": second}) - rest
    np.testing.assert_allclose(both, scale * a + b, rtol=0, atol=1e-9 * (1 + 3 * first + second))


@settings(max_examples=40, deadline=None)
@given(seed=seeds, i=st.integers(0, 7), j=st.integers(0, 7))
def test_rises_are_reciprocal_without_streams(seed, i, j):
    net = random_network(seed, nodes=8, massless=2, streams=False).graph()
    rest = net.steady()
    there = (net.steady({f"n{i}": 1.0}) - rest)[f"n{j}"]
    back = (net.steady({f"n{j}": 1.0}) - rest)[f"n{i}"]
    assert there == pytest.approx(back, abs=1e-9)


def test_rises_are_not_reciprocal_along_a_stream():
    own = OwnNetwork(
        {"up": 0.0, "down": 0.0},
        {"room": 25.0},
        [],
        [("room", "up", 1.0), ("up", "down", 1.0), ("down", "room", 1.0)],
    )
    net = own.graph()
    assert net.steady({"up": 10.0})["down"] == pytest.approx(35.0, abs=1e-9)
    assert net.steady({"down": 10.0})["up"] == pytest.approx(25.0, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    watts=st.floats(0.0, 40.0),
    more=st.floats(0.01, 15.0),
    place=st.sampled_from(["die", "pipe", "fins", "skin"]),
)
def test_more_power_cools_nothing(watts, more, place):
    net = nonlinear()
    low, high = (
        net.steady({"die": watts}),
        net.steady({"die": watts, place: more + (watts if place == "die" else 0.0)}),
    )
    assert np.all(high - low > -1e-9)
    assert high[place] > low[place]


@settings(max_examples=40, deadline=None)
@given(seed=seeds, streams=st.booleans())
def test_without_power_everything_lies_between_the_boundaries(seed, streams):
    found = random_network(seed, nodes=10, massless=3, streams=streams).graph().steady()
    assert found.min() >= 25.0 - 1e-9
    assert found.max() <= 31.0 + 1e-9


@settings(max_examples=40, deadline=None)
@given(seed=seeds, streams=st.booleans(), source=st.integers(0, 9), watts=st.floats(1.0, 50.0))
def test_the_hottest_node_is_a_source_or_beside_the_hottest_boundary(seed, streams, source, watts):
    net = random_network(seed, nodes=10, massless=3, streams=streams).graph()
    found = net.steady({f"n{source}": watts})
    assert found.max() <= max(found[f"n{source}"], 31.0) + 1e-9
    assert found.min() >= 25.0 - 1e-9


@settings(max_examples=30, deadline=None)
@given(watts=st.floats(0.1, 60.0))
def test_heat_out_is_heat_in(watts):
    net = nonlinear()
    found = net.steady({"die": watts})
    out = (
        (found["fins"] - 25.0) / 0.6
        + radiation(0.05, found["skin"], 25.0)
        + convection(0.06, found["skin"], 25.0)
    )
    into = watts + leakage(1.5, 70.0, 0.02, found["die"])
    assert out == pytest.approx(into, rel=1e-9)
