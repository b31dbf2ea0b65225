"""The ledger of kelvins sums to the whole, to rounding; influences are reciprocal where nothing streams."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet import studies
from thermnet.design.load import load_design
from thermnet.errors import NetworkError
from thermnet.network import ThermalNetwork
from thermnet.studies.held_power import HeldPower
from thermnet.studies.influence import influence_matrix, network_influence
from thermnet.studies.steady_machine import SteadyMachine
from thermnet.studies.study import Study

CASES = [
    ("tern-14", "desk", 28.0), ("tern-14", "library", 12.0), ("tern-14", "workshop", 45.0), ("tern-14", "desk", 0.5),
    ("heron-16", "desk", 60.0), ("wren-13", "desk", 10.0),
]  # fmt: skip


@pytest.mark.parametrize(("name", "mode", "power"), CASES)
def test_sums_to_the_total(name, mode, power):
    """Against the temperatures at which the closed loop starts, which another solver settles."""
    design = load_design(name)
    study = studies.kelvin_ledger(design, mode, power=power)
    held = HeldPower.of(design, mode, None)
    temperatures = dict(zip(held.plant.nodes, held.soak(power).everything, strict=True))
    total = temperatures[study.facts["hot spot"]] - design.ambient
    assert study.table["drop_K"].sum() == pytest.approx(total, abs=1e-6)
    # One way from the hot spot to the room, without gaps.
    rows = study.table
    after = rows["from_degC"] - rows["drop_K"]
    np.testing.assert_allclose(after[:-1], rows["from_degC"][1:], atol=1e-9)
    assert after.iloc[-1] == pytest.approx(design.ambient, abs=1e-6)
    assert rows["share_percent"].sum() == pytest.approx(100.0, abs=1e-6)


def test_sums_to_the_total_at_an_instant():
    design = load_design("tern-14")
    run = design.simulate("render", "desk", duration=60.0)
    for moment in (0.3, 5.0, 60.0):
        study = studies.kelvin_ledger(design, "desk", at=(run, moment))
        row = int(np.flatnonzero(run.time <= moment + 1e-9)[-1])
        total = float(run.temperature("cpu.hot_spot")[row]) - 25.0
        assert study.table["drop_K"].sum() == pytest.approx(total, abs=1e-6)


@pytest.mark.parametrize("power", [3.0, 8.0, 15.0])
def test_influence_is_reciprocal_without_streams(power):
    """Lorentz reciprocity: a watt here warms there as a watt there warms here; wren-13 has no fan and so no streams."""
    machine = SteadyMachine(load_design("wren-13"), "desk")
    point = machine.at(power)
    compiled = point.level.compiled
    assert len(compiled.stream_ends) == 0
    matrix = influence_matrix(compiled, point.temperature, compiled.nodes)
    assert np.max(np.abs(matrix - matrix.T)) < 1e-9
    assert matrix.min() > 0.0


def test_influence_is_one_way_along_a_stream():
    def two_chips(rate):
        network = ThermalNetwork()
        network.add_boundary("room", 25.0)
        for name in ("first", "second"):
            network.add_node(name, 10.0)
            network.add_link(name, "room", conductance=0.5)
        network.add_link("first", "second", conductance=0.2)
        if rate:
            network.add_stream("room", "first", capacity_rate=rate)
            network.add_stream("first", "second", capacity_rate=rate)
        return network_influence(network, {"first": 10.0})

    still, blown = two_chips(0.0), two_chips(1.0)
    # Two nodes by hand: G = [[0.7, -0.2], [-0.2, 0.7]], its inverse is [[0.7, 0.2], [0.2, 0.7]] / 0.45.
    np.testing.assert_allclose(still.to_numpy(), np.array([[0.7, 0.2], [0.2, 0.7]]) / 0.45, rtol=1e-12)
    assert blown.loc["second", "first"] > blown.loc["first", "second"] + 0.1


def test_reciprocity_of_two_chips_is_told():
    study = studies.kelvin_ledger(load_design("heron-16"), "desk", power=60.0)
    between = study.tables["reciprocity"].set_index("node").to_numpy()
    # Streams of air between the chips' fins break the symmetry, but by little: both chips sit on one chamber.
    assert 0.0 < abs(between[0, 1] - between[1, 0]) < 0.02 * between[0, 1]
    assert Study.from_json(study.to_json()).tables.keys() == study.tables.keys()


def test_influence_is_the_change_of_temperature():
    design = load_design("heron-16")
    machine = SteadyMachine(design, "desk")
    fans = {name: 3000.0 for name in ("left_fan", "right_fan")}
    study = studies.kelvin_ledger(design, "desk", power=60.0, fan_speed=3000.0)
    rows = study.tables["influence"].set_index("node")
    step = 0.05
    low, high = (machine.at(60.0 + side * step, fans) for side in (-1, 1))
    change = (high.temperature - low.temperature) / (2.0 * step)
    for node in rows.index:
        found = change[low.level.compiled.row(node)]
        assert rows.loc[node, "per_W_of_cpu_K_per_W"] == pytest.approx(found, rel=1e-4)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"power": -5.0}, "expected a finite power of 0 W or more"),
        ({"power": float("nan")}, "expected a finite power"),
        ({"ambient": 45.0}, "below every temperature limit"),
        ({"node": "cpu.hot_spt"}, r"unknown node 'cpu\.hot_spt'"),
        ({"node": "ambient"}, "is a boundary"),
        ({"mode": "dsk"}, "desk"),
    ],
)
def test_impossible_requests_are_refused(given, told):
    with pytest.raises((ValueError, NetworkError), match=told):
        studies.kelvin_ledger(load_design("tern-14"), **given)
