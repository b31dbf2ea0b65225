"""Attribution of a drop in die temperature: sums, order, single re-runs, and the trends of the trade."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.errors import DesignError, NetworkError
from thermnet.firmware.workload import constant
from thermnet.show.figures import draw, figures_of
from thermnet.studies.attribution import shapley, subsets
from thermnet.studies.loop_measures import leakage, read
from thermnet.studies.study import Study
from thermnet.studies.undervolt_or_repaste import changes_between, undervolt_or_repaste

CHANGES = {
    "undervolt": {"cpu.voltage_offset": "-80 mV"},
    "re-paste": {"interface.ageing": 0.0},
    "fan": {"modes.desk.noise_cap": "33 dBA"},
}
WORN = {"interface.ageing": 1.0}


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def study(tern):
    return undervolt_or_repaste(
        tern, CHANGES, before=WORN, workload="compile", duration=120.0, claimed=(82.0, 70.0)
    )


# -- shares ------------------------------------------------------------------------------------------------


def test_shares_of_textbook_games():
    # One owns a left glove, two own a right one each; a pair is worth 1 (Shapley value 2/3, 1/6, 1/6).
    worth = {
        s: float("left" in s and bool(s & {"right", "other"})) for s in subsets(("left", "right", "other"))
    }
    assert shapley(worth, ("left", "right", "other")) == pytest.approx(
        {"left": 2 / 3, "right": 1 / 6, "other": 1 / 6}
    )
    # A runway for three aeroplanes costs what the longest needs (Littlechild and Owen 1973): 10/3, 10/3 + 5, ...
    cost = {"small": 10.0, "middle": 20.0, "large": 35.0}
    worth = {s: max((cost[n] for n in s), default=0.0) for s in subsets(cost)}
    expected = {"small": 10 / 3, "middle": 10 / 3 + 5.0, "large": 10 / 3 + 5.0 + 15.0}
    assert shapley(worth, cost) == pytest.approx(expected)


def test_shares_equal_the_mean_over_all_orders():
    rng = np.random.default_rng(1)
    names = ("a", "b", "c", "d")
    worth = {s: float(rng.normal()) for s in subsets(names)}
    brute = dict.fromkeys(names, 0.0)
    orders = list(itertools.permutations(names))
    for order in orders:
        made: frozenset[str] = frozenset()
        for name in order:
            brute[name] += (worth[made | {name}] - worth[made]) / len(orders)
            made |= {name}
    found = shapley(worth, names)
    assert found == pytest.approx(brute, abs=1e-12)
    for order in orders:
        assert shapley(worth, order) == found  # to the last digit
    with pytest.raises(ValueError, match="no outcome for a"):
        shapley({frozenset(): 0.0}, ("a",))


def test_shares_add_up_to_the_whole(study):
    rows, total = study.table.iloc[:-1], study.table.iloc[-1]
    for column in ("cooler_K", "work_percent", "power_saved_W", "noise_dBA"):
        assert rows[column].sum() == pytest.approx(total[column], abs=1e-9)
    assert total["change"] == "together"


def test_shares_do_not_depend_on_the_order(tern, study):
    for order in itertools.permutations(CHANGES):
        again = undervolt_or_repaste(
            tern, {name: CHANGES[name] for name in order}, before=WORN, workload="compile", duration=120.0
        )
        for row in again.table.to_dict("records"):
            same = study.table[study.table["change"] == row["change"]].iloc[0]
            assert row["cooler_K"] == same["cooler_K"]
            assert row["work_percent"] == same["work_percent"]


def test_single_changes_are_runs_of_their_own(tern, study):
    worn = tern.replace(**WORN)
    load = "compile"
    before = worn.simulate(load, "desk", duration=120.0)
    everything = {key: value for keys in CHANGES.values() for key, value in keys.items()}
    after = worn.replace(**everything).simulate(load, "desk", duration=120.0)

    def settled(run):
        return read(run.time, run.temperature("cpu.hot_spot"), "settled")

    for row in study.table.iloc[:-1].to_dict("records"):
        keys = CHANGES[row["change"]]
        alone = worn.replace(**keys).simulate(load, "desk", duration=120.0)
        assert row["alone_K"] == pytest.approx(settled(before) - settled(alone), abs=1e-9)
        work = [run.channel("work", "cpu")[-1] for run in (before, alone)]
        assert row["work_alone_percent"] == pytest.approx(100.0 * (work[1] / work[0] - 1.0), abs=1e-9)
        rest = {key: value for key, value in everything.items() if key not in keys}
        others = worn.replace(**rest).simulate(load, "desk", duration=120.0)
        assert row["left_out_K"] == pytest.approx(settled(others) - settled(after), abs=1e-9)
    assert study.table.iloc[-1]["cooler_K"] == pytest.approx(settled(before) - settled(after), abs=1e-9)


# -- trends of the trade -----------------------------------------------------------------------------------


def test_an_equally_good_paste_changes_nothing(tern):
    again = {"re-paste": {"interface.material": "grease", "interface.ageing": 0.0}}
    found = undervolt_or_repaste(tern, again, workload="compile", duration=60.0)
    assert found.table["cooler_K"].abs().max() == 0.0
    assert found.table["work_percent"].abs().max() == 0.0


def test_voltage_goes_by_the_square(tern):
    chip = tern.replace(**{"cpu.curve": ((0.7, 1e9), (0.9, 3e9), (1.1, 4.5e9))})
    found = undervolt_or_repaste(
        chip, {"undervolt": {"cpu.voltage_offset": "-100 mV"}}, workload=20.0, duration=300.0, before={}
    )
    volts = found.tables["voltage"].iloc[0]
    assert (volts["before_V"], volts["after_V"]) == pytest.approx((1.1, 1.0))
    assert volts["dynamic_percent"] == pytest.approx(-17.4, abs=0.05)
    states = found.tables["states"].set_index("state")
    assert states.loc["undervolt", "frequency_percent"] == 100.0
    ratio = states.loc["undervolt", "dynamic_W"] / states.loc["before", "dynamic_W"]
    assert ratio == pytest.approx((1.0 / 1.1) ** 2, rel=1e-9)  # the same frequency, the load never limited
    # Leakage falls by more than its own voltage law, because the die is cooler too.
    fall = states.loc["undervolt", "leakage_W"] / states.loc["before", "leakage_W"]
    assert fall < (1.0 / 1.1) ** 2.5


def test_without_a_limit_kelvins_are_worth_no_work(tern):
    free = {f"modes.desk.chips.cpu.{limit}": "90 W" for limit in ("burst_limit", "sustained_limit")}
    found = undervolt_or_repaste(tern, CHANGES, before=WORN | free, workload=30.0, duration=300.0)
    rows = found.table.set_index("change")
    assert rows.loc["undervolt", "cooler_K"] > 3.0
    assert rows.loc["re-paste", "cooler_K"] > 1.0
    assert found.table["work_percent"].abs().max() == 0.0


def test_under_a_power_limit_the_firmware_turns_volts_into_work(tern):
    found = undervolt_or_repaste(tern, CHANGES, before=WORN, workload="render", duration=600.0)
    rows = found.table.set_index("change")
    assert rows.loc["undervolt", "work_percent"] > 5.0
    assert abs(rows.loc["undervolt", "cooler_K"]) < 0.3
    assert rows.loc["re-paste", "cooler_K"] > 1.0
    assert 0.0 < rows.loc["re-paste", "work_percent"] < 0.5  # what the cooler die leaks less


def test_a_paste_buys_work_under_a_power_limit_only_by_leakage(tern):
    tight = tern.replace(**{"cpu.leakage": 0.0})
    found = undervolt_or_repaste(
        tight, {"re-paste": {"interface.ageing": 0.0}}, before=WORN, workload="render", duration=600.0
    )
    rows = found.table.set_index("change")
    assert rows.loc["re-paste", "cooler_K"] > 1.0
    assert abs(rows.loc["re-paste", "work_percent"]) < 1e-9


def test_room_and_power_limit_may_be_changes(tern):
    changes = {
        "winter": {"ambient": "20 degC"}, "less power": {"modes.desk.chips.cpu.sustained_limit": "24 W"},
    }  # fmt: skip
    found = undervolt_or_repaste(tern, changes, "desk", 28.0, workload="render", duration=900.0)
    rows = found.table.set_index("change")
    assert rows.loc["winter", "cooler_K"] > 3.0
    assert rows.loc["less power", "work_percent"] < -3.0
    assert found.provenance["ambient"] == 28.0


# -- leakage, readings, claim ------------------------------------------------------------------------------


def test_leakage_is_what_the_closed_loop_adds_to_the_dynamic_power(tern):
    load = constant(24.0, "cpu", 120.0, holds="frequency")
    run = tern.simulate(load, "desk")
    machine = tern.machine()
    chip = machine.chips[0]
    rated = sum(law.power for _, law in chip.leaks)
    expected = run.channel("power", "cpu") - (24.0 - rated)
    np.testing.assert_allclose(leakage(run, chip, load)[:-1], expected[:-1], atol=1e-9)


def test_readings():
    time = np.linspace(0.0, 100.0, 1001)
    assert read(time, time, "mean") == pytest.approx(50.0)
    assert read(time, time, "settled") == pytest.approx(87.5)
    assert read(time, time, "peak") == 100.0
    with pytest.raises(ValueError, match="expected one of settled"):
        read(time, time, "warmest")


def test_a_claim_is_compared(study):
    claim = study.tables["claim"].set_index("what")["cooler_K"]
    assert claim["claimed"] == 12.0
    assert claim["claimed and not explained"] == pytest.approx(12.0 - study.table.iloc[-1]["cooler_K"])
    assert study.facts["claimed and not explained"][0] == pytest.approx(claim["claimed and not explained"])


def test_undervolting_carries_its_caution(tern, study):
    assert "days later" in study.caution
    assert "not a thermal fix" in study.caution
    plain = undervolt_or_repaste(tern, {"re-paste": {"interface.ageing": 0.5}}, workload=20.0, duration=20.0)
    assert plain.caution is None
    liquid = {"liquid metal": {"interface.material": "liquid_metal", "interface.bond_line": None}}
    assert "never a plain swap" in undervolt_or_repaste(tern, liquid, workload=20.0, duration=20.0).caution


# -- two designs -------------------------------------------------------------------------------------------


def test_two_designs_give_the_same_as_their_changes(tern):
    after = tern.replace(
        **{"cpu.voltage_offset": -0.05, "interface.ageing": 0.4, "modes.desk.noise_cap": 34.0}
    )
    assert changes_between(tern, after, "desk") == {
        "voltage": {"cpu.voltage_offset": -0.05}, "interface": {"interface.ageing": 0.4}, "fans": {"modes.desk.noise_cap": 34.0},
    }  # fmt: skip
    changes = changes_between(tern, after, "desk")
    one = undervolt_or_repaste(tern, after=after, workload="pages", duration=60.0)
    two = undervolt_or_repaste(tern, changes, workload="pages", duration=60.0)
    assert one.table["cooler_K"].tolist() == two.table["cooler_K"].tolist()


def test_designs_of_other_parts_are_refused(tern):
    with pytest.raises(ValueError, match="differ in more than parameters"):
        undervolt_or_repaste(tern, after=load_design("wren-13"), workload="pages", duration=10.0)


@pytest.mark.parametrize(
    ("given", "error", "text"),
    [
        ({"changes": {}}, ValueError, "0 changes; expected 1 to 6"),
        ({"changes": {str(i): {"interface.ageing": 0.1} for i in range(7)}}, ValueError, "7 changes"),
        ({"changes": {"a": {"interface.aging": 0.1}}}, DesignError, "interface.ageing"),
        ({"changes": {"a": {"interface.ageing": 0.1}, "b": {"interface.ageing": 0.2}}}, ValueError, "in 'a' and in 'b'"),
        ({"changes": {"a": 3}}, ValueError, "mapping of name to dotted keys"),
        ({"changes": {"together": {"interface.ageing": 0.1}}}, ValueError, "another name"),
        ({}, ValueError, "one of the two"),
        ({"changes": {"a": {"interface.ageing": 0.1}}, "claimed": (90.0,)}, ValueError, "two temperatures"),
        ({"changes": {"a": {"interface.ageing": 0.1}}, "reading": "x"}, ValueError, "settled, peak, mean"),
        ({"changes": {"a": {"interface.ageing": 0.1}}, "chip": "gpu"}, ValueError, "no chip 'gpu'"),
        ({"changes": {"a": {"interface.ageing": 0.1}}, "mode": "nowhere"}, NetworkError, "nowhere"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused(tern, given, error, text):
    with pytest.raises(error, match=text):
        undervolt_or_repaste(tern, workload="pages", duration=10.0, **given)


# -- form --------------------------------------------------------------------------------------------------


def test_round_trip_and_figures(study):
    back = Study.from_json(study.to_json())
    assert back.table.equals(study.table)
    assert back.facts == study.facts
    assert [f.name for f in figures_of(study)] == ["kelvins", "work"]
    for figure in figures_of(study):
        drawing = draw(study, figure.name)
        assert "undervolt" in drawing.alt
        labels = [text.get_text() for text in drawing.axes[0].get_yticklabels()]
        assert labels == [*CHANGES, "together"]
    assert "<svg" in study._repr_html_()
