"""Recovery against brute force, a machine of one pole in closed form, and the governor's own formula."""

from __future__ import annotations

import math

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.firmware.workload import Workload
from thermnet.show.figures import draw, figures_of
from thermnet.solve.closed_loop import simulate
from thermnet.studies import Study, recovery, time_to_limit
from thermnet.studies.held_power import HeldPower


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def study(tern):
    return recovery(tern, durations=(5.0, 20.0))


def test_first_burst_is_the_time_to_limit(study, tern):
    alone = time_to_limit(tern, powers=(64.0,)).table
    assert study.table["first_s"].iloc[0] == pytest.approx(alone["time_s"].iloc[0], abs=0.002)
    # (linear within a control sample of 0.1 s here, by root finding there)
    assert study.table["binds"].iloc[0] == alone["binds"].iloc[0]
    assert study.facts["ended by"] == "cpu.junction"


def test_more_rest_gives_more_back_and_never_more_than_all(study):
    back = study.table["recovered_percent"].to_numpy()
    assert np.all(np.diff(back) > 0)
    assert 20 < back[0] < 80
    assert 90 < back[-1] < 101
    wait = study.facts["90 % back after"][0]
    assert np.interp(wait, study.table["rest_s"], back) == pytest.approx(90.0)
    assert 20 < wait < 180  # the trade says about two minutes


def test_second_burst_against_two_runs_in_a_row(study, tern):
    held = HeldPower.of(tern, "desk", None)
    row = study.table[study.table["rest_s"] == 60.0].iloc[0]
    begun = math.floor(row["first_s"] / 0.1) * 0.1
    idle = held.plant.machine.idle_power["cpu"]
    load = Workload(
        name="by hand", times=np.array([0.0, begun, begun + 60.0]),
        watts={"cpu": np.array([64.0, idle, 64.0])}, duration=begun + 60.0 + 40.0,
    )  # fmt: skip
    run = simulate(held.plant, held.mode, load, duration=load.duration, start="idle")
    hot = run.temperature("cpu.hot_spot")
    late = np.flatnonzero((run.time > begun + 60.0) & (hot >= 95.0))[0]
    assert run.time[late] - begun - 60.0 == pytest.approx(row["second_s"], abs=0.11)


def test_repetition_holds_for_hours_and_a_little_less_rest_does_not(study, tern):
    row = study.tables["repetition"].iloc[0]
    held = HeldPower.of(tern, "desk", None)
    idle = held.plant.machine.idle_power["cpu"]

    def worst(rest: float) -> float:
        cycle = row["duration_s"] + rest
        count = round(3600 / cycle)
        starts = np.arange(count) * cycle
        times = np.sort(np.concatenate([starts, starts + rest]))
        watts = np.where(np.isin(times, starts), idle, 64.0)
        load = Workload(name="by hand", times=times, watts={"cpu": watts}, duration=count * cycle)
        run = simulate(held.plant, held.mode, load, duration=load.duration, start=row["mean_power_W"])
        return float(run.temperature("cpu.hot_spot")[run.time > 1800].max())

    assert worst(row["rest_s"] + 0.1) < 95.0 < worst(0.85 * row["rest_s"])
    assert row["duty_percent"] == pytest.approx(100 * 5.0 / (5.0 + row["rest_s"]))
    assert row["mean_power_W"] < study.facts["sustained power"][0]
    assert np.isnan(study.tables["repetition"].iloc[1]["rest_s"])  # 20 s is past the limit even from idle
    assert study.facts["20 s bursts for ever"] == "not at any rest"


def test_governor_column_is_its_formula(study, tern):
    held = HeldPower.of(tern, "desk", None)
    idle = held.plant.machine.idle_power["cpu"]
    for row in study.table.itertuples():
        # The first burst is longer than the governor lets through: the average has come to the sustained limit.
        average = idle + (28.0 - idle) * math.exp(-row.rest_s / 28.0)
        assert row.governor_s == pytest.approx(28.0 * math.log((64.0 - average) / (64.0 - 28.0)), rel=1e-6)


def test_a_power_that_can_be_held_needs_no_rest_and_resting_at_a_power_takes_longer(tern):
    warm = recovery(tern, power=64.0, rests=(30.0,), durations=(2.0,), rest_power=15.0)
    cold = recovery(tern, power=64.0, rests=(30.0,), durations=(2.0,))
    assert warm.table["second_s"].iloc[0] < cold.table["second_s"].iloc[0]
    assert warm.tables["repetition"]["rest_s"].iloc[0] > cold.tables["repetition"]["rest_s"].iloc[0]


def test_errors_json_and_figures(study, tern):
    with pytest.raises(ValueError, match="expected a burst above that"):
        recovery(tern, power=20.0)
    with pytest.raises(ValueError, match="a limit is passed while resting"):
        recovery(tern, rest_power=60.0)
    with pytest.raises(ValueError, match="rests"):
        recovery(tern, rests=(0.0,))
    with pytest.raises(ValueError, match="gpu"):
        recovery(tern, rest_power={"gpu": 3.0})
    assert Study.from_json(study.to_json()).table.equals(study.table)
    for figure in figures_of(study):
        assert draw(study, figure.name).axes
        assert len(figure.describe(study)) > 40
