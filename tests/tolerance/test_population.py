"""Distributions, correlations, lots, and tolerance files with every problem told at once."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from thermnet.design.load import load_design
from thermnet.errors import DesignError
from thermnet.tolerance.distribution import Distribution
from thermnet.tolerance.population import declared_population, read_population
from thermnet.tolerance.sampling import Correlation, Population


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.mark.parametrize(
    "shape",
    [
        Distribution(shape="normal", center=5.0, sigma=0.5),
        Distribution(shape="truncated_normal", center=5.0, sigma=0.5, low=4.5, high=6.0),
        Distribution(shape="uniform", low=2.0, high=3.0),
        Distribution(shape="triangular", low=0.0, high=3.0, center=1.0),
        Distribution(shape="lognormal", center=2.0, sigma=0.2),
    ],
)
def test_sampled_moments_are_those_of_the_distribution(shape):
    values = Population({"x": shape}).sample(4096, 3)["x"]
    mean, sd = shape.moments()
    assert values.mean() == pytest.approx(mean, rel=2e-3)
    assert values.std() == pytest.approx(sd, rel=1e-2)
    assert (
        stats.kstest(
            values, lambda v: np.interp(v, np.sort(values), (np.arange(4096) + 0.5) / 4096)
        ).statistic
        < 0.01
    )


@pytest.mark.parametrize(
    ("shape", "reference"),
    [
        (Distribution(shape="normal", center=5.0, sigma=0.5), stats.norm(5.0, 0.5)),
        (Distribution(shape="lognormal", center=2.0, sigma=0.2), stats.lognorm(0.2, scale=2.0)),
        (Distribution(shape="truncated_normal", center=5.0, sigma=0.5, low=4.8, high=9.0), stats.truncnorm(-0.4, 8.0, 5.0, 0.5)),
        (Distribution(shape="truncated_normal", center=5.0, sigma=0.5, low=1.0, high=4.5), stats.truncnorm(-8.0, -1.0, 5.0, 0.5)),
        (Distribution(shape="truncated_normal", center=0.0, sigma=1.0, low=3.0, high=4.0), stats.truncnorm(3.0, 4.0)),
        (Distribution(shape="uniform", low=2.0, high=3.0), stats.uniform(2.0, 1.0)),
        (Distribution(shape="triangular", low=0.0, high=3.0, center=1.0), stats.triang(1.0 / 3.0, 0.0, 3.0)),
    ],
)
def test_quantiles_are_those_of_scipy(shape, reference):
    shares = np.array([1e-9, 0.00135, 0.3, 0.5, 0.9, 0.99865, 1.0 - 1e-9])
    np.testing.assert_allclose(shape.quantile(shares), reference.ppf(shares), rtol=1e-8)  # 1 - 1e-9 itself is known to no more


def test_correlation_and_lots_come_out_as_asked():
    people = Population(
        {"a": Distribution(shape="normal", sigma=1.0), "b": Distribution(shape="normal", sigma=1.0),
         "c": Distribution(shape="normal", sigma=1.0, lot_share=0.7)},
        [Correlation("a", "b", 0.8)], lot_size=20,
    )  # fmt: skip
    units = people.sample(8192, 5)
    assert np.corrcoef(units["a"], units["b"])[0, 1] == pytest.approx(0.8, abs=0.02)
    lots = units["c"][: 20 * 409].reshape(409, 20)
    assert lots.mean(axis=1).var() == pytest.approx(0.7 + 0.3 / 20, rel=0.15)
    assert lots.var(axis=1, ddof=1).mean() == pytest.approx(0.3, rel=0.1)


@pytest.mark.parametrize("method", ["sobol", "random"])
def test_units_do_not_depend_on_how_they_are_cut(tern, method):
    people = declared_population(tern)
    whole = people.sample(64, 9, method)
    part = people.sample(16, 9, method, first=32)
    for name, values in part.items():
        np.testing.assert_array_equal(values, whole[name][32:48])


def test_declared_population_respects_hard_bounds(tern):
    people = declared_population(tern)
    assert len(people.distributions) > 30
    assert not any(key.startswith("modes.") or key.endswith("maximum_speed") for key in people.distributions)
    tern.replace(**people.sample(512, 1))  # every value is accepted


def test_tolerance_file_is_read(tern, tmp_path):
    (tmp_path / "pitch.csv").write_text("pitch [mm]\n1.08\n1.10\n1.12\n1.11\n")
    file = tmp_path / "tol.toml"
    file.write_text(
        'lot_size = 100\n["interface.bond_line"]\nthree_sigma = "8 um"\nlot_share = 0.5\n'
        '["fins.pitch"]\nshape = "empirical"\ncsv = "pitch.csv"\n["fan.wear"]\nshape = "triangular"\nlow = 0.9\nhigh = 1.0\ncenter = 0.97\n'
        '[[correlations]]\nbetween = ["fan.wear", "interface.bond_line"]\ncoefficient = 0.3\n'
    )
    people = read_population(file, tern, keep_declared=False)
    assert set(people.distributions) == {"interface.bond_line", "fins.pitch", "fan.wear"}
    assert people.distributions["interface.bond_line"].sigma == pytest.approx(8e-6 / 3)
    assert people.distributions["fins.pitch"].values[0] == pytest.approx(1.08e-3)
    assert people.lot_size == 100


def test_every_problem_of_a_file_is_told_at_once(tern, tmp_path):
    (tmp_path / "empty.csv").write_text("")
    file = tmp_path / "tol.toml"
    file.write_text(
        '["interface.bondline"]\nthree_sigma = "5 um"\n["fins.pitch"]\nthree_sigma = "5 W"\n["plate.thickness"]\nshape = "uniform"\n'
        'low = "2 mm"\nhigh = "1 mm"\n["fan.wear"]\nshape = "empirical"\ncsv = "empty.csv"\n["bottom.emissivity"]\nthree_sigma = 0.9\n'
        '["fan.maximum_speed"]\nthree_sigma = "100 rpm"\n[[correlations]]\nbetween = ["fan.wear"]\ncoefficient = 2\n'
    )
    with pytest.raises(DesignError) as caught:
        read_population(file, tern)
    text = str(caught.value)
    for words in ("interface.bond_line", "fins.pitch.three_sigma", "low below high", "empty.csv", "bottom.emissivity",
                  "same in every unit", "correlations.0"):  # fmt: skip
        assert words in text


def test_impossible_correlations_are_refused_before_any_work():
    normal = Distribution(shape="normal", sigma=1.0)
    pairs = [Correlation("a", "b", 0.9), Correlation("b", "c", 0.9), Correlation("a", "c", -0.9)]
    with pytest.raises(DesignError, match="not positive definite"):
        Population({"a": normal, "b": normal, "c": normal}, pairs).sample(8, 1)
