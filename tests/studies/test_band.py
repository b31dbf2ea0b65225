"""Bands: they enclose the nominal, widen with the tolerances, and each unit is what a single machine would be."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from thermnet import studies
from thermnet.design.load import load_design
from thermnet.studies import band as bands
from thermnet.tolerance.population import declared_population
from thermnet.tolerance.sampling import Population

ASKED = bands.Question("desk", 25.0, "idle", {"cpu": 1.0})


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def people(tern):
    some = ("interface.bond_line", "fan.free_flow", "pipes.porosity", "fins.pitch", "cpu.hot_spot_share")
    return Population({k: v for k, v in declared_population(tern).distributions.items() if k in some})


def test_units_of_the_band_are_single_machines(tern, people):
    found = bands.power_band(tern, ASKED, [5.0, 30.0], [100.0, 55.0], population=people, units=8)
    for i in range(3):
        own = tern.replace(**{key: float(values[i]) for key, values in found.parameters.items()})
        table = studies.burst_budget(own, "desk", durations=(5.0, 30.0)).table
        np.testing.assert_allclose(found.answers[:, i], table["power_W"], atol=0.05)


def test_band_widens_with_the_tolerances(tern, people):
    wide = Population({k: dataclasses.replace(v, sigma=2.0 * v.sigma) for k, v in people.distributions.items() if k != "fan.free_flow"})
    narrow = Population({k: v for k, v in people.distributions.items() if k != "fan.free_flow"})
    widths = []
    for population in (narrow, wide):
        low, high = bands.power_band(tern, ASKED, [10.0], [80.0], population=population, units=32).ends
        widths.append(float(high[0] - low[0]))
    assert widths[1] > 1.5 * widths[0]


def test_studies_show_their_band_and_its_source(tern):
    study = studies.burst_budget(tern, "desk", durations=(2.0, 20.0), uncertainty=True)
    table = study.table
    assert (table["power_p05_W"] < table["power_W"]).all()
    assert (table["power_p95_W"] > table["power_W"]).all()
    assert "band mostly comes from" in study.facts
    same = bands.differ(study, study)
    assert not same["differs"].any()
    cooler = tern.replace(**{"cpu.junction_limit": "80 degC"})
    worse = studies.burst_budget(cooler, "desk", durations=(2.0, 20.0), uncertainty=True)
    assert bands.differ(worse, study)["higher"].tolist() == ["second", "second"]
    with pytest.raises(ValueError, match="uncertainty=True"):
        bands.differ(study, studies.burst_budget(tern, "desk", durations=(2.0, 20.0)))


def test_time_to_limit_has_a_band_too(tern):
    table = studies.time_to_limit(tern, "desk", powers=(64.0, 10.0), duration=120.0, uncertainty=True).table
    first, never = table.iloc[0], table.iloc[1]
    assert first["time_p05_s"] < first["time_s"] < first["time_p95_s"]
    assert np.isnan(never["time_p05_s"])
