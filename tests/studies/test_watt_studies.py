"""Sustained power, noise, kelvins, sensitivities, modes and ageing on tern-14, each against another way to the number."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet import studies
from thermnet.design.load import load_design
from thermnet.studies.held_power import HeldPower, highest_power
from thermnet.studies.study import Study


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.mark.parametrize("mode", ["library", "desk", "workshop"])
def test_sustained_power_agrees_with_held_power(tern, mode):
    study = studies.sustained_power(tern, mode)
    held = HeldPower.of(tern, mode, None)
    power, q = highest_power(held.steady_excess, 30.0)
    row = study.table.iloc[0]
    assert float(row["power_W"]) == pytest.approx(power, abs=0.02)
    assert str(row["binds"]) == held.limits[q].name
    assert Study.from_json(study.to_json()).table.shape == study.table.shape


def test_noise_frontier_rises_with_noise(tern):
    study = studies.noise_frontier(tern, "desk", points=8)
    column = next(c for c in study.table.columns if c.startswith("power") or c.startswith("sustained"))
    rows = study.table.sort_values("noise_dBA")
    power = rows[column].to_numpy(dtype=float)
    assert np.all(np.diff(power[np.isfinite(power)]) > -0.02)


def test_dust_and_age_cost_power(tern):
    study = studies.ageing(tern, "desk", months=(0.0, 24.0))
    column = next(c for c in study.table.columns if c.startswith("power") or c.startswith("sustained"))
    values = study.table[column].to_numpy(dtype=float)
    assert values[-1] < values[0] - 1.0
