"""The compiled form: index arrays that say the same as the graph, for one machine and for many."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.errors import NetworkError
from thermnet.network import DryOut, Leakage, Melting, SurfaceExchange, ThermalNetwork
from thermnet.network.compiled import compile_network
from thermnet.solve.equations import HeatBalance


def air_cooled(rate=1.1, conductance=0.5, ambient=25.0, leak=0.0):
    """Two bodies, an air path with recirculation and every kind of edge."""
    net = ThermalNetwork()
    net.add_boundary("ambient", ambient)
    net.add_node("die", capacity=0.2)
    net.add_node("fins", capacity=12.0)
    net.add_node("inlet")
    net.add_node("outlet")
    net.add_link("die", "fins", conductance=conductance)
    net.add_link("fins", "outlet", conductance=2.0)
    net.add_link("ambient", "die", law=SurfaceExchange(radiating_area=0.01, convection=0.02))
    net.add_link("die", "fins", law=DryOut(resistance=0.3, limit=20.0))
    net.add_stream("ambient", "inlet", capacity_rate=0.8 * rate)
    net.add_stream("outlet", "inlet", capacity_rate=0.2 * rate)
    net.add_stream("inlet", "outlet", capacity_rate=rate)
    net.add_stream("outlet", "ambient", capacity_rate=0.8 * rate)
    if np.any(leak):
        net.add_leakage("die", Leakage(power=leak))
    return net


def test_rows_follow_the_order_of_adding():
    compiled = compile_network(air_cooled())
    assert compiled.nodes == ("die", "fins", "inlet", "outlet")
    assert compiled.boundaries == ("ambient",)
    assert [compiled.row(name) for name in (*compiled.nodes, "ambient")] == [0, 1, 2, 3, 4]
    assert compiled.size == 4
    assert not compiled.is_linear
    assert compiled.link_names == ("die->fins", "fins->outlet")
    assert set(compiled.law_names) == {"die->fins (2)", "ambient->die"}
    with pytest.raises(NetworkError, match=r"unknown node 'fin'; did you mean 'fins'\?"):
        compiled.row("fin")


def test_uniform_temperature_is_rest():
    compiled = compile_network(air_cooled())
    assert np.abs(compiled.transport() @ np.full(5, 37.0)).max() < 1e-12
    assert abs(compiled.outflow_vector() @ np.full(5, 37.0)) < 1e-12


def test_heat_out_is_what_the_balances_lose():
    # The rows of the heat balances summed must be what is counted at the boundaries.
    compiled = compile_network(air_cooled())
    rng = np.random.default_rng(1)
    everything = rng.uniform(20.0, 90.0, 5)
    laws = HeatBalance(compiled).law_conductance(everything)
    lost = float(np.sum(compiled.transport(laws) @ everything))
    assert compiled.outflow_vector(laws) @ everything == pytest.approx(lost, abs=1e-12)


def test_outlet_without_a_stream_on_counts_as_leaving():
    for closing in (False, True):
        net = ThermalNetwork()
        net.add_boundary("ambient", 20.0)
        net.add_node("inlet")
        net.add_node("outlet")
        net.add_stream("ambient", "inlet", capacity_rate=1.5)
        net.add_stream("inlet", "outlet", capacity_rate=1.5)
        if closing:
            # A stream that carries nothing does not make it less of an outlet.
            net.add_stream("outlet", "ambient", capacity_rate=0.0)
        compiled = compile_network(net)
        steady = net.steady({"inlet": 6.0, "outlet": 3.0})
        assert steady["outlet"] == pytest.approx(26.0, abs=1e-9)
        everything = np.array([*steady, 20.0])
        assert compiled.outflow_vector() @ everything == pytest.approx(9.0, abs=1e-9)


def test_samples_are_the_machines_they_are_made_of():
    rates, conductances, rooms = (
        np.array([0.5, 1.0, 2.0]),
        np.array([0.3, 0.4, 0.5]),
        np.array([20.0, 25.0, 35.0]),
    )
    batch = compile_network(air_cooled(rates, conductances, rooms, leak=np.array([0.5, 1.0, 1.5])))
    assert batch.batch_shape == (3,)
    assert batch.capacity.shape == (4, 3)
    for i in range(3):
        one = batch.select(i)
        own = compile_network(
            air_cooled(float(rates[i]), float(conductances[i]), float(rooms[i]), leak=0.5 * (i + 1))
        )
        assert one.batch_shape == ()
        np.testing.assert_array_equal(one.transport(), own.transport())
        np.testing.assert_array_equal(one.boundary_temperature(0.0), own.boundary_temperature(0.0))
        assert one.leakages == own.leakages
        everything = np.array([60.0, 50.0, 30.0, 40.0, rooms[i]])
        for mine, other in zip(one.laws, own.laws, strict=True):
            assert mine.conductance(60.0, 40.0) == pytest.approx(
                float(other.conductance(60.0, 40.0)), rel=1e-14
            )
        np.testing.assert_allclose(
            HeatBalance(one).law_conductance(everything),
            HeatBalance(own).law_conductance(everything),
            rtol=1e-14,
        )
    assert batch.select((1,)).capacity.shape == (4,)


def test_samples_of_different_lengths_are_refused():
    net = air_cooled(np.ones(3))
    net.add_node("more", capacity=np.ones(4))
    net.add_link("more", "fins", resistance=1.0)
    with pytest.raises(NetworkError, match=r"shapes that do not broadcast: \[.*\(3,\).*\(4,\)"):
        compile_network(net)


def test_boundaries_may_vary():
    net = air_cooled()
    net.add_boundary("desk", lambda t: 20.0 + t)
    net.add_link("fins", "desk", resistance=5.0)
    compiled = compile_network(net)
    assert compiled.has_varying_boundary
    np.testing.assert_array_equal(compiled.boundary_temperature(3.0), [25.0, 23.0])


def test_melting_store_starts_solid_or_molten():
    net = ThermalNetwork()
    net.add_boundary("ambient", 25.0)
    law = Melting(melt_conductance=2.0, melting_temperature=45.0, latent_energy=100.0, melting_range=1.0)
    net.add_node("body", capacity=5.0)
    net.add_node("melt", capacity=law.capacity)
    net.add_link("body", "ambient", resistance=2.0)
    net.add_link("body", "melt", law=law)
    compiled = compile_network(net)
    np.testing.assert_array_equal(compiled.settled(np.array([25.0, 25.0])), [25.0, 44.5])
    np.testing.assert_array_equal(compiled.settled(np.array([80.0, 80.0])), [80.0, 45.5])
    untouched = np.array([80.0, 45.1])
    np.testing.assert_array_equal(compiled.settled(untouched), untouched)


@pytest.mark.parametrize("size", [5, 400])
def test_jacobian_is_the_slope_of_the_balance(size):
    # Small networks are dense, large ones sparse; both against differences of the balance itself.
    rng = np.random.default_rng(size)
    net = ThermalNetwork()
    net.add_boundary("ambient", 25.0)
    for i in range(size):
        net.add_node(f"n{i}", capacity=1.0)
        net.add_link(f"n{i}", f"n{i - 1}" if i else "ambient", resistance=float(rng.uniform(0.1, 2.0)))
    net.add_link("n2", "n4", law=DryOut(resistance=0.3, limit=5.0, slope=0.01))
    net.add_link("n3", "ambient", law=SurfaceExchange(radiating_area=0.1, convection=0.2))
    net.add_leakage("n4", Leakage(power=3.0))
    balance = HeatBalance(compile_network(net))
    assert balance.dense is (size == 5)
    temperature, boundary, power = (
        rng.uniform(30.0, 90.0, size),
        np.array([25.0]),
        rng.uniform(0.0, 5.0, size),
    )
    slopes = balance.slopes(temperature, boundary)
    jacobian = slopes.net if balance.dense else slopes.net.toarray()
    for j in range(5):
        step = np.zeros(size)
        step[j] = 1e-5
        up = balance.flows(temperature + step, boundary, power)
        down = balance.flows(temperature - step, boundary, power)
        np.testing.assert_allclose(jacobian[:, j], (up.net - down.net) / 2e-5, atol=2e-6)
        assert slopes.into[j] == pytest.approx((up.into - down.into) / 2e-5, abs=2e-6)
        assert slopes.out[j] == pytest.approx((up.out - down.out) / 2e-5, abs=2e-5)
    # Heat that is neither put in nor carried out is the sum of the balances.
    flows = balance.flows(temperature, boundary, power)
    assert float(np.sum(flows.net)) == pytest.approx(flows.into - flows.out, abs=1e-8)
