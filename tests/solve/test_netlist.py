"""Netlists: read and solved here by nodal analysis, and by ngspice where it is installed."""

from __future__ import annotations

import re
import shutil
import subprocess

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.errors import NetworkError
from thermnet.network import DryOut, Leakage, SurfaceExchange, ThermalNetwork
from thermnet.network.laws import Melting
from thermnet.solve.netlist import network_netlist
from thermnet.studies.hand_over import netlist, node_powers

NGSPICE = shutil.which("ngspice")
needs_ngspice = pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed")


def small_network() -> ThermalNetwork:
    net = ThermalNetwork()
    net.add_node("die", 0.5)
    net.add_node("plate", 12.0)
    net.add_node("air", 0.0)
    net.add_node("outlet", 0.0)
    net.add_boundary("room", 25.0)
    net.add_link("die", "plate", resistance=0.4)
    net.add_link("plate", "air", conductance=1.2)
    net.add_stream("room", "air", capacity_rate=1.1)
    net.add_stream("air", "outlet", capacity_rate=1.1)
    net.add_link("plate", "room", resistance=8.0)
    return net


def curved_network() -> ThermalNetwork:
    net = ThermalNetwork()
    for name, capacity in (("die", 0.5), ("pipe", 8.0), ("fins", 10.0), ("skin", 60.0)):
        net.add_node(name, capacity)
    store = Melting(melt_conductance=1.5, melting_temperature=32.0, latent_energy=900.0, melting_range=1.0)
    net.add_node("store", store.capacity)
    net.add_boundary("room", 25.0)
    net.add_link("die", "pipe", resistance=0.4)
    net.add_link(
        "pipe", "fins", law=DryOut(resistance=0.2, limit=24.0, slope=0.01, reference=50.0, full_above=12.0)
    )
    net.add_link("fins", "room", conductance=1.0)
    net.add_link("pipe", "skin", resistance=12.0)
    net.add_link("skin", "store", law=store)
    net.add_link(
        "skin", "room", law=SurfaceExchange(radiating_area=0.02, convection=0.05, exponent=0.25, floor=0.02)
    )
    net.add_leakage("die", Leakage(power=1.0, reference=60.0, slope=0.02))
    return net


def run_ngspice(text: str, folder) -> tuple[np.ndarray, np.ndarray]:
    (folder / "circuit.cir").write_text(text, encoding="ascii")
    done = subprocess.run(
        [NGSPICE, "-b", "circuit.cir"], cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    table = np.loadtxt(folder / "temperatures.txt")
    return table[:, 0], table[:, 1:]


def apart(net: ThermalNetwork, power, duration: float, initial, folder, **how) -> dict[str, float]:
    """Largest difference in K between ngspice and our own transient, by node."""
    times, volts = run_ngspice(network_netlist(net, power, duration, initial=initial, **how), folder)
    late = times > 0
    times = np.minimum(times[late], duration)
    at = np.unique(times)
    start = (
        net.steady({k: v for k, v in power.items() if not isinstance(v, tuple)}).to_dict()
        if initial == "steady"
        else initial
    )
    run = net.transient(power, duration, initial=start, times=at, tolerance=1e-4)
    keep = np.searchsorted(run.time, times)
    return {
        name: float(np.max(np.abs(volts[late, k] - run.temperature(name)[keep])))
        for k, name in enumerate(net.nodes)
    }


# -- without a simulator -----------------------------------------------------------------------------------


def test_netlist_of_a_linear_network_solves_to_its_steady_state_by_nodal_analysis():
    net = small_network()
    text = network_netlist(net, {"die": 20.0}, output="")
    names = dict(re.findall(r"^\* ([nb]\d+) = (.+)$", text, flags=re.M))
    nodes = [pin for pin in names if pin.startswith("n")]
    voltage = {pin: float(v) for pin, v in re.findall(r"^V\S+ (\S+) 0 DC (\S+)$", text, flags=re.M)}
    size = len(nodes)
    g, current = np.zeros((size, size)), np.zeros(size)

    def stamp(row: str, column: str, value: float) -> None:
        """Current ``value * v(column)`` out of ``row``."""
        if row in nodes:
            if column in nodes:
                g[nodes.index(row), nodes.index(column)] += value
            elif column in voltage:
                current[nodes.index(row)] -= value * voltage[column]

    for a, b, ohms in re.findall(r"^R\S+ (\S+) (\S+) (\S+)$", text, flags=re.M):
        for p, q in ((a, b), (b, a)):
            stamp(p, p, 1.0 / float(ohms))
            stamp(p, q, -1.0 / float(ohms))
    for plus, minus, cp, cm, value in re.findall(r"^G\S+ (\S+) (\S+) (\S+) (\S+) (\S+)$", text, flags=re.M):
        for pin, sign in ((plus, 1.0), (minus, -1.0)):
            stamp(pin, cp, sign * float(value))
            stamp(pin, cm, -sign * float(value))
    for _, pin, watts in re.findall(r"^I\S+ (\S+) (\S+) DC (\S+)$", text, flags=re.M):
        current[nodes.index(pin)] += float(watts)
    solved = dict(zip([names[pin] for pin in nodes], np.linalg.solve(g, current), strict=True))
    for name, value in net.steady({"die": 20.0}).items():
        assert solved[name] == pytest.approx(value, abs=1e-9)
    capacities = {names[p]: float(v) for p, v in re.findall(r"^C\S+ (\S+) 0 (\S+) IC", text, flags=re.M)}
    assert capacities == {"die": 0.5, "plate": 12.0}


def test_held_laws_leave_plain_elements_only():
    text = network_netlist(curved_network(), {"die": 15.0}, laws="held", output="")
    kinds = {line[0] for line in text.splitlines() if line and line[0] not in "*." and line != ".end"}
    assert kinds == {"V", "C", "R", "I"}
    assert not re.search(r"^B", text, flags=re.M)


def test_what_a_netlist_cannot_say_is_refused():
    net = small_network()
    for power, message in (({"die": lambda t: 1.0}, "function of time"), ({"dye": 1.0}, "die")):
        with pytest.raises(NetworkError, match=message):
            network_netlist(net, power)
    with pytest.raises(ValueError, match="laws 'both'"):
        network_netlist(net, {"die": 1.0}, laws="both")
    with pytest.raises(ValueError, match="duration"):
        network_netlist(net, {"die": 1.0}, duration=0.0)
    moving = ThermalNetwork()
    moving.add_node("a", 1.0)
    moving.add_boundary("room", lambda t: 25.0 + t)
    moving.add_link("a", "room", resistance=1.0)
    with pytest.raises(NetworkError, match="boundary is a function"):
        network_netlist(moving, {"a": 1.0})

    class Own:
        def conductance(self, hot, cold):
            return 1.0

    own = ThermalNetwork()
    own.add_node("a", 1.0)
    own.add_boundary("room", 25.0)
    own.add_link("a", "room", law=Own())
    with pytest.raises(NetworkError, match="law of its own"):
        network_netlist(own, {"a": 1.0})
    assert "RL1" in network_netlist(own, {"a": 1.0}, laws="held")


def test_heat_of_a_design_by_node_adds_up():
    design = load_design("tern-14")
    watts = node_powers(design, 28.0)
    other = sum(value for _, value in design.machine().sources.values())
    assert sum(watts.values()) == pytest.approx(28.0 * 1.10 + other)  # regulators lose 10 % on top
    stepped = node_powers(design, ([0.0, 60.0], [10.0, 40.0]))
    times, values = stepped["cpu.hot_spot"]
    assert times.tolist() == [0.0, 60.0]
    assert values == pytest.approx([5.0, 20.0])
    with pytest.raises(NetworkError, match=r"gpu.*cpu"):
        node_powers(design, {"gpu": 1.0})
    with pytest.raises(ValueError, match="rising times"):
        node_powers(design, ([0.0, 0.0], [1.0, 2.0]))


# -- with ngspice ------------------------------------------------------------------------------------------


@needs_ngspice
def test_ngspice_agrees_on_a_linear_network(tmp_path):
    power = {"die": ([0.0, 40.0, 90.0], [10.0, 45.0, 5.0])}
    found = apart(small_network(), power, 200.0, 25.0, tmp_path)
    assert max(found.values()) < 0.01


@needs_ngspice
def test_ngspice_agrees_where_everything_depends_on_temperature(tmp_path):
    net = curved_network()
    power = {"die": ([0.0, 60.0, 500.0], [20.0, 42.0, 3.0])}  # past the pipe's limit, and melting on the way
    start = {name: 25.0 for name in net.nodes} | {"store": 31.5}
    found = apart(net, power, 900.0, start, tmp_path)
    assert max(found.values()) < 0.03
    quiet = net.transient(power, 900.0, initial=start)
    assert quiet.temperature("store").max() > 31.9  # it has melted, so the law was at work


@needs_ngspice
def test_ngspice_agrees_on_a_whole_machine(tmp_path):
    design = load_design("tern-14")
    network = design.network("desk")
    power = node_powers(design, ([0.0, 60.0, 200.0], [28.0, 60.0, 15.0]))
    first = {node: (v if not isinstance(v, tuple) else float(v[1][0])) for node, v in power.items()}
    times, volts = run_ngspice(netlist(design, ([0.0, 60.0, 200.0], [28.0, 60.0, 15.0]), 600.0), tmp_path)
    keep = np.unique(times[times > 0], return_index=True)
    run = network.transient(
        power,
        600.0,
        initial=network.steady(first).to_dict(),
        times=np.minimum(keep[0], 600.0),
        tolerance=1e-4,
    )
    rows = np.flatnonzero(times > 0)[keep[1]]
    offset = len(run.time) - len(rows)
    for k, name in enumerate(network.nodes):
        assert np.max(np.abs(volts[rows, k] - run.temperature(name)[offset:])) < 0.02, name
