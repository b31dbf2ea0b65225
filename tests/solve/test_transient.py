"""Transients of bare networks: linear ones to 1e-6 K, others to the tolerance asked, heat accounted for in all."""

from __future__ import annotations

import pickle
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from own_networks import OwnNetwork, convection, leakage, pipe, radiation, random_network
from scipy.integrate import solve_ivp
from scipy.linalg import eigh_tridiagonal
from scipy.optimize import brentq

from thermnet.errors import NetworkError, ThermalRunawayError
from thermnet.network import DryOut, Leakage, Melting, SurfaceExchange, ThermalNetwork
from thermnet.network.compiled import compile_network
from thermnet.run import Status
from thermnet.solve import equations
from thermnet.solve.powers import read_powers

# -- linear networks ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_random_linear_network_against_matrix_exponentials(seed):
    own = random_network(seed, streams=seed % 2 == 0)
    rng = np.random.default_rng(seed + 10)
    power = {name: float(rng.uniform(0, 15)) for name in own.capacity if rng.random() < 0.3}
    # Up to 300 s: scaling and squaring, which the reference rests on, loses digits to stiffness after that (the
    # package does not, see test_propagator).
    times = np.concatenate([[0.0], np.geomspace(1e-4, 300.0, 15)])
    run = own.graph(by_resistance=seed % 3 == 0).transient(power, times=times, initial=40.0)
    start = np.full(len(own.capacity), 40.0)
    expected = np.vstack([own.march(start, [(t, power)]) for t in times])
    np.testing.assert_array_equal(run.time, times)
    for i, name in enumerate(own.capacity):
        np.testing.assert_allclose(run.temperature(name), expected[:, i], rtol=0, atol=1e-6, err_msg=name)
    for name, value in own.boundary.items():
        np.testing.assert_array_equal(run.temperature(name), value)
    assert run.energy_residual < 1e-9


@pytest.mark.parametrize("seed", range(4))
def test_random_linear_network_ends_in_its_steady_state(seed):
    own = random_network(seed)
    run = own.graph().transient({"n3": 8.0, "n17": 2.0}, times=[1e7], initial=20.0)
    np.testing.assert_allclose(
        run.temperatures[0, : len(own.capacity)], own.steady({"n3": 8.0, "n17": 2.0}), rtol=0, atol=1e-8
    )
    assert run.energy_residual < 1e-9


@pytest.mark.parametrize("seed", range(3))
def test_stepped_powers_against_matrix_exponentials(seed):
    own = random_network(seed + 40)
    rng = np.random.default_rng(seed)
    names = list(own.capacity)
    # Sources that step at different times, some together; on massless nodes too.
    times = np.unique(np.concatenate([[0.0], rng.uniform(0.0, 50.0, 12)]))
    watts = {name: rng.uniform(-2.0, 20.0, times.size) for name in (names[2], names[11], "middle")}
    power = {name: (times, w) for name, w in watts.items()}
    own_power = [{name: w[k] for name, w in watts.items()} for k in range(times.size)]
    ends = np.append(times[1:], 60.0)
    initial = {name: float(rng.uniform(20, 60)) for name in names}
    run = own.graph().transient(power, 60.0, initial=initial, times=[*times, 60.0])
    expected = own.march(
        [initial[n] for n in names], [(b - a, p) for a, b, p in zip(times, ends, own_power, strict=True)]
    )
    capacious = [i for i, name in enumerate(names) if own.capacity[name] > 0]
    for i in capacious:
        np.testing.assert_allclose(run.temperature(names[i])[1:], expected[:, i], rtol=0, atol=1e-6)
    # A node without capacity jumps with the power: what is reported at a step is the value after it.
    for i, name in enumerate(names):
        assert run.temperature(name)[-1] == pytest.approx(expected[-1, i], abs=1e-6)
    assert run.energy_residual < 1e-9


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), duration=st.floats(1e-3, 1e5), streams=st.booleans())
def test_any_small_network_and_any_duration(seed, duration, streams):
    own = random_network(seed, nodes=6, massless=2, streams=streams)
    names = list(own.capacity)
    run = own.graph().transient({"n1": 12.0}, duration, initial=20.0)
    assert run.energy_residual < 1e-6
    assert run.time[-1] == duration
    assert np.all(np.diff(run.time) > 0)
    # Heated from below every boundary: nothing falls, nothing passes its steady temperature.
    final = own.steady({"n1": 12.0})
    for i, name in enumerate(names):
        if own.capacity[name] > 0:
            assert np.all(np.diff(run.temperature(name)) > -1e-9)
        assert run.temperature(name).max() <= final[i] + 1e-7


def test_default_times_are_fine_after_each_step_and_end_on_time():
    own = OwnNetwork(
        {"die": 0.01, "sink": 100.0}, {"room": 25.0}, [("die", "sink", 2.0), ("sink", "room", 1.0)]
    )
    run = own.graph().transient({"die": ([0.0, 100.0], [10.0, 30.0])}, 1000.0)
    assert {0.0, 100.0, 1000.0} <= set(run.time)
    for after in (0.0, 100.0):
        # The die (5 ms) is resolved after every step of its power.
        inside = run.time[(run.time > after) & (run.time <= after + 0.02)]
        assert inside.size >= 10
    expected = own.march([25.0, 25.0], [(100.0, {"die": 10.0}), (900.0, {"die": 30.0})])
    np.testing.assert_allclose([run.temperature(n)[-1] for n in ("die", "sink")], expected[-1], atol=1e-6)


def test_many_regular_times_cost_one_propagator(monkeypatch):
    from thermnet.solve import transient

    calls = []
    inner = transient.phi_functions
    monkeypatch.setattr(transient, "phi_functions", lambda *a, **k: calls.append(1) or inner(*a, **k))
    own = random_network(5)
    run = own.graph().transient({"n1": 5.0}, times=np.linspace(0.0, 3600.0, 36001))
    assert run.time.size == 36001
    assert len(calls) < 20
    expected = own.march(np.full(len(own.capacity), 25.0), [(3600.0, {"n1": 5.0})])[-1]
    np.testing.assert_allclose(run.temperatures[-1, : len(own.capacity)], expected, rtol=0, atol=1e-6)


@pytest.mark.parametrize(("fourier", "zth"), [(0.1, 0.3568234), (1.0, 0.931259679)])
def test_ladder_of_200_stages_is_the_slab(fourier, zth):
    # Check values: H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed. 1959 (slab, flux step into one
    # face, the other isothermal): series, cross-checked by numerical inversion of tanh(sqrt s)/s^1.5.
    stages = 200
    net = ThermalNetwork()
    net.add_boundary("far face", 0.0)
    net.add_node("near face")
    before = "near face"
    for i in range(stages):
        net.add_node(f"slice {i}", capacity=1.0 / stages)
        net.add_link(before, f"slice {i}", resistance=(0.5 if i == 0 else 1.0) / stages)
        before = f"slice {i}"
    net.add_link(before, "far face", resistance=0.5 / stages)
    run = net.transient({"near face": 1.0}, times=[0.0, fourier], initial=0.0)
    assert run.temperature("near face")[-1] == pytest.approx(zth, rel=5e-5)


def test_two_networks_that_do_not_touch_do_not_touch():
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    for name, c in (("a", 1e-4), ("b", 1e4)):
        net.add_node(name, capacity=c)
        net.add_link(name, "room", resistance=1.0)
    run = net.transient({"a": 10.0}, 100.0)
    np.testing.assert_allclose(run.temperature("b"), 25.0, rtol=0, atol=1e-12)


# -- inputs that vary in time ------------------------------------------------------------------------------


@pytest.mark.parametrize("tolerance", [1e-1, 1e-2, 1e-3, 1e-4])
def test_callables_against_tight_integration(tolerance):
    own = random_network(3, nodes=12, massless=2)

    def room(t):
        return 25.0 + 4.0 * np.sin(t / 7.0)

    def watts(t):
        return 12.0 + 8.0 * np.sin(t / 3.0) * np.exp(-t / 40.0)

    net = own.graph()
    net.graph.nodes["room"]["boundary"] = room
    times = np.linspace(0.0, 60.0, 61)
    run = net.transient({"n4": watts, "n7": 3.0}, times=times, tolerance=tolerance)
    names = list(own.capacity)
    x, z, a, _, _ = own.reduced()

    def parts(t):
        own.boundary["room"] = room(t)
        return own.reduced()[3:], own.watts({"n4": watts(t), "n7": 3.0})

    def slope(t, state):
        (drive, _), power = parts(t)
        return a @ state + drive(power)

    found = solve_ivp(slope, (0.0, 60.0), np.full(x.size, 25.0), method="Radau", rtol=1e-9, atol=1e-9, t_eval=times,
                      jac=lambda t, y: a)  # fmt: skip
    for k, t in enumerate(times):
        (_, others), power = parts(t)
        full = np.empty(len(names))
        full[x], full[z] = found.y[:, k], others(found.y[:, k], power)
        np.testing.assert_allclose(run.temperatures[k, : len(names)], full, rtol=0, atol=tolerance)
        assert run.temperature("room")[k] == room(t)
    assert run.energy_residual < 1e-9


def test_a_callable_is_looked_at_all_along_the_run():
    # 1 s of 500 W in 60 s of nothing: seen, because no step is longer than a hundredth of the run.
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("die", capacity=10.0)
    net.add_link("die", "room", resistance=5.0)
    run = net.transient({"die": lambda t: 500.0 * (40.0 < t < 41.0)}, 60.0, tolerance=1e-3)
    peak = 25.0 + 2500.0 * -np.expm1(-1.0 / 50.0)
    assert run.temperature("die").max() == pytest.approx(peak, abs=0.01)


def test_steps_of_several_sources_that_differ_by_rounding_are_one():
    times = np.arange(50) * 0.1
    rounded = np.cumsum(np.full(50, 0.1)) - 0.1
    rounded[0] = 0.0
    assert np.any(times != rounded)
    net = OwnNetwork({"a": 1.0, "b": 5.0}, {"room": 25.0}, [("a", "b", 1.0), ("b", "room", 1.0)]).graph()
    powers = read_powers(compile_network(net), {"a": (times, times), "b": (rounded, times)})
    assert powers.breaks.size == 50
    same = net.transient({"a": (times, times), "b": (times, times)}, 6.0, times=[0.0, 6.0])
    near = net.transient({"a": (times, times), "b": (rounded, times)}, 6.0, times=[0.0, 6.0])
    np.testing.assert_allclose(near.temperatures, same.temperatures, rtol=0, atol=1e-10)
    net.add_link("a", "room", law=SurfaceExchange(radiating_area=0.01))
    assert net.transient({"a": (times, times), "b": (rounded, times)}, 6.0).status is Status.COMPLETE


def test_nothing_is_put_in_before_the_first_time():
    net = OwnNetwork({"a": 1.0}, {"room": 25.0}, [("a", "room", 1.0)]).graph()
    run = net.transient({"a": ([5.0], [10.0])}, 8.0, times=[0.0, 5.0, 8.0])
    np.testing.assert_allclose(run.temperature("a"), [25.0, 25.0, 25.0 - 10.0 * np.expm1(-3.0)], atol=1e-9)


def test_times_need_not_start_at_0_nor_end_at_the_end():
    net = OwnNetwork({"a": 1.0}, {"room": 25.0}, [("a", "room", 1.0)]).graph()
    for extra in (None, SurfaceExchange(radiating_area=1e-12)):
        if extra is not None:
            net.add_link("a", "room", law=extra)
        run = net.transient({"a": 10.0}, 9.0, times=[3.0, 1.0, 1.0])
        np.testing.assert_array_equal(run.time, [1.0, 3.0])
        np.testing.assert_allclose(run.temperature("a"), 25.0 - 10.0 * np.expm1([-1.0, -3.0]), atol=2e-3)
        assert run.energy.into == pytest.approx(90.0)


# -- nonlinear networks ------------------------------------------------------------------------------------


def cooling():
    """A body cooling by radiation and convection alone."""
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("body", capacity=40.0)
    net.add_link("body", "room", law=SurfaceExchange(radiating_area=0.03, convection=0.05, exponent=1 / 3))

    def slope(t, y):
        return [-(radiation(0.03, y[0], 25.0) + convection(0.05, y[0], 25.0, 1 / 3)) / 40.0]

    return net, {}, slope, {"body": 120.0}, 600.0


def drying():
    """A pipe driven past its limit and back by steps of power."""
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    for name, c in (("die", 0.05), ("hot", 4.0), ("cold", 15.0)):
        net.add_node(name, capacity=c)
    net.add_link("die", "hot", resistance=0.2)
    net.add_link("hot", "cold", law=DryOut(resistance=0.15, limit=35.0, steepness=6.0, blend=0.15))
    net.add_link("cold", "room", resistance=0.5)
    times, watts = [0.0, 20.0, 50.0, 90.0], [20.0, 60.0, 34.0, 70.0]

    def slope(t, y):
        die, hot, cold = y
        p = watts[int(np.searchsorted(times, t, side="right")) - 1]
        through = pipe(0.15, 35.0, 6.0, 0.15, hot, cold)
        return [
            (p - (die - hot) / 0.2) / 0.05,
            ((die - hot) / 0.2 - through) / 4.0,
            (through - (cold - 25.0) / 0.5) / 15.0,
        ]

    return net, {"die": (times, watts)}, slope, {"die": 25.0, "hot": 25.0, "cold": 25.0}, 120.0


def leaking():
    """A hot die whose leakage carries a third of the heat."""
    net = ThermalNetwork()
    net.add_boundary("room", 30.0)
    net.add_node("die", capacity=0.1)
    net.add_node("sink", capacity=30.0)
    net.add_link("die", "sink", resistance=0.5)
    net.add_link("sink", "room", resistance=0.9)
    net.add_leakage("die", Leakage(power=4.0, reference=70.0, slope=0.02))

    def slope(t, y):
        die, sink = y
        passed = (die - sink) / 0.5
        return [(25.0 + leakage(4.0, 70.0, 0.02, die) - passed) / 0.1, (passed - (sink - 30.0) / 0.9) / 30.0]

    return net, {"die": 25.0}, slope, {"die": 30.0, "sink": 30.0}, 200.0


def skinned():
    """Massless nodes that follow laws: a thin skin between a link and its surroundings, an air cell in a stream."""
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("body", capacity=8.0)
    net.add_node("skin")
    net.add_node("air")
    net.add_link("body", "skin", resistance=1.5)
    net.add_link("skin", "room", law=SurfaceExchange(radiating_area=0.02, convection=0.03))
    net.add_stream("room", "air", capacity_rate=0.4)
    net.add_stream("air", "room", capacity_rate=0.4)
    net.add_link("skin", "air", law=SurfaceExchange(convection=0.1, floor=0.05))

    def air(skin):
        def gained(a):
            return convection(0.1, skin, a) + 0.05 * (skin - a) - 0.4 * (a - 25.0)

        return brentq(gained, min(skin, 25.0) - 1e-9, max(skin, 25.0) + 1e-9, xtol=1e-13)

    def lost(skin):
        return radiation(0.02, skin, 25.0) + convection(0.03, skin, 25.0) + 0.4 * (air(skin) - 25.0)

    def slope(t, y):
        skin = brentq(lambda s: (y[0] - s) / 1.5 - lost(s), 24.0, y[0] + 1e-6, xtol=1e-13)
        return [(10.0 - (y[0] - skin) / 1.5) / 8.0]

    return net, {"body": 10.0}, slope, {"body": 60.0}, 150.0


CASES = {"cooling": cooling, "drying": drying, "leaking": leaking, "skinned": skinned}


@pytest.fixture(scope="module")
def references():
    found = {}
    for name, make in CASES.items():
        _, power, slope, initial, duration = make()
        edges = [
            0.0,
            *([t for t in next(iter(power.values()))[0] if t > 0] if name == "drying" else []),
            duration,
        ]
        state, times, rows = list(initial.values()), [np.zeros(1)], [np.array([list(initial.values())])]
        for a, b in pairwise(edges):
            inside = np.linspace(a, b, 41)
            part = solve_ivp(
                lambda t, y, a=a, b=b, s=slope: s(min(max(t, a), np.nextafter(b, a)), y), (a, b), state, method="Radau",
                rtol=1e-10, atol=1e-10, t_eval=inside,
            )  # fmt: skip
            state = part.y[:, -1]
            times.append(inside[1:])
            rows.append(part.y[:, 1:].T)
        found[name] = np.concatenate(times), np.vstack(rows)
    return found


@pytest.mark.parametrize("tolerance", [1e-1, 1e-2, 1e-3, 1e-4])
@pytest.mark.parametrize("name", list(CASES))
def test_nonlinear_network_keeps_to_the_tolerance(name, tolerance, references):
    net, power, _, initial, duration = CASES[name]()
    times, expected = references[name]
    run = net.transient(power, duration, initial=initial, times=times, tolerance=tolerance)
    for i, node in enumerate(initial):
        np.testing.assert_allclose(
            run.temperature(node), expected[:, i], rtol=0, atol=tolerance, err_msg=node
        )
    assert run.energy_residual < 1e-9
    assert run.status is Status.COMPLETE


def test_sparse_route_agrees_with_the_dense_one(monkeypatch):
    net, power, _, initial, duration = drying()
    times = np.linspace(0.0, duration, 25)
    dense = net.transient(power, times=times, initial=initial, tolerance=1e-3)
    monkeypatch.setattr(equations, "DENSE_LIMIT", 0)
    sparse = net.transient(power, times=times, initial=initial, tolerance=1e-3)
    np.testing.assert_allclose(sparse.temperatures, dense.temperatures, rtol=0, atol=1e-8)


def test_large_network_takes_the_sparse_route_and_keeps_to_the_tolerance():
    # A rod of 500 cells, one end held: eigenvectors of its tridiagonal matrix give the exact rise.
    n, g, c, watts = 500, 2.0, 0.1, 0.5
    net = ThermalNetwork()
    net.add_boundary("end", 0.0)
    for i in range(n):
        net.add_node(f"c{i}", capacity=c)
        net.add_link(f"c{i}", f"c{i - 1}" if i else "end", conductance=g)
    times = np.array([0.0, 1.0, 30.0, 400.0])
    run = net.transient({f"c{n - 1}": watts}, times=times, initial=0.0, tolerance=1e-3)
    assert run.solver["method"].startswith("Rosenbrock")
    diagonal = np.full(n, 2 * g)
    diagonal[-1] = g
    values, vectors = eigh_tridiagonal(diagonal / c, np.full(n - 1, -g / c))
    for k, t in enumerate(times):
        exact = vectors @ (-np.expm1(-values * t) / values * (vectors[-1] * watts / c))
        np.testing.assert_allclose(run.temperatures[k, :n], exact, rtol=0, atol=1e-3)
    assert run.energy_residual < 1e-9


def test_network_without_any_capacity_follows_its_inputs():
    net = OwnNetwork({"a": 0.0, "b": 0.0}, {"room": 25.0}, [("a", "b", 1.0), ("b", "room", 2.0)]).graph()
    run = net.transient({"a": lambda t: t}, 10.0, times=[0.0, 4.0, 10.0])
    np.testing.assert_allclose(run.temperature("a"), 25.0 + 1.5 * np.array([0.0, 4.0, 10.0]), atol=1e-9)
    run = net.transient({"a": ([0.0, 5.0], [2.0, 6.0])}, 10.0, times=[0.0, 4.9, 5.0, 10.0])
    np.testing.assert_allclose(run.temperature("a"), [28.0, 28.0, 34.0, 34.0], atol=1e-9)
    assert run.energy_residual < 1e-9


def test_melting_store_holds_the_body_at_its_melting_point():
    law = Melting(melt_conductance=20.0, melting_temperature=45.0, latent_energy=1000.0, melting_range=0.2)
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("body", capacity=5.0)
    net.add_node("melt", capacity=law.capacity)
    net.add_link("body", "melt", law=law)
    net.add_link("body", "room", resistance=10.0)
    run = net.transient({"body": ([0.0, 200.0], [12.0, 0.0])}, 900.0, times=np.linspace(0, 900, 181))
    molten = law.fraction(run.temperature("melt"))
    body = run.temperature("body")
    melting = (molten > 0.1) & (molten < 0.9) & (run.time < 200)
    assert melting.sum() > 5
    assert np.ptp(body[melting]) < 0.7
    assert molten.max() == pytest.approx(1.0, abs=0.02)
    assert molten[-1] < 0.05  # frozen again
    assert body[run.time <= 200].max() > 70.0
    assert run.energy_residual < 1e-9


# -- where a run begins and ends ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", list(CASES))
def test_steady_start_stays_where_it_is(name):
    net, power, _, _, _ = CASES[name]()
    held = {node: value if np.isscalar(value) else value[1][0] for node, value in power.items()}
    run = net.transient(held, 50.0, initial="steady", tolerance=1e-3)
    assert np.ptp(run.temperatures, axis=0).max() < 1e-6
    np.testing.assert_allclose(run.temperatures[0, : len(net.nodes)], net.steady(held), atol=1e-8)
    assert run.energy_residual < 1e-6


def test_steady_start_takes_the_power_of_time_0():
    net = OwnNetwork({"a": 1.0}, {"room": 25.0}, [("a", "room", 1.0)]).graph()
    run = net.transient({"a": ([0.0, 1.0], [10.0, 0.0])}, 2.0, initial="steady")
    assert run.temperature("a")[0] == pytest.approx(35.0)
    assert net.transient({"a": lambda t: 10.0 + t}, 2.0, initial="steady").temperature("a")[
        0
    ] == pytest.approx(35.0)


def test_steady_start_beyond_runaway_is_refused():
    net, _, _, _, _ = leaking()
    with pytest.raises(ThermalRunawayError, match="'die'"):
        net.transient({"die": 90.0}, 10.0, initial="steady")


@pytest.mark.parametrize("times", [None, [0.0, 1.0, 500.0], [400.0, 500.0]])
def test_runaway_ends_the_run_and_says_so(times):
    net, _, _, initial, _ = leaking()
    run = net.transient({"die": 120.0}, 500.0, initial=initial, times=times)
    assert run.status is Status.RUNAWAY
    assert run.time[-1] < 500.0
    assert run.temperature("die")[-1] > 200.0
    assert np.all(np.isfinite(run.temperatures))
    assert "runaway" in run.events[0][1]
    assert "runaway" in repr(run)
    assert run.energy_residual < 1e-9


def test_rest_is_rest_and_its_accounts_are_empty():
    for law in (None, SurfaceExchange(radiating_area=0.1, convection=0.1)):
        net = OwnNetwork({"a": 3.0, "b": 0.0}, {"room": 25.0}, [("a", "b", 1.0), ("b", "room", 1.0)]).graph()
        if law is not None:
            net.add_link("a", "room", law=law)
        run = net.transient({}, 1000.0)
        assert np.ptp(run.temperatures) < 1e-9
        assert run.energy_residual < 1e-6


def test_heat_from_boundary_to_boundary_is_accounted_for():
    own = OwnNetwork({"a": 3.0}, {"hot": 90.0, "cold": 10.0}, [("hot", "a", 1.0), ("a", "cold", 3.0)])
    run = own.graph().transient({}, 1e4, initial="steady")
    assert run.energy_residual < 1e-6
    run = own.graph().transient({}, 1e4, initial=10.0)
    assert run.energy_residual < 1e-6
    # Nothing is put in by sources; what is stored was drawn from the boundaries.
    assert run.energy.into == 0.0
    assert run.energy.out == pytest.approx(-run.energy.stored)
    assert run.energy.stored == pytest.approx(3.0 * 20.0, rel=1e-9)


def test_a_sink_of_heat_is_a_negative_power():
    net = OwnNetwork({"a": 1.0}, {"room": 25.0}, [("a", "room", 1.0)]).graph()
    run = net.transient({"a": -5.0}, 50.0)
    assert run.temperature("a")[-1] == pytest.approx(20.0, abs=1e-9)
    assert run.energy_residual < 1e-9


# -- again, and again --------------------------------------------------------------------------------------


def written_down(net, *more):
    return pickle.dumps(
        (list(net.graph.nodes(data=True)), list(net.graph.edges(keys=True, data=True)), *more)
    )


@pytest.mark.parametrize("name", [*CASES, "linear"])
def test_a_then_b_then_a_gives_the_same_bits(name):
    if name == "linear":
        net, power, initial, duration = random_network(2).graph(), {"n3": 9.0}, 25.0, 100.0
    else:
        net, power, _, initial, duration = CASES[name]()
    before = written_down(net, power, initial)
    first = net.transient(power, duration, initial=initial)
    net.transient({}, 0.1 * duration, initial="steady")
    net.steady()
    second = net.transient(power, duration, initial=initial)
    np.testing.assert_array_equal(first.temperatures, second.temperatures)
    assert first.energy == second.energy
    assert written_down(net, power, initial) == before


def test_reporting_more_often_changes_nothing():
    net, power, _, initial, duration = drying()
    few = net.transient(power, times=[0.0, 60.0, duration], initial=initial)
    many = net.transient(power, times=np.linspace(0.0, duration, 121), initial=initial)
    np.testing.assert_array_equal(few.temperatures, many.temperatures[[0, 60, 120]])
    assert few.energy == many.energy


def test_progress_is_shown_on_request(capsys):
    net, power, _, initial, _ = drying()
    net.transient(power, 5.0, initial=initial, progress=True)
    assert "transient" in capsys.readouterr().err
    net.transient(power, 5.0, initial=initial)
    assert capsys.readouterr().err == ""


def test_unfinite_callable_in_the_middle_of_a_run_is_named():
    net, _, _, initial, _ = drying()
    with pytest.raises(NetworkError, match=r"power at 'die' is nan at .* s; expected a finite number of W"):
        net.transient({"die": lambda t: 5.0 if t < 1.0 else float("nan")}, 5.0, initial=initial)
