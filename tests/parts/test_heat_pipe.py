"""The heat pipe as a part: geometry, limits, links, faces, overrides."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from thermnet.materials import water
from thermnet.network import DryOut, Melting, ThermalNetwork
from thermnet.parameter import declarations
from thermnet.parts.base import Assembly, Patch, join
from thermnet.parts.heat_pipe import HeatPipe
from thermnet.physics import two_phase

LIKE = {
    "diameter": 6e-3, "flattened_thickness": 3e-3, "length": 0.15, "evaporator_length": 0.02,
    "condenser_length": 0.05,
}  # fmt: skip


def pipe(**change):
    return HeatPipe(**(LIKE | change))


def machine(part, name="pipe"):
    assembly = Assembly(network=ThermalNetwork(), parts={name: part})
    part.add_to(assembly, name)
    assembly.network.add_boundary("ambient", 25.0)
    assembly.network.add_link(f"{name}.condenser", "ambient", resistance=0.5)
    return assembly


def test_nodes_link_faces_and_limit_are_there():
    assembly = machine(pipe(count=2))
    assert assembly.network.nodes == ["pipe.evaporator", "pipe.condenser"]
    assert set(assembly.faces) == {"pipe.evaporator", "pipe.condenser"}
    footprint = 2 * (3e-3 + 0.5 * np.pi * 3e-3)
    assert assembly.faces["pipe.evaporator"].patches[0].area == pytest.approx(footprint * 0.02)
    assert assembly.faces["pipe.condenser"].patches[0].area == pytest.approx(footprint * 0.05)
    (limit,) = assembly.limits
    assert limit.kind == "dry_out"
    data = assembly.network.graph.get_edge_data("pipe.evaporator", "pipe.condenser", limit.link)
    assert isinstance(data["law"], DryOut)
    assert limit.value == pytest.approx(data["law"].limit)


def test_every_field_is_declared_with_meaning():
    fields = {f.name for f in dataclasses.fields(HeatPipe)}
    declared = declarations(HeatPipe)
    assert set(declared) == fields
    assert all(d.doc for d in declared.values())


def test_equal_pipes_share_the_heat():
    one, three = pipe().law(0.3, 1), pipe().law(0.3, 3)
    assert three.resistance == pytest.approx(one.resistance / 3)
    assert three.limit == pytest.approx(3 * one.limit)
    assert pipe(count=3).mass() == pytest.approx(3 * pipe().mass())
    assert pipe(count=3).capacity() == pytest.approx(3 * pipe().capacity())


def test_limit_answers_to_length_tilt_bends_and_flattening():
    base = pipe().limit_line()[0]
    assert pipe(length=0.25).limit_line()[0] < base
    assert pipe(tilt=45.0).limit_line()[0] < base < pipe(tilt=-45.0).limit_line()[0]
    assert pipe(bends=180.0).limit_line()[0] == pytest.approx(base * 0.965**2, rel=1e-9)
    assert pipe(flattened_thickness=2e-3).limit_line()[0] < base
    assert pipe(diameter=8e-3).limit_line()[0] > base
    assert 0.005 < pipe().limit_line()[1] < 0.02  # 1/K: hotter is better


def test_trade_values_of_flattened_pipes_within_a_third():
    # Illustrative trade values for 150 to 250 mm, horizontal, 50 to 60 degC (middle of each range).
    for diameter, thickness, trade in (
        (5, 2.0, 17.5),
        (6, 3.0, 37.5),
        (6, 2.0, 25.0),
        (8, 3.0, 55.0),
        (8, 2.5, 45.0),
    ):
        ours = pipe(diameter=diameter * 1e-3, flattened_thickness=thickness * 1e-3).limit_line()[0]
        assert ours == pytest.approx(trade, rel=0.33)


def test_grooves_carry_more_level_and_fail_against_gravity():
    grooves = {"wick": "axial_grooves", "wick_thickness": 0.3e-3, "flattened_thickness": None}
    level, raised = pipe(**grooves).limit_line()[0], pipe(**grooves, tilt=60.0).limit_line()[0]
    assert level > pipe(flattened_thickness=None).limit_line()[0]
    assert raised < 0.05 * level
    powder = pipe(flattened_thickness=None)
    assert dataclasses.replace(powder, tilt=60.0).limit_line()[0] > 0.6 * powder.limit_line()[0]


@pytest.mark.parametrize("wick", ["sintered_powder", "screen_mesh", "axial_grooves", "composite"])
def test_every_wick_makes_a_working_pipe(wick):
    made = pipe(wick=wick, wick_thickness=0.3e-3)
    name, value = made.governing_limit()
    assert name in {"capillary", "entrainment", "boiling", "sonic", "viscous"}
    assert 5.0 < value < 500.0
    assert 0.0 < sum(made.resistances().values()) < 1.5
    assert machine(made).network.steady({"pipe.evaporator": 5.0})["pipe.condenser"] == pytest.approx(27.5)


def test_wick_overrides_replace_the_computed_values():
    made = pipe(permeability=1e-11, pore_radius=30e-6, wick_conductivity=40.0)
    filled = made.filled_wick(50.0)
    assert (filled.permeability, filled.pore_radius, filled.conductivity) == (1e-11, 30e-6, 40.0)
    assert made.resistances()["evaporator_wick"] < pipe().resistances()["evaporator_wick"]


def test_supplier_values_replace_the_computed_ones_for_each_pipe():
    made = pipe(resistance=0.35, heat_limit=28.0, count=2)
    law = machine(made).network.graph.get_edge_data(
        "pipe.evaporator", "pipe.condenser", "pipe.evaporator->pipe.condenser"
    )["law"]
    assert law.resistance == pytest.approx(0.175)
    assert law.limit == pytest.approx(56.0)
    assert law.slope == pytest.approx(pipe().limit_line()[1])


def test_steady_heat_is_conserved_through_dry_out_without_a_jump():
    assembly = machine(pipe())
    power = np.linspace(1.0, 90.0, 60)
    hot, cold = [], []
    for watts in power:
        state = assembly.network.steady({"pipe.evaporator": watts})
        hot.append(state["pipe.evaporator"])
        cold.append(state["pipe.condenser"])
        assert (state["pipe.condenser"] - 25.0) / 0.5 == pytest.approx(watts, rel=1e-8)
    drop = np.array(hot) - np.array(cold)
    assert np.all(np.diff(drop) > 0)
    slope = np.diff(drop) / np.diff(power)
    law = pipe().law(sum(pipe().resistances().values()))
    assert slope[0] == pytest.approx(law.resistance, rel=1e-6)
    assert 2.5 * law.resistance < np.max(slope) <= 4.0 * law.resistance * (1 + 1e-6)
    expected = two_phase.dry_out_drop(
        power, law.resistance, law.heat_limit(np.array(hot), np.array(cold)), law.steepness, law.blend
    )
    assert drop == pytest.approx(expected, rel=1e-6)


def test_law_heat_has_no_jump_over_ten_thousand_points():
    law = pipe(full_above=12.0).law(0.3)
    hot = np.linspace(-20.0, 120.0, 10_001)
    for cold in (-20.0, 5.0, 40.0):
        above = hot[hot > cold]
        heat = law.conductance(above, cold) * (above - cold)
        assert np.all(np.diff(heat) >= 0)
        assert np.max(np.diff(heat)) < 0.08


def test_mass_and_capacity_count_wall_wick_and_water():
    made = pipe(flattened_thickness=None)
    wall = np.pi * (3e-3**2 - 2.7e-3**2)
    wick = np.pi * (2.7e-3**2 - 2.28e-3**2)
    metal, liquid = (wall + 0.55 * wick) * 0.15, 1.1 * 0.45 * wick * 0.15
    assert made.mass() == pytest.approx(metal * 8960 + liquid * water.liquid_density(55.0), rel=1e-6)
    capacity = metal * 8960 * 385 + liquid * water.liquid_density(55.0) * water.liquid_specific_heat(55.0)
    assert made.capacity() == pytest.approx(capacity, rel=1e-6)
    graph = machine(made).network.graph
    assert sum(graph.nodes[n]["capacity"] for n in ("pipe.evaporator", "pipe.condenser")) == pytest.approx(
        capacity
    )
    share = liquid * water.liquid_density(55.0) * water.liquid_specific_heat(55.0) / capacity
    assert 0.10 < share < 0.35
    assert pipe().thickness_in_stack() == 3e-3
    assert made.thickness_in_stack() == 6e-3


def test_samples_are_loops_of_pipes():
    diameters, powder, tilt = (
        np.array([5e-3, 6e-3, 8e-3]),
        np.array([95e-6, 105e-6, 120e-6]),
        np.array([0.0, 10.0, -5.0]),
    )
    together = pipe(diameter=diameters, particle_diameter=powder, tilt=tilt)
    alone = [
        pipe(diameter=d, particle_diameter=p, tilt=t) for d, p, t in zip(diameters, powder, tilt, strict=True)
    ]
    for read in (
        lambda q: q.limit_line()[0], lambda q: q.limit_line()[1], lambda q: sum(q.resistances().values()),
        lambda q: q.mass(), lambda q: q.capacity(), lambda q: q.law(0.3).limit,
    ):  # fmt: skip
        assert read(together) == pytest.approx([float(read(q)) for q in alone], rel=1e-9)
    compiled_shape = np.shape(machine(together).network.graph.nodes["pipe.evaporator"]["capacity"])
    assert compiled_shape == (3,)


def test_joining_to_a_chip_uses_the_footprint():
    assembly = machine(pipe())
    assembly.network.add_node("chip", 1.0)
    assembly.add_face("chip.top", Patch("chip", 1.0e-4))
    join(assembly, "chip.top", "pipe.evaporator", resistance=0.1)
    state = assembly.network.steady({"chip": 10.0})
    assert state["chip"] - state["pipe.evaporator"] == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"flattened_thickness": 7e-3}, r"HeatPipe.flattened_thickness: 7 mm; expected at most the diameter"),
        ({"length": 0.05}, r"HeatPipe.length: 50 mm, less than .* expected at least 70 mm"),
        ({"flattened_thickness": 1e-3}, r"HeatPipe.wick_thickness: .*no room for vapour"),
        ({"diameter": -1.0}, r"HeatPipe.diameter"),
        ({"porosity": 1.0}, r"HeatPipe.porosity"),
        ({"wick": "felt"}, r"expected one of sintered_powder, screen_mesh, axial_grooves, composite"),
        ({"count": 0}, r"HeatPipe.count"),
        ({"tilt": float("nan")}, r"HeatPipe.tilt"),
        ({"wall_material": "cheese"}, r"unknown solid"),
    ],
)
def test_bad_values_are_refused_by_name(change, message):
    with pytest.raises(ValueError, match=message):
        machine(pipe(**change))


def test_compiled_kernel_evaluates_the_same_laws():
    kernel = pytest.importorskip("thermnet.solve.kernel")
    pipe_law = pipe(full_above=12.0).law(0.3)
    melt_law = Melting(melt_conductance=2.0, melting_temperature=45.0, latent_energy=4000.0)
    rows = np.zeros((2, 8))
    rows[0, :8], rows[1, :5] = pipe_law.parameters, melt_law.parameters
    rng = np.random.default_rng(7)
    for hot, cold in rng.uniform(-10.0, 120.0, (300, 2)):
        reference = 1.0 / rows[0, 0]
        got = reference + kernel.law_departure(2, rows, 0, reference, hot, cold, 0) / (hot - cold)
        assert got == pytest.approx(float(pipe_law.conductance(hot, cold)), rel=1e-12)
    for hot, cold in zip(rng.uniform(30.0, 60.0, 300), rng.uniform(44.0, 46.0, 300), strict=True):
        got = 1e-3 + kernel.law_departure(3, rows, 1, 1e-3, hot, cold, 0) / (hot - cold)
        assert got == pytest.approx(float(melt_law.conductance(hot, cold)), rel=1e-12, abs=1e-15)
