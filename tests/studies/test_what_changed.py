"""What changed: nothing against itself, parts that add up to the whole, and mixtures that are what they say."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.design.stack_variants import with_chamber
from thermnet.show.figures import draw, figures_of
from thermnet.studies import Study, burst_budget, what_changed
from thermnet.studies.what_changed import STRUCTURE, differences, mixed

THREE = {"interface.bond_line": "20 um", "fins.height": "6.5 mm", "cpu.junction_limit": "90 degC"}
PARTS = ("sustained_W", "burst_W", "junction_K", "skin_K")


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def three(tern):
    return what_changed(tern, tern.replace(**THREE))


def test_nothing_differs_from_itself(tern):
    study = what_changed(tern, tern)
    assert len(study.table) == 0
    assert study.facts["changes"] == 0
    assert np.all(study.tables["totals"].iloc[2, 1:].to_numpy(float) == 0.0)


def test_differences_are_those_made_with_both_values_in_words(tern):
    found = {c.key: c for c in differences(tern, tern.replace(**THREE))}
    assert set(found) == set(THREE)
    assert found["interface.bond_line"].before_text == "32 um"
    assert found["fins.height"].after_text == "6.5 mm"
    words = differences(tern, tern.replace(**{"interface.material": "phase_change"}))
    assert [(c.key, c.before_text, c.after_text) for c in words] == [
        ("interface.material", "grease", "phase_change")
    ]


def test_parts_add_up_and_both_ends_are_the_designs(three, tern):
    totals = three.tables["totals"].set_index("design")
    for part, total in zip(PARTS, ("sustained_W", "burst_W", "junction_degC", "skin_degC"), strict=True):
        assert three.table[f"{part}_part"].sum() == pytest.approx(totals.loc["difference", total], abs=1e-9)
    budget = burst_budget(tern, durations=(10.0,))
    assert totals.loc["first", "burst_W"] == pytest.approx(budget.table["power_W"].iloc[0], abs=0.02)
    assert totals.loc["first", "sustained_W"] == pytest.approx(budget.facts["sustained power"][0], abs=0.02)


def test_parts_are_the_mean_over_all_orders(three, tern):
    from thermnet.studies.held_power import HeldPower, highest_power

    def sustained(keys) -> float:
        design = tern.replace(**{k: THREE[k] for k in keys}) if keys else tern
        return highest_power(HeldPower.of(design, "desk", None).steady_excess, 30.0)[0]

    known = {s: sustained(s) for n in range(4) for s in itertools.combinations(sorted(THREE), n)}
    for key in THREE:
        gains = []
        for order in itertools.permutations(sorted(THREE)):
            before = tuple(sorted(order[: order.index(key)]))
            gains.append(known[tuple(sorted((*before, key)))] - known[before])
        row = three.table.set_index("key").loc[key]
        assert row["sustained_W_part"] == pytest.approx(np.mean(gains), abs=1e-9)
        assert row["sustained_W_first"] == pytest.approx(known[(key,)] - known[()], abs=1e-9)


def test_signs_are_those_of_the_trade(three):
    parts = three.table.set_index("key")
    assert (
        parts.loc["interface.bond_line", "burst_W_part"]
        > parts.loc["interface.bond_line", "sustained_W_part"]
        > 0
    )
    assert parts.loc["fins.height", "sustained_W_part"] > 0
    assert parts.loc["cpu.junction_limit", "burst_W_part"] < 0
    assert parts.loc["cpu.junction_limit", "junction_K_part"] == pytest.approx(0.0, abs=1e-6)


def test_more_than_six_changes_are_told_from_both_ends(tern):
    many = THREE | {
        "plate.thickness": "1.2 mm", "pipes.length": "180 mm", "fins.depth": "22 mm", "bottom.emissivity": 0.8,
    }  # fmt: skip
    study = what_changed(tern, tern.replace(**many))
    assert len(study.table) == 7
    row = study.table.iloc[0]
    assert row["burst_W_part"] == pytest.approx(0.5 * (row["burst_W_first"] + row["burst_W_last"]))
    assert "either end" in " ".join(study.assumptions)


def test_another_stack_is_one_change_of_structure(tern):
    chamber = with_chamber(tern, 1e-3)
    changes = differences(tern, chamber)
    assert STRUCTURE in [c.key for c in changes]
    everything = frozenset(c.key for c in changes)
    whole = mixed(tern, chamber, changes, everything)
    assert whole.parts == chamber.parts
    assert set(whole.joints) == set(chamber.joints)
    none = mixed(tern, chamber, changes, frozenset())
    assert none.parts == tern.parts
    only = mixed(tern, chamber, changes, frozenset({STRUCTURE}))
    assert only.parts["bottom"] == tern.parts["bottom"]
    assert only.parts["chamber"] == chamber.parts["chamber"]
    study = what_changed(tern, chamber)
    parts = study.table.set_index("key")
    assert parts.loc[STRUCTURE, "burst_W_part"] > 5
    assert "chamber (vapor_chamber)" in parts.loc[STRUCTURE, "after"]


def test_errors_json_and_figures(three, tern):
    with pytest.raises(ValueError, match="power -1"):
        what_changed(tern, tern, power=-1.0)
    with pytest.raises(Exception, match="no mode 'night'"):
        what_changed(tern, tern, "night")
    assert Study.from_json(three.to_json()).table.equals(three.table)
    for study in (three, what_changed(tern, tern)):
        for figure in figures_of(study):
            assert draw(study, figure.name).axes
            assert figure.describe(study)
