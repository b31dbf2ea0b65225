"""What every thermal architect knows comes out of tern-14 by computation: trends, with the watts and seconds told.

The directions are common practice (no source); the 14-inch hand model of the trade survey gave like numbers.
"""

from __future__ import annotations

import numpy as np
import pytest

from thermnet import studies
from thermnet.design.load import load_design
from thermnet.studies.held_power import HeldPower, highest_power

FANS = 4000.0
"""rpm of steady comparisons."""


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def frontier(tern):
    return studies.noise_frontier(tern, ["library", "workshop"], points=6, duration=1800.0)


def held(design, seconds, start="idle"):
    """Watts that last so long."""
    engine = HeldPower.of(design, "desk", None, start)
    last = round(seconds / engine.plant.period)
    return highest_power(lambda p: engine.excess(p, [last])[0], 50.0)[0]


def for_ever(design, speed=FANS):
    """Watts for ever with the fans at one speed."""
    engine = HeldPower.of(design, "desk", None)
    fans = [round(speed / engine.plant.machine.fans[0].grid)]
    return highest_power(lambda p: engine.steady_excess(p, fans), 40.0)[0]


def lasts(design, power, start="idle"):
    """Seconds that a power lasts."""
    study = studies.time_to_limit(design, "desk", powers=(power,), starts=(start,), duration=1800.0)
    time = float(study.table["time_s"].iloc[0])
    return time if np.isfinite(time) else np.inf


def test_most_power_is_louder_warmer_at_the_skin_and_does_clearly_more_work(frontier):
    modes = frontier.tables["modes"].set_index("mode")
    quiet, most = modes.loc["library"], modes.loc["workshop"]
    assert most["mean_noise_dBA"] > quiet["mean_noise_dBA"] + 10.0
    assert most["hottest_skin_degC"] > quiet["hottest_skin_degC"] + 1.0
    assert most["work_per_hour_s"] > 1.3 * quiet["work_per_hour_s"]


def test_a_third_less_noise_costs_a_stated_number_of_watts(frontier):
    """30 % less loud is common practice, no source; on tern-14 it costs between one and six watts, 4 to 15 per cent."""
    rows = frontier.tables["quieter"]
    cost = rows[rows["change"] == "30 % less loud"].set_index("mode")
    for mode in ("library", "workshop"):
        assert 1.0 < cost.loc[mode, "cost_W"] < 6.0
        assert 4.0 < cost.loc[mode, "cost_percent"] < 15.0


def test_noise_frontier_is_monotone_and_each_decibel_is_worth_less(frontier):
    rows = frontier.table.sort_values("noise_dBA")
    assert np.all(np.diff(rows["power_W"]) > 0.0)
    assert np.all(np.diff(rows["work_per_hour_s"]) > 0.0)
    per_decibel = np.diff(rows["power_W"]) / np.diff(rows["noise_dBA"])
    assert per_decibel[-1] < 0.9 * per_decibel[0]


def test_fans_rule_steady_state_and_copper_rules_bursts(tern):
    thick = tern.replace(**{"plate.thickness": 3.0e-3})
    copper_burst = held(thick, 20.0) / held(tern, 20.0) - 1.0
    copper_steady = for_ever(thick) / for_ever(tern) - 1.0
    fans_steady = for_ever(tern, 5200.0) / for_ever(tern, 3000.0) - 1.0
    assert copper_burst > 0.05
    assert fans_steady > 0.12
    assert copper_burst > 2.0 * abs(copper_steady)
    assert fans_steady > 3.0 * abs(copper_steady)


def test_interface_rules_the_first_second(tern):
    """What half the bond line is worth fades with the duration: most in the first second, little for ever."""
    thin = tern.replace(**{"interface.bond_line": 16e-6})
    gain = {seconds: held(thin, seconds) / held(tern, seconds) - 1.0 for seconds in (0.2, 1.0, 10.0, 60.0)}
    assert gain[0.2] > gain[1.0] > gain[10.0] > gain[60.0] > 0.0
    assert gain[1.0] > 0.05
    assert gain[1.0] > 3.0 * (for_ever(thin) / for_ever(tern) - 1.0)


def test_burst_time_explodes_near_the_sustainable_edge(tern):
    """Ten watts less give seconds far above the edge, and minutes near it."""
    edge = held(tern, 1800.0)
    far = lasts(tern, edge + 30.0), lasts(tern, edge + 20.0)
    near = lasts(tern, edge + 10.0), lasts(tern, edge + 1.0)
    assert 1.0 < far[0] < far[1] < near[0] < near[1]
    assert far[1] - far[0] < 30.0
    assert near[1] - near[0] > 60.0
    assert near[1] > 4.0 * near[0]
    assert lasts(tern, edge - 1.0) == np.inf


def test_start_state_matters_as_much_as_parts(tern):
    """From half the sustained power a burst loses as much as twice the copper gains it."""
    own, worked = lasts(tern, 64.0), lasts(tern, 64.0, 20.0)
    copper = lasts(tern.replace(**{"plate.thickness": 3.0e-3}), 64.0)
    assert worked < own < copper
    assert own - worked > 0.5 * (copper - own)
    assert own > 1.3 * worked
