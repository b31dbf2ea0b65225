"""The command line: what it prints, writes and returns, and how it refuses."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import thermnet as tn
from thermnet import cli
from thermnet.cli.arguments import OPTIONS
from thermnet.studies.study import Study

ROOT = Path(__file__).parents[1]


def run(capsys, *words):
    """Run in this process; return exit code, standard output and standard error."""
    try:
        code = cli.main(list(map(str, words)))
    except SystemExit as stop:
        code = stop.code
    told = capsys.readouterr()
    return code, told.out, told.err


@pytest.fixture(scope="module")
def design_file():
    from importlib import resources

    with resources.as_file(resources.files("thermnet.design") / "data" / "tern-14.toml") as path:
        yield path.read_text(encoding="utf-8")


def test_burst_prints_the_budget_and_writes_everything(capsys, tmp_path):
    code, out, err = run(capsys, "burst", "tern-14", "--duration", "2,20", "--out", tmp_path / "report")
    assert code == 0, err
    assert "Burst power budget of tern-14" in out
    assert "duration, s" in out
    assert str(tmp_path / "report" / "report.html") in out
    names = {path.name for path in (tmp_path / "report").iterdir()}
    assert {"report.html", "burst_budget.csv", "burst_budget.json", "burst_budget_power_duration.svg",
            "burst_budget_power_duration.png", "burst_budget_start_states.csv"} <= names  # fmt: skip
    study = Study.from_json((tmp_path / "report" / "burst_budget.json").read_text(encoding="utf-8"))
    assert list(study.table.columns) == ["duration_s", "power_W", "binds"]
    assert list(study.table["duration_s"]) == [2.0, 20.0]
    assert list(study.tables["start states"]["start"].unique()) == ["idle", "14 W", "28 W"]
    assert "thermnet burst tern-14" in (tmp_path / "report" / "report.html").read_text(encoding="utf-8")


def test_burst_agrees_with_the_python_call(capsys):
    words = (
        "--duration",
        "5,30 s",
        "--start",
        "10 W",
        "--ambient",
        "95 degF",
        "--mode",
        "library",
        "--json",
        "-",
    )
    code, out, _ = run(capsys, "burst", "tern-14", *words)
    assert code == 0
    table = Study.from_json(out).table
    direct = tn.studies.burst_budget(
        tn.load_design("tern-14"), "library", ambient=35.0, durations=(5.0, 30.0), start=10.0
    )
    np.testing.assert_allclose(table["power_W"], direct.table["power_W"], atol=0.01)
    assert list(table["binds"]) == list(direct.table["binds"])


def test_json_to_standard_output_is_nothing_but_json(capsys):
    code, out, _ = run(capsys, "time-to-limit", "tern-14", "--power", "60", "--duration", "60", "--json", "-")
    assert code == 0
    content = json.loads(out)
    assert content["schema"] == "thermnet-study/1"
    assert content["name"] == "time_to_limit"


def test_quiet_prints_nothing(capsys, tmp_path):
    code, out, err = run(
        capsys, "burst", "tern-14", "--duration", "5", "--quiet", "--json", tmp_path / "b.json"
    )
    # The very first run on a machine may say that it is compiling; nothing else may be said.
    said = [line for line in err.splitlines() if not line.startswith("thermnet: compiling")]
    assert (code, out, said) == (0, "", [])
    assert json.loads((tmp_path / "b.json").read_text(encoding="utf-8"))["name"] == "burst_budget"


def test_burst_with_a_demand_log_reports_its_simulation(capsys, tmp_path):
    log = tmp_path / "demand.csv"
    log.write_text("time (s),cpu power (W)\n0,3\n4.5,40\n11,25\n30,3\n40,3\n", encoding="utf-8")
    code, out, err = run(
        capsys, "burst", "tern-14", "--duration", "5", "--load", log, "--out", tmp_path / "out"
    )
    assert code == 0, err
    assert "Simulation: tern-14" in out
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"simulation.csv", "simulation.nc", "simulation.json", "simulation.svg", "report.html"} <= names
    assert tn.load_run(tmp_path / "out" / "simulation.nc").time[-1] == pytest.approx(40.0, abs=15.0)


def test_burst_from_an_edited_copy_of_the_design(capsys, tmp_path, design_file):
    path = tmp_path / "mine.toml"
    path.write_text(design_file.replace('name = "tern-14"', 'name = "mine"'), encoding="utf-8")
    code, out, err = run(capsys, "burst", path, "--duration", "5", "--start", "idle")
    assert code == 0, err
    assert "Burst power budget of mine" in out


def test_simulate_by_name_power_and_length(capsys):
    code, out, err = run(
        capsys, "simulate", "tern-14", "--load", "28 W", "--duration", "1 min", "--start", "cold"
    )
    assert code == 0, err
    assert "margin, K" in out
    code, out, _ = run(capsys, "simulate", "tern-14", "--load", "render", "--duration", "20", "--json", "-")
    content = json.loads(out)
    assert content["schema"] == "thermnet-run/1"
    assert content["summary"]["duration_s"] == pytest.approx(20.0)
    assert content["summary"]["energy_residual"] < 1e-6


def test_check_accepts_and_lists_every_problem(capsys, tmp_path, design_file):
    code, out, _ = run(capsys, "check", "tern-14")
    assert code == 0
    assert "good" in out
    bad = tmp_path / "bad.toml"
    text = design_file.replace('name = "tern-14"', 'name = "x"\ncolour = "red"\nambient_temperature = 3')
    bad.write_text(text, encoding="utf-8")
    code, out, err = run(capsys, "check", bad, "tern-14")
    assert code == 2
    assert "colour" in err
    assert "ambient_temperature" in err
    assert "tern-14: good" in out


def test_verify_tells_value_source_and_provenance(capsys):
    code, out, _ = run(capsys, "verify", "--only", "network_two_node_step")
    assert code == 0
    for word in ("holds", "network_two_node_step", "expected", "source:", "exact", "all hold"):
        assert word in out


def test_verify_fails_on_a_wrong_value_and_says_which(capsys, tmp_path):
    text = (ROOT / "reference_cases" / "network_series_parallel.toml").read_text(encoding="utf-8")
    (tmp_path / "good.toml").write_text(text, encoding="utf-8")
    (tmp_path / "wrong.toml").write_text(text.replace("24.83333333", "24.84333333"), encoding="utf-8")
    code, out, _ = run(capsys, "verify", tmp_path, "--quiet", "--json", tmp_path / "table.json")
    assert code == 1
    assert "FAILS  wrong" in out
    assert "good:" not in out
    assert "2 reference cases: 1 do not hold" in out
    rows = {
        row["case"]: row for row in json.loads((tmp_path / "table.json").read_text(encoding="utf-8"))["cases"]
    }
    assert rows["good"]["holds"] is True
    assert rows["wrong"]["holds"] is False


def test_designs_and_schema(capsys):
    code, out, _ = run(capsys, "designs")
    assert code == 0
    assert "tern-14:" in out
    code, out, _ = run(capsys, "schema")
    assert json.loads(out)["properties"]["parts"]


def test_version_and_help(capsys):
    assert run(capsys, "--version")[1].strip() == f"thermnet {tn.__version__}"
    code, out, _ = run(capsys, "--help")
    assert code == 0
    for command in ("burst", "time-to-limit", "simulate", "check", "verify", "designs", "schema"):
        assert command in out
    for command in cli.STUDIES:
        assert run(capsys, command, "--help")[0] == 0


REFUSED = [
    ((), "COMMAND"),
    (("nonsense",), "nonsense"),
    (("burst",), "DESIGN"),
    (("burst", "tern-15"), "tern-14"),
    (("burst", "no/such/file.toml"), "does not exist"),
    (("burst", "tern-14", "--mode", "dsk"), "desk"),
    (("burst", "tern-14", "--ambient", "warm"), "degC"),
    (("burst", "tern-14", "--ambient", "nan"), "finite"),
    (("burst", "tern-14", "--ambient", "500"), "-20 to 60"),
    (("burst", "tern-14", "--duration", "-5"), "above 0"),
    (("burst", "tern-14", "--duration", "5 W"), "time"),
    (("burst", "tern-14", "--duration", "0.001"), "control sample"),
    (("burst", "tern-14", "--start", "hot"), "idle or cold"),
    (("burst", "tern-14", "--start", "-3"), "0 W or more"),
    (("burst", "tern-14", "--duration", "1", "--load", "nothing.csv"), "nothing.csv"),
    (("time-to-limit", "tern-14", "--power", ","), "powers"),
    (("simulate", "tern-14", "--load", "compil"), "compile"),
    (("simulate", "tern-14", "--load", "-5"), "0"),
    (("simulate", "tern-14", "--duration", "soon"), "number"),
    (("check", "nowhere.toml"), "does not exist"),
    (("verify", "no_such_folder"), "no_such_folder"),
    (("verify", "--only", "no_such_case"), "no_such_case"),
]


@pytest.mark.parametrize(
    ("words", "says"), REFUSED, ids=[" ".join(words) or "nothing" for words, _ in REFUSED]
)
def test_bad_input_gives_one_message_and_exit_code_2(capsys, words, says):
    code, out, err = run(capsys, *words)
    assert code == 2
    assert says in err
    assert "Traceback" not in err
    assert out == ""


def test_unwritable_places_are_refused_before_any_work(capsys, tmp_path):
    taken = tmp_path / "file"
    taken.write_text("x", encoding="utf-8")
    code, _, err = run(capsys, "burst", "tern-14", "--out", taken)
    assert code == 2
    assert "--out" in err
    code, _, err = run(
        capsys, "burst", "tern-14", "--duration", "1", "--quiet", "--json", tmp_path / "no" / "b.json"
    )
    assert code == 2
    assert "--json" in err


def test_what_nobody_foresaw_is_owned_up_to(capsys, monkeypatch):
    def broken(_name):
        raise RuntimeError("a bug")

    monkeypatch.setattr("thermnet.cli.commands.open_design", broken)
    code, _, err = run(capsys, "burst", "tern-14")
    assert code == 3
    assert "a bug" in err
    assert "report it" in err
    monkeypatch.setenv("THERMNET_TRACEBACK", "1")
    with pytest.raises(RuntimeError):
        cli.main(["burst", "tern-14"])


def test_stopping_says_what_was_kept(capsys, monkeypatch, tmp_path):
    def stop(*_args, **_options):
        raise KeyboardInterrupt

    monkeypatch.setattr("thermnet.cli.commands.open_design", stop)
    code, _, err = run(capsys, "burst", "tern-14")
    assert code == 130
    assert "nothing was written" in err
    monkeypatch.undo()
    monkeypatch.setattr("thermnet.show.report.write_report", stop)
    code, _, err = run(capsys, "burst", "tern-14", "--duration", "1", "--out", tmp_path)
    assert code == 130
    assert str(tmp_path / "burst_budget.csv") in err
    assert (tmp_path / "burst_budget.csv").is_file()


def test_stop_signal_in_a_real_process(tmp_path):
    code = "import sys; from thermnet import cli; print('ready', flush=True); sys.exit(cli.main(['verify']))"
    words = [sys.executable, "-c", code]
    process = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout.readline() == "ready\n"  # Python's own start is not what is tested
    time.sleep(0.5)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode in (130, 0)
    assert "Traceback" not in err


def test_closed_pipe_is_no_error():
    command = f"{sys.executable} -m thermnet.cli schema | head -c 100 > {os.devnull}; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.stdout.strip() == "0"
    assert done.stderr == ""


def test_every_study_command_names_a_real_study():
    for command in cli.STUDIES.values():
        assert callable(getattr(tn.studies, command.target))
        assert set(command.options) <= set(OPTIONS)
