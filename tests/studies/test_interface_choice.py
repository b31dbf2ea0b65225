"""Interface choice: what a material is worth when, its risks, and liquid metal against aluminium."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.parts.clamped_joint import ClampedJoint
from thermnet.show.figures import draw, figures_of
from thermnet.studies.held_power import HeldPower
from thermnet.studies.interface_choice import MATERIALS, interface_choice
from thermnet.studies.joint_options import (
    gap_beyond_material,
    joint_on_die,
    own_bond_line,
    pressed,
    with_force,
    with_material,
)
from thermnet.studies.study import Study

LIQUID = {"interface.material": "liquid_metal", "interface.bond_line": None}


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def study(tern):
    return interface_choice(tern)


def value(study, column, material, load="low", age="new"):
    table = study.table
    return float(
        table[(table.material == material) & (table.clamp_load == load) & (table.age == age)][column].iloc[0]
    )


def test_every_material_at_both_loads_new_and_aged(study):
    assert len(study.table) == 1 + 4 * len(MATERIALS)
    assert study.table.iloc[0]["clamp_load"] == "as designed"
    assert study.table.iloc[0]["cooler_1_s_K"] == 0.0


def test_first_row_is_the_design_itself(tern, study):
    held = HeldPower.of(tern, "desk", None, "idle")
    run = held.run(64.0, 2.0)
    spot = run.temperature("cpu.hot_spot")
    assert study.table.iloc[0]["rise_1_s_K"] == pytest.approx(
        np.interp(1.0, run.time, spot) - spot[0], abs=1e-9
    )
    own = tern.parts["interface"].area_resistance() * 1e6
    assert study.table.iloc[0]["joint_K_mm2_per_W"] == pytest.approx(own)


def test_less_resistance_is_cooler_lasts_longer_and_holds_more(study):
    order = study.table.sort_values("joint_K_mm2_per_W", kind="stable")
    assert np.all(np.diff(order["rise_1_s_K"]) >= -1e-9)
    assert np.all(np.diff(order["burst_s"]) <= 1e-6)
    assert np.all(np.diff(order["held_W"]) <= 0.011)
    assert np.all(np.diff(order["sustained_W"]) <= 0.011)


def test_ageing_and_clamp_load(study):
    for material in MATERIALS:
        assert value(study, "rise_1_s_K", material, age="end of life") > value(study, "rise_1_s_K", material)
        high, low = (value(study, "joint_K_mm2_per_W", material, load) for load in ("high", "low"))
        # Pastes and pads thin under load; liquid metal takes the gap it finds.
        assert high == pytest.approx(low) if material == "liquid_metal" else high < low
    assert value(study, "joint_K_mm2_per_W", "grease", age="end of life") == pytest.approx(
        2.0 * value(study, "joint_K_mm2_per_W", "grease")
    )


def test_interface_rules_the_first_second_and_hardly_the_steady_state(study):
    gain = value(study, "cooler_1_s_K", "liquid_metal")
    assert gain > 2.5
    own = study.table.iloc[0]
    assert (value(study, "sustained_W", "liquid_metal") - own["sustained_W"]) / own["sustained_W"] < 0.03
    assert (value(study, "held_W", "liquid_metal") - own["held_W"]) / own["held_W"] > 0.04


@pytest.mark.parametrize(
    ("name", "before", "part", "watts"),
    [
        # A well-placed new joint at 64 W gives 3 K; a typical one, half-way through its life, 5 K.
        ("tern-14", {"interface.ageing": 0.55}, "interface", 64.0),
        # A bowed joint under a smaller, hotter spot.
        ("heron-16", {}, "cpu_interface", 55.0),
    ],
)
def test_liquid_metal_for_grease_gives_five_to_six_kelvins_at_a_burst_loaded_die(name, before, part, watts):
    grease = load_design(name).replace(**before)
    metal = load_design(name).replace(**{f"{part}.material": "liquid_metal", f"{part}.bond_line": None})
    rises = []
    for design in (grease, metal):
        run = HeldPower.of(design, "workshop", 25.0, "idle", {"cpu": 1.0}).run(watts, 2.0)
        rises.append(float(np.interp(1.0, run.time, run.temperature("cpu.hot_spot"))))
    assert 5.0 < rises[0] - rises[1] < 6.0


# -- liquid metal ------------------------------------------------------------------------------------------


def test_liquid_metal_on_bare_aluminium_is_refused_unless_a_barrier_is_declared(tern):
    bare = tern.replace(**{"plate.material": "aluminium"})
    with pytest.raises(ValueError, match="aluminium"):
        interface_choice(bare, materials=("liquid_metal",))
    study = interface_choice(bare, materials=("liquid_metal",), barrier=True)
    risk = study.tables["risks"].set_index("risk").loc["attack of aluminium"]
    assert risk["level"] == "high"
    assert "barrier" in risk["why"]
    interface_choice(bare, materials=("grease",))  # nothing to refuse


def test_risks(study):
    risks = study.tables["risks"].set_index(["material", "risk"])
    liquid = risks.loc["liquid_metal"]
    for risk in ("electrical shorting", "freezing in transport", "voids", "serviceability"):
        assert liquid.loc[risk, "level"] == "high", risk
    assert "11 degC" in liquid.loc["freezing in transport", "why"]
    assert "-19 degC often claimed" in liquid.loc["freezing in transport", "why"]
    assert "hydrogen" in liquid.loc["humidity and hydrogen", "why"]
    assert "bottom, keyboard" in liquid.loc["attack of aluminium", "why"]
    assert "spills" in liquid.loc["serviceability", "why"]
    assert risks.loc[("grease", "pump-out and ageing"), "level"] == "high"
    assert risks.loc[("graphite_pad", "electrical shorting"), "level"] == "moderate"
    assert risks.loc[("phase_change", "first heat"), "level"] == "moderate"
    assert set(study.tables["risks"]["level"]) <= {"none", "low", "moderate", "high"}


def test_freezing_depends_on_how_cold_it_is_shipped(tern):
    for transport, level in ((-20.0, "high"), (15.0, "low")):
        study = interface_choice(tern, materials=("liquid_metal",), transport=transport)
        assert study.tables["risks"].set_index("risk").loc["freezing in transport", "level"] == level


def test_cautions_defer(study, tern):
    for word in ("supplier", "licensed", "aluminium", "never a plain swap"):
        assert word in study.caution
    assert "never a plain swap" not in interface_choice(tern, materials=("grease",)).caution


# -- the joint ---------------------------------------------------------------------------------------------


def test_the_gap_beyond_the_material_stays_with_the_faces(tern):
    filler = tern.parts["interface"]
    gap = gap_beyond_material(filler)
    assert gap == pytest.approx(32e-6 - own_bond_line(dataclasses.replace(filler, bond_line=None)))
    for material in ("phase_change", "liquid_metal"):
        new = with_material(filler, material)
        assert new.bond_line == pytest.approx(own_bond_line(dataclasses.replace(new, bond_line=None)) + gap)
    assert with_material(filler, "graphite_pad").bond_line is None
    again = with_material(filler, "grease")
    assert again == filler
    assert pressed(filler, 50.0, 150e-6).bond_line == pytest.approx(32e-6)
    assert pressed(filler, 90.0, 150e-6).bond_line < 32e-6


def test_a_clamped_joint_is_compared_too(tern):
    springs = tuple((x, y, 6e3, 2e-3) for x in (-12e-3, 12e-3) for y in (-12e-3, 12e-3))
    joint = ClampedJoint(length=12.25e-3, width=12.25e-3, springs=springs, chip_bow=30e-6)
    assert with_force(joint, 96.0, 150e-6).total_force() == pytest.approx(96.0)
    study = interface_choice(tern.replace(interface=joint), materials=("grease", "liquid_metal"))
    assert value(study, "load_N", "grease", "low") == pytest.approx(30.0, rel=1e-3)
    assert value(study, "load_N", "grease", "high") == pytest.approx(90.0, rel=1e-3)
    assert value(study, "cooler_1_s_K", "liquid_metal") > 1.5
    assert value(study, "joint_K_mm2_per_W", "grease", "high") < value(
        study, "joint_K_mm2_per_W", "grease", "low"
    )


def test_the_joint_is_found_by_chip_or_name():
    heron = load_design("heron-16")
    assert joint_on_die(heron).part == "cpu_interface"
    assert joint_on_die(heron, chip="gpu").part == "gpu_interface"
    assert joint_on_die(heron, "gpu_interface").chip == "gpu"
    with pytest.raises(ValueError, match="did you mean 'gpu_interface'"):
        joint_on_die(heron, "gpu_interfase")


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"materials": ("greese",)}, "did you mean 'grease'"),
        ({"materials": ()}, "at least one"),
        ({"loads": (90.0, 30.0)}, "low and a higher"),
        ({"burst": -3.0}, "above 0 W"),
        ({"joint": "nowhere"}, "nowhere"),
    ],
)
def test_what_does_not_fit_is_refused(tern, given, text):
    with pytest.raises(ValueError, match=text):
        interface_choice(tern, **given)


def test_round_trip_and_figures(study):
    back = Study.from_json(study.to_json())
    assert back.table.equals(study.table)
    for figure in figures_of(study):
        drawing = draw(study, figure.name)
        assert "liquid metal" in drawing.alt
        assert drawing.axes[0].get_xlabel().rsplit(", ")[-1] in ("K", "W")
    assert len(figures_of(study)) == 3
