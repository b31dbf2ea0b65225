"""Fan tables can leave a machine hotter at less power: the burst budget finds out and says so."""

from __future__ import annotations

import pytest

from thermnet import studies
from thermnet.design.load import load_design
from thermnet.studies.burst_budget import hotter_below
from thermnet.studies.held_power import HeldPower, highest_power


def test_library_at_35_degrees_passes_a_limit_below_its_sustained_power():
    tern = load_design("tern-14")
    study = studies.burst_budget(tern, "library", 35.0, durations=(10.0, 600.0))
    said = study.facts["less power can run hotter"]
    limit, power = said.split(" passed by ")[0], float(said.rpartition(" at ")[2].removesuffix(" W"))
    assert power < study.facts["sustained power"][0]
    # The machine itself, simulated for long at that power, is hotter than its limit; at the sustained power it is not.
    run = tern.replace(**{"modes.library.chips.cpu.sustained_limit": power, "modes.library.chips.cpu.burst_limit": power}).simulate(
        60.0, "library", 35.0, duration=7200.0
    )
    value = next(q.value for q in run.limits if q.name == limit)
    assert run.temperature(limit)[-1] > value + 0.1
    assert any(limit in text and "not all safe" in text for text in study.assumptions)


@pytest.mark.parametrize("mode", ["desk", "workshop"])
def test_nothing_is_said_where_every_lower_power_is_safe(mode):
    held = HeldPower.of(load_design("tern-14"), mode, None)
    sustained, _ = highest_power(held.steady_excess, 30.0)
    assert hotter_below(held, sustained) is None
    assert max(held.steady_excess(0.01 * k * sustained).max() for k in range(1, 100)) < 0.05


def test_a_machine_without_fans_has_no_tables_to_be_slow():
    held = HeldPower.of(load_design("wren-13"), "desk", None)
    assert hotter_below(held, 8.0) is None
