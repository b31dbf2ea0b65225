"""The linear open-loop run against a general-purpose circuit simulator: the same network, the same power trace."""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from cases import DIE, PERIOD, SKIN, Case
from table import Bar, Section, medians

from thermnet.network import ThermalNetwork
from thermnet.network.compiled import compile_network
from thermnet.solve.equations import HeatBalance
from thermnet.solve.netlist import network_netlist
from thermnet.solve.steady import steady_temperatures
from thermnet.studies.hand_over import node_powers

COLUMNS = ("contender", "CPU s per hour", "times ours", "run over s", "die error K", "skin error K")
SIMULATOR = "ngspice"


def run(size):
    """An hour of power steps, one every 100 ms, through tern-14 with its laws held at their state at the start."""
    quick, case = size == "quick", Case.of_design("tern-14")
    samples = 36_000
    times = np.arange(samples) * PERIOD
    power = node_powers(case.design, (times, case.demand["cpu"]))
    network, start = held_network(case.design.network("desk"), power)
    report = np.arange(samples + 1) * PERIOD
    section = Section("circuit", f"Linear open-loop hour of tern-14: {len(network.nodes)} nodes, a step of power every 100 ms", COLUMNS)

    def ours():
        return network.transient(power, samples * PERIOD, initial=start, times=report)

    (seconds,) = medians([ours], 1 if quick else 5)
    found = ours()
    stretch = 300 if quick else 3_000
    names = {"die": case.dies, "skin": case.skins}
    exact = exactly(network, power, start, samples if not quick else stretch, [*case.dies, *case.skins])

    def errors(temperature, n):
        worst = {name: float(np.abs(temperature(name)[: n + 1] - row[: n + 1]).max()) for name, row in exact.items()}
        return tuple(max(worst[node] for node in nodes) for nodes in names.values())

    checked = len(next(iter(exact.values()))) - 1
    die, skin = errors(found.temperature, checked)
    section.rows.append(("ours, network.transient", seconds, 1.0, samples * PERIOD, die, skin))
    section.bars += [Bar("error at the die, linear", die, DIE, "K", False), Bar("error at the skin, linear", skin, SKIN, "K", False)]
    if shutil.which(SIMULATOR) is None:
        section.notes.append(f"The circuit simulator was skipped: {SIMULATOR} is not installed.")
        return section
    short = {node: cut(value, stretch * PERIOD) for node, value in power.items()}
    text = network_netlist(network, short, stretch * PERIOD, initial=start, step=PERIOD)
    with tempfile.TemporaryDirectory() as folder:
        spent = statistics.median(simulate(text, folder) for _ in range(1 if quick else 3))
        table = np.loadtxt(Path(folder) / "temperatures.txt")
    at = np.arange(stretch + 1) * PERIOD
    column = {name: 1 + k for k, name in enumerate(network.nodes)}
    die, skin = errors(lambda name: np.interp(at, table[:, 0], table[:, column[name]]), stretch)
    spent *= samples / stretch
    section.rows.append((f"{SIMULATOR}, its default tolerances", spent, spent / seconds, stretch * PERIOD, die, skin))
    section.bars.append(Bar("circuit simulator over ours", spent / seconds, 50.0))
    section.notes += [
        "Reference: matrix exponentials of scipy, sample by sample, of matrices put together here.",
        f"The simulator's CPU time is that of its process over {stretch * PERIOD:g} s, scaled by samples; it writes every node as we keep it.",
    ]
    return section


def held_network(network, power):
    """Copy a network with its laws and leakage as at the steady state of the first powers; returns it and that state."""
    compiled = compile_network(network)
    first = np.array([float(np.ravel(power[n][1])[0] if isinstance(power.get(n), tuple) else power.get(n, 0.0)) for n in compiled.nodes])
    steady = steady_temperatures(compiled, first)
    everything = np.concatenate([steady, compiled.boundary_temperature(0.0)])
    labels = (*compiled.nodes, *compiled.boundaries)
    held = ThermalNetwork()
    for name, value in zip(compiled.boundaries, compiled.boundary_temperature(0.0), strict=True):
        held.add_boundary(name, float(value))
    for name, capacity in zip(compiled.nodes, compiled.capacity, strict=True):
        held.add_node(name, float(capacity))
    links = list(zip(compiled.link_ends, compiled.link_conductance, strict=True))
    links += list(zip(compiled.law_ends, HeatBalance(compiled).law_conductance(everything), strict=True))
    for k, ((a, b), conductance) in enumerate(links):
        if conductance > 0:
            held.add_link(labels[a], labels[b], conductance=float(conductance), name=f"link.{k}")
    for (a, b), rate in zip(compiled.stream_ends, compiled.stream_rate, strict=True):
        held.add_stream(labels[a], labels[b], capacity_rate=float(rate))
    return held, dict(zip(compiled.nodes, steady.tolist(), strict=True))


def exactly(network, power, start, samples, wanted):
    """Temperatures (samples + 1,) of the wanted nodes by scipy's matrix exponential."""
    from scipy.linalg import expm

    net = compile_network(network)
    n, total = net.size, net.size + len(net.boundaries)
    flow = np.zeros((total, total))
    for (a, b), g in zip(net.link_ends, net.link_conductance, strict=True):
        flow[a, a] += g
        flow[a, b] -= g
        flow[b, b] += g
        flow[b, a] -= g
    for (a, b), w in zip(net.stream_ends, net.stream_rate, strict=True):
        flow[b, b] += w
        flow[b, a] -= w
    x, z = np.flatnonzero(net.capacity > 0), np.flatnonzero(net.capacity == 0)
    inner, outer = flow[:n, :n], -flow[:n, n:] @ net.boundary_temperature(0.0)
    through = inner[np.ix_(x, z)] @ np.linalg.inv(inner[np.ix_(z, z)])
    loss = inner[np.ix_(x, x)] - through @ inner[np.ix_(z, x)]
    spread = np.zeros((x.size, n))
    spread[np.arange(x.size), x] = 1.0
    spread[:, z] = -through
    watts = np.zeros((samples, n))
    for node, value in power.items():
        watts[:, net.row(node)] = np.asarray(value[1])[:samples] if isinstance(value, tuple) else value
    drive = (watts + outer) @ spread.T
    matrix = -loss / net.capacity[x][:, None]
    size = x.size
    step = expm(PERIOD * np.block([[matrix, np.diag(1.0 / net.capacity[x])], [np.zeros((size, 2 * size))]]))
    states = np.empty((samples + 1, size))
    states[0] = [start[net.nodes[row]] for row in x]
    for k in range(samples):
        states[k + 1] = step[:size, :size] @ states[k] + step[:size, size:] @ drive[k]
    columns = {net.nodes[row]: k for k, row in enumerate(x)}
    return {name: states[:, columns[name]] for name in wanted}


def cut(value, duration):
    """A power up to a duration."""
    if not isinstance(value, tuple):
        return value
    times, watts = (np.asarray(part) for part in value)
    return times[times < duration], watts[times < duration]


def simulate(text, folder):
    """Run a netlist in the simulator; returns its CPU seconds."""
    (Path(folder) / "circuit.cir").write_text(text, encoding="ascii")
    before = os.times()
    done = subprocess.run([SIMULATOR, "-b", "circuit.cir"], cwd=folder, capture_output=True, text=True, check=False)
    after = os.times()
    if done.returncode:
        raise RuntimeError(f"{SIMULATOR} failed: {done.stderr[:300]}")
    return after.children_user - before.children_user + after.children_system - before.children_system
