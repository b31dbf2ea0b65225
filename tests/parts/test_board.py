"""Board, regulators, memory, drive, battery, charger."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.network import ThermalNetwork
from thermnet.parameter import declarations
from thermnet.parts import battery, part_kinds
from thermnet.parts.base import Assembly, join
from thermnet.parts.battery import Battery, Charger
from thermnet.parts.board import Board, Drive, Memory

PARTS = (Board, Memory, Drive, Battery, Charger)


def assemble(**parts):
    net = ThermalNetwork()
    net.add_boundary("ambient", 25.0)
    assembly = Assembly(net, parts)
    for name, part in parts.items():
        part.add_to(assembly, name)
    return assembly


@pytest.mark.parametrize("kind", PARTS)
def test_every_field_says_what_it_is(kind):
    for name, declared in declarations(kind).items():
        assert declared.doc, name
        if declared.role == "quantity":
            assert declared.plausible is not None, name
            assert declared.step, name
            low, high = declared.plausible
            assert low <= getattr(kind(), name) <= high, name


@pytest.mark.parametrize("kind", PARTS)
def test_parts_are_registered_and_have_their_faces(kind):
    assert part_kinds()[kind.kind] is kind
    part = kind()
    assembly = assemble(it=part)
    assert set(assembly.faces) == {f"it.{face}" for face in part.face_names()}
    assert assembly.fixed_heat["it"] >= 0
    assert sum(assembly.sources["it"].values()) == 1.0


def test_regulator_loss_follows_the_chip():
    assembly = assemble(board=Board(feeds=("cpu",), regulator_loss=0.12))
    assert assembly.followers == {"cpu": {"board.regulator": 0.12}}
    assembly.network.add_link("board.board", "ambient", resistance=2.0)
    found = assembly.network.steady({"board.regulator": 0.12 * 28.0, "board.board": 2.0})
    assert found["board.board"] == pytest.approx(25.0 + 2.0 * (3.36 + 2.0))
    assert found["board.regulator"] - found["board.board"] == pytest.approx(5.0 * 3.36)
    assert [(limit.kind, limit.value) for limit in assembly.limits] == [("regulator", 105.0)]


def test_two_chips_have_a_regulator_each():
    board = Board(feeds=("cpu", "gpu"))
    assembly = assemble(board=board)
    assert assembly.followers == {"cpu": {"board.regulator_cpu": 0.1}, "gpu": {"board.regulator_gpu": 0.1}}
    assert board.face_names()[-2:] == ("regulator_cpu", "regulator_gpu")
    with pytest.raises(ValueError, match=r"Board\.feeds"):
        Board(feeds=("cpu", "cpu"))


def test_components_mount_on_the_board_through_their_own_resistance():
    assembly = assemble(board=Board(), memory=Memory(), drive=Drive(), charger=Charger(), battery=Battery())
    for part in ("memory", "drive", "charger"):
        join(assembly, f"{part}.mount", "board.mount")
    join(assembly, "battery.side", "board.mount")
    assembly.network.add_link("board.board", "ambient", resistance=2.0)
    found = assembly.network.steady(
        {f"{p}.package": assembly.fixed_heat[p] for p in ("memory", "drive", "charger")}
    )
    assert found["memory.package"] - found["board.board"] == pytest.approx(1.5 * 6.0)
    assert found["drive.package"] - found["board.board"] == pytest.approx(1.0 * 8.0)
    assert found["charger.package"] - found["board.board"] == pytest.approx(20.0 * 0.08 * 8.0)
    assert found["battery.cells"] == pytest.approx(found["board.board"])


def test_battery_limit_drops_while_charging():
    assert Battery().present_limit() == 50.0
    assert Battery(charging=True).present_limit() == 45.0
    (limit,) = assemble(battery=Battery(charging=True)).limits
    assert (limit.kind, limit.value, limit.node) == ("battery", 45.0, "battery.cells")
    assert "data sheet" in battery.CAUTION.replace("\n", " ")


def test_samples_pass_through():
    resistance = np.array([4.0, 5.0, 6.0])
    board = Board(feeds=("cpu",), regulator_resistance=resistance, capacity=np.array([60.0, 70.0, 80.0]))
    net = assemble(board=board).network
    assert net.graph.edges["board.regulator", "board.board", "board.regulator->board.board"][
        "conductance"
    ] == pytest.approx(1.0 / resistance)


@pytest.mark.parametrize(
    ("kind", "fields", "says"),
    [
        (Board, {"regulator_loss": 1.2}, "regulator_loss"),
        (Memory, {"power": -1.0}, "power"),
        (Drive, {"capacity": 0.0}, "capacity"),
        (Battery, {"charge_stop": 90.0}, "charge_stop"),
        (Charger, {"loss": -0.1}, "loss"),
    ],
)
def test_bad_fields_are_refused_by_name(kind, fields, says):
    with pytest.raises(ValueError, match=says):
        kind(**fields)
