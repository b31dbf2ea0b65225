"""Postures, and what they do to a hand model of a 14-inch machine."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.network import ThermalNetwork
from thermnet.parts import posture as postures
from thermnet.parts.base import Assembly
from thermnet.parts.battery import Battery
from thermnet.parts.board import Board
from thermnet.parts.die import Die
from thermnet.parts.posture import POSTURES, Surroundings, inlet_loss_factor, posture, surroundings
from thermnet.parts.skin import Skin

HEAT_RATE = 0.56  # W/K per cubic foot a minute


def hand_model(held="desk", flow=1.9, **wall):
    """Hand model of a 14-inch machine, 28 W, 25 degC: our parts where they exist, else plain links."""
    net = ThermalNetwork()
    net.add_boundary("ambient", 25.0)
    parts = {
        "cpu": Die(),
        "board": Board(power=5.0),
        "battery": Battery(power=0.0),
        "bottom": Skin(orientation="down", **wall),
        "deck": Skin(orientation="up", **wall),
    }
    assembly = Assembly(net, parts, posture=posture(held))
    for name, part in parts.items():
        part.add_to(assembly, name)
    for name, capacity in (
        ("plate", 8.0),
        ("pipe", 9.0),
        ("fins", 13.0),
        ("inlet", 0.0),
        ("air", 0.0),
        ("out", 0.0),
    ):
        net.add_node(name, capacity=capacity)
    for a, b, resistance in (
        ("cpu.hot_spot", "plate", 9.0 / 36 + 0.34), ("cpu.rest", "plate", 9.0 / 114 + 0.18),
        ("plate", "pipe", 0.15),
        ("pipe", "fins", 0.15), ("cpu.rest", "board.board", 12.0), ("board.board", "bottom.rest", 2.5),
        ("board.board", "deck.rest", 3.0), ("board.board", "battery.cells", 6.0),
        ("battery.cells", "bottom.rest", 3.0), ("bottom.hot_zone", "plate", 16.0),
        ("bottom.hot_zone", "pipe", 14.0), ("bottom.hot_zone", "fins", 20.0),
        ("deck.hot_zone", "pipe", 18.0), ("deck.hot_zone", "fins", 22.0), ("deck.hot_zone", "plate", 24.0),
    ):  # fmt: skip
        net.add_link(a, b, resistance=resistance)
    rate = flow * HEAT_RATE
    net.add_stream("ambient", "inlet", capacity_rate=0.9 * rate)
    net.add_stream("out", "inlet", capacity_rate=0.1 * rate)
    net.add_stream("inlet", "air", capacity_rate=rate)
    net.add_stream("air", "out", capacity_rate=rate)
    net.add_stream("out", "ambient", capacity_rate=0.9 * rate)
    # Effectiveness 0.62 of the entering difference, written for a mixed cell.
    net.add_link("fins", "air", conductance=rate * 0.62 / 0.38)
    net.add_link("board.board", "inlet", conductance=0.075 * rate)
    return net.steady({"cpu.hot_spot": 14.0, "cpu.rest": 14.0, "board.board": 5.0})


def change(base, other):
    return other["cpu.hot_spot"] - base["cpu.hot_spot"], other["bottom.hot_zone"] - base["bottom.hot_zone"]


@pytest.fixture(scope="module")
def desk():
    return hand_model()


def test_desk_is_that_of_the_hand_model(desk):
    # 70 degC at the hot spot, fins 58, hot zones 40 and 38.
    assert desk["cpu.hot_spot"] == pytest.approx(70.0, abs=1.5)
    assert desk["fins"] == pytest.approx(58.0, abs=1.5)
    assert desk["bottom.hot_zone"] == pytest.approx(40.0, abs=2.5)
    assert desk["deck.hot_zone"] == pytest.approx(38.0, abs=2.5)


@pytest.mark.parametrize(
    ("case", "junction", "zone"),
    [
        ({"held": "lap"}, 1.7, 4.6),
        ({"held": "lap", "flow": 1.9 * 0.6}, 13.7, 9.3),
        ({"material": "plastic", "thickness": 1.5e-3}, 3.2, 11.3),
        ({"material": "plastic", "thickness": 1.5e-3, "graphite_thickness": 25e-6}, 1.1, 4.0),
        ({"flow": 1.9 * 0.7}, 8.0, 3.2),
    ],
)
def test_changes_are_those_of_the_hand_model(desk, case, junction, zone):
    found = change(desk, hand_model(**case))
    # Another model of the same machine: within half a kelvin and a tenth.
    assert found[0] == pytest.approx(junction, abs=0.5 + 0.1 * junction)
    assert found[1] == pytest.approx(zone, abs=0.5 + 0.1 * zone)


def test_order_of_postures(desk):
    stand, closed, lap, bed = (change(desk, hand_model(held)) for held in ("stand", "closed", "lap", "bed"))
    assert stand[0] < 0 < closed[0]
    assert stand[1] < 0 < closed[1] < lap[1] < bed[1]
    deck = hand_model("closed")["deck.rest"] - desk["deck.rest"]
    assert 2.0 < deck < 6.0


def test_every_posture_is_well_formed():
    assert set(POSTURES) >= {"desk", "lap", "bed", "stand", "closed"}
    for data in POSTURES.values():
        for direction in postures.DIRECTIONS:
            state = surroundings(data, direction)
            assert 0.0 <= state.contact <= 1.0
        assert inlet_loss_factor(data) > 0


def test_desk_is_free_on_all_sides():
    assert surroundings(posture("desk"), "down") == Surroundings()
    assert surroundings({}, "up") == Surroundings()


def test_inlet_loss_grows_with_the_covered_share():
    factors = [float(inlet_loss_factor({"inlet_blocked": b})) for b in np.linspace(-0.3, 0.9, 1000)]
    assert np.all(np.diff(factors) > 0)
    assert inlet_loss_factor({}) == 1.0
    assert inlet_loss_factor({"inlet_blocked": 0.5}) == pytest.approx(4.0)
    assert inlet_loss_factor({"inlet_blocked": np.array([0.0, 0.5])}).tolist() == [1.0, 4.0]


def test_lap_resistance_is_that_of_cloth_and_tissue():
    from thermnet.physics.tissue import contact_resistance

    resistance, behind = contact_resistance()
    data = posture("lap")
    assert data["down"]["area_resistance"] == pytest.approx(float(resistance))
    assert postures.body_temperature(data) == pytest.approx(float(behind))


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: posture("hammock"), "expected one of desk, lap"),
        (lambda: surroundings({"sideways": {}}, "up"), "sideways"),
        (lambda: surroundings({"up": {"wet": 1.0}}, "up"), "wet"),
        (lambda: surroundings({"up": {"contact": 1.5, "area_resistance": 1.0}}, "up"), "contact"),
        (lambda: surroundings({"up": {"contact": 0.5}}, "up"), "area_resistance"),
        (lambda: surroundings({"up": {"behind": "moon"}}, "up"), "behind"),
        (lambda: surroundings({"up": {"angle": 200.0}}, "up"), "angle"),
        (lambda: surroundings({"up": {"convection": -1.0}}, "up"), "convection"),
        (lambda: inlet_loss_factor({"inlet_blocked": 1.0}), "inlet_blocked"),
    ],
)
def test_nonsense_is_refused(call, says):
    with pytest.raises(ValueError, match=says):
        call()
