"""Propagators: exponentials and their integrals, however stiff the network."""

from __future__ import annotations

from decimal import Decimal, getcontext

import numpy as np
import pytest
from own_networks import random_network
from scipy.linalg import expm

from thermnet.errors import NetworkError
from thermnet.network import ThermalNetwork
from thermnet.network.compiled import compile_network
from thermnet.solve.propagator import condense, phi_functions


def reference_phi(matrix, step):
    """phi_0 .. phi_3 as blocks of one exponential (Al-Mohy and Higham's construction), by scipy."""
    n = len(matrix)
    big = np.zeros((4 * n, 4 * n))
    big[:n, :n] = step * matrix
    for k in range(3):
        big[k * n : (k + 1) * n, (k + 1) * n : (k + 2) * n] = np.eye(n)
    e = expm(big)
    return [e[:n, k * n : (k + 1) * n] for k in range(4)]


@pytest.mark.parametrize("step", [1e-9, 1e-3, 0.3, 7.0, 200.0])
@pytest.mark.parametrize("with_loss", [False, True])
def test_phi_functions_against_one_large_exponential(step, with_loss):
    rng = np.random.default_rng(3)
    off = rng.uniform(0.0, 1.0, (7, 7)) * (1 - np.eye(7))
    loss = rng.uniform(0.0, 0.5, 7)
    matrix = off - np.diag(off.sum(axis=1) + loss)
    mine = phi_functions(matrix, step, loss=loss if with_loss else None)[0]
    for phi, reference in zip(mine, reference_phi(matrix, step), strict=True):
        np.testing.assert_allclose(phi, reference, rtol=0, atol=2e-13)


def test_shorter_steps_come_along():
    matrix = np.array([[-3.0, 1.0], [0.5, -0.7]])
    together = phi_functions(matrix, 2.0, 5)
    assert len(together) == 5
    for s, level in enumerate(together):
        for mine, alone in zip(level, phi_functions(matrix, 2.0 / 2**s)[0], strict=True):
            np.testing.assert_allclose(mine, alone, rtol=1e-13, atol=1e-15)


def test_no_time_changes_nothing():
    phi0, phi1, phi2, phi3 = phi_functions(np.array([[-3.0, 1.0], [0.5, -0.7]]), 0.0)[0]
    for phi, factor in ((phi0, 1.0), (phi1, 1.0), (phi2, 0.5), (phi3, 1.0 / 6.0)):
        np.testing.assert_allclose(phi, factor * np.eye(2), atol=1e-15)


def two_bodies_exactly(c1, c2, g, g0, watts, time):
    """Rise of two bodies in series above the room, by the eigenvalues in 60 digits: die - g - sink - g0 - room."""
    getcontext().prec = 60
    c1, c2, g, g0, p, t = (Decimal(float(v)) for v in (c1, c2, g, g0, watts, time))
    a, b, c, d = -g / c1, g / c1, g / c2, -(g + g0) / c2
    root = ((a - d) ** 2 / 4 + b * c).sqrt()
    fast, slow = (a + d) / 2 - root, (a + d) / 2 + root
    end1, end2 = p / g0 + p / g, p / g0
    # x = end + u v_fast e^(fast t) + w v_slow e^(slow t), with v = (b, rate - a)
    #     and x(0) = 0.
    f1, s1 = fast - a, slow - a
    u = (end2 - end1 * s1 / b) / (s1 - f1)
    w = -(end1 / b + u)
    return tuple(
        float(end + u * vf * (fast * t).exp() + w * vs * (slow * t).exp())
        for end, vf, vs in ((end1, b, b), (end2, f1, s1))
    )


@pytest.mark.parametrize("stiffness", [1e3, 1e6, 1e9, 1e12])
@pytest.mark.parametrize("time", [0.3, 30.0, 3000.0, 3e5])
def test_slow_body_keeps_its_accuracy_beside_a_fast_one(stiffness, time):
    # Scaling and squaring alone loses as many digits as the network is stiff: 1e-3 K here without the loss rates.
    c1, c2, g, g0, watts = 1000.0 / stiffness, 1000.0, 1.0, 0.5, 40.0
    net = ThermalNetwork()
    net.add_node("die", capacity=c1)
    net.add_node("sink", capacity=c2)
    net.add_boundary("room", 0.0)
    net.add_link("die", "sink", conductance=g)
    net.add_link("sink", "room", conductance=g0)
    run = net.transient({"die": watts}, time, initial=0.0, times=[time])
    die, sink = two_bodies_exactly(c1, c2, g, g0, watts, time)
    assert run.temperature("sink")[-1] == pytest.approx(sink, abs=1e-11)
    assert run.temperature("die")[-1] == pytest.approx(die, abs=1e-11)


@pytest.mark.parametrize("seed", range(3))
def test_condensed_network_against_elimination_by_hand(seed):
    own = random_network(seed)
    compiled = compile_network(own.graph())
    system = condense(compiled)
    x, z, a, drive, others = own.reduced()
    order = [compiled.nodes.index(name) for name in own.capacity]
    watts = np.random.default_rng(seed).uniform(0.0, 5.0, len(own.capacity))
    u = np.empty(compiled.size + 2)
    u[order] = watts
    u[compiled.size :] = [own.boundary[name] for name in compiled.boundaries]
    np.testing.assert_allclose(system.matrix, a, rtol=1e-10, atol=1e-9)
    np.testing.assert_allclose(system.inputs @ u, drive(watts), rtol=1e-9)
    state = np.random.default_rng(seed + 50).uniform(20.0, 90.0, x.size)
    everything = system.everything(state, u, compiled.size)
    np.testing.assert_allclose(everything[order][x], state)
    np.testing.assert_allclose(everything[order][z], others(state, watts), rtol=1e-10)
    # Minus the row sums, up to the rounding that is the point of having them from the boundaries.
    np.testing.assert_allclose(
        system.loss, -system.matrix.sum(axis=1), atol=1e-12 * np.abs(system.matrix).max()
    )
    # Heat that leaves is heat put in less heat stored.
    stored = float(system.capacity @ (system.matrix @ state + system.inputs @ u))
    out = float(system.out_x @ state + system.out_u @ u)
    assert out == pytest.approx(watts.sum() - stored, abs=1e-8)


def test_entries_are_shares():
    system = condense(compile_network(random_network(1).graph()))
    for step in (1e-3, 1.0, 1e3):
        phi0, phi1, *_ = phi_functions(system.matrix, step, loss=system.loss)[0]
        assert phi0.min() > -1e-15
        np.testing.assert_allclose(phi0.sum(axis=1) + step * (phi1 @ system.loss), 1.0, atol=1e-14)


def test_massless_node_without_a_heat_path_is_named():
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("die", capacity=1.0)
    net.add_node("air")
    net.add_link("die", "room", resistance=1.0)
    net.add_link("air", "room", resistance=1.0)
    compiled = compile_network(net)
    compiled.link_conductance[:] = [1.0, 0.0] if compiled.link_names[0] == "die->room" else [0.0, 1.0]
    with pytest.raises(NetworkError, match="massless node 'air' has no heat path"):
        condense(compiled)
