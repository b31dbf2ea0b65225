"""The air path part: flow, network, routes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.materials import air
from thermnet.network import ThermalNetwork
from thermnet.parameter import declarations
from thermnet.parts.air_path import AirPath, check_air_routes, operating_flow
from thermnet.parts.base import Assembly, Part
from thermnet.parts.fan import Fan
from thermnet.parts.fins import FinStack
from thermnet.parts.posture import posture

CFM = 0.3048**3 / 60
FAN = Fan(
    free_flow=4 * CFM,
    shutoff_pressure=110.0,
    reference_speed=4500.0,
    maximum_speed=5000.0,
    reference_noise=38.0,
)
FINS = FinStack(width=0.055, height=0.0055, depth=0.018, pitch=0.0011, fin_thickness=0.0001)
PATH = {"inlet_area": 2.0e-4, "outlet_area": 2.2e-4}


@dataclass(frozen=True, kw_only=True)
class Plate(Part):
    """A stand-in for the board."""

    kind: ClassVar[str] = "plate_for_this_test"

    def add_to(self, assembly, name):
        assembly.network.add_node(f"{name}.board", capacity=70.0)


def one_fan(**changes):
    return {
        "fan": FAN,
        "fins": FINS,
        "air": AirPath(**{"fans": ("fan",), "fins": ("fins",), **PATH, **changes}),
    }


def two_fans(left=FAN, right=FAN, **changes):
    path = {"fans": ("left", "right"), "fins": ("fins", "rear"), "inlet_area": 4e-4, "outlet_area": 4.4e-4}
    return {"left": left, "right": right, "fins": FINS, "rear": FINS, "air": AirPath(**{**path, **changes})}


def assemble(parts, speeds, ambient=25.0, order=None, **more):
    net = ThermalNetwork()
    net.add_boundary("ambient", ambient)
    assembly = Assembly(net, parts, ambient=ambient, speeds=speeds, **more)
    for name in order or parts:
        parts[name].add_to(assembly, name)
    return assembly


def steady(parts, speeds, power, **more):
    net = assemble(parts, speeds, **more).network
    net.check()
    return net.steady(power)


def test_every_field_says_what_it_is():
    for name, declared in declarations(AirPath).items():
        assert declared.doc, name
        if declared.role == "quantity":
            assert declared.plausible is not None, name
            assert declared.step, name


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"fans": ()}, "AirPath.fans"),
        ({"fins": "fins"}, "AirPath.fins: 'fins'; expected a list of names"),
        ({"fans": ("fan", "fan")}, "each name once"),
        ({"recirculation": 0.6}, "AirPath.recirculation"),
        ({"natural_draft": 0.0}, "AirPath.natural_draft"),
        ({"inlet_area": -1e-4}, "AirPath.inlet_area"),
    ],
)
def test_bad_fields_are_refused_by_name(changes, said):
    with pytest.raises(ValueError, match=said):
        one_fan(**changes)


# -- flow ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rpm", "low", "high"), [(2500.0, 1.0, 1.3), (4000.0, 1.7, 2.1), (5000.0, 2.2, 2.8)])
def test_flow_of_a_14_inch_machine(rpm, low, high):
    state = operating_flow(assemble(one_fan(), {"fan": rpm}), "air")
    assert low < state.flow / CFM < high
    # Through the fins go 40 to 65 % of the free flow.
    assert 0.40 < state.flow / FAN.flow(0.0, rpm) < 0.65
    assert state.reynolds["fins"] < 900


def test_fins_to_air_of_a_14_inch_machine():
    state = operating_flow(assemble(one_fan(), {"fan": 4000.0}), "air")
    e = state.effectiveness["fins"]
    assert 0.55 < e < 0.75
    assert state.capacity_rate / (state.flow / CFM) == pytest.approx(0.56, abs=0.005)
    assert 1 / (e * state.capacity_rate) == pytest.approx(1.5, abs=0.1)


@given(st.floats(500, 5000), st.floats(500, 5000), st.floats(0.6, 1.0), st.floats(-10, 45), st.booleans())
@settings(max_examples=60)
def test_flow_balances(left, right, ratio, ambient, valve):
    parts = two_fans(right=Fan(**{**vars(FAN), "check_valve": valve}))
    state = parts["air"].state(
        parts, {"left": left, "right": right}, ambient=ambient, air_density_ratio=ratio
    )
    scale = sum(abs(v) for v in state.fan_flows.values())
    assert abs(sum(state.fan_flows.values()) - state.flow) < 1e-9 * scale
    assert abs(sum(state.stack_flows.values()) - state.flow) < 1e-9 * scale
    assert abs(sum(state.stack_rates.values()) - state.capacity_rate) < 1e-12 * state.capacity_rate


def test_one_of_two_fans_stops():
    parts = two_fans()
    both = parts["air"].state(parts, {"left": 4500.0, "right": 4500.0})
    one = parts["air"].state(parts, {"left": 4500.0})
    assert one.fan_flows["right"] < 0
    assert one.fan_flows["left"] > one.flow
    assert one.flow < 0.62 * both.flow
    shut = two_fans(right=Fan(**{**vars(FAN), "check_valve": True}))
    kept = shut["air"].state(shut, {"left": 4500.0})
    assert kept.fan_flows["right"] == 0.0
    assert one.flow < kept.flow < both.flow


def test_unequal_stacks_share_by_impedance_down_to_still_air():
    parts = {**two_fans(), "rear": FinStack(**{**vars(FINS), "width": 0.11})}
    share = [
        (s := parts["air"].state(parts, {"left": n, "right": n})).stack_rates["rear"] / s.capacity_rate
        for n in (0.0, 1e-3, 1.0, 4500.0)
    ]
    assert share[0] == pytest.approx(2 / 3, rel=1e-9)
    np.testing.assert_allclose(share, 2 / 3, rtol=1e-6)


def test_altitude_dust_and_covered_inlets_cost_flow():
    parts = one_fan()
    base = parts["air"].state(parts, {"fan": 4000.0})
    high = parts["air"].state(parts, {"fan": 4000.0}, air_density_ratio=air.room_density_ratio(3000.0))
    assert 0.9 < high.flow / base.flow < 1.0
    assert 0.62 < high.capacity_rate / base.capacity_rate < air.room_density_ratio(3000.0)
    lap = parts["air"].state(parts, {"fan": 4000.0}, posture=posture("lap_inlets_covered"))
    assert 0.5 < lap.flow / base.flow < 0.85
    dusty = {**parts, "fins": FinStack(**{**vars(FINS), "blocked": 0.4, "dust_loss": 2.0})}
    assert 0.5 < dusty["air"].state(dusty, {"fan": 4000.0}).flow / base.flow < 0.9
    bed = parts["air"].state(parts, {"fan": 4000.0}, posture=posture("bed"))
    assert bed.recirculation == pytest.approx(0.2)


def test_arrays_equal_a_loop():
    speeds = np.array([[0.0], [2500.0], [4500.0]])
    blocked = np.array([0.0, 0.3])
    parts = two_fans()
    parts["fins"] = FinStack(**{**vars(FINS), "blocked": blocked})
    together = parts["air"].state(
        parts, {"left": speeds, "right": 0.5 * speeds}, ambient=np.array([25.0, 35.0])
    )
    assert together.flow.shape == (3, 2)
    for i in range(3):
        for j in range(2):
            alone = {**parts, "fins": FinStack(**{**vars(FINS), "blocked": blocked[j]})}
            n = speeds[i, 0]
            one = alone["air"].state(alone, {"left": n, "right": 0.5 * n}, ambient=(25.0, 35.0)[j])
            assert together.flow[i, j] == pytest.approx(one.flow, rel=1e-11, abs=1e-18)
            assert together.stack_rates["rear"][i, j] == pytest.approx(one.stack_rates["rear"], rel=1e-11)
            assert together.conductances["fins"][i, j] == pytest.approx(one.conductances["fins"], rel=1e-11)


def test_no_jump_over_all_speeds():
    parts = two_fans()
    rpm = np.linspace(0.0, 5000.0, 10_000)
    state = parts["air"].state(parts, {"left": rpm, "right": np.maximum(rpm - 2000.0, 0.0)})
    for values in (state.flow, state.capacity_rate, state.stack_rates["fins"], state.conductances["fins"]):
        steps = np.diff(values)
        assert np.max(np.abs(steps)) < 2e-3 * np.max(values)
        assert np.all(steps >= -1e-12)


# -- network ------------------------------------------------------------------------------------------------


def test_network_gives_the_effectiveness_heat():
    parts = one_fan(recirculation=0.15)
    got = steady(parts, {"fan": 4000.0}, {"fins.base": 28.0})
    state = parts["air"].state(parts, {"fan": 4000.0})
    w, e = state.capacity_rate, state.effectiveness["fins"]
    inlet = 25.0 + 0.15 / 0.85 * 28.0 / w
    assert got["air.inlet"] == pytest.approx(inlet, abs=1e-6)
    assert got["air.exhaust"] == pytest.approx(inlet + 28.0 / w, abs=1e-6)
    assert got["fins.base"] == pytest.approx(inlet + 28.0 / (e * w), abs=1e-6)


def test_heat_leaves_with_the_exhaust_when_the_fans_stop():
    got = steady(one_fan(), {}, {"fins.base": 1.0})
    assert got["air.exhaust"] == pytest.approx(25.0 + 1.0 / (0.02 * 0.9), abs=1e-5)
    assert got["fins.base"] == pytest.approx(got["air.exhaust"], abs=1e-4)


def test_board_warms_the_inlet():
    parts = {"board": Plate(), **one_fan(preheat_from="board", preheat_area=0.0085, recirculation=0.0)}
    assembly = assemble(parts, {"fan": 4000.0})
    state = operating_flow(assembly, "air")
    got = assembly.network.steady({"board.board": 6.0})
    rise = 6.0 / state.capacity_rate
    assert got["air.inlet"] == pytest.approx(25.0 + rise, abs=1e-6)
    # About a quarter of the difference to the board is taken up (hand model of the trade).
    assert rise / (got["board.board"] - 25.0) == pytest.approx(0.25, abs=0.05)


@given(st.floats(1500, 4900), st.floats(1.01, 1.2), st.floats(0, 0.5), st.floats(-10, 40))
@settings(max_examples=40, deadline=None)
def test_more_flow_is_never_hotter(rpm, faster, recirculation, ambient):
    parts = one_fan(recirculation=recirculation)
    slow = steady(parts, {"fan": rpm}, {"fins.base": 20.0}, ambient=ambient)["fins.base"]
    fast = steady(parts, {"fan": rpm * faster}, {"fins.base": 20.0}, ambient=ambient)["fins.base"]
    assert fast <= slow + 1e-9
    wide = {**parts, "fins": FinStack(**{**vars(FINS), "width": 0.07})}
    assert steady(wide, {"fan": rpm}, {"fins.base": 20.0}, ambient=ambient)["fins.base"] < slow


def test_streams_conserve_for_levels_and_samples():
    speeds = {"left": np.array([[0.0], [2000.0], [4500.0]]), "right": np.array([[0.0], [0.0], [4500.0]])}
    parts = two_fans()
    parts["rear"] = FinStack(**{**vars(FINS), "blocked": np.array([0.0, 0.2, 0.5, 0.9])})
    net = assemble(parts, speeds).network
    net.check()
    rates = [np.shape(d["capacity_rate"]) for *_, d in net.graph.edges(data=True) if d["kind"] == "stream"]
    assert set(rates) == {(3, 4)}


def test_two_machines_share_their_air():
    first, second = one_fan(recirculation=0.0), one_fan(recirculation=0.0, inlet_from="front")
    parts = {
        "fan": FAN, "fins": FINS, "front": first["air"],
        "second_fan": Fan(**{**vars(FAN), "free_flow": 3 * CFM}), "second_fins": FINS,
        "back": AirPath(**{**vars(second["air"]), "fans": ("second_fan",), "fins": ("second_fins",)}),
    }  # fmt: skip
    speeds = {"fan": 4000.0, "second_fan": 4000.0}
    results = []
    for order in (list(parts), ["fan", "fins", "second_fan", "second_fins", "back", "front"]):
        net = assemble(parts, speeds, order=order).network
        net.check()
        results.append(net.steady({"fins.base": 20.0, "second_fins.base": 5.0}))
    np.testing.assert_allclose(results[0].to_numpy(), results[1][results[0].index].to_numpy(), atol=1e-9)
    # The second draws less than the first gives: its inlet is at the first one's exhaust.
    assert results[0]["back.inlet"] == pytest.approx(results[0]["front.exhaust"], abs=1e-6)
    swapped = {**speeds, "fan": 2000.0, "second_fan": 5000.0}
    assembly = assemble(parts, swapped)
    got = assembly.network.steady({"fins.base": 20.0})
    a, b = (operating_flow(assembly, name).capacity_rate for name in ("front", "back"))
    assert a < b
    mixed = 25.0 + a / b * (got["front.exhaust"] - 25.0)
    assert got["back.inlet"] == pytest.approx(mixed, abs=1e-6)


# -- what is refused ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"fans": ("fna",)},
            r"parts.air.fans: unknown part 'fna'; expected the name of a fan \(known: fan\)",
        ),
        ({"fins": ("fan",)}, r"parts.air.fins: 'fan' is no fin stack; .*\(known: fins\)"),
        ({"preheat_from": "bord"}, "parts.air.preheat_from: unknown part 'bord'"),
        ({"inlet_from": "air"}, "air goes in a circle: air -> air"),
    ],
)
def test_wrong_names_are_refused_with_those_known(changes, said):
    with pytest.raises(ValueError, match=said):
        assemble(one_fan(**changes), {})


def test_unknown_names_are_refused_before_any_network():
    parts = one_fan(fans=("fna",))
    with pytest.raises(ValueError, match="fan 'fna' is not among the parts; known: fan"):
        parts["air"].state(parts, {})
    with pytest.raises(ValueError, match=r"air path 'wind'.*known: air"):
        operating_flow(assemble(one_fan(), {}), "wind")


def test_order_of_adding_is_explained():
    with pytest.raises(ValueError, match=r"no node 'fins.base' yet.*add its part before the air path"):
        assemble(one_fan(), {}, order=["fan", "air"])


def routes(**inlets):
    parts = {}
    for name, source in inlets.items():
        parts |= {f"{name}_fan": FAN, f"{name}_fins": FINS}
        parts[name] = AirPath(fans=(f"{name}_fan",), fins=(f"{name}_fins",), inlet_from=source, **PATH)
    return parts


def test_good_routes_have_no_problems():
    assert check_air_routes(one_fan()) == []
    assert check_air_routes(routes(a="", b="a", c="b", d="a")) == []


def test_circles_are_found_once_and_named():
    found = check_air_routes(routes(a="c", b="a", c="b", d="a"))
    assert [str(p) for p in found] == [
        "parts.a.inlet_from: air goes in a circle: a -> b -> c -> a; expected a route that begins in the room"
    ]


def test_a_fan_in_two_paths_is_found():
    parts = routes(a="", b="")
    parts["b"] = AirPath(fans=("a_fan",), fins=("b_fins",), **PATH)
    found = check_air_routes(parts)
    assert [str(p) for p in found] == [
        "parts.b.fans: 'a_fan' already belongs to 'a'; expected each fan in one air path"
    ]
    assert check_air_routes(parts, only="b")


def test_all_problems_come_at_once():
    parts = routes(a="nowhere", b="b_fan")
    parts["c"] = AirPath(fans=("x",), fins=("y",), preheat_from="z", **PATH)
    assert len(check_air_routes(parts)) == 5
