"""The vapor chamber as a part: sources on its top, limits, overrides."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from thermnet.network import ThermalNetwork
from thermnet.parameter import declarations
from thermnet.parts.base import Assembly, Patch, join
from thermnet.parts.vapor_chamber import VaporChamber

LIKE = {"length": 0.12, "width": 0.08, "evaporator_length": 15e-3, "evaporator_width": 12e-3}


def chamber(**change):
    return VaporChamber(**(LIKE | change))


def machine(part, areas=(1.8e-4,)):
    assembly = Assembly(network=ThermalNetwork(), parts={"plate": part})
    part.add_to(assembly, "plate")
    assembly.network.add_boundary("ambient", 25.0)
    assembly.network.add_link("plate.condenser", "ambient", resistance=0.3)
    for k, area in enumerate(areas):
        assembly.network.add_node(f"chip{k}", 0.2)
        assembly.add_face(f"chip{k}.top", Patch(f"chip{k}", area))
        join(assembly, f"chip{k}.top", "plate.top", resistance=0.05)
    return assembly


def test_chip_sees_wall_and_wick_under_its_own_area():
    part = chamber()
    assembly = machine(part, areas=(1.8e-4, 3.0e-4))
    state = assembly.network.steady({"chip0": 20.0, "chip1": 30.0})
    for name, watts, area in (("chip0", 20.0, 1.8e-4), ("chip1", 30.0, 3.0e-4)):
        expected = watts * (0.05 + part.source_resistance(area))
        assert state[name] - state["plate.evaporator"] == pytest.approx(expected, rel=1e-8)
    law = part.law(part.resistances()["vapour"] + part.resistances()["condenser_wall"])
    assert state["plate.evaporator"] - state["plate.condenser"] == pytest.approx(
        50.0 * law.resistance, rel=1e-6
    )
    assert (state["plate.condenser"] - 25.0) / 0.3 == pytest.approx(50.0, rel=1e-9)


def test_area_resistance_and_total_stand_in_the_ranges_of_practice():
    part = chamber()
    assert 8e-6 < part.area_resistance() < 20e-6  # 8 to 20 K mm2/W
    assert 0.04 < sum(part.resistances().values()) < 0.12


def test_wide_source_tends_to_the_area_resistance_and_small_ones_gain_from_the_wall():
    part = chamber()
    areas = np.geomspace(1e-6, 90e-4, 60)
    per_area = part.source_resistance(areas) * areas
    assert np.all(np.diff(per_area) > 0)
    assert per_area[-1] == pytest.approx(part.area_resistance(), rel=0.06)
    assert np.all(np.diff(part.source_resistance(areas)) < 0)


def test_limit_answers_to_gap_tilt_rim_and_source():
    base = chamber().limit_line()[0]
    assert chamber(vapour_gap=0.3e-3, thickness=1.2e-3).limit_line()[0] < base
    assert chamber(tilt=30.0).limit_line()[0] < base < chamber(tilt=-30.0).limit_line()[0]
    assert chamber(condenser_at_rim=True).limit_line()[0] < base
    assert chamber(evaporator_length=10e-3).limit_line()[0] < base
    assert chamber(tilt=30.0, lift=0.0).limit_line()[0] == pytest.approx(base, rel=0.01)
    thin = chamber(
        thickness=0.4e-3, vapour_gap=0.15e-3, wick_thickness=0.1e-3, wick="screen_mesh", length=0.14,
        rim_width=0.0,
        open_share=1.0, evaporator_length=15e-3, evaporator_width=15e-3, wick_conductivity=8.0,
    )  # fmt: skip
    assert thin.limit_line()[0] == pytest.approx(55.0, rel=0.35)  # published 55 W (Wong et al. 2023)
    assert thin.governing_limit()[0] == "capillary"


def test_supplier_values_replace_the_computed_ones():
    assembly = machine(chamber(resistance=0.08, heat_limit=120.0))
    (limit,) = assembly.limits
    assert limit.value == 120.0
    assert limit.kind == "dry_out"
    state = assembly.network.steady({"chip0": 50.0})
    assert state["plate.evaporator"] - state["plate.condenser"] == pytest.approx(50.0 * 0.08, rel=1e-8)


def test_past_the_limit_the_plate_warms_smoothly_and_conserves_heat():
    assembly = machine(chamber(resistance=0.1, heat_limit=60.0))
    power = np.linspace(5.0, 150.0, 80)
    drop = []
    for watts in power:
        state = assembly.network.steady({"chip0": watts})
        drop.append(state["plate.evaporator"] - state["plate.condenser"])
        assert (state["plate.condenser"] - 25.0) / 0.3 == pytest.approx(watts, rel=1e-8)
    slope = np.diff(drop) / np.diff(power)
    assert np.all(slope > 0.0999)
    assert np.max(slope) > 0.25
    assert np.max(np.abs(np.diff(slope))) < 0.15


def test_mass_and_capacity_count_shell_wick_and_water():
    part = chamber(rim_width=0.0)
    wall = 0.5 * (1.5e-3 - 0.6e-3 - 0.3e-3)
    area = 0.12 * 0.08
    copper = 2 * wall * area + 0.55 * 0.3e-3 * area
    assert part.mass() == pytest.approx(copper * 8960 + 1.1 * 0.45 * 0.3e-3 * area * 985.7, rel=1e-3)
    graph = machine(part).network.graph
    total = graph.nodes["plate.evaporator"]["capacity"] + graph.nodes["plate.condenser"]["capacity"]
    assert total == pytest.approx(part.capacity())
    assert chamber().mass() > part.mass()  # the rim is solid
    assert part.thickness_in_stack() == 1.5e-3


def test_samples_are_loops_of_chambers():
    gap, tilt, powder = (
        np.array([0.5e-3, 0.6e-3, 0.7e-3]),
        np.array([0.0, 20.0, -20.0]),
        np.array([80e-6, 100e-6, 130e-6]),
    )
    together = chamber(vapour_gap=gap, tilt=tilt, particle_diameter=powder)
    alone = [
        chamber(vapour_gap=g, tilt=t, particle_diameter=p) for g, t, p in zip(gap, tilt, powder, strict=True)
    ]
    for read in (
        lambda q: q.limit_line()[0], lambda q: q.limit_line()[1], lambda q: sum(q.resistances().values()),
        lambda q: q.source_resistance(2e-4), lambda q: q.mass(), lambda q: q.capacity(),
    ):  # fmt: skip
        assert read(together) == pytest.approx([float(read(q)) for q in alone], rel=1e-9)
    assert np.shape(machine(together).network.graph.nodes["plate.evaporator"]["capacity"]) == (3,)


def test_every_field_is_declared_with_meaning():
    declared = declarations(VaporChamber)
    assert set(declared) == {f.name for f in dataclasses.fields(VaporChamber)}
    assert all(d.doc for d in declared.values())


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"thickness": 0.9e-3}, r"VaporChamber.thickness: 0.9 mm leaves no wall; expected more .* 0.9 mm"),
        ({"evaporator_length": 0.119}, r"VaporChamber.evaporator_length: 119 mm; expected at most .* 116 mm"),
        ({"evaporator_width": 0.2}, r"VaporChamber.evaporator_width"),
        (
            {"condenser_area": 1.0},
            r"VaporChamber.condenser_area: 1e\+04 cm\^2; expected at most the plate's 96 cm\^2",
        ),
        ({"open_share": 0.0}, r"VaporChamber.open_share"),
    ],
)
def test_bad_values_are_refused_by_name(change, message):
    with pytest.raises(ValueError, match=message):
        chamber(**change)


def test_fins_at_one_end_lower_the_limit_and_lift_the_whole_way():
    even, one_end = chamber(), chamber(condenser_distance=0.08)
    assert one_end.limit_line()[0] < 0.4 * even.limit_line()[0]
    assert one_end.resistances()["vapour"] > even.resistances()["vapour"]
    tilted = chamber(condenser_distance=0.08, tilt=30.0)
    assert tilted.limit_line()[0] == chamber(condenser_distance=0.08, tilt=30.0, lift=0.08).limit_line()[0]
    both = chamber(condenser_distance=0.08, condenser_ends=2)
    assert one_end.limit_line()[0] < both.limit_line()[0] < even.limit_line()[0]
    with pytest.raises(ValueError, match="condenser_distance: 120 mm; expected less than the length, 120 mm"):
        chamber(condenser_distance=0.12)
