"""The tolerance study where the truth is known: an output that is exactly linear, and a machine near linear."""

from __future__ import annotations

import dataclasses
import itertools
import json
import sys
import tracemalloc

import numpy as np
import pytest
from scipy import stats

from thermnet.cli import main
from thermnet.design.load import load_design
from thermnet.errors import DesignError
from thermnet.firmware.mode import FanControl
from thermnet.studies import tolerance_tables
from thermnet.studies.study import Study
from thermnet.studies.tolerance import Requirement, tolerance
from thermnet.tolerance.capability import effective_count, yield_interval
from thermnet.tolerance.distribution import Distribution
from thermnet.tolerance.population import declared_population
from thermnet.tolerance.sampling import Correlation, GivenUnits, Population
from thermnet.tolerance.work import Work, solve_part

NOISE, LEVEL = "fan.reference_noise", "final_noise_dBA"


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def steady_fan(tern):
    """Machine whose fan turns at 3000 rpm whatever happens: its noise is the fan's reference noise and a constant."""
    mode = dataclasses.replace(tern.modes["desk"], noise_cap=None, fans={"fan": FanControl(tables=(), idle_speed=3000.0)})
    return dataclasses.replace(tern, modes={**tern.modes, "desk": mode})


def nominal_noise(design):
    found = tolerance(design, workload=10.0, steady=True, population=Population({NOISE: Distribution(shape="normal", center=40.0, sigma=1e-3)}),
                      samples=8, requirements=[Requirement(LEVEL, upper=90.0)])  # fmt: skip
    return float(found.table.set_index("output").loc[LEVEL, "nominal"]) - 40.0


def test_a_linear_output_has_its_exact_distribution(steady_fan):
    constant = nominal_noise(steady_fan)
    truth = stats.norm(40.0 + constant, 0.8)
    limit = float(truth.ppf(0.98))
    people = Population({NOISE: Distribution(shape="normal", center=40.0, sigma=0.8)})
    study = tolerance(steady_fan, workload=10.0, steady=True, population=people, samples=4096, requirements=[Requirement(LEVEL, upper=limit)])
    row = study.table.set_index("output").loc[LEVEL]
    assert row["mean"] == pytest.approx(truth.mean(), abs=0.002)
    assert row["sd"] == pytest.approx(0.8, rel=2e-3)
    assert row["rss_sd"] == pytest.approx(0.8, rel=1e-4)  # ends at the 0.135 % points: three sigma to 1e-5
    assert row["yield_percent"] == pytest.approx(98.0, abs=0.05)
    assert row["ppk"] == pytest.approx(float(stats.norm.ppf(0.98)) / 3.0, abs=0.005)
    assert row["fail_low_ppm"] < 20_000.0 < row["fail_high_ppm"]
    for end, share in (("p05", 0.05), ("p95", 0.95)):
        assert row[end] == pytest.approx(truth.ppf(share), abs=0.005)
    assert study.facts["limits that fail"].startswith(LEVEL)


@pytest.mark.slow
def test_yield_intervals_cover_the_truth(steady_fan):
    """A hundred studies of random units; the number of intervals that hold the truth is binomial with at least 95 %."""
    constant = nominal_noise(steady_fan)
    people = Population({NOISE: Distribution(shape="normal", center=40.0, sigma=0.8)})
    truth = 0.97
    limit = float(stats.norm(40.0 + constant, 0.8).ppf(truth))
    held = 0
    for seed in range(100):
        study = tolerance(steady_fan, workload=10.0, steady=True, population=people, samples=300, seed=1000 + seed, method="random",
                          requirements=[Requirement(LEVEL, upper=limit)])  # fmt: skip
        last = study.tables["yield"].iloc[-1]
        assert last["units"] == 300
        held += last["low_percent"] <= 100.0 * truth <= last["high_percent"]
    # The interval is conservative: expected 95 or more; fewer than 89 would happen once in a hundred such tests.
    assert held >= stats.binom.ppf(0.01, 100, 0.95)


def test_intervals_know_that_lots_fail_together():
    """Lots that share most of the variance: counting units covers the truth too rarely, counting lots does not."""
    people = Population({"x": Distribution(shape="normal", sigma=1.0, lot_share=0.8)}, lot_size=25)
    limit, truth, plain, honest = float(stats.norm.ppf(0.9)), 0.9, 0, 0
    for seed in range(200):
        good = people.sample(1000, seed, "random")["x"] <= limit
        low, high = yield_interval(int(good.sum()), good.size)
        plain += low <= truth <= high
        low, high = tolerance_tables.interval(good, people)
        honest += low <= truth <= high
    assert plain < 140
    assert honest >= stats.binom.ppf(0.01, 200, 0.95) - 8  # forty lots: the design effect is an estimate itself
    assert effective_count(np.ones(1000, dtype=bool), 25, 0.8) == pytest.approx(1000 / (1 + 24 * 0.8))


def test_allocation_meets_its_target(tern):
    declared = declared_population(tern).distributions
    names = ("gap_below.gap", "air.recirculation", "interface.bond_line", "fan.free_flow", "plate.thickness", "bottom.emissivity")
    people = Population({name: declared[name] for name in names})
    need = Requirement("peak.bottom.hot_zone_degC", upper=40.9)
    ask = {"workload": 34.0, "steady": True, "requirements": [need], "target_yield": 0.99}
    before = tolerance(tern, population=people, samples=2048, **ask)
    table = before.tables["how to control it"].set_index("parameter")["tolerance_times"]
    assert before.facts["output nearest its limit"] == need.output
    assert before.facts["yield over all limits"][0] < 99.0
    scaled = {
        name: dataclasses.replace(
            shape, sigma=shape.sigma * table[name], low=None if shape.low is None else shape.center - 8 * shape.sigma,
            high=None if shape.high is None else shape.center + 8 * shape.sigma,
        )
        for name, shape in people.distributions.items()
    }  # fmt: skip
    for name, shape in people.distributions.items():
        if shape.low is not None:  # hard bounds stay
            scaled[name] = dataclasses.replace(scaled[name], low=shape.low, high=shape.high)
    after = tolerance(tern, population=Population(scaled), samples=2048, **ask)
    assert after.facts["yield over all limits"][0] == pytest.approx(99.0, abs=0.6)
    # What moves nothing is loosened, what moves most is not loosened more than anything that moves less.
    assert table.max() == pytest.approx(tolerance_tables.LOOSEST)
    assert table.iloc[0] == pytest.approx(table.min())


def test_costs_shift_the_allocation():
    effects = np.array([[-3.0, 3.0], [-3.0, 3.0], [-1e-9, 1e-9]])
    values, need = np.full(10, 0.0), Requirement("x", upper=3.0)
    even, able = tolerance_tables.allocate(need, values, effects, ["a", "b", "c"], 0.999, {})
    dear, _ = tolerance_tables.allocate(need, values, effects, ["a", "b", "c"], 0.999, {"a": 8.0})
    assert able
    assert even[0] == pytest.approx(even[1])
    assert dear[0] == pytest.approx(2.0 * dear[1], rel=1e-6)  # cube root of eight
    assert np.sum((even * [1, 1, 0]) ** 2) == pytest.approx((3.0 / stats.norm.ppf(0.999)) ** 2, rel=1e-6)
    tight, able = tolerance_tables.allocate(Requirement("x", upper=-1.0), values, effects, ["a", "b", "c"], 0.999, {})
    assert not able
    assert "move the mean" in tolerance_tables.allocation(tight, able, effects, ["a", "b", "c"])["do"].iloc[0]


def test_searched_corner_is_the_worst_of_all(tern):
    declared = declared_population(tern).distributions
    names = ["gap_below.gap", "air.recirculation", "interface.bond_line", "fan.free_flow", "pipes.porosity"]
    people = Population({name: declared[name] for name in names})
    need = Requirement("margin.pipes dry-out_W", lower=30.0)
    study = tolerance(tern, workload=34.0, steady=True, population=people, samples=64, requirements=[need])
    assert study.facts["output nearest its limit"] == need.output
    found = float(study.facts["its worst corner by search"].split()[0])
    ends = [declared[name].ends() for name in names]
    columns = dict(zip(names, np.array(list(itertools.product(*ends))).T, strict=True))
    work = Work(tern, GivenUnits({}, columns=columns), 32, 1, "sobol", "desk", 34.0, {"duration": 1.0}, False, True)
    outputs, _ = solve_part(work, work.task(), slice(0, 32))
    assert found == pytest.approx(outputs[need.output].min(), rel=1e-3)


def test_measured_inputs_have_their_capability(tern, tmp_path):
    rng = np.random.default_rng(1)
    (tmp_path / "bond.csv").write_text("bond [um]\n" + "\n".join(f"{v:.4f}" for v in rng.normal(29.0, 1.5, 400)))
    (tmp_path / "tol.toml").write_text('["interface.bond_line"]\nshape = "empirical"\ncsv = "bond.csv"\n')
    study = tolerance(tern, workload=34.0, steady=True, population=tmp_path / "tol.toml", samples=64)
    row = study.tables["inputs"].iloc[0]
    half = (row["upper_limit"] - row["lower_limit"]) / 2.0
    assert row["cp"] == pytest.approx(half / (3 * row["sd"]))
    assert row["cpk_low"] < row["cpk"] < row["cpk_high"]
    assert row["mean"] == pytest.approx(29e-6, rel=0.02)
    assert 0.0 <= row["share_percent"] <= 100.0


BAD = {
    "correlations": 'lot_size = 9\n' + "".join(
        f'[[correlations]]\nbetween = ["{a}", "{b}"]\ncoefficient = {c}\n'
        for a, b, c in (("fan.wear", "fins.pitch", 0.9), ("fins.pitch", "plate.thickness", 0.9), ("fan.wear", "plate.thickness", -0.9))
    ),
    "low below high": '["plate.thickness"]\nshape = "uniform"\nlow = "2 mm"\nhigh = "1 mm"\n',
    "empty.csv": '["fins.pitch"]\nshape = "empirical"\ncsv = "empty.csv"\n',
    "bottom.emissivity": '["bottom.emissivity"]\nthree_sigma = 0.9\n',
}


@pytest.mark.parametrize("words", BAD)
def test_bad_populations_are_refused_before_any_work(tern, tmp_path, monkeypatch, capsys, words):
    def never(*_, **__):
        raise AssertionError("work was started")

    monkeypatch.setattr(sys.modules["thermnet.studies.tolerance"], "solve", never)
    (tmp_path / "empty.csv").write_text("")
    file = tmp_path / "tol.toml"
    file.write_text(BAD[words])
    with pytest.raises(DesignError, match=words.replace(".", r"\.")):
        tolerance(tern, population=file)
    assert main(["tolerance", "tern-14", "--tolerances", str(file)]) == 2
    assert words in capsys.readouterr().err
    with pytest.raises(ValueError, match="lower below upper"):
        tolerance(tern, requirements=[Requirement("peak.cpu.junction_degC", lower=90.0, upper=80.0)])
    people = declared_population(tern)
    names = list(people.distributions)[:3]
    pairs = [Correlation(names[0], names[1], 0.9), Correlation(names[1], names[2], 0.9), Correlation(names[0], names[2], -0.9)]
    with pytest.raises(DesignError, match="not positive definite"):
        tolerance(tern, population=Population(people.distributions, pairs))


def test_memory_does_not_grow_with_the_units(tern):
    people = declared_population(tern)

    def peak(samples):
        work = Work(tern, people, samples, samples, "sobol", "desk", 28.0, {"duration": 1.0}, False, True)
        tracemalloc.start()
        task = work.task()
        last = samples - 1024
        solve_part(work, task, slice(last, samples))
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    peak(4096)  # imports and caches; every call draws units of its own
    assert peak(1_000_000) < 1.2 * peak(2048)


@pytest.mark.slow
def test_tolerances_from_the_shell(tmp_path, capsys):
    line = ["tolerance", "tern-14", "--steady", "--load", "34", "--samples", "64", "--indices", "8", "--target-yield", "99 %"]
    assert main([*line, "--json", "-"]) == 0
    study = Study.from_json(capsys.readouterr().out)
    assert {"what moves it", "how to control it", "indices", "yield", "histogram"} <= set(study.tables)
    assert main(line) == 0
    said = capsys.readouterr().out
    for words in ("control these three", "expected failures per million", "its worst corner by search", "tolerance times"):
        assert words in said
    for figure in ("histogram", "tornado", "indices", "running_yield"):
        study.plot(figure)
    run = ["tolerance", "tern-14", "--load", "20", "--duration", "5", "--samples", "8", "--trace", "cpu.hot_spot,power.cpu"]
    assert main([*run, "--store", str(tmp_path / "s"), "--quiet", "--json", str(tmp_path / "a.json")]) == 0
    from thermnet.tolerance.store import read_store

    kept = read_store(tmp_path / "s")
    assert set(kept.traces) == {"cpu.hot_spot", "power.cpu"}
    assert kept.dataset.sizes["sample"] == 8
    assert json.loads((tmp_path / "a.json").read_text())["name"] == "tolerance"
