"""Joints: formulas, what must hold for any of them, and the tables behind them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermnet.materials.interface_materials import INTERFACE_MATERIALS, interface_material
from thermnet.materials.lookup import UnknownMaterialError
from thermnet.materials.solids import SOLIDS, base_metal, solid
from thermnet.physics import interface

pressures = st.floats(1e3, 2e6)


# -- tables --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", SOLIDS.values(), ids=lambda row: row.name)
def test_every_solid_lies_within_its_ranges_and_has_a_source(row):
    assert row.source
    for name, (low, high) in row.ranges.items():
        assert low <= getattr(row, name) <= high, name
        assert low < high, name
    assert row.effusivity == pytest.approx(
        np.sqrt(row.through_conductivity * row.density * row.specific_heat)
    )


@pytest.mark.parametrize("row", INTERFACE_MATERIALS.values(), ids=lambda row: row.name)
def test_every_filler_lies_within_its_ranges(row):
    assert row.law in ("paste", "gap", "pad", "dry")
    assert row.cautions
    for name, (low, high) in row.ranges.items():
        assert low <= getattr(row, name) <= high, name
        assert low < high, name
        assert row.source(name)
    needed = {"conductivity", "contact_resistance", "bond_line", "pressure", "end_of_life_factor"}
    assert needed <= set(row.ranges)


def test_typical_bond_line_of_a_paste_is_what_its_law_gives():
    for name in ("grease", "phase_change"):
        row = interface_material(name)
        flowed = interface.paste_bond_line(row.yield_stress, row.pressure, row.filler_limit)
        assert flowed == pytest.approx(row.bond_line, rel=0.02)


def test_unknown_names_suggest_the_nearest():
    with pytest.raises(UnknownMaterialError, match="did you mean 'aluminium_6061'"):
        solid("aluminum_6061")
    with pytest.raises(ValueError, match="did you mean 'phase_change'"):
        interface_material("phase_chnge")
    with pytest.raises(UnknownMaterialError, match="known: copper"):
        solid("xyzzy")
    assert solid("Aluminum").name == "aluminium"
    assert solid("FR4").name == "board"
    assert interface_material("dry contact").name == "dry"


def test_base_metal_errs_on_the_side_of_aluminium():
    assert base_metal("aluminium_cast") == "aluminium"
    assert base_metal("nickel-plated copper") == "nickel"
    assert base_metal("Nickel plated aluminum") == "aluminium"
    assert base_metal("brass") == "copper"
    assert base_metal("plastic") == ""
    assert base_metal("unobtainium") == ""


def test_liquid_metal_row_states_the_facts():
    row = interface_material("liquid_metal")
    assert row.electrically_conductive
    assert row.attacks_aluminium
    assert 10 <= row.melting_point <= 13  # not the -19 degC of data sheets
    assert any("aluminium" in text for text in row.cautions)
    assert any("-19" in text for text in row.cautions)


# -- bond line -----------------------------------------------------------------------------------------------


@given(st.floats(0.5, 500), pressures, st.floats(1.01, 10))
def test_more_pressure_never_thickens(yield_stress, pressure, factor):
    before = interface.paste_bond_line(yield_stress, pressure, 12e-6)
    after = interface.paste_bond_line(yield_stress, pressure * factor, 12e-6)
    assert 12e-6 <= after <= before


def test_bond_line_scan_has_no_jump():
    pressure = np.geomspace(1e3, 5e8, 10_000)
    line = interface.paste_bond_line(40.0, pressure, 12e-6, 60e-6)
    assert line[0] == 60e-6
    assert line[-1] == 12e-6
    assert np.all(np.diff(line) <= 0)
    assert np.max(np.abs(np.diff(np.log(line)))) < 0.17 * np.log(pressure[1] / pressure[0]) * 1.01


def test_bond_line_without_pressure_is_as_applied():
    assert interface.paste_bond_line(40.0, 0.0, 12e-6, 100e-6) == 100e-6
    with pytest.raises(ValueError, match="expected 0 or more"):
        interface.paste_bond_line(40.0, -1.0)


# -- contacts ------------------------------------------------------------------------------------------------


@given(pressures, st.floats(1.01, 5))
def test_dry_joint_improves_with_pressure_but_keeps_its_air(pressure, factor):
    first = interface.dry_area_resistance(6e-4, 2.5e5, pressure, 1e-5, 0.027)
    second = interface.dry_area_resistance(6e-4, 2.5e5, pressure * factor, 1e-5, 0.027)
    assert second < first < 1e-5 / 0.027


def test_contact_conductance_exponent_and_arrays():
    p = np.array([1e5, 5e5, 2e6])
    h = interface.contact_conductance(200.0, 1e-6, 0.15, p, 1.2e9)
    np.testing.assert_allclose(np.diff(np.log(h)) / np.diff(np.log(p)), 0.95)
    assert h[1] == interface.contact_conductance(200.0, 1e-6, 0.15, 5e5, 1.2e9)


# -- filled materials ----------------------------------------------------------------------------------------


@given(st.floats(0.05, 2.0), st.floats(1.0, 400.0), st.floats(0.0, 0.9), st.floats(0.001, 0.09))
def test_filled_conductivities_grow_with_filler_and_stay_between_their_parts(matrix, filler, fraction, more):
    if filler < matrix:
        matrix, filler = filler, matrix
    for law in (interface.maxwell_conductivity, interface.bruggeman_conductivity):
        k, richer = law(matrix, filler, fraction), law(matrix, filler, fraction + more)
        assert matrix * (1 - 1e-9) <= k <= filler * (1 + 1e-9)
        assert richer >= k * (1 - 1e-9)
    # Maxwell is the lower bound of Hashin and Shtrikman for a filler that conducts better.
    assert interface.bruggeman_conductivity(matrix, filler, fraction) >= interface.maxwell_conductivity(
        matrix, filler, fraction
    ) * (1 - 1e-9)


def test_bruggeman_solves_its_own_equation_and_has_both_ends():
    km, kp, f = 0.2, np.array([0.05, 0.2, 30.0, 400.0]), 0.4
    k = interface.bruggeman_conductivity(km, kp, f)
    assert k[1] == km
    left = (kp[[0, 2, 3]] - k[[0, 2, 3]]) / (kp[[0, 2, 3]] - km) * (km / k[[0, 2, 3]]) ** (1 / 3)
    np.testing.assert_allclose(left, 1 - f, rtol=1e-12)
    assert interface.bruggeman_conductivity(0.2, 30.0, 0.0) == pytest.approx(0.2)
    assert interface.bruggeman_conductivity(0.2, 30.0, 1.0) == pytest.approx(30.0)
    with pytest.raises(ValueError, match="0 to 1"):
        interface.bruggeman_conductivity(0.2, 30.0, 1.2)


# -- pads, wetting, ageing, air ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["gap_pad", "gap_putty", "graphite_pad"])
def test_pad_curves_rise_and_can_be_read_backwards(name):
    p, e = zip(*interface_material(name).compression, strict=True)
    scan = np.linspace(0, p[-1] * 1.2, 10_000)
    strain = interface.pad_strain(scan, p, e)
    assert np.all(np.diff(strain) >= 0)
    assert np.max(np.diff(strain)) < 0.01
    inside = scan[scan <= p[-1]]
    np.testing.assert_allclose(
        interface.pad_pressure(interface.pad_strain(inside, p, e), p, e), inside, atol=1e-6 * p[-1]
    )


@pytest.mark.parametrize(
    ("p", "e"),
    [([0, 1], [0.2, 0.1]), ([1, 1], [0.1, 0.2]), ([0, 1], [0, 1.2]), ([0], [0]), ([0, 1], [-0.1, 0.2])],
)
def test_bad_compression_curves_are_refused(p, e):
    with pytest.raises(ValueError, match="compression curve"):
        interface.pad_strain(0.5, p, e)


def test_wetting_scan_is_smooth_and_bounded():
    peak = np.linspace(20, 90, 10_000)
    share = interface.wetted_fraction(peak, 45.0, 60.0)
    assert share[0] == 0.0
    assert share[-1] == 1.0
    assert np.all(np.diff(share) >= 0)
    resistance = interface.partly_wetted_area_resistance(share, 32e-6, 6e-6)
    assert resistance[0] == pytest.approx(32e-6)
    assert resistance[-1] == pytest.approx(6e-6)
    assert np.all(np.diff(resistance) <= 1e-20)
    assert np.max(-np.diff(resistance)) < 0.05e-6


@given(st.floats(0, 1e6), st.floats(1.0, 5.0), st.floats(10, 1e4))
def test_ageing_is_bounded_and_saturates(cycles, factor, constant):
    value = interface.ageing_factor(cycles, factor, constant)
    assert 1.0 <= value <= factor + 1e-12
    assert interface.ageing_factor(cycles + constant, factor, constant) >= value


@given(st.floats(1e-4, 8e-3), st.floats(0.05, 1.0), st.floats(0.05, 1.0))
def test_air_gap_conducts_at_least_through_its_air(gap, first, second):
    value = interface.air_gap_conductance(gap, 0.027, first, second, 45.0)
    assert 0.027 / gap < value < 0.027 / gap + 7.31
    assert value == pytest.approx(interface.air_gap_conductance(gap, 0.027, second, first, 45.0))
