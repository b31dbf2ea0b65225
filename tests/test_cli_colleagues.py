"""Commands that compare, explain and hand over: what they print, write, and refuse."""

from __future__ import annotations

import json

import numpy as np
import pytest

from thermnet.cli import main
from thermnet.design.load import load_design
from thermnet.design.write import dump_design
from thermnet.studies import load_linear_model


def test_hand_over_writes_model_and_netlist(tmp_path, capsys):
    assert main(["hand-over", "tern-14", "--out", str(tmp_path), "--power", "20"]) == 0
    assert "17 states" in capsys.readouterr().out or load_linear_model(tmp_path / "linear_model.npz").states
    model = load_linear_model(tmp_path / "linear_model.npz")
    assert model.u0[model.inputs.index("power.cpu")] == 20.0
    assert (tmp_path / "network.cir").read_text().rstrip().endswith(".end")
    assert {path.name for path in tmp_path.glob("*.csv")} == {
        f"linear_{k}.csv" for k in ("a", "b", "c", "d", "point")
    }


def test_recovery_and_estimator_print_and_report(tmp_path, capsys):
    assert main(["recovery", "tern-14", "--rest", "30,60", "--duration", "5", "--out", str(tmp_path)]) == 0
    printed = capsys.readouterr().out
    assert "recovered" in printed
    assert "duty" in printed
    page = (tmp_path / "report.html").read_text()
    assert "<svg" in page
    assert (tmp_path / "recovery_repetition.csv").exists()
    assert (
        main(["skin-estimator", "tern-14", "--order", "4", "--json", str(tmp_path / "e.json"), "--quiet"])
        == 0
    )
    content = json.loads((tmp_path / "e.json").read_text())
    assert content["name"] == "skin_estimator"
    assert content["facts"]["states"] == 4


def test_what_changed_reads_two_files(tmp_path, capsys):
    design = load_design("tern-14")
    paths = []
    for name, change in (("old", {}), ("new", {"fins.height": "6 mm"})):
        paths.append(tmp_path / f"{name}.toml")
        paths[-1].write_text(dump_design(design.replace(**change) if change else design), encoding="utf-8")
    assert main(["what-changed", *map(str, paths)]) == 0
    printed = capsys.readouterr().out
    assert "fins.height" in printed
    assert "5.5 mm" in printed


def test_compare_takes_several_designs_and_words_reach_the_terminal(capsys):
    assert main(["compare", "tern-14", "tern-14", "--duration", "5,60"]) == 0
    printed = capsys.readouterr().out
    assert "tern-14 (2)" in printed
    assert "no difference" in printed


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["compare", "tern-14"], "expected at least two"),
        (["compare", "wren-13", "--family"], "no fins"),
        (["recovery", "tern-14", "--power", "5"], "expected a burst above that"),
        (["chip-frontier", "tern-14"], "one chip"),
        (["skin-estimator", "tern-14", "--order", "400"], "expected 1 to"),
    ],
)
def test_impossible_requests_are_told_on_stderr_with_code_2(words, message, capsys):
    assert main(words) == 2
    caught = capsys.readouterr()
    assert message in caught.err
    assert "Traceback" not in caught.err
    assert np.size(caught.out.splitlines()) == 0


def test_a_cost_without_a_number_is_refused_by_the_parser(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["compare", "tern-14", "--family", "--cost", "pipes"])
    assert stop.value.code == 2
    assert "pipes=1.20" in capsys.readouterr().err
