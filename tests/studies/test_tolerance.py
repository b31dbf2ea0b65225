"""The tolerance study on tern-14: agreement of its own ways, honest yield, errors before any work."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.studies.study import Study
from thermnet.studies.tolerance import Requirement, tolerance
from thermnet.tolerance.population import declared_population
from thermnet.tolerance.sampling import Population


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def people(tern):
    some = (
        "interface.bond_line",
        "fins.pitch",
        "fan.free_flow",
        "pipes.porosity",
        "pipes.flattened_thickness",
        "bottom.emissivity",
    )
    return Population({k: v for k, v in declared_population(tern).distributions.items() if k in some})


@pytest.fixture(scope="module")
def study(tern, people):
    need = Requirement("peak.cpu.junction_degC", upper=90.6)
    return tolerance(
        tern, "desk", population=people, requirements=[need], samples=256, duration=60.0, indices=16
    )


def test_monte_carlo_agrees_with_root_sum_square_where_the_machine_is_near_linear(study):
    rows = study.table.set_index("output")
    for out in ("peak.board.regulator_degC", "peak.bottom.hot_zone_degC", "margin.pipes dry-out_W"):
        assert rows.loc[out, "sd"] == pytest.approx(rows.loc[out, "rss_sd"], rel=0.15)


def test_corners_enclose_the_units_and_the_nominal(study):
    limited = study.table[
        np.isfinite(study.table["ppk"]) & study.table["output"].str.startswith(("peak.", "margin."))
    ]
    assert len(limited) > 5
    for row in limited.itertuples():
        assert row.low_corner <= row.p05 + 1e-9
        assert row.high_corner >= row.p95 - 1e-9
        assert row.low_corner - 1e-9 <= row.nominal <= row.high_corner + 1e-9


def test_yield_and_ranking(study):
    row = study.table[study.table["upper_limit"] == 90.6].iloc[0]
    assert row["yield_percent"] <= 100.0
    shares = study.tables["what moves it"]["share_percent"]
    assert shares.sum() == pytest.approx(100.0, abs=0.5)
    assert shares.is_monotonic_decreasing
    total = study.tables["indices"]["total"]
    # The strongest by variance is the strongest one at a time.
    assert (
        study.tables["indices"]["parameter"][int(np.argmax(total))]
        in study.tables["what moves it"]["parameter"].head(2).tolist()
    )
    assert Study.from_json(study.to_json()).table.shape == study.table.shape


@pytest.mark.parametrize(
    ("given", "text"),
    [
        (
            {"requirements": [Requirement("peak.cpu.junction_degC", lower=90.0, upper=80.0)]},
            "lower below upper",
        ),
        ({"requirements": [Requirement("peak.nothing_degC", upper=80.0)]}, "no output"),
        ({"samples": 2}, "at least 8"),
        ({"target_yield": 1.5}, "0.5 to 1"),
    ],
)
def test_impossible_requests_are_refused(tern, people, given, text):
    small = Population({"interface.bond_line": people.distributions["interface.bond_line"]})
    with pytest.raises(ValueError, match=text):
        tolerance(tern, "desk", population=small, duration=2.0, **given)
