"""The skin estimator: fed with what firmware knows, held against the run."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.errors import NetworkError
from thermnet.show.figures import draw, figures_of
from thermnet.studies import Study, skin_estimator


@pytest.fixture(scope="module")
def study():
    return skin_estimator(load_design("tern-14"))


def test_few_states_follow_a_load_not_seen(study):
    assert study.facts["states"] <= 6
    assert study.facts["states"] < study.facts["of"]
    assert study.table["reduction_K"].max() <= 0.5
    assert study.table["rms_K"].max() < 1.5  # published skin predictors: below 2 K
    assert np.all(study.table["rms_K"] <= study.table["largest_K"])
    trace = study.tables["trace"]
    miss = trace["bottom_hot_zone_estimated_degC"] - trace["bottom_hot_zone_degC"]
    row = study.table.set_index("output").loc["bottom.hot_zone"]
    assert np.sqrt(np.mean(miss**2)) == pytest.approx(row["rms_K"])
    assert np.ptp(trace["bottom_hot_zone_degC"]) > 3 * row["rms_K"]


def test_near_the_operating_point_it_is_as_good_as_its_reduction():
    design = load_design("tern-14")
    held = skin_estimator(design, power=20.0, workload=20.0, duration=1500.0, error=0.3)
    late = held.tables["trace"].query("time_s > 1400")
    for name in ("bottom_hot_zone", "keyboard_hot_zone"):
        assert np.max(np.abs(late[f"{name}_estimated_degC"] - late[f"{name}_degC"])) < 0.4


def test_more_states_are_nearer_and_coefficients_are_all_there(study):
    finer = skin_estimator(load_design("tern-14"), order=7)
    assert finer.table["reduction_K"].max() < study.table["reduction_K"].max()
    rows = study.tables["coefficients"]
    states, inputs, outputs = study.facts["states"], 3, 2
    counts = rows["matrix"].value_counts()
    assert counts["a"] == states
    assert counts["b"] == states * inputs
    assert counts["c"] == states * outputs
    assert counts["d"] == outputs * inputs
    assert np.all(rows[rows["matrix"] == "a"]["value"].between(0.0, 1.0))


def test_errors_json_and_figure(study):
    design = load_design("tern-14")
    with pytest.raises(NetworkError, match=r"no output 'bottom.zone'"):
        skin_estimator(design, outputs=["bottom.zone"])
    with pytest.raises(ValueError, match="either the order or the error"):
        skin_estimator(design, order=3, error=1.0)
    with pytest.raises(ValueError, match="period"):
        skin_estimator(design, period=0.0)
    assert Study.from_json(study.to_json()).table.equals(study.table)
    for figure in figures_of(study):
        assert draw(study, figure.name).axes
        assert "rms" in figure.describe(study)
