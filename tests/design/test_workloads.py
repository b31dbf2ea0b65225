"""Named loads, demand logs, and everything that may stand for a workload."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.errors import DesignError
from thermnet.firmware.demand_log import read_demand_csv
from thermnet.firmware.library import HORIZON, QUIET, as_workload, natural_duration, workload, workload_names
from thermnet.firmware.workload import Workload


def log(tmp_path: Path, text: str | bytes, chips: tuple[str, ...] = ("cpu",)) -> Workload:
    path = tmp_path / "demand.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_demand_csv(path, chips)


def refused(tmp_path: Path, text: str | bytes, chips: tuple[str, ...] = ("cpu",)) -> tuple:
    with pytest.raises(DesignError) as error:
        log(tmp_path, text, chips)
    return error.value.problems


# -- named loads -------------------------------------------------------------------------------------------


def test_all_named_loads_of_the_vocabulary_are_there():
    assert set(workload_names()) == {
        "idle",
        "typing",
        "pages",
        "compile",
        "render",
        "call",
        "game",
        "inference",
    }


@pytest.mark.parametrize("name", workload_names())
def test_named_load_repeats_exactly_and_starts_at_zero(name):
    first, second = workload(name, ["cpu", "gpu"]), workload(name, ["cpu", "gpu"])
    assert first.holds == "frequency"
    assert first.times[0] == 0.0
    np.testing.assert_array_equal(first.times, second.times)
    for chip in ("cpu", "gpu"):
        np.testing.assert_array_equal(first.watts[chip], second.watts[chip])


@pytest.mark.parametrize(
    ("name", "low", "high", "peak"),
    [
        ("idle", 1.4, 2.0, 6.0),
        ("typing", 3.0, 6.0, 15.0),
        ("pages", 3.5, 8.0, 45.0),
        ("compile", 40.0, 45.0, 45.0),
        ("render", 60.0, 60.0, 60.0),
        ("call", 10.5, 12.5, 14.0),
        ("game", 30.0, 38.0, 45.0),
        ("inference", 32.0, 44.0, 70.0),
    ],
)
def test_named_load_has_the_level_of_the_trade_table(name, low, high, peak):
    watts = workload(name, ["cpu"]).sampled("cpu", 1.0, 3600)
    assert low <= watts.mean() <= high
    assert watts.max() <= peak + 1e-9


def test_inference_has_sixty_percent_duty():
    load = workload("inference", ["cpu"])
    lengths = np.diff(load.times)
    busy = load.watts["cpu"][:-1] > 40
    assert lengths[busy].sum() / lengths.sum() == pytest.approx(0.6, abs=0.005)
    assert lengths[busy].min() >= 5.0
    assert lengths[busy].max() <= 20.0


def test_compile_pauses_last_one_to_four_seconds():
    load = workload("compile", ["cpu"])
    pauses = np.diff(load.times)[load.watts["cpu"][:-1] < 40]
    assert pauses.size > 100
    assert pauses.min() >= 1.0
    assert pauses.max() <= 4.0


def test_graphics_takes_its_share_of_games_only():
    assert workload("game", ["cpu", "gpu"]).sampled("gpu", 1.0, 3600).mean() == pytest.approx(100, abs=4)
    assert workload("compile", ["cpu", "gpu"]).watts["gpu"].max() == QUIET
    assert workload("game", ["cpu", "gpu", "npu"]).watts["npu"].max() == QUIET


def test_named_load_goes_on_past_its_natural_length():
    load = workload("compile", ["cpu"])
    assert load.duration == 480.0
    assert load.times[-1] > HORIZON - 100
    assert np.ptp(load.sampled("cpu", 1.0, 12000)[10000:]) > 30


def test_unknown_load_names_the_nearest():
    with pytest.raises(DesignError, match='Did you mean "compile"'):
        workload("complie", ["cpu"])
    with pytest.raises(DesignError, match="no chip"):
        workload("idle", [])


# -- anything that stands for a workload -------------------------------------------------------------------


def test_number_is_constant_power_on_the_first_chip():
    load = as_workload(28, ["cpu", "gpu"])
    assert dict(load.watts) == {"cpu": np.array([28.0])}
    assert load.holds == "power"
    assert as_workload(np.float64(28.0), ["cpu"]).watts["cpu"][0] == 28.0


def test_pair_is_held_piecewise_constant():
    load = as_workload(([0, 10, 30], [5, 50, 20]), ["cpu"])
    np.testing.assert_allclose(load.sampled("cpu", 10.0, 5), [5, 50, 50, 20, 20])
    assert load.duration == 45.0
    assert natural_duration([0.0]) == 1800.0


def test_chips_may_have_clocks_of_their_own():
    load = as_workload({"cpu": 10, "gpu": ([0, 5], [0, 80])}, ["cpu", "gpu"])
    np.testing.assert_allclose(load.times, [0, 5])
    np.testing.assert_allclose(load.watts["cpu"], [10, 10])
    np.testing.assert_allclose(load.watts["gpu"], [0, 80])
    pair = as_workload(([0, 5], {"cpu": [1, 2], "gpu": [3, 4]}), ["cpu", "gpu"])
    np.testing.assert_allclose(pair.watts["gpu"], [3, 4])


def test_own_load_comes_before_a_named_one():
    own = {"idle": as_workload(7.0, ["cpu"])}
    assert as_workload("idle", ["cpu"], own) is own["idle"]
    assert as_workload(own["idle"], ["cpu"]) is own["idle"]


def test_path_is_read_as_a_log(tmp_path):
    (tmp_path / "x.csv").write_text("time [s],power (W)\n0,1\n1,2\n")
    assert as_workload(tmp_path / "x.csv", ["cpu"]).watts["cpu"].tolist() == [1.0, 2.0]
    assert as_workload(str(tmp_path / "x.csv"), ["cpu"]).name == "x"


@pytest.mark.parametrize(
    ("spec", "text"),
    [
        (-3, "-3 W; expected demand from 0 W to 2000 W"),
        (float("nan"), "nan W"),
        (True, "true; expected"),
        (None, "expected a number of W"),
        ("rendr", 'Did you mean "render"'),
        ("nothing like it", "ending in .csv"),
        (([0, 1], [1]), "two rows of the same length"),
        (([1, 2], [1, 1]), "first time 1 s; expected times starting at 0 s"),
        (([0, 2, 2], [1, 1, 1]), "time 2 s after 2 s"),
        (([0, 1], [1, float("inf")]), "inf W"),
        (([0, "x"], [1, 1]), "expected"),
        ({"cpo": 3}, 'workload.cpo: unknown chip; expected cpu. Did you mean "cpu"'),
        ({}, "empty mapping"),
        ([1, 2, 3], "a list of 3"),
        ("missing.csv", "does not exist"),
    ],
)
def test_what_is_no_workload_is_refused_with_advice(spec, text):
    with pytest.raises(DesignError) as error:
        as_workload(spec, ["cpu"])
    assert text in str(error.value)


def test_both_times_and_watts_are_judged_at_once():
    with pytest.raises(DesignError) as error:
        as_workload(([1, 2], [1, -1]), ["cpu"])
    assert len(error.value.problems) == 2


# -- demand logs -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "times", "watts"),
    [
        ("time [s],cpu power (W)\n0,1\n0.5,2\n3,4\n", [0, 0.5, 3], [1, 2, 4]),
        ("t (ms);power_mW\n0;1500\n100;2000\n", [0, 0.1], [1.5, 2]),
        ("t (ms);power_mW\n0;1500,5\n100;2000,25\n", [0, 0.1], [1.5005, 2.00025]),
        ("Elapsed_min\tCPU Package Power [kW]\n0\t0.01\n1\t0.02\n", [0, 60], [10, 20]),
        ("timestamp,cpu power (W)\n2026-03-14T09:26:53,3\n2026-03-14T09:26:54.500,4\n", [0, 1.5], [3, 4]),
        ("timestamp,cpu_w\n2026-03-14 23:59:59,3\n2026-03-15 00:00:01,4\n", [0, 2], [3, 4]),
        ("timestamp,cpu_w\n2026-03-14T09:00:00+01:00,3\n2026-03-14T08:00:05Z,4\n", [0, 5], [3, 4]),
        ("date,time,power (W)\n2026-03-14,09:00:00,3\n2026-03-14,09:00:07,4\n", [0, 7], [3, 4]),
        ("clock,power (W)\n23:59:58,3\n00:00:02,4\n", [0, 4], [3, 4]),
        ("# rig 3\nLogger,7\n\ntime,cpu power\ns,W\n0,3\n2,4\n", [0, 2], [3, 4]),
        ('"time [s]","cpu power (W)"\n"0","3"\n"2","4"\n', [0, 2], [3, 4]),
        ("time [s]|cpu power (W)|fan (rpm)\n0|3|2000\n2|4|2100\n", [0, 2], [3, 4]),
        ("cpu power (W),time [s]\n3,0\n4,2\ncpu power (W),time [s]\n5,3\n", [0, 2, 3], [3, 4, 5]),
        ("\ufefftime [s],cpu power (W)\r\n0,3\r\n2,4\r\n", [0, 2], [3, 4]),
        ("seconds,cpu power (W),adapter power (W)\n0,3,50\n2,4,60\n", [0, 2], [3, 4]),
        ("time [s],CPU core power (W),CPU package power (W)\n0,1,3\n2,1,4\n", [0, 2], [3, 4]),
        ("time [s],cpu power (W)\n1e3,3\n1.002e3,4e0\n", [0, 2], [3, 4]),
    ],
)
def test_logs_of_many_shapes_are_read(tmp_path, text, times, watts):
    load = log(tmp_path, text)
    np.testing.assert_allclose(load.times, times, atol=1e-9)
    np.testing.assert_allclose(load.watts["cpu"], watts)
    assert load.holds == "power"


def test_utf16_and_latin1_logs_are_read(tmp_path):
    text = "time [s],cpu power (W)\n0,3\n2,4\n"
    assert log(tmp_path, text.encode("utf-16")).watts["cpu"].tolist() == [3.0, 4.0]
    noted = "time [s],cpu power (W),Temperatur [°C]\n0,3,40\n2,4,41\n"
    assert log(tmp_path, noted.encode("latin-1")).watts["cpu"].tolist() == [3.0, 4.0]


def test_two_chips_are_matched_by_name_and_by_the_words_of_the_trade(tmp_path):
    text = "time [s],GPU power (W),Package power (W)\n0,80,20\n1,90,30\n"
    load = log(tmp_path, text, ("main", "graphics"))
    assert load.watts["main"].tolist() == [20.0, 30.0]
    assert load.watts["graphics"].tolist() == [80.0, 90.0]


def test_mended_rows_are_noted(tmp_path):
    text = "time [s],cpu power (W)\n0,10\n1,nan\n2,-0.4\n3,20\n3,30\n5,60\n4,50\n,99\n6,\n7,70\n8,\n"
    load = log(tmp_path, text)
    np.testing.assert_allclose(load.times, [0, 1, 2, 3, 4, 5, 6, 7, 8])
    np.testing.assert_allclose(load.watts["cpu"], [10, 10, 0, 25, 50, 60, 60, 70, 70])
    notes = "; ".join(load.notes)
    for part in (
        "3 missing readings",
        "1 small negative",
        "ran backwards 1",
        "1 rows repeat",
        "1 rows without a time",
    ):
        assert part in notes


def test_gap_is_filled_with_the_mean_of_its_ends_and_noted(tmp_path):
    rows = [f"{t},{p}" for t, p in [(0, 10), (1, 10), (2, 10), (3, 20), (63, 40), (64, 40), (65, 40)]]
    load = log(tmp_path, "time [s],cpu power (W)\n" + "\n".join(rows))
    np.testing.assert_allclose(load.times, [0, 1, 2, 3, 4, 63, 64, 65])
    np.testing.assert_allclose(load.watts["cpu"], [10, 10, 10, 20, 30, 40, 40, 40])
    assert any("1 gaps, 60 s in all" in note for note in load.notes)


def test_log_is_energy_true(tmp_path):
    load = log(tmp_path, "time [s],cpu power (W)\n0,10\n0.3,40\n1.7,5\n")
    assert load.sampled("cpu", 0.5, 4).sum() * 0.5 == pytest.approx(0.3 * 10 + 1.4 * 40 + 0.3 * 5)


def test_clock_put_back_by_an_hour_is_set_right(tmp_path):
    stamps = ["2026-10-25 02:59:58", "2026-10-25 02:59:59", "2026-10-25 02:00:00", "2026-10-25 02:00:01"]
    load = log(tmp_path, "timestamp,cpu power (W)\n" + "\n".join(f"{s},{i}" for i, s in enumerate(stamps)))
    np.testing.assert_allclose(load.times, [0, 1, 2, 3])
    np.testing.assert_allclose(load.watts["cpu"], [0, 1, 2, 3])
    assert any("put back by one hour" in note for note in load.notes)


def test_chip_without_a_column_is_noted(tmp_path):
    load = log(tmp_path, "time [s],cpu power (W)\n0,1\n1,2\n", ("cpu", "gpu"))
    assert "gpu" not in load.watts
    assert any("no column for gpu" in note for note in load.notes)
    assert load.sampled("gpu", 1.0, 3).tolist() == [0, 0, 0]


@pytest.mark.parametrize(
    ("text", "key", "found", "expected"),
    [
        ("0,1\n1,2\n", "line 1", "no header with a time column", "time [s], cpu power (W)"),
        ("time,cpu power (W)\n0,1\n1,2\n", 'line 1, column "time"', "has no unit", "time [s]"),
        ("time [m],cpu power (W)\n0,1\n1,2\n", 'line 1, column "time [m]"', 'unit "m"', '"s" or "ms"'),
        ("time [s],cpu power\n0,1\n1,2\n", 'line 1, column "cpu power"', "has no unit", "(W)"),
        ("time [s],cpu power (V)\n0,1\n1,2\n", 'column "cpu power (V)"', 'unit "V"', "unit such as"),
        ("time [s],fan (rpm)\n0,1\n1,2\n", "line 1", "no column of power for cpu", "cpu power (W)"),
        ("time [s],cpu power (W)\n0,1\n1,abc\n", 'line 3, column "cpu power (W)"', '"abc"', "a number"),
        ("time [s],cpu power (W)\n0,1\nx,2\n", 'line 3, column "time [s]"', '"x"', "a number of s"),
        ("time [s],cpu power (W)\n0,1\n1,15000\n", "line 3", '"15000"', "unit is W"),
        ("time [s],cpu power (W)\n0,1\n1,-50\n", "line 3", '"-50"', "0 W to 2000 W"),
        ("time [s],cpu power (W)\n0,inf\n1,2\n", "line 2", '"inf"', "0 W to 2000 W"),
        ("time [s],cpu power (W)\n", "line 1", "a header and no rows", "rows of readings"),
        ("time [s],cpu power (W)\n0,1\n", "rows", "1 usable", "at least 2"),
        ("time [s],cpu power (W)\n0,1\n1,\n2,\n3,\n", "column", "3 of 4 cells hold no number", "most cells"),
        (
            "time [s],cpu a power (W),cpu b power (W)\n0,1,1\n1,2,2\n",
            "line 1",
            "2 columns may be meant",
            "one column",
        ),
        (
            "timestamp,cpu_w\n2026-03-14 09:00:00,1\n2026-13-14 09:00:01,2\n",
            "line 3",
            "2026-13-14",
            "time stamp",
        ),
        ("", "file", "is empty", "demand log"),
        (b"\x00\x01\x02\x03", "line 1, column 1", "not a text file (byte 0x00)", "UTF-8"),
    ],
)
def test_unusable_logs_say_where_and_what(tmp_path, text, key, found, expected):
    problems = refused(tmp_path, text)
    assert any(key in p.key and found in p.found and expected in p.expected for p in problems), problems


def test_every_problem_of_a_log_is_listed_with_its_line(tmp_path):
    problems = refused(tmp_path, "# made up\ntime [s],cpu power (W)\n0,abc\nx,5\n2,9999\n3,1\n4,1\n")
    assert [p.key.split(",")[0] for p in problems] == ["line 4", "line 3", "line 5"]


def test_many_bad_cells_are_counted_not_listed(tmp_path):
    rows = "\n".join(f"{i},bad" for i in range(100))
    problems = refused(tmp_path, f"time [s],cpu power (W)\n{rows}\n")
    assert len(problems) == 21
    assert "80 more such cells" in problems[-1].found


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400))
def test_random_bytes_never_raise_anything_else(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("fuzz") / "x.csv"
    path.write_bytes(content)
    with pytest.raises(DesignError):
        read_demand_csv(path, ["cpu"])


_CELL = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(str),
    st.integers(-5, 100).map(str),
    st.sampled_from(["", "nan", "-", "x", '"', "1,5", "2026-03-14 09:00:00", "12:00", "#", "1e999"]),
)


@settings(max_examples=150, deadline=None)
@given(
    header=st.sampled_from(
        ["time [s],cpu power (W)", "t (ms);power_mW", "timestamp,cpu_w", "date,time,cpu (W)"]
    ),
    cells=st.lists(st.lists(_CELL, min_size=1, max_size=4), max_size=8),
)
def test_random_cells_give_a_load_or_a_clear_refusal(tmp_path_factory, header, cells):
    path = tmp_path_factory.mktemp("fuzz") / "x.csv"
    separator = ";" if ";" in header else ","
    path.write_text("\n".join([header, *(separator.join(row) for row in cells)]))
    try:
        load = read_demand_csv(path, ["cpu"])
    except DesignError:
        return
    assert load.times[0] == 0.0
    assert np.all(np.diff(load.times) > 0)
    assert np.all((load.watts["cpu"] >= 0) & (load.watts["cpu"] <= 2000))
