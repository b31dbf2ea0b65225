"""Which limit binds over time, from runs and logs, and what a better interface buys."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.errors import DesignError
from thermnet.firmware.limit_log import kind_of, read_limit_csv
from thermnet.firmware.workload import constant
from thermnet.show.figures import draw, figures_of
from thermnet.studies.better_interface import PERFECT, better_joint, own_spread, perfect_joint
from thermnet.studies.binding_limits import NOISE_JUNCTION, Held, held_in_run, ribbon
from thermnet.studies.joint_options import joint_on_die
from thermnet.studies.study import Study
from thermnet.studies.thermally_limited import thermally_limited

HOT = {"ambient": "35 degC", "interface.ageing": 0.7, "modes.workshop.chips.cpu.sustained_limit": "60 W"}


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def hot(tern):
    return tern.replace(**HOT)


@pytest.fixture(scope="module")
def run(hot):
    return hot.simulate("compile", "workshop", duration=240.0)


@pytest.fixture(scope="module")
def study(run, hot):
    return thermally_limited(run, hot)


def write_log(path, run, *, flags=True, every=10, words=None):
    """Log of a run as a lab logger would keep it."""
    head = ["time [s]", "cpu power (W)", "die temperature (degC)", "fan (rpm)", "skin temperature (degC)"]
    lines = [", ".join(head + (["limit flag"] if flags else []))]
    channel = run.channels["limit"]
    names = {"demand": "none", "junction": "thermal", "skin": "skin"} | (words or {})
    for k in range(0, run.time.size - 1, every):
        row = [run.time[k], run.channel("power", "cpu")[k], run.temperature("cpu.hot_spot")[k],
               run.channels["fan_speed"].values[k, 0], run.temperature("bottom.hot_zone")[k]]  # fmt: skip
        cells = [f"{v:.3f}" for v in row]
        flag = channel.flags[int(channel.values[k, 0])]
        lines.append(", ".join(cells + ([names.get(flag, "power")] if flags else [])))
    path.write_text("\n".join(lines))
    return path


# -- from a run --------------------------------------------------------------------------------------------


def test_shares_are_those_of_the_run(run, study):
    shares = run.residency()["cpu"]
    found = study.table.set_index("limit")["share_percent"]
    assert found.sum() == pytest.approx(100.0)
    flags = run.channel("limit", "cpu")[:-1]
    names = run.channels["limit"].flags
    assert found["junction"] == pytest.approx(100.0 * np.mean([names[int(f)] == "junction" for f in flags]))
    assert found["junction"] > 50.0
    assert shares["junction"] == pytest.approx(found["junction"] / 100.0, abs=1e-3)


def test_episodes_cover_the_run_without_overlap(run, hot, study):
    episodes = held_in_run(run, "cpu", hot, "workshop").episodes()
    assert episodes["duration_s"].sum() == pytest.approx(run.time[-1])
    assert np.allclose(episodes["start_s"].iloc[1:], episodes["end_s"].iloc[:-1])
    assert np.all(episodes["limit"].to_numpy()[1:] != episodes["limit"].to_numpy()[:-1])
    longest = study.tables["longest"]
    assert longest["duration_s"].iloc[0] == episodes["duration_s"].max()
    rows = study.table.set_index("limit")
    for name, mine in episodes.groupby("limit"):
        assert rows.loc[name, "episodes"] == len(mine)
        assert rows.loc[name, "time_s"] == pytest.approx(mine["duration_s"].sum())


def test_ribbon_of_many_episodes_keeps_their_shares():
    time = np.arange(0.0, 4000.1, 0.5)
    code = np.tile([2, 2, 2, 0], 2000)
    thick = ribbon(Held(time, code, np.zeros(time.size), np.zeros(time.size), np.zeros(time.size)), most=100)
    assert len(thick) == 100
    assert thick["duration_s"].sum() == pytest.approx(4000.0)
    assert set(thick["limit"]) == {"junction"}


def test_noise_cap_is_told_where_it_holds_the_fans(hot):
    quiet = hot.replace(**{"modes.workshop.noise_cap": "33 dBA"})
    run = quiet.simulate("render", "workshop", duration=120.0)
    table = thermally_limited(run, quiet, better=()).table.set_index("limit")
    assert table.loc["junction at the noise cap", "share_percent"] > 50.0
    assert table.loc["junction at the noise cap", "better_interface_helps"] == "yes"
    assert held_in_run(run, "cpu", quiet, "workshop").share(NOISE_JUNCTION) > 0.5
    blind = thermally_limited(run).table.set_index("limit")  # without the design the cap is not known
    assert "junction at the noise cap" not in blind.index


def test_a_machine_that_is_not_limited_gains_nothing(tern):
    study = thermally_limited(tern.simulate("pages", "desk", duration=300.0), tern)
    assert study.table["limit"].tolist() == ["none"]
    assert (
        study.tables["gain"][["low_percent", "nominal_percent", "high_percent"]].abs().to_numpy().max() == 0.0
    )
    assert "no more work" in study.facts["in words"]


def test_a_machine_at_its_power_limit_gains_only_the_leakage(tern):
    run = tern.simulate("render", "desk", duration=900.0)
    study = thermally_limited(run, tern)
    assert study.table["limit"].iloc[0] == "power"
    gain = study.tables["gain"].set_index("interface")
    assert 0.0 < gain.loc["liquid_metal", "nominal_percent"] < 0.5
    dry = tern.replace(**{"cpu.leakage": 0.0})
    none = thermally_limited(dry.simulate("render", "desk", duration=900.0), dry).tables["gain"]
    assert none[["low_percent", "nominal_percent", "high_percent"]].abs().to_numpy().max() < 1e-9


def test_a_junction_limited_machine_gains_and_no_more_than_a_perfect_joint_would(study):
    gain = study.tables["gain"].set_index("interface")
    assert gain["nominal_percent"].min() > 0.5
    assert np.all(gain["low_percent"] <= gain["nominal_percent"])
    assert np.all(gain["nominal_percent"] <= gain["high_percent"])
    assert gain.loc[PERFECT, "nominal_percent"] == gain["nominal_percent"].max()
    assert "cooler die does more work" in study.facts["in words"]


def test_nominal_gain_is_a_run_of_its_own(run, hot, study):
    place = joint_on_die(hot)
    better = hot.replace(**{place.part: better_joint(place, "phase_change")[1]})
    again = better.simulate("compile", "workshop", duration=240.0)
    gain = 100.0 * (again.channel("work", "cpu")[-1] / run.channel("work", "cpu")[-1] - 1.0)
    found = study.tables["gain"].set_index("interface").loc["phase_change", "nominal_percent"]
    assert found == pytest.approx(gain, abs=1e-9)


def test_worst_nominal_best_of_a_joint(tern):
    place = joint_on_die(tern)
    for fillers in (
        own_spread(place),
        better_joint(place, "phase_change"),
        better_joint(place, "graphite_pad"),
    ):
        worst, nominal, best = (place.area_resistance(filler) for filler in fillers)
        assert worst > nominal > best > 0
    assert place.area_resistance(perfect_joint(place)) < 1e-12


def test_what_would_destroy_the_plate_is_left_out(hot):
    bare = hot.replace(**{"plate.material": "aluminium"})
    study = thermally_limited(bare.simulate("compile", "workshop", duration=60.0), bare)
    assert "liquid_metal" not in set(study.tables["gain"]["interface"])
    assert any("liquid metal was left out" in text for text in study.assumptions)


def test_a_design_is_simulated_first(hot, study):
    again = thermally_limited(hot, mode="workshop", workload="compile", duration=240.0)
    assert again.table["time_s"].tolist() == study.table["time_s"].tolist()
    assert again.tables["gain"].equals(study.tables["gain"])


def test_a_load_in_watts_is_taken_at_full_frequency(hot):
    run = hot.simulate(constant(55.0, "cpu", 120.0, holds="frequency"), "workshop")
    study = thermally_limited(run, hot, workload=55.0)
    assert any("given in watts" in text for text in study.assumptions)
    assert study.tables["gain"].set_index("interface").loc["phase_change", "nominal_percent"] > 0.0


# -- from a log --------------------------------------------------------------------------------------------


def test_a_log_tells_what_its_run_did(tmp_path, run, study, hot):
    path = write_log(tmp_path / "bench.csv", run)
    found = thermally_limited(path, hot, mode="workshop", better=("phase_change",))
    shares = study.table.set_index("limit")["share_percent"]
    assert found.table.set_index("limit").loc["junction", "share_percent"] == pytest.approx(
        shares["junction"], abs=1.5
    )
    assert found.table.set_index("limit").loc["junction", "better_interface_helps"] == "yes"
    gain = found.tables["gain"].set_index("interface")
    assert gain.loc["phase_change", "nominal_percent"] > 0.3
    assert abs(found.facts["simulated die over the log's, mean"][0]) < 3.0


def test_a_log_without_flags_is_read_by_its_readings(tmp_path, run, hot, study):
    path = write_log(tmp_path / "bench.csv", run, flags=False)
    found = thermally_limited(path, hot, mode="workshop", better=())
    shares = study.table.set_index("limit")["share_percent"]
    assert found.table.set_index("limit").loc["junction", "share_percent"] == pytest.approx(
        shares["junction"], abs=8.0
    )
    assert any("No limit flags" in text for text in found.assumptions)
    alone = thermally_limited(path, junction_limit=95.0, power_limits=(60.0, 64.0))
    assert alone.table.set_index("limit").loc["junction", "share_percent"] > 50.0
    assert "gain" not in alone.tables
    with pytest.raises(ValueError, match="no limit flags"):
        thermally_limited(path)


def test_log_columns_units_and_own_words(tmp_path):
    path = tmp_path / "log.csv"
    rows = "\n".join(f"{k};{20000 + k};{158 + k};{2000 + k};{'THRM' if k > 2 else 'OK'}" for k in range(6))
    path.write_text(f"# a comment\ntime (s);cpu power (mW);die_F;fan_rpm;throttle reason\n{rows}\n")
    with pytest.raises(DesignError, match="THRM"):
        read_limit_csv(path)
    log = read_limit_csv(path, flags={"THRM": "junction"})
    np.testing.assert_allclose(log.power, 20.0 + 1e-3 * np.arange(6))
    np.testing.assert_allclose(log.temperature, 70.0 + np.arange(6) / 1.8)
    assert log.speed.tolist() == [2000.0 + k for k in range(6)]
    assert log.limit.tolist() == ["none"] * 3 + ["junction"] * 3
    with pytest.raises(DesignError, match="expected one of none, power, junction, skin, noise"):
        read_limit_csv(path, flags={"THRM": "hot"})


@pytest.mark.parametrize(
    ("flag", "kind"),
    [
        ("thermal limit", "junction"), ("Junction", "junction"), ("skin", "skin"), ("sustained_limit", "power"),
        ("none", "none"), ("", "none"), ("0", "none"), ("acoustic", "noise"), ("xyz", None),
    ],
)  # fmt: skip
def test_words_of_flags(flag, kind):
    assert kind_of(flag, {}) == kind


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("time (s), cpu power (W)\n0, 1\n", "at least 3 rows"),
        ("time (s), fan (rpm)\n0, 1\n1, 2\n2, 3\n", "power"),
        (
            "time (s), cpu power (W), limit, throttle\n0,1,no,no\n1,1,no,no\n2,1,no,no\n",
            "may be the limit flag",
        ),
        ("time (s), cpu power (W), die temp\n0,1,50\n1,1,50\n2,1,50\n", "has no unit"),
        (
            "time (s), cpu power (W), junction 1 (degC), junction 2 (degC)\n0,1,5,5\n1,1,5,5\n2,1,5,5\n",
            "die temperature",
        ),
    ],
)
def test_broken_logs_are_refused(tmp_path, text, match):
    path = tmp_path / "log.csv"
    path.write_text(text)
    with pytest.raises(DesignError, match=match):
        read_limit_csv(path)


# -- form --------------------------------------------------------------------------------------------------


def test_what_does_not_fit_is_refused(run, hot, tern):
    with pytest.raises(ValueError, match="expected a Run"):
        thermally_limited(3.0)
    with pytest.raises(ValueError, match="no chip 'gpu'"):
        thermally_limited(run, chip="gpu")
    with pytest.raises(ValueError, match="did you mean 'phase_change'"):
        thermally_limited(run, hot, better=("phase_chang",))
    bare = tern.network("desk").transient({"cpu.hot_spot": 5.0}, duration=10.0, initial=25.0)
    with pytest.raises(ValueError, match="no firmware"):
        thermally_limited(bare)


def test_round_trip_and_figures(study):
    back = Study.from_json(study.to_json())
    assert back.table.equals(study.table)
    assert back.tables["gain"].equals(study.tables["gain"])
    assert [f.name for f in figures_of(study)] == ["limits", "gain"]
    for figure in figures_of(study):
        drawing = draw(study, figure.name)
        assert "%" in drawing.alt
    assert "<svg" in study._repr_html_()
