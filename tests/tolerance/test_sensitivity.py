"""Shares of the variance by regression: closed forms, and Sobol indices by scipy."""

import numpy as np
import pytest
from scipy import stats

from thermnet.tolerance.distribution import Distribution
from thermnet.tolerance.sampling import Population
from thermnet.tolerance.sensitivity import regression_shares, sobol_indices

SHAPES = {
    "gap": Distribution(shape="normal", center=1.2, sigma=0.1),
    "emissivity": Distribution(shape="uniform", low=0.8, high=0.9),
    "pitch": Distribution(shape="lognormal", center=1.1, sigma=0.02),
    **{f"idle_{k}": Distribution(shape="normal", center=0.0, sigma=1.0) for k in range(20)},
}


def linear(columns):
    return 3.0 * columns["gap"] - 4.0 * columns["emissivity"] + 5.0 * columns["pitch"]


def test_shares_of_a_sum_are_those_of_its_variances():
    variances = np.array([(3 * 0.1) ** 2, (4 * 0.1) ** 2 / 12, 25 * stats.lognorm(0.02, scale=1.1).var()])
    columns = Population(SHAPES).sample(512, 1)
    shares = regression_shares(columns, linear(columns))
    np.testing.assert_allclose(shares[:3], variances / variances.sum(), atol=0.02)
    np.testing.assert_allclose(shares[3:], 0.0, atol=1e-9)


def test_shares_of_a_bent_answer_are_those_of_its_straight_part():
    """Straight part by Stein's lemma, Cov(x, f(x)) = sigma^2 E f'(x); the rest against Sobol indices by scipy (Saltelli 2010)."""

    def bent(columns):
        return linear(columns) + 0.4 * np.exp(6.0 * (columns["gap"] - 1.2))

    shapes = {name: SHAPES[name] for name in ("gap", "emissivity", "pitch")}
    first, _ = sobol_indices(bent, shapes, 4096, 3)
    columns = Population(SHAPES).sample(2048, 1)
    found = regression_shares(columns, bent(columns))[:3]
    own = (4 * 0.1) ** 2 / 12 + 25 * stats.lognorm(0.02, scale=1.1).var()
    exponent = 0.36  # (6 sigma)^2
    waves = 0.4**2 * (np.exp(2 * exponent) - np.exp(exponent))
    slope = 0.4 * 6.0 * np.exp(exponent / 2)
    whole = 0.09 + waves + 2 * 3.0 * slope * 0.01 + own
    assert found[0] == pytest.approx((3.0 + slope) ** 2 * 0.01 / whole, abs=0.02)
    np.testing.assert_allclose(found[1:], first[1:], atol=0.01)
    assert found[0] < first[0]


def test_what_is_not_linear_is_left_over_and_chance_adds_nothing():
    columns = Population(SHAPES).sample(512, 1, "random")
    parabola = (columns["gap"] - 1.2) ** 2
    totals = [regression_shares(Population(SHAPES).sample(256, seed, "random"), np.random.default_rng(seed).normal(size=256)).sum() for seed in range(40)]
    assert abs(regression_shares(columns, parabola).sum()) < 0.1
    assert abs(np.mean(totals)) < 0.02  # each coefficient squared alone would add up to 23/232


def test_one_that_does_not_differ_and_too_few_units():
    columns = Population(SHAPES).sample(64, 1)
    np.testing.assert_array_equal(regression_shares(columns, np.full(64, 41.0)), 0.0)
    columns["gap"] = np.full(64, 1.2)
    assert regression_shares(columns, columns["pitch"])[0] == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(ValueError, match="at least 48"):
        regression_shares({name: values[:40] for name, values in columns.items()}, np.zeros(40))
