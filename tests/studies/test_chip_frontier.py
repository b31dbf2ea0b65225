"""Two chips under one stack: the frontier against a search of its own, and its shape."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.show.figures import draw, figures_of
from thermnet.studies import Study, chip_frontier
from thermnet.studies.held_power import HeldPower

SHARES = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)


@pytest.fixture(scope="module")
def heron():
    return load_design("heron-16")


@pytest.fixture(scope="module")
def study(heron):
    return chip_frontier(heron, shares=SHARES, durations=(60.0,))


def test_points_lie_on_the_limit(study, heron):
    held = HeldPower.of(heron, "desk", None)
    for row in study.table[study.table["held"] == "for ever"].iloc[::3].itertuples():
        excess = []
        for factor in (0.999, 1.001):
            soak = held.soak_at({"cpu": factor * row.cpu_W, "gpu": factor * row.gpu_W})
            excess.append(held._excess(soak.everything, held.plant.level(soak.indices.tolist())))
        assert np.max(excess[0]) < 0 < np.max(excess[1])
        assert held.limits[int(np.argmax(excess[1]))].name == row.binds


def test_frontier_falls_and_its_best_point_beats_a_dense_search(study, heron):
    ever = study.table[study.table["held"] == "for ever"]
    assert np.all(np.diff(ever["cpu_W"]) > 0)
    assert np.all(np.diff(ever["gpu_W"]) < 0)
    dense = chip_frontier(heron, shares=np.linspace(0.2, 0.36, 9)).table
    assert study.facts["most in all, for ever"][0] >= dense["total_W"].max() - 0.5


def test_rate_of_exchange_is_the_slope_and_changes_at_the_corner(study):
    ever = study.table[study.table["held"] == "for ever"]
    left, right = ever[ever["binds"] == "gpu.junction"], ever[ever["binds"] == "cpu.junction"]
    assert len(left) >= 2
    assert len(right) >= 2
    assert left["exchange"].iloc[0] < 1 < right["exchange"].iloc[-1]
    first, second = left.iloc[0], left.iloc[1]
    slope = -(second["gpu_W"] - first["gpu_W"]) / (second["cpu_W"] - first["cpu_W"])
    assert first["exchange"] == pytest.approx(slope)


def test_a_minute_holds_more_than_for_ever(study):
    ever = study.table[study.table["held"] == "for ever"].set_index("share")["total_W"]
    minute = study.table[study.table["held"] == "60 s"].set_index("share")["total_W"]
    assert all(minute[s] > ever[s] for s in SHARES)


def test_a_warmer_room_shrinks_it_all_over(study, heron):
    warm = chip_frontier(heron, ambient=30.0, shares=SHARES).table.set_index("share")["total_W"]
    cool = study.table[study.table["held"] == "for ever"].set_index("share")["total_W"]
    assert all(warm[s] < cool[s] - 2 for s in SHARES)


def test_errors_json_and_figure(study, heron):
    with pytest.raises(ValueError, match=r"tern-14 has one chip \(cpu\)"):
        chip_frontier(load_design("tern-14"))
    with pytest.raises(ValueError, match=r"'npu'; expected two of cpu, gpu"):
        chip_frontier(heron, chips=("cpu", "npu"))
    with pytest.raises(ValueError, match="from 0 to 1"):
        chip_frontier(heron, shares=(0.5, 1.5))
    with pytest.raises(ValueError, match="durations"):
        chip_frontier(heron, durations=(0.0,))
    assert Study.from_json(study.to_json()).table.equals(study.table)
    for figure in figures_of(study):
        assert draw(study, figure.name).axes
        assert "for ever" in figure.describe(study)
