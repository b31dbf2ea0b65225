"""Interface layer, gap pad and air gap as parts."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet import parameter
from thermnet.materials.interface_materials import INTERFACE_MATERIALS
from thermnet.network import ThermalNetwork
from thermnet.parts.base import Assembly, Patch, join
from thermnet.parts.interface import FILLERS, PADS, AirGap, GapPad, InterfaceLayer

MM2 = 1e-6  # K mm2/W in K m2/W
JOINERS = [InterfaceLayer, GapPad, AirGap]


def two_blocks(joiner, area=150e-6, hot="silicon", cold="copper", joint_area=None):
    """Rise of a block heated with 1 W over the boundary on the other side of a joint."""
    net = ThermalNetwork()
    assembly = Assembly(net, {})
    net.add_node("hot", capacity=1.0)
    net.add_boundary("cold", 0.0)
    assembly.add_face("hot.face", Patch("hot", area), material=hot)
    assembly.add_face("cold.face", Patch("cold", area), material=cold)
    join(assembly, "hot.face", "cold.face", through=joiner, through_name="joint", area=joint_area)
    return float(net.steady({"hot": 1.0})["hot"])


# -- interface layer -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("material", "low", "high"),
    [
        ("grease", 6, 15), ("phase_change", 4, 9), ("liquid_metal", 1, 4), ("graphite_pad", 8, 20),
        ("gap_pad", 60, 400),
        ("gap_putty", 60, 400), ("solder", 4, 8), ("dry", 50, 322),
    ],
)  # fmt: skip
def test_defaults_lie_in_the_range_met_in_practice(material, low, high):
    assert low * MM2 <= InterfaceLayer(material=material).area_resistance() <= high * MM2


def test_demo_values_of_the_three_usual_materials():
    values = [
        InterfaceLayer(material=m).area_resistance() / MM2 for m in ("grease", "phase_change", "liquid_metal")
    ]
    assert values == pytest.approx([9.0, 6.0, 2.5], rel=0.02)
    assert InterfaceLayer(material="grease", ageing=1.0).area_resistance() / MM2 == pytest.approx(
        18.0, rel=0.02
    )


def test_one_kelvin_per_area_resistance_and_flux():
    assert two_blocks(InterfaceLayer(material="grease", bond_line=30.4e-6), area=1e-6) == pytest.approx(9.0)


def test_given_values_stand_and_left_out_ones_come_from_the_table():
    layer = InterfaceLayer(
        material="grease",
        bond_line=40e-6,
        conductivity=5.0,
        contact_resistance=2e-6,
        end_of_life_factor=3.0,
        ageing=0.5,
    )
    assert layer.area_resistance() == pytest.approx((8e-6 + 2e-6) * 2.0)
    row = INTERFACE_MATERIALS["grease"]
    assert InterfaceLayer().values_in_use()["conductivity"] == row.conductivity
    assert InterfaceLayer().pressure() == row.pressure
    assert layer.values_in_use()["bond_line"] == 40e-6


def test_clamp_force_sets_the_bond_line():
    loose = InterfaceLayer(clamp_force=20.0, contact_area=150e-6)
    tight = InterfaceLayer(clamp_force=40.0, contact_area=150e-6)
    assert loose.pressure() == pytest.approx(20.0 / 150e-6)
    ratio = tight.values_in_use()["bond_line"] / loose.values_in_use()["bond_line"]
    assert ratio == pytest.approx(0.8913, abs=1e-4)
    for half in ({"clamp_force": 20.0}, {"contact_area": 1e-4}):
        with pytest.raises(ValueError, match="clamp_force and contact_area together"):
            InterfaceLayer(**half)


@settings(deadline=None)
@given(st.sampled_from(FILLERS), st.floats(5, 300), st.floats(1.0, 3.0), st.floats(0, 1), st.floats(0, 0.5))
def test_more_pressure_conductivity_or_area_is_never_hotter_and_age_never_cooler(
    material, force, factor, age, more
):
    base = InterfaceLayer(material=material, clamp_force=force, contact_area=150e-6, ageing=age)
    before = base.area_resistance()
    for change in (
        {"clamp_force": force * factor},
        {"conductivity": base.values_in_use()["conductivity"] * factor},
        {"ageing": age * (1 - more)},
    ):
        assert parameter.replaced(base, change).area_resistance() <= before * (1 + 1e-12)
    assert two_blocks(base, area=150e-6 * factor) <= two_blocks(base) * (1 + 1e-12)


def test_phase_change_before_and_after_its_first_hot_run():
    wet, raw = InterfaceLayer(material="phase_change"), InterfaceLayer(material="phase_change", wetted=False)
    assert raw.area_resistance() == pytest.approx(32 * MM2)
    peaks = np.linspace(20, 100, 10_000)
    scan = InterfaceLayer(material="phase_change", peak_temperature=peaks).area_resistance()
    assert scan[0] == pytest.approx(raw.area_resistance())
    assert scan[-1] == pytest.approx(wet.area_resistance())
    assert np.all(np.diff(scan) <= 1e-20)
    assert np.max(-np.diff(scan)) < 0.05 * MM2
    assert "run it hot once" in raw.cautions()[-1]
    # Other materials have no such event.
    assert InterfaceLayer(wetted=False).area_resistance() == InterfaceLayer().area_resistance()


def test_force_scan_has_no_jump():
    force = np.geomspace(0.01, 1e5, 10_000)
    for material in FILLERS:
        scan = InterfaceLayer(material=material, clamp_force=force, contact_area=150e-6).area_resistance()
        scan = np.broadcast_to(scan, force.shape)  # a gap filled by liquid metal does not ask for force
        assert np.all(np.diff(scan) <= 1e-18)
        assert np.max(np.abs(np.diff(scan))) <= 0.01 * np.max(scan)


@pytest.mark.parametrize(
    "metal", ["aluminium", "aluminium_6061", "aluminum", "anodised aluminium", "aluminium_cast"]
)
def test_liquid_metal_refuses_aluminium_unless_a_barrier_is_declared(metal):
    layer = InterfaceLayer(material="liquid_metal")
    with pytest.raises(
        ValueError, match=r"InterfaceLayer.material: liquid_metal against .*destroys aluminium.*expected"
    ):
        layer.area_resistance("silicon", metal)
    with pytest.raises(ValueError, match="destroys aluminium"):
        two_blocks(layer, cold=metal)
    guarded = InterfaceLayer(material="liquid_metal", barrier=True)
    assert guarded.area_resistance("silicon", metal) == layer.area_resistance("silicon", "copper")
    assert any("behind the barrier" in text for text in guarded.cautions("silicon", metal))
    assert InterfaceLayer(material="grease").area_resistance("silicon", metal) > 0


def test_cautions_speak_of_pressure_filler_and_electricity():
    assert any(
        "outside the usual" in t for t in InterfaceLayer(clamp_force=1.0, contact_area=150e-6).cautions()
    )
    assert any("filler" in t for t in InterfaceLayer(bond_line=5e-6).cautions())
    assert any("Conducts electricity" in t for t in InterfaceLayer(material="liquid_metal").cautions())
    assert any("Conducts electricity" in t for t in InterfaceLayer(material="graphite_pad").cautions())


def test_samples_give_what_single_values_give():
    force, age = np.array([20.0, 45.0, 90.0]), np.array([0.0, 0.5, 1.0])
    many = InterfaceLayer(clamp_force=force, contact_area=150e-6, ageing=age).area_resistance()
    single = [
        InterfaceLayer(clamp_force=float(f), contact_area=150e-6, ageing=float(a)).area_resistance()
        for f, a in zip(force, age, strict=True)
    ]
    np.testing.assert_allclose(many, single)


# -- gap pad -------------------------------------------------------------------------------------------------


def test_pad_by_compression_and_by_pressure_agree():
    by_strain = GapPad(thickness=1e-3, compression=0.25)
    assert by_strain.pressure_in_use() == pytest.approx(100e3)
    by_pressure = GapPad(thickness=1e-3, pressure=100e3)
    assert by_pressure.area_resistance() == pytest.approx(by_strain.area_resistance())
    assert by_strain.thickness_in_stack() == pytest.approx(0.75e-3)
    assert by_strain.area_resistance() == pytest.approx(0.75e-3 / 5.0 + 20e-6)
    with pytest.raises(ValueError, match="expected one of them"):
        GapPad(compression=0.3, pressure=1e5)


@given(st.sampled_from(PADS), st.floats(1e3, 5e5), st.floats(1.0, 3.0), st.floats(2e-4, 3e-3))
def test_pad_improves_with_pressure_and_conductivity_and_worsens_with_thickness(
    material, pressure, factor, thickness
):
    base = GapPad(material=material, pressure=pressure, thickness=thickness, conductivity=3.0)
    before = base.area_resistance()
    assert parameter.replaced(base, {"pressure": pressure * factor}).area_resistance() <= before
    assert parameter.replaced(base, {"conductivity": 3.0 * factor}).area_resistance() <= before
    assert parameter.replaced(base, {"thickness": thickness * factor}).area_resistance() >= before
    assert parameter.replaced(base, {"ageing": 1.0}).area_resistance() >= before


def test_pad_cautions_outside_the_recommended_window():
    inside, firm, past = (GapPad(compression=c).cautions() for c in (0.3, 0.5, 0.7))
    assert not any("outside the recommended" in t for t in inside)
    assert any("50 % lies outside the recommended" in t for t in firm)
    assert any("pressure is unknown" in t for t in past)


# -- air gap -------------------------------------------------------------------------------------------------


def test_air_gap_of_the_hand_calculation():
    """1.5 mm over 40 cm2 is 14 K/W by conduction alone; radiation takes it to about 12."""
    shiny = AirGap(gap=1.5e-3, hot_emissivity=1e-6, cold_emissivity=1e-6)
    assert shiny.area_resistance() / 40e-4 == pytest.approx(14.0, rel=0.04)
    assert AirGap(gap=1.5e-3, hot_emissivity=0.9).area_resistance() < 0.85 * shiny.area_resistance()


def test_air_gap_may_bring_its_own_area():
    whole = two_blocks(AirGap(), area=40e-4)
    assert two_blocks(AirGap(area=20e-4), area=40e-4) == pytest.approx(2 * whole)
    assert two_blocks(AirGap(area=20e-4), area=40e-4, joint_area=10e-4) == pytest.approx(4 * whole)
    assert whole == pytest.approx(AirGap().area_resistance() / 40e-4)


@given(st.floats(2e-4, 8e-3), st.floats(1.0, 3.0), st.floats(0.05, 0.9), st.floats(20, 80))
def test_air_gap_grows_worse_with_width_and_better_with_blackness(gap, factor, emissivity, temperature):
    base = AirGap(gap=gap, hot_emissivity=emissivity, reference_temperature=temperature)
    assert parameter.replaced(base, {"gap": gap * factor}).area_resistance() >= base.area_resistance()
    assert parameter.replaced(base, {"hot_emissivity": min(1.0, emissivity * factor)}).area_resistance() <= (
        base.area_resistance()
    )


def test_wide_gap_says_that_its_air_moves():
    assert AirGap(gap=0.012).cautions()
    assert not AirGap().cautions()


# -- all of them ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", JOINERS)
def test_every_number_is_declared_with_unit_range_and_meaning(kind):
    declared = parameter.declarations(kind)
    assert set(declared) == {f.name for f in dataclasses.fields(kind)}
    for name, declaration in declared.items():
        assert declaration.doc, name
        if declaration.role == "quantity":
            assert declaration.plausible is not None, name
            assert declaration.step is not None, name


@pytest.mark.parametrize(
    ("kind", "bad"),
    [
        (InterfaceLayer, {"bond_line": -1e-6}), (InterfaceLayer, {"material": "toothpaste"}),
        (InterfaceLayer, {"ageing": 1.5}), (InterfaceLayer, {"conductivity": float("nan")}),
        (GapPad, {"material": "grease"}), (GapPad, {"compression": 0.95}), (AirGap, {"gap": 0.0}),
        (AirGap, {"hot_emissivity": 1.2}),
    ],
)  # fmt: skip
def test_bad_values_are_refused_by_name(kind, bad):
    with pytest.raises(ValueError, match=rf"{kind.__name__}\.{next(iter(bad))}"):
        kind(**bad)
