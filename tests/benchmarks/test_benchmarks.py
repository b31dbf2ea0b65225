"""The benchmarks' command runs in its reduced form and says all that it should; never how fast."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))


@pytest.fixture(scope="module")
def quick(tmp_path_factory):
    folder = tmp_path_factory.mktemp("benchmarks")
    command = [sys.executable, str(HERE / "run.py"), "--quick", "--json", str(folder / "found.json"), "--markdown", str(folder / "found.md"),
               "--only", "hour", "circuit", "nodes", "machines", "budgets"]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"}, check=False)
    assert done.returncode == 0, done.stderr
    found = json.loads((folder / "found.json").read_text(encoding="utf-8"))
    return done.stdout, (folder / "found.md").read_text(encoding="utf-8"), {s["name"]: s for s in found["sections"]}


@pytest.mark.slow
def test_every_section_is_there_in_text_markdown_and_json(quick):
    text, markdown, sections = quick
    assert set(sections) == {"hour-tern-14", "circuit", "nodes", "machines", "budgets"}
    for section in sections.values():
        assert section["title"] in text
        assert section["title"] in markdown
        assert section["rows"]
    assert "bars met" in text


@pytest.mark.slow
def test_every_contender_has_a_time_a_ratio_and_errors(quick):
    rows = quick[2]["hour-tern-14"]["rows"]
    said = " ".join(row["contender"] for row in rows)
    notes = " ".join(quick[2]["hour-tern-14"]["notes"])
    for contender in ("ours", "C loop", "LSODA", "CVODE", "BDF", "Radau"):
        assert contender in said or f"{contender} was skipped" in notes
    for row in rows:
        assert row["CPU s per hour"] > 0
        assert row["times ours"] == pytest.approx(row["CPU s per hour"] / rows[0]["CPU s per hour"])
        assert 0 <= row["die error K"] < 0.1
        assert 0 <= row["skin error K"] < 0.01


@pytest.mark.slow
def test_errors_hold_their_bars_also_in_the_reduced_form(quick):
    """Ratios depend on the machine and its neighbours; errors do not."""
    bars = [bar for section in quick[2].values() for bar in section["bars"] if bar["unit"] in ("K", "W")]
    assert len(bars) >= 6
    assert all(bar["met"] for bar in bars), bars


def test_contour_gives_the_exponential():
    import reference

    z, weights = reference.contour()
    for a in (0.0, -0.01, -1.0, -30.0, -1e6):
        assert np.sum(weights / (z - a)).real == pytest.approx(np.exp(a), abs=1e-9)


def test_bars_are_judged_both_ways():
    from table import Bar, short

    assert Bar("ratio", 250.0, 200.0).met
    assert not Bar("ratio", 150.0, 200.0).met
    assert Bar("error", 0.01, 0.05, "K", at_least=False).met
    assert "NOT MET" in Bar("error", 0.06, 0.05, "K", at_least=False).line()
    assert [short(v) for v in (None, 3, 12_345.6, 0.00123456, "word")] == ["-", "3", "12,346", "0.00123", "word"]


def test_hours_of_the_c_loop_and_ours_are_the_same_run():
    """What is compared for speed does the same work."""
    from c_loop import CLoop, compiler
    from cases import Case

    if compiler() is None:
        pytest.skip("no C compiler on this machine")
    case = Case.of_design("tern-14", samples=3_000)
    ours = case.simulate()
    kept = CLoop().run(case.loop(keep=False), case.samples)
    np.testing.assert_allclose(kept["power"], ours.channel("power")[:-1], atol=0.05)
    assert np.array_equal(kept["bound"], ours.channel("limit")[:-1])
