"""Comparison: with itself nothing differs; numbers are those of the studies they stand for; the trade's lessons."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.errors import NetworkError
from thermnet.show.figures import draw, figures_of
from thermnet.studies import Study, burst_budget, compare
from thermnet.studies.held_power import HeldPower
from thermnet.studies.side_by_side import Candidate, Conditions, fans_at, heat_limit_rows

FAST = {"durations": (2.0, 10.0, 60.0, 600.0), "tilts": (0.0, 90.0), "ambients": (25.0,)}


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def family(tern):
    return compare(tern, family=True)


def test_with_itself_nothing_differs(tern):
    study = compare([tern, tern], **FAST)
    assert list(study.table["design"]) == ["tern-14", "tern-14 (2)"]
    numbers = study.tables["differences"].drop(columns="design")
    assert np.all(numbers.to_numpy(float) == 0.0)
    assert "crossings" not in study.tables
    assert study.facts["burst curves cross"] == "nowhere"
    assert all(
        text.startswith("no difference")
        for k, text in study.facts.items()
        if k.startswith(("short", "long load"))
    )


def test_bursts_are_those_of_the_burst_budget(tern):
    other = tern.replace(**{"interface.bond_line": "80 um"})
    study = compare({"new": tern, "old": other}, **FAST)
    for name, design in (("new", tern), ("old", other)):
        curve = study.tables["bursts"]
        curve = curve[curve["design"] == name]
        budget = burst_budget(design, durations=FAST["durations"])
        at = budget.table.set_index("duration_s")["power_W"]
        for row in curve.itertuples():
            if row.duration_s in at.index:
                assert row.power_W == pytest.approx(at[row.duration_s], abs=0.02)
    moved = study.tables["differences"].iloc[0]
    assert moved["power_10_s_W"] < -1.0
    assert moved["junction_K"] > 0.5
    assert moved["mass_g"] == 0.0


def test_sustained_power_just_meets_its_limit_at_the_cap(family, tern):
    held = HeldPower.of(tern, "desk", None)
    sustained = float(family.table["sustained_W"].iloc[0])
    fans = fans_at(held, 36.0)
    assert (
        np.max(held.steady_excess(sustained - 0.02, fans))
        < 0
        < np.max(held.steady_excess(sustained + 0.02, fans))
    )


def test_noise_needed_is_where_power_at_that_noise_is_the_power(tern):
    one = Candidate.of("t", tern, Conditions("desk", 25.0, 36.0))
    for power in (30.0, 36.0):
        level = one.noise_needed(power)
        low, high = (one.sustained(level + d)[0] for d in (-0.6, 0.6))
        assert low <= power + 0.3
        assert high >= power - 0.3
    assert np.isnan(one.noise_needed(90.0))
    assert one.noise_needed(0.0) == 0.0


def test_crossings_are_where_two_budgets_agree(family, tern):
    from thermnet.design.stack_variants import stack_variants

    designs = stack_variants(tern)
    found = family.tables["crossings"]
    assert len(found)
    row = found[found["duration_s"] > 300].iloc[0]
    a, b = (
        Candidate.of(n, designs[n], Conditions("desk", 25.0, 36.0)).burst(float(row["duration_s"]))[0]
        for n in (row["leads_before"], row["leads_after"])
    )
    assert a == pytest.approx(b, abs=0.25)
    early = float(row["duration_s"]) / 2
    before, after = (
        Candidate.of(n, designs[n], Conditions("desk", 25.0, 36.0)).burst(early)[0]
        for n in (row["leads_before"], row["leads_after"])
    )
    assert before > after


def test_lessons_of_the_trade_come_out(family):
    table = family.table.set_index("design")
    pipes, chamber, thin = table.loc["2 pipes 6 mm"], table.loc["chamber 1 mm"], table.loc["chamber 0.6 mm"]
    # A chamber that carries the heat gains in bursts and at the junction, and pays at the skin.
    assert chamber["power_10_s_W"] > 1.1 * pipes["power_10_s_W"]
    assert chamber["junction_degC"] < pipes["junction_degC"] - 3
    assert chamber["skin_degC"] > pipes["skin_degC"]
    assert (
        abs(chamber["sustained_W"] / pipes["sustained_W"] - 1) < 0.2
    )  # a burst gains far more than a long load
    assert table.loc["1 pipe 8 mm", "sustained_W"] < pipes["sustained_W"]
    # A thin one with its fins far away dries out, though evenly cooled it would carry several times as much.
    assert thin["dry_out_margin_W"] < 0
    limits = family.tables["heat limits"].set_index("design")
    assert (
        4 < limits.loc["chamber 0.6 mm", "if_cooled_evenly_W"] / limits.loc["chamber 0.6 mm", "limit_W"] < 9
    )
    assert "chamber 0.6 mm" in str(family.facts["past its heat limit at 28 W"])
    # The hybrid's chamber is small, and its limit cooled evenly is past belief: it is named, the others are not.
    doubt = family.tables["in words"].set_index("where")["verdict"]["chamber limits to doubt"]
    assert doubt.startswith("chamber 1 mm + pipes:")
    leaning = family.tables["tilt"]
    for _, rows in leaning.groupby(["design", "ambient_degC"]):
        margins = rows.sort_values("tilt_deg")["margin_W"].to_numpy()
        assert np.all(np.diff(margins) < 0)
    quiet = family.tables["noise"]
    for _, rows in quiet.groupby("design"):
        assert np.all(np.diff(rows["power_W"].to_numpy()) > -0.02)  # more noise allowed is never less power


def test_costs_count_each_pipe(tern):
    study = compare(
        {"one": tern, "two": tern.replace(**{"pipes.count": 3})},
        costs={"heat_pipe": 1.0, "fins": 2.0},
        **FAST,
    )
    assert list(study.table["cost"]) == [4.0, 5.0]
    assert "least cost per sustained watt" in study.facts or study.table["sustained_W"].std() < 0.5


def test_words_tables_json_and_figures(family):
    words = family.tables["in words"]
    assert words["where"].str.contains("short burst").any()
    assert words["verdict"].str.contains("more than").any()
    back = Study.from_json(family.to_json())
    assert back.table.equals(family.table)
    for figure in figures_of(family):
        drawing = draw(family, figure.name, dark=True)
        assert drawing.axes[0].get_title(loc="left")
        assert len(figure.describe(family)) > 40


def test_impossible_comparisons_are_refused_in_words(tern):
    with pytest.raises(ValueError, match="expected at least two"):
        compare(tern)
    with pytest.raises(NetworkError, match="no mode 'night'"):
        compare([tern, tern], "night")
    with pytest.raises(ValueError, match="expected a Design"):
        compare([tern, "tern-14"])
    with pytest.raises(ValueError, match="power -3"):
        compare([tern, tern], power=-3.0)
    with pytest.raises(ValueError, match="tilt 120"):
        compare([tern, tern], tilts=(120.0,), durations=(2.0,))


def test_one_pipe_end_to_end_counts_its_share_of_the_joints():
    """tern-14 by hand: two pipes share the joints of 0.08 and 0.10 K/W, so that each has twice as much."""
    tern = load_design("tern-14")
    (row,) = heat_limit_rows("own", tern)
    own = sum(float(v) for v in tern.parts["pipes"].resistances().values())
    assert row["resistance_K_per_W"] == pytest.approx(own)
    assert row["with_joints_K_per_W"] == pytest.approx(own + 2 * (0.08 + 0.10))
    # Makers' 0.3 to 0.4 K/W (common practice, no source) from block to block, within half of it either side.
    assert 0.15 < row["with_joints_K_per_W"] < 0.6
    measured = heat_limit_rows("own", tern.replace(**{"pipes.resistance": 0.35}))[0]
    assert measured["resistance_K_per_W"] == pytest.approx(0.35)


def test_fins_at_the_ends_cost_a_chamber_half_its_limit_and_more():
    """heron-16: vapour and liquid run 80 mm to the fins at either end instead of spreading all around."""
    heron = load_design("heron-16")
    row = next(r for r in heat_limit_rows("own", heron) if r["kind"] == "vapor_chamber")
    assert 200.0 < row["limit_W"] < 0.5 * row["if_cooled_evenly_W"]
