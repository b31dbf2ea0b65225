"""Many units at rest: each is the machine with its numbers, however they are grouped."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.design.ensembles import ensemble_task
from thermnet.design.load import load_design
from thermnet.design.samples import taken
from thermnet.solve.steady_units import SteadyUnits
from thermnet.studies.steady_level import Margins
from thermnet.studies.steady_machine import SteadyMachine
from thermnet.tolerance.population import declared_population

UNITS = 24


def units_of(name, mode, count=UNITS):
    design = load_design(name)
    many = design.replace(**declared_population(design).sample(count, 3))
    task = ensemble_task(many, 20.0, mode, duration=1.0)
    split = np.full(len(task.template.machine.chips), np.nan)
    split[0] = 1.0
    return many, SteadyUnits(task, slice(0, count), split)


@pytest.mark.parametrize(("name", "mode"), [("tern-14", "desk"), ("tern-14", "lap"), ("heron-16", "workshop"), ("wren-13", "library")])
def test_units_are_single_machines(name, mode):
    many, units = units_of(name, mode)
    best, margined = units.sustained(), units.sustained((3.0, 0.1))
    settled = units.settled(units.demand(np.full(UNITS, 25.0)))
    for i in range(0, UNITS, 5):
        one = SteadyMachine(taken(many, i), mode)
        alone, kept, at = one.sustained(), one.sustained(Margins(3.0, 0.1)), one.at(25.0)
        assert best.power[i] == pytest.approx(alone.power, abs=1e-6)
        assert best.binds[i] == alone.binds
        np.testing.assert_allclose(best.temperature[i], alone.temperature, atol=1e-6)
        assert margined.power[i] == pytest.approx(kept.power, abs=1e-6)
        np.testing.assert_allclose(settled.temperature[i], at.temperature, atol=1e-6)
        np.testing.assert_allclose(settled.excess[i], at.excess, atol=1e-6)


def test_fixed_speeds_that_differ_from_unit_to_unit():
    many, units = units_of("tern-14", "desk")
    speeds = np.linspace(2000.0, 5200.0, UNITS)
    rows = np.arange(UNITS)
    power, binds, *_ = units.highest_at(units.level({"fan": speeds}), rows, np.full(UNITS, 20.0))
    for i in (0, 11, 23):
        alone = SteadyMachine(taken(many, i), "desk").highest({"fan": float(speeds[i])})
        assert power[i] == pytest.approx(alone.power, abs=1e-6)
        assert binds[i] == alone.binds


def test_a_limit_that_no_power_keeps_gives_none():
    design = load_design("tern-14").replace(**{"cpu.junction_limit": np.array([95.0, 33.0])})
    task = ensemble_task(design, 20.0, "desk", 34.0, duration=1.0)
    best = SteadyUnits(task, slice(0, 2), np.array([1.0])).sustained()
    assert best.power[0] > 10.0
    assert best.power[1] == pytest.approx(0.0, abs=1e-9)
