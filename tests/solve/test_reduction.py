"""Large networks on a reduced basis, held against the same network solved node by node."""

from __future__ import annotations

import mesh_machine as mesh
import numpy as np
import pytest

from thermnet.errors import NetworkError
from thermnet.firmware.workload import Workload, constant
from thermnet.network import ThermalNetwork
from thermnet.network.compiled import compile_network
from thermnet.solve.closed_loop import simulate
from thermnet.solve.plant import Plant


@pytest.fixture(scope="module")
def plants():
    machine = mesh.machine(240, grid_rpm=500.0)
    return Plant(machine, 0.1, largest_full=10**6), Plant(machine, 0.1)


def bursts(seconds, seed=3):
    rng = np.random.default_rng(seed)
    times = np.concatenate([[0.0], np.cumsum(np.round(rng.exponential(5.0, 600) + 0.1, 1))])
    times = times[times < seconds]
    return Workload(name="bursts", times=times, watts={"cpu": rng.choice([2.0, 12, 28, 45, 80], times.size)},
                    holds="frequency", duration=seconds)  # fmt: skip


@pytest.mark.parametrize("start", ["cold", 20.0])
def test_reduced_basis_follows_the_full_network(plants, start):
    full, reduced = plants
    assert reduced.size < 0.5 * full.size
    load = bursts(900.0)
    a, b = simulate(full, mesh.MODE, load, start=start), simulate(reduced, mesh.MODE, load, start=start)
    np.testing.assert_array_equal(a.channel("limit"), b.channel("limit"))
    np.testing.assert_array_equal(a.channel("fan_speed"), b.channel("fan_speed"))
    assert a.channel("limit").max() > 0
    assert np.unique(a.channel("fan_speed")).size > 2
    np.testing.assert_allclose(b.temperatures, a.temperatures, atol=0.01)
    np.testing.assert_allclose(b.temperature("die.0.0"), a.temperature("die.0.0"), atol=1e-3)
    assert b.energy_residual < 1e-8
    # Nodes with a state of their own, shapes and massless nodes are read alike, one by one or all at once.
    for name in ("die.0.0", "bottom.0.0", "air.1", "ambient"):
        np.testing.assert_allclose(
            simulate(reduced, mesh.MODE, load, start=start).temperature(name), b.temperatures[:, b.names.index(name)], atol=1e-9
        )


def test_small_networks_are_solved_node_by_node():
    plant = Plant(mesh.machine(40), 0.1)
    assert plant.basis is None
    assert plant.size == plant.active.size
    assert plant.basis_error == 0.0


def test_basis_says_how_good_it_is(plants):
    _, reduced = plants
    assert 0.0 < reduced.basis_error < 2e-3
    run = simulate(reduced, mesh.MODE, constant(20.0, "cpu", 5.0))
    assert run.solver["basis_error_K"] == reduced.basis_error
    assert run.solver["states"] == reduced.size


def test_states_and_temperatures_belong_together(plants):
    _, reduced = plants
    soaked = simulate(reduced, mesh.MODE, constant(20.0, "cpu", 0.1), start=20.0)
    t = soaked.temperatures[0, reduced.active]
    np.testing.assert_allclose(reduced.temperatures(reduced.states(t)), t, atol=1e-9)
    np.testing.assert_allclose(reduced.states(np.full(reduced.active.size, 25.0)) @ reduced.storage,
                               25.0 * np.sum(reduced.basis.node_capacity), rtol=1e-12)  # fmt: skip


def test_run_goes_on_from_a_run_of_the_same_large_machine(plants):
    _, reduced = plants
    first = simulate(reduced, mesh.MODE, constant(30.0, "cpu", 60.0), start="cold")
    second = simulate(reduced, mesh.MODE, constant(30.0, "cpu", 1.0), start=first)
    np.testing.assert_allclose(second.temperatures[0], first.temperatures[-1], atol=2e-3)


def test_times_between_samples_are_read_in_a_large_machine(plants):
    full, reduced = plants
    load = constant(40.0, "cpu", 20.0)
    runs = [simulate(plant, mesh.MODE, load, start="cold") for plant in (full, reduced)]
    limit = float(runs[0].temperature("die.0.0")[40]) + 0.01
    assert runs[0].time_to("die.0.0", limit) == pytest.approx(runs[1].time_to("die.0.0", limit), abs=1e-3)


def test_link_heat_balances_in_a_large_machine(plants):
    _, reduced = plants
    run = simulate(reduced, mesh.MODE, constant(20.0, "cpu", 2.0), start=20.0)
    names, heat = run.link_heat
    into = sum(h for name, h in zip(names, heat[-1], strict=True) if name.endswith("->ambient") and "air" not in name)
    assert 0.0 < into < 40.0


def test_sparse_transport_is_the_dense_one():
    compiled = compile_network(mesh.build({"fan": 3000.0}, 60))
    laws = np.linspace(0.1, 0.2, len(compiled.law_ends))
    np.testing.assert_allclose(compiled.sparse_transport(laws).toarray(), compiled.transport(laws), atol=1e-15)
    bare = ThermalNetwork()
    bare.add_boundary("ambient", 25.0)
    bare.add_node("one", capacity=1.0)
    bare.add_link("one", "ambient", resistance=2.0)
    np.testing.assert_allclose(compile_network(bare).sparse_transport().toarray(), [[0.5, -0.5]])


def test_ensembles_of_large_machines_are_refused(plants):
    from thermnet.solve.stack import Stack

    _, reduced = plants
    with pytest.raises(NetworkError, match="node by node"):
        Stack(reduced, reduced.machine, 4)
