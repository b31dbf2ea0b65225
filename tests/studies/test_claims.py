"""Undervolt or re-paste, interface choice, what limits: sums, order, trends of the trade, refusals."""

from __future__ import annotations

import pytest

from thermnet.design.load import load_design
from thermnet.physics.silicon import dynamic_power_ratio
from thermnet.studies.interface_choice import interface_choice
from thermnet.studies.study import Study
from thermnet.studies.thermally_limited import thermally_limited
from thermnet.studies.undervolt_or_repaste import undervolt_or_repaste

UNDERVOLT = {"cpu.voltage_offset": "-80 mV"}
PASTE = {"interface.bond_line": "20 um"}
COOLER_ROOM = {"ambient": "22 degC"}


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def claim(tern):
    return undervolt_or_repaste(
        tern, changes={"undervolt": UNDERVOLT, "re-paste": PASTE, "room": COOLER_ROOM}, duration=120.0
    )


def test_attribution_sums_exactly_to_the_total(claim):
    rows = claim.table.set_index("change")
    parts = rows.drop(index="together")
    assert parts["cooler_K"].sum() == pytest.approx(rows.loc["together", "cooler_K"], abs=1e-9)
    assert parts["work_percent"].sum() == pytest.approx(rows.loc["together", "work_percent"], abs=1e-9)
    assert Study.from_json(claim.to_json()).table.shape == claim.table.shape


def test_attribution_does_not_depend_on_the_order(tern, claim):
    other = undervolt_or_repaste(
        tern, changes={"room": COOLER_ROOM, "re-paste": PASTE, "undervolt": UNDERVOLT}, duration=120.0
    ).table.set_index("change")
    for name, row in claim.table.set_index("change").iterrows():
        assert other.loc[name, "cooler_K"] == pytest.approx(row["cooler_K"], abs=1e-9)


def test_single_changes_are_confirmed_by_runs_of_their_own(tern, claim):
    def settled(design):
        run = design.simulate("render", "desk", duration=120.0)
        return float(run.temperature("cpu.hot_spot")[-300:].mean())

    alone = claim.table.set_index("change").loc["re-paste", "alone_K"]
    assert alone == pytest.approx(settled(tern) - settled(tern.replace(**PASTE)), abs=0.3)


def test_an_equally_good_paste_changes_nothing(tern):
    same = {"interface.bond_line": "32 um"}
    rows = undervolt_or_repaste(tern, changes={"re-paste": same}, duration=60.0).table.set_index("change")
    assert abs(rows.loc["re-paste", "cooler_K"]) < 1e-6
    assert abs(rows.loc["re-paste", "work_percent"]) < 1e-6


def test_square_law_of_voltage():
    # 1.1 to 1.0 V at the same frequency: 17.4 % less dynamic power.
    assert dynamic_power_ratio(1.0 / 1.1, 1.0) == pytest.approx(1.0 - 0.17355, abs=1e-4)


def test_a_machine_held_by_power_gains_next_to_no_work_from_a_cooler_die(tern, claim):
    rows = claim.table.set_index("change")
    assert rows.loc["re-paste", "work_percent"] < 0.2
    assert rows.loc["undervolt", "work_percent"] > 5.0
    found = thermally_limited(tern.simulate("render", "desk", duration=300.0)).table.set_index("limit")
    assert found.loc["power", "share_percent"] > 90.0


def test_liquid_metal_against_grease_at_a_bursting_die(tern):
    rows = interface_choice(tern, materials=("grease", "liquid_metal"), burst=80.0).table
    new = rows[rows["age"] == "new"]
    grease = new[new["material"] == "grease"]["rise_1_s_K"].mean()
    metal = new[new["material"] == "liquid_metal"]["rise_1_s_K"].mean()
    # Common practice, no source: about 5 to 6 K at a burst-loaded die.
    assert 3.0 < grease - metal < 8.0


def test_liquid_metal_on_bare_aluminium_is_refused(tern):
    bare = tern.replace(**{"plate.material": "aluminium"})
    with pytest.raises(ValueError, match="alumin"):
        interface_choice(bare, materials=("liquid_metal",))


def test_impossible_claims_are_refused(tern):
    with pytest.raises(ValueError, match=r"expected|no key|unknown"):
        undervolt_or_repaste(tern, changes={"nothing": {"cpu.voltage": "1 V"}}, duration=10.0)
