"""Each lesson's answer against a second way of getting it, and each explanation against its own run."""

import math

import numpy as np
import pytest

import thermnet as tn
from thermnet.lessons.course import LESSONS, find_lesson, list_lessons
from thermnet.lessons.lesson import LessonError, say

every = pytest.mark.parametrize("lesson", LESSONS, ids=lambda lesson: lesson.name)


@pytest.fixture(scope="module")
def design():
    return tn.load_design("tern-14")


def answer(name):
    return find_lesson(name).answer()


@every
def test_answer_lies_inside_the_range_and_does_not_stand_in_the_text(lesson):
    value = lesson.answer().value
    low, high = lesson.plausible
    assert low < value < high
    # A narrow range would give it away.
    assert high - low > 1.1 * abs(value)
    for text in (lesson.setting, lesson.question, lesson.hint):
        assert f"{value:.3g}" not in text.replace(",", "").split()


@every
def test_explanation_tells_the_answer_and_draws_it(lesson):
    found = lesson.answer()
    assert len(found.because) >= 2
    assert any(say(found.value) in text for text in found.because)
    for guess in (None, lesson.plausible[0], lesson.plausible[1]):
        figure = found.figure(guess)
        assert figure.title
        assert len(figure.alt) > 30
        assert all(ax.get_title(loc="left") or ax.get_title() or ax.get_xlabel() for ax in figure.axes)
    if found.table is not None:
        assert len(found.table)


@every
def test_answers_do_not_depend_on_when_they_are_asked(lesson):
    assert lesson.work().value == lesson.answer().value


def test_names_are_unique_and_listed():
    assert len({lesson.name for lesson in LESSONS}) == len(LESSONS) >= 10
    assert list_lessons()["lesson"].tolist() == [lesson.name for lesson in LESSONS]
    with pytest.raises(ValueError, match='Did you mean "governor"'):
        find_lesson("governer")


def test_kelvins_are_those_of_a_long_run(design):
    run = design.simulate(28.0, "desk", duration=4 * 3600.0, every=100)
    assert answer("kelvins").value == pytest.approx(run.temperature("cpu.hot_spot")[-1] - 25.0, abs=1.0)


def test_burst_time_is_that_of_a_machine_without_a_governor(design):
    free = design.replace(**{"modes.desk.chips.cpu.sustained_limit": "64 W", "cpu.junction_limit": "120 degC"})
    run = free.simulate(64.0, "desk", duration=60.0)
    assert answer("how_long").value == pytest.approx(run.time_to("cpu.hot_spot", 95.0), abs=0.2)


def test_governor_agrees_with_its_closed_form():
    found = answer("governor")
    assert found.value == pytest.approx(found.facts["formula_s"], abs=0.11)
    assert found.facts["twice_s"] == pytest.approx(2 * found.value, abs=0.2)


def test_local_flux_exceeds_the_mean_and_one_core_exceeds_that():
    found = answer("local_flux")
    assert found.facts["mean_K"] == pytest.approx(64.0 / 150.0 * 9.4, rel=1e-6)
    assert found.facts["mean_K"] < found.value < found.facts["one_core_K"]


def test_at_its_limit_is_no_fault():
    found = answer("at_its_limit")
    table = found.table
    assert table["burst_over_sustained"].iloc[[0, -1]].tolist() == [1.3, 4.0]
    assert table["at_limit_s"].iloc[0] == 0.0
    assert table["at_limit_s"].is_monotonic_increasing
    assert 2.0 < found.value < 30.0  # seconds, not minutes
    assert found.facts["gain_percent"] > 20.0
    assert found.facts["end_apart_K"] < 0.1  # no trace of it is left
    assert table["work_600_s_s"].max() / table["work_600_s_s"].min() < 1.01


def test_time_at_the_limit_is_what_the_temperature_says(design):
    raised = design.replace(**{"modes.desk.chips.cpu.burst_limit": "112 W"})
    run = raised.simulate(120.0, "desk", duration=600.0)
    near = np.sum(run.temperature("cpu.hot_spot") > 92.0) * 0.1
    assert answer("at_its_limit").value == pytest.approx(near, abs=2.0)


def test_interface_is_worth_more_in_the_first_second_than_for_ever():
    found = answer("interface")
    assert found.facts["longer_percent"] > 3.0 * found.value
    assert found.facts["cooler_1_s_K"] > 0.5


def test_time_constant_matters_in_short_loads_only():
    found = answer("averaging_time")
    assert found.facts["short_percent"] > 5.0 * found.value > 0.0


def test_hunting_stops_with_hysteresis():
    found = answer("hunting")
    assert found.value > 10
    assert found.facts["with_2_K"] == found.facts["shipped"] == 0.0


def test_warm_room_takes_most_with_fixed_skin_limits():
    found = answer("warm_room")
    assert found.value < 0.5 * found.facts["at_25_W"]
    assert found.facts["moving_W"] > 2.0 * found.value
    assert found.facts["at_25_W"] == pytest.approx(41.0, abs=0.5)  # stands in the setting


def test_chamber_wins_the_minute_and_not_the_hour():
    found = answer("pipes_or_chamber")
    assert found.value > 5.0 > found.facts["ever_percent"]


def test_three_decibels_cost_less_than_the_flow_they_take():
    found = answer("three_decibels")
    assert found.facts["flow_percent"] == pytest.approx(100 * (1 - 10 ** (-3 / 55)), rel=1e-9)
    assert 0.0 < found.value < found.facts["flow_percent"]
    assert found.facts["six_percent"] > 2.0 * found.value


def test_dust_and_grease_leave_different_signatures():
    facts = answer("bad_unit").facts
    assert facts["fins_dust_K"] > 5.0
    assert abs(facts["fins_grease_K"]) < 0.5 < facts["die_grease_K"]


def test_every_fault_leaves_the_pattern_that_is_told():
    table = answer("bad_unit").table.set_index("unit")
    change = table - table.loc["as new"]
    for unit in ("dust in the fins", "worn fan"):
        assert (change.loc[unit, ["die_degC", "plate_degC", "fins_degC", "bottom_degC"]] > 1.0).all()
    assert change.loc["pumped-out grease", "die_degC"] > 1.0 > change.loc["pumped-out grease", "plate_degC"]
    dry = change.loc["pipes past their limit"]
    assert dry["plate_degC"] > 1.0
    assert dry["fins_degC"] < -0.1
    closed = change.loc["gap closed to the skin"]
    assert closed["bottom_degC"] > 3.0
    assert abs(closed["die_degC"]) < 1.0


def test_undervolt_is_worth_work_where_power_binds_and_kelvins_where_it_does_not():
    found = answer("undervolt")
    assert found.value > 5.0
    assert found.facts["light_cooler_K"] > 3.0
    assert found.facts["repaste_percent"] < 1.0


def test_thirty_units_prove_what_the_closed_form_says():
    # Bissell 1990: lower bound of Cpk (TRADE.md section G: 1.33 measured on 30 gives 1.03).
    found = answer("thirty_units")
    assert found.value == pytest.approx(1.33 - 1.645 * math.sqrt(1 / (9 * 30) + 1.33**2 / (2 * 29)), abs=0.002)
    assert found.facts["lucky_percent"] == pytest.approx(5.0, abs=1.0)


def test_the_rested_machine_lasts_longest_or_says_why():
    found = answer("warm_start")
    assert found.facts["last_percent"] < found.value < 100.0


def test_recovery_agrees_with_two_bursts_by_hand(design):
    free = design.replace(**{"modes.desk.chips.cpu.sustained_limit": "64 W", "cpu.junction_limit": "120 degC"})
    first = free.simulate(64.0, "desk", duration=60.0).time_to("cpu.hot_spot", 95.0)
    held = free.simulate(([0.0, first, first + 30.0], [64.0, 1.5, 64.0]), "desk", duration=first + 60.0)
    again = held.temperature("cpu.hot_spot")[held.time > first + 30.0]
    second = held.time[held.time > first + 30.0][np.argmax(again >= 95.0)] - first - 30.0
    assert answer("recovery").facts["second_s"] == pytest.approx(second, abs=0.5)


def test_lap_is_seen_by_the_skin_and_hardly_by_the_die():
    found = answer("lap")
    assert found.value > 2.0 * found.facts["die_K"] > 0.0
    assert found.facts["early_bed_K"] > 2.0  # a short test flatters


def test_what_is_given_is_what_the_design_holds(design):
    """Numbers in settings and hints, against the design: a learner must be able to rely on them."""
    control, fan = design.modes["desk"].chips["cpu"], design.modes["desk"].fans["fan"]
    die, joint = design.parts["cpu"], design.parts["interface"]
    # The joint's area resistance as the ledger of a run tells it.
    resistance = answer("local_flux").facts["mean_K"] / (64.0 / (1e6 * die.area))
    ratio = 4.0
    for name, texts in {
        "kelvins": [f"{control.sustained_limit:g} W"],
        "how_long": [f"{control.burst_limit:g} W"],
        "local_flux": [f"{1e6 * die.area:g} mm²", f"{1e6 * die.hot_spot_area:g} mm²", f"{resistance:.2g} K mm²/W"],
        "interface": [joint.material],
        "governor": [f"burst limit {control.burst_limit:g} W", f"sustained limit {control.sustained_limit:g} W",
                     f"time constant {control.averaging_time:g} s"],
        "averaging_time": [f"from {control.averaging_time:g} to {2 * control.averaging_time:g} s"],
        "at_its_limit": [f"{ratio * control.sustained_limit:g} W over {control.sustained_limit:g} W",
                         f"over {control.averaging_time:g} s", f"{die.junction_limit:g} °C"],
        "three_decibels": [f"{design.modes['desk'].noise_cap:g} dBA"],
        "pipes_or_chamber": ["two" if design.parts["pipes"].count == 2 else "?", f"{1e3 * design.parts['pipes'].diameter:g} mm"],
        "undervolt": [f"{control.sustained_limit:g} W"],
    }.items():  # fmt: skip
        lesson = find_lesson(name)
        for text in texts:
            assert text in f"{lesson.setting} {lesson.hint}", (name, text)
    assert die.hot_spot_share == 0.5  # "half of the power"
    assert "hysteresis of 1 K" in find_lesson("hunting").setting
    assert "6 K, dwell 15 s" in answer("hunting").because[2]
    assert (fan.tables[0].hysteresis, fan.dwell) == (6.0, 15.0)
    skins = [limit.value for limit in design.simulate(28.0, "desk", duration=0.2).limits if limit.kind == "skin"]
    assert f"{min(skins):g} to {max(skins):g} °C" in find_lesson("warm_room").setting


def test_explanations_hold_for_another_machine(design, monkeypatch):
    """What is told must follow the run, not the machine that the lesson was written with."""
    from thermnet.lessons import burst_lessons, firmware_lessons

    steadier = design.replace(**{"interface.bond_line": "20 um", "fins.blocked": 0.2})
    tight = design.replace(**{"pipes.count": 1})
    monkeypatch.setattr(firmware_lessons, "machine", lambda: steadier)
    hunting = find_lesson("hunting").work()
    assert hunting.value == 0.0
    assert hunting.because[0].startswith("0 times in twenty minutes, although load and room do not change at all.")
    monkeypatch.setattr(firmware_lessons, "machine", lambda: design.replace(**{"cpu.junction_limit": "80 degC"}))
    assert "its limit binds for" in find_lesson("governor").work().because[2]
    monkeypatch.setattr(burst_lessons, "machine", lambda: tight)
    recovery = find_lesson("recovery").work()
    assert "no rest is long enough for a burst of 10 s, held by pipes dry-out" in recovery.because[2]
    for text in (*hunting.because, *recovery.because):
        assert "–" not in text
        assert "no limit" not in text


def test_tables_name_their_columns_for_people():
    from thermnet.studies.words import heading

    for lesson in LESSONS:
        table = lesson.answer().table
        for column in () if table is None else table.columns:
            told = heading(column)
            assert " per," not in told, column
            assert not told.split(",")[0].split()[-1].isdigit(), column


def test_refusals_name_what_was_found_and_expected():
    session = tn.lessons.Session()
    for bad, told in (("abc", "abc"), ("3 K", "not a time"), ("nan", "nan"), ("-5", "-5"), (True, "bool")):
        with pytest.raises(LessonError, match=told) as error:
            session.commit("governor", bad)
        assert "expected a number from 0 to 120 s" in str(error.value)
