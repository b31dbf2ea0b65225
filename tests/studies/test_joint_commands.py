"""Interface choice, undervolt or re-paste, thermally limited on the command line."""

from __future__ import annotations

import json

import pytest

from thermnet.cli import main


def test_interface_choice(capsys):
    assert main(["interface-choice", "tern-14", "--materials", "grease", "--clamp", "30 N,20 lbf"]) == 0
    said = capsys.readouterr().out
    assert "pump-out" in said
    assert "end of life" in said


def test_undervolt_or_repaste(tmp_path):
    target = tmp_path / "claim.json"
    given = [
        "undervolt-or-repaste", "tern-14", "--load", "20 W", "--duration", "60", "--before", "interface.ageing=1",
        "--change", "undervolt: cpu.voltage_offset=-80 mV", "--change", "re-paste: interface.ageing=0",
        "--claimed", "84,70", "--json", str(target), "--quiet",
    ]  # fmt: skip
    assert main(given) == 0
    study = json.loads(target.read_text())
    assert study["name"] == "undervolt_or_repaste"
    assert study["facts"]["claimed"]["value"] == 14.0
    assert study["provenance"]["before"] == {"interface.ageing": 1.0}


def test_thermally_limited(tmp_path, capsys):
    given = ["thermally-limited", "tern-14", "--load", "pages", "--duration", "60", "--out", str(tmp_path)]
    assert main(given) == 0
    assert "no more work" in capsys.readouterr().out
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Which limit binds" in page


@pytest.mark.parametrize(
    ("given", "text"),
    [
        (["undervolt-or-repaste", "tern-14"], "expected 1 to 6"),
        (["undervolt-or-repaste", "tern-14", "--change", "a: interface.aging=1"], "interface.ageing"),
        (["interface-choice", "tern-14", "--materials", "greese"], "grease"),
        (["thermally-limited", "tern-14", "--log", "nowhere.csv"], "does not exist"),
    ],
)
def test_errors_are_told_without_a_traceback(capsys, given, text):
    assert main(given) == 2
    said = capsys.readouterr().err
    assert text in said
    assert "Traceback" not in said


@pytest.mark.parametrize("change", ["nonsense", "a: interface.ageing", ": interface.ageing=1"])
def test_malformed_changes(capsys, change):
    with pytest.raises(SystemExit) as stopped:
        main(["undervolt-or-repaste", "tern-14", "--change", change])
    assert stopped.value.code == 2
    assert "expected" in capsys.readouterr().err
