"""Capability from factory data: shapes, gauge, guard band, refusals, the shell."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from thermnet import studies
from thermnet.cli import main
from thermnet.errors import DesignError
from thermnet.studies.study import Study
from thermnet.tolerance import capability


@pytest.fixture(scope="module")
def rng():
    return np.random.default_rng(3)


def test_skew_values_are_told_and_fitted():
    """Lognormal: the transformed index is the exact one of the underlying normal, the plain one far off."""
    values = np.exp(np.random.default_rng(1).normal(0.0, 0.5, 20_000))
    exact = (np.log(6.0) - 0.0) / (3 * 0.5)
    study = studies.factory_capability(values, upper=6.0)
    last = study.table.iloc[-1]
    assert "Box-Cox" in last["by"]
    assert last["estimate"] == pytest.approx(exact, rel=0.03)
    plain = study.table[study.table["by"] == "standard deviation; not normal"]["estimate"].iloc[0]
    assert plain > 1.5 * exact
    assert "not normal" in study.facts["shape"]


def test_a_flat_shape_falls_back_on_percentiles(rng):
    values = rng.uniform(-3.0, 3.0, 4000)
    study = studies.factory_capability(values, -5.0, 5.0)
    last = study.table.iloc[-1]
    assert "percentiles" in last["by"]
    # Exactly: half the limits over the 99.865 % point of the uniform.
    assert last["estimate"] == pytest.approx(5.0 / (6.0 * 0.99865 - 3.0), rel=0.03)
    assert last["low"] <= last["estimate"] <= last["high"]
    assert "(counted)" in study.facts["expected failures in a year"]
    few = studies.factory_capability(values[:500], -5.0, 5.0)
    assert "too few values for percentiles" in few.facts.values()


def test_gauge_and_guard_band(rng, tmp_path):
    truth = rng.normal(10.0, 1.0, (40, 1, 1)) + rng.normal(0, 0.2, (1, 12, 1)) + rng.normal(0, 0.3, (40, 12, 3))
    rows = [(p, o, r) for p in range(40) for o in range(12) for r in truth[p, o]]
    pd.DataFrame(rows, columns=["part", "operator", "reading"]).sample(frac=1, random_state=1).to_csv(tmp_path / "g.csv", index=False)
    study = studies.factory_capability(rng.normal(10.0, 1.0, 200), 6.0, 14.0, gauge=tmp_path / "g.csv")
    table = study.tables["gauge"].set_index("source")
    assert table.loc["repeatability", "sd"] == pytest.approx(0.3, rel=0.05)
    assert table["variance_percent"].sum() == pytest.approx(100.0)
    found = capability.gauge_study(truth, 8.0)
    assert table.loc["operators", "sd"] == pytest.approx(found.reproducibility)
    low, high = capability.guard_band(6.0, 14.0, found.sigma)
    assert study.facts["test limits that keep 95 % of bad units at the limit out"] == f"{low:.5g} to {high:.5g}"
    # What the guard band promises: of units at the limit, one in twenty reads inside it.
    readings = 14.0 + found.sigma * np.random.default_rng(5).standard_normal(100_000)
    assert np.mean(readings < high) == pytest.approx(0.05, abs=0.003)


def test_moving_ranges_do_not_see_a_drift(rng):
    drifting = rng.normal(0, 1.0, 500) + np.linspace(-3, 3, 500)
    rows = studies.factory_capability(drifting, -8, 8).table.set_index("index")["estimate"]
    assert rows["Cp"] == pytest.approx(16 / 6, rel=0.1)
    assert rows["Pp"] < 0.6 * rows["Cp"]


def test_every_problem_at_once(tmp_path):
    (tmp_path / "none.csv").write_text("")
    (tmp_path / "gauge.csv").write_text("part,reading\n1,2\n")
    with pytest.raises(DesignError) as caught:
        studies.factory_capability(tmp_path / "none.csv", 2.0, 1.0, gauge=tmp_path / "gauge.csv", confidence=2.0)
    text = str(caught.value)
    for words in ("is empty", "lower below upper", "columns part, operator and reading", "0.5 to 1"):
        assert words in text


@pytest.mark.parametrize(
    ("content", "words"),
    [("a,b\nx,y\n", "column of numbers"), ("a\n1\n2\n", "at least 8"), ("a\n" + "3\n" * 20, "not all equal"), ("a\n" + "inf\n" * 20, "finite")],
)
def test_useless_files_are_refused(tmp_path, content, words):
    (tmp_path / "data.csv").write_text(content)
    with pytest.raises(DesignError, match=words):
        studies.factory_capability(tmp_path / "data.csv", upper=5.0)


def test_capability_from_the_shell(tmp_path, capsys):
    values = np.random.default_rng(2).normal(1.1, 0.01, 300)
    pd.DataFrame({"lot": "A", "pitch": values}).to_csv(tmp_path / "pitch.csv", index=False)
    line = ["capability", str(tmp_path / "pitch.csv"), "--lower", "1.05", "--upper", "1.15", "--out", str(tmp_path / "out"), "--json", "-"]
    assert main(line) == 0
    study = Study.from_json(capsys.readouterr().out)
    assert study.table.set_index("index").loc["Ppk", "estimate"] == pytest.approx(5 / 3, rel=0.12)
    assert (tmp_path / "out" / "report.html").is_file()
    assert json.loads((tmp_path / "out" / "factory_capability.json").read_text())["name"] == "factory_capability"
    assert main(["capability", str(tmp_path / "pitch.csv"), "--lower", "2", "--upper", "1"]) == 2
    assert "lower below upper" in capsys.readouterr().err
