"""Ensembles: every sample as its own single run, whatever the grouping or the number of threads."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

import thermnet.solve.ensemble as ensemble_module
from thermnet.design.assemble import build_machine
from thermnet.design.ensembles import ensemble_task
from thermnet.design.load import load_design
from thermnet.errors import NetworkError
from thermnet.solve import batch
from thermnet.tolerance.population import declared_population

VARIED = {
    "interface.bond_line": (20e-6, 45e-6), "fins.blocked": (0.0, 0.3), "cpu.leakage": (2.0, 6.0),
    "cpu.hot_spot_share": (0.4, 0.6), "board.regulator_loss": (0.08, 0.12), "fan.reference_noise": (37.0, 39.0),
    "pipes.particle_diameter": (90e-6, 120e-6), "cpu.junction_limit": (90.0, 97.0), "cpu.voltage_offset": (-0.03, 0.0),
}  # fmt: skip


@pytest.fixture(scope="module")
def many():
    rng = np.random.default_rng(3)
    base = load_design("tern-14")
    return base.replace(**{key: rng.uniform(*ends, 20) for key, ends in VARIED.items()})


@pytest.mark.parametrize(("mode", "start"), [("desk", "idle"), ("library", 12.0), ("workshop", "cold")])
def test_every_sample_equals_its_single_run(many, mode, start):
    found = many.ensemble(
        "compile", mode, duration=240.0, start=start, traces=("cpu.hot_spot", "power.cpu"), trace_period=5.0
    )
    assert found.done.all()
    assert found.output("energy_residual").max() < 1e-6
    for i in (0, 7, 19):
        one = many.sample(i).simulate("compile", mode, duration=240.0, start=start)
        np.testing.assert_allclose(
            found.traces["cpu.hot_spot"][i], one.temperature("cpu.hot_spot")[:-1:50], atol=1e-5
        )
        np.testing.assert_allclose(
            found.traces["power.cpu"][i], one.channel("power", "cpu")[:-1:50], atol=1e-5
        )
        assert found.output("work.cpu_s")[i] == pytest.approx(one.channel("work", "cpu")[-1], abs=1e-6)
        assert found.output("mean_power.cpu_W")[i] == pytest.approx(
            one.channel("power", "cpu")[:-1].mean(), abs=1e-5
        )
        shares = one.residency()["cpu"]
        for flag in ("demand", "sustained limit"):
            assert found.output(f"bound.cpu.{flag}")[i] == pytest.approx(shares.get(flag, 0.0), abs=1e-3)


def test_results_do_not_depend_on_threads_or_grouping(many, monkeypatch):
    one = many.ensemble("pages", "desk", duration=60.0, workers=1)
    two = many.ensemble("pages", "desk", duration=60.0, workers=2)
    monkeypatch.setattr(ensemble_module, "chunk_size", lambda task: 7)
    other = many.ensemble("pages", "desk", duration=60.0, workers=2)
    for name in one.outputs:
        np.testing.assert_array_equal(one.outputs[name], two.outputs[name], err_msg=name)
        # Sums over series and stacks may round differently in groups of another size.
        np.testing.assert_allclose(one.outputs[name], other.outputs[name], atol=1e-9, err_msg=name)


def test_mode_and_sensor_parameters_may_vary():
    base = load_design("tern-14")
    limits = np.array([15.0, 20.0, 25.0])
    many = base.replace(**{
        "modes.desk.chips.cpu.sustained_limit": limits, "sensors.skin_proxy.offset": np.array([-2.0, 0.0, 2.0]),
    })  # fmt: skip
    found = many.ensemble("render", "desk", duration=400.0)
    np.testing.assert_allclose(found.output("final_power.cpu_W"), limits, atol=1e-9)
    one = many.sample(2).simulate("render", "desk", duration=400.0)
    assert found.output("final.bottom.hot_zone_degC")[2] == pytest.approx(
        one.temperature("bottom.hot_zone")[-1], abs=1e-6
    )


def test_memory_does_not_grow_with_time(many):
    task = ensemble_task(many, "compile", "desk", duration=36000.0)
    assert ensemble_module.trace_times(task).size == 0
    with_traces = dataclasses.replace(task, traces=("cpu.hot_spot",), trace_period=60.0)
    assert ensemble_module.trace_times(with_traces).size == 600


def test_interruption_keeps_what_is_done(many, monkeypatch):
    monkeypatch.setattr(ensemble_module, "chunk_size", lambda task: 5)
    real, calls = ensemble_module.solve_chunk, []

    def breaking(task, chunk):
        calls.append(chunk)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return real(task, chunk)

    monkeypatch.setattr(ensemble_module, "solve_chunk", breaking)
    found = many.ensemble("idle", "desk", duration=10.0, workers=1)
    assert found.done.sum() == 10
    assert found.solver["interrupted"]
    assert np.isnan(found.output("work.cpu_s")[~found.done]).all()
    assert "not solved" in repr(found)


def test_results_export(many):
    found = many.ensemble("idle", "desk", duration=20.0, traces=("fan_speed.fan",))
    data = found.dataset
    assert data["trace.fan_speed.fan"].dims == ("sample", "time")
    assert data["peak.cpu.junction_degC"].attrs["units"] == "degC"
    frame = found.to_dataframe()
    assert len(frame) == 20
    assert "interface.bond_line" in frame
    low, high = found.quantiles().loc["peak.cpu.junction_degC", [0.05, 0.95]]
    assert low < high


def test_what_cannot_be_an_ensemble_is_refused(many):
    with pytest.raises(NetworkError, match="no parameter"):
        load_design("tern-14").ensemble("idle")
    with pytest.raises(ValueError, match="start"):
        many.ensemble("idle", duration=5.0, start="warm")
    with pytest.raises(KeyError, match="hot_spot"):
        many.ensemble("idle", duration=5.0, traces=("cpu.hotspot",))


@pytest.mark.parametrize("name", ["tern-14", "heron-16", "wren-13"])
def test_levels_and_samples_are_assembled_in_one_go(name):
    """Every part of the demonstration machines takes fan speeds on one axis and samples on the other."""
    design = load_design(name)
    many = design.replace(**declared_population(design).sample(6, 1))
    machine = build_machine(many, 25.0)
    shares = np.array([0.0, 0.3, 0.7, 1.0])
    together = machine.assemble({fan.name: shares[:, None] * fan.maximum for fan in machine.fans})
    together = batch.spread(together, (shares.size, 6))
    for k, share in enumerate(shares):
        alone = batch.spread(machine.assemble({fan.name: share * fan.maximum for fan in machine.fans}), (6,))
        for numbers in ("capacity", "link_conductance", "law_parameters", "stream_rate"):
            np.testing.assert_array_equal(getattr(together, numbers)[..., k, :], getattr(alone, numbers))


@pytest.mark.parametrize(("name", "places"), [("tern-14", [[3], [10], [11], [40]]), ("heron-16", [[3, 3], [10, 10], [10, 12], [11, 11]])])
def test_propagators_built_together_are_those_built_one_by_one(name, places):
    together, alone = (load_design(name).plant(25.0, 0.1) for _ in range(2))
    levels = [together.level(place) for place in places]
    together.expect(levels)
    for level in levels:
        alone.provide(level)
    assert together.met == alone.met == sorted(levels)
    for arrays in ("propagate", "correct", "hold"):
        np.testing.assert_array_equal(getattr(together, arrays)[: len(levels)], getattr(alone, arrays)[: len(levels)])
