"""The die: nodes, faces, shares, leakage, electrical side."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.network import ThermalNetwork
from thermnet.parameter import declarations
from thermnet.parts.base import Assembly, join
from thermnet.parts.die import Die
from thermnet.physics import silicon


def assemble(die, board=True):
    net = ThermalNetwork()
    net.add_boundary("ambient", 25.0)
    assembly = Assembly(net, {"cpu": die})
    die.add_to(assembly, "cpu")
    net.add_node("plate", capacity=8.0)
    assembly.add_face("plate.bottom", patch("plate"))
    net.add_link("plate", "ambient", resistance=1.0)
    return assembly


def patch(node, area=1.6e-3):
    from thermnet.parts.base import Patch

    return Patch(node, area)


def rise(die, power=28.0, area_resistance=9e-6):
    """Steady hot spot over plate with an interface of one area resistance."""
    assembly = assemble(die)
    for p in assembly.faces["cpu.top"].patches:
        assembly.network.add_link(p.node, "plate", resistance=p.resistance + area_resistance / p.area)
    heat = {node: share * power for node, share in assembly.sources["cpu"].items()}
    found = assembly.network.steady(heat)
    return found["cpu.hot_spot"] - found["plate"], found["cpu.rest"] - found["plate"]


def test_every_field_says_what_it_is():
    for name, declared in declarations(Die).items():
        assert declared.doc, name
        if declared.role == "quantity":
            assert declared.plausible is not None, name
            assert declared.step, name
            low, high = declared.plausible
            assert low <= getattr(Die(), name) <= high, name


def test_capacities_and_resistances_are_those_of_the_hand_model():
    assembly = assemble(Die(material="silicon_cold"))
    nodes = assembly.network.graph.nodes
    # 36 and 114 mm2 of 0.775 mm silicon.
    assert nodes["cpu.hot_spot"]["capacity"] == pytest.approx(0.046, abs=0.001)
    assert nodes["cpu.rest"]["capacity"] == pytest.approx(0.145, abs=0.002)
    hot, rest = assemble(Die()).faces["cpu.top"].patches
    assert hot.resistance == pytest.approx(0.12, abs=0.01)
    assert rest.resistance == pytest.approx(0.5 * 0.775e-3 / (110 * 114e-6))


def test_shares_add_up_and_limit_watches_the_hot_spot():
    assembly = assemble(Die(hot_spot_share=0.4, blocks=((20e-6, 0.25), (30e-6, 0.1))))
    shares = assembly.sources["cpu"]
    assert sum(shares.values()) == pytest.approx(1.0)
    assert set(shares) == {"cpu.hot_spot", "cpu.rest", "cpu.block_1", "cpu.block_2"}
    assert sum(p.area for p in assembly.faces["cpu.top"].patches) == pytest.approx(150e-6)
    (limit,) = assembly.limits
    assert (limit.kind, limit.node, limit.value) == ("junction", "cpu.hot_spot", 95.0)


def test_joint_to_a_plate_takes_every_patch():
    assembly = assemble(Die(blocks=((20e-6, 0.1),)))
    join(assembly, "cpu.top", "plate.bottom", resistance=0.06)
    links = [d for *_, d in assembly.network.graph.edges(data=True) if d["kind"] == "link"]
    assert (
        sum(1 for a, b, _ in assembly.network.graph.edges(keys=True) if "plate" in (a, b) and "cpu" in a + b)
        == 3
    )
    assert all(d["conductance"] > 0 for d in links)


@settings(deadline=None, max_examples=25)
@given(share=st.floats(0.3, 0.9), area=st.floats(10e-6, 100e-6))
def test_hot_spot_is_hotter_with_more_power_or_less_area(share, area):
    hot, rest = rise(Die(hot_spot_area=area, hot_spot_share=share))
    if share / area > (1 - share) / (150e-6 - area):
        assert hot > rest
    assert rise(Die(hot_spot_area=area, hot_spot_share=min(share + 0.05, 1.0)))[0] > hot
    assert rise(Die(hot_spot_area=area * 0.9, hot_spot_share=share))[0] > hot


def test_interface_under_the_hot_spot_costs_more_than_the_mean_says():
    hot = rise(Die(), area_resistance=18e-6)[0] - rise(Die(), area_resistance=9e-6)[0]
    mean = 28.0 * 9e-6 / 150e-6
    assert hot > 1.1 * mean


def test_junction_agrees_with_two_node_arithmetic():
    die = Die()
    hot, rest = assemble(die).faces["cpu.top"].patches
    to_plate = [hot.resistance + 9e-6 / hot.area, rest.resistance + 9e-6 / rest.area]
    g = np.array(
        [
            [1 / to_plate[0] + 1 / 0.45, -1 / 0.45],
            [-1 / 0.45, 1 / to_plate[1] + 1 / 0.45],
        ]
    )
    assert rise(die) == pytest.approx(np.linalg.solve(g, [14.0, 14.0]), rel=1e-9)


def test_leakage_is_split_by_area_and_follows_the_voltage():
    plain = assemble(Die()).leakage["cpu"]
    assert sum(law.power for _, law in plain) == pytest.approx(4.0)
    assert dict(plain)["cpu.hot_spot"].power == pytest.approx(4.0 * 36 / 150)
    under = assemble(Die(voltage_offset=-0.05)).leakage["cpu"]
    assert sum(law.power for _, law in under) == pytest.approx(4.0 * (0.85 / 0.9) ** 2.5)


def test_leakage_is_not_put_into_the_network_by_the_part():
    assert all(not d["heat_laws"] for _, d in assemble(Die()).network.graph.nodes(data=True))


def test_power_and_frequency_are_inverse():
    die = Die()
    for watts in (5.0, 15.0, 28.0, 64.0):
        frequency = die.frequency(watts, 80.0)
        assert die.power(frequency, 80.0) == pytest.approx(watts, rel=1e-8)
    # The demo chip: about 3 GHz at 28 W, a little over 4 GHz at 64 W.
    assert 2.5e9 < die.frequency(28.0, 80.0) < 3.3e9
    assert 3.8e9 < die.frequency(64.0, 80.0) < 4.5e9


def test_a_cooler_die_buys_performance_only_through_leakage():
    die = Die()
    gain = die.performance(28.0, 60.0) / die.performance(28.0, 90.0)
    assert 1.01 < gain < 1.10
    assert Die(leakage=0.0).performance(28.0, 60.0) == pytest.approx(Die(leakage=0.0).performance(28.0, 90.0))


def test_undervolting_buys_performance_at_the_same_power():
    assert Die(voltage_offset=-0.05).performance(28.0, 80.0) > 1.03 * Die().performance(28.0, 80.0)
    assert die_memory(0.5) < die_memory(0.0)


def die_memory(share):
    die = Die(voltage_offset=-0.05)
    return die.performance(28.0, 80.0, memory_share=share) / Die().performance(28.0, 80.0, memory_share=share)


def test_die_and_physics_hold_the_same_leakage():
    die = Die()
    assert die.leakage_at(90.0, 1.0) == pytest.approx(
        silicon.leakage_power(4.0, 90.0, 70.0, 0.018, 1.0, 0.9, 2.5)
    )


def test_samples_give_arrays_equal_to_single_machines():
    thickness, share = np.array([0.6e-3, 0.775e-3, 0.9e-3]), np.array([0.4, 0.5, 0.6])
    many = assemble(Die(thickness=thickness, hot_spot_share=share))
    for i in range(3):
        one = assemble(Die(thickness=thickness[i], hot_spot_share=share[i]))
        for a, b in zip(many.faces["cpu.top"].patches, one.faces["cpu.top"].patches, strict=True):
            assert a.resistance[i] == pytest.approx(b.resistance)
        for node, value in one.sources["cpu"].items():
            assert many.sources["cpu"][node][i] == pytest.approx(value)
    assert Die(thickness=thickness).frequency(28.0, np.array([60.0, 70.0, 80.0])).shape == (3,)


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"hot_spot_area": 200e-6}, "hot_spot_area"),
        ({"hot_spot_share": 0.9, "blocks": ((10e-6, 0.2),)}, "add up to 1"),
        ({"blocks": ((-1e-6, 0.2),)}, "blocks"),
        ({"curve": ((0.8, 1e9), (0.7, 2e9))}, r"Die\.curve"),
        ({"curve": ((0.2, 1e9), (0.7, 2e9)), "voltage_offset": -0.25}, "voltage_offset"),
        ({"thickness": -1.0}, r"Die\.thickness"),
        ({"material": "unobtainium"}, "unobtainium"),
    ],
)
def test_bad_fields_are_refused_by_name(fields, says):
    with pytest.raises(ValueError, match=says):
        Die(**fields)
