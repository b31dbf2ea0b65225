"""Impossible requests are refused in words that name value and expectation: a room hotter than a limit, noise below idle."""

from __future__ import annotations

import pytest

from thermnet import studies
from thermnet.cli import main
from thermnet.design.load import load_design
from thermnet.errors import ThermnetError

HOT = 45.0
"""degC; above the skin limits of tern-14."""

ASKED = {
    "sustained_power": lambda d: studies.sustained_power(d, "desk", HOT),
    "noise_frontier": lambda d: studies.noise_frontier(d, "desk", HOT),
    "modes_table": lambda d: studies.modes_table(d, "desk", HOT),
    "kelvin_ledger": lambda d: studies.kelvin_ledger(d, "desk", HOT),
    "next_watt": lambda d: studies.next_watt(d, "desk", HOT),
    "ageing": lambda d: studies.ageing(d, "desk", HOT),
    "recovery": lambda d: studies.recovery(d, "desk", HOT),
    "compare": lambda d: studies.compare([d, load_design("wren-13")], "desk", HOT),
    "what_changed": lambda d: studies.what_changed(d, d.replace(**{"fins.height": 0.006}), "desk", HOT),
    "chip_frontier": lambda d: studies.chip_frontier(load_design("heron-16"), "desk", 50.0),
}


@pytest.mark.parametrize("name", ASKED)
def test_room_above_a_limit_is_refused(name):
    with pytest.raises((ValueError, ThermnetError)) as refused:
        ASKED[name](load_design("tern-14"))
    said = str(refused.value)
    assert "degC" in said or "limit" in said, said


QUIET = {
    "sustained_power": lambda d: studies.sustained_power(d, "workshop"),
    "noise_frontier": lambda d: studies.noise_frontier(d, "workshop"),
    "modes_table": lambda d: studies.modes_table(d, "workshop"),
    "kelvin_ledger": lambda d: studies.kelvin_ledger(d, "workshop"),
    "next_watt": lambda d: studies.next_watt(d, "workshop"),
    "ageing": lambda d: studies.ageing(d, "workshop"),
}


@pytest.mark.parametrize("name", QUIET)
def test_noise_cap_below_the_idling_fans_is_refused(name):
    design = load_design("tern-14").replace(**{"modes.workshop.noise_cap": 10.0})
    with pytest.raises(ValueError, match="noise cap 10 dBA; expected at least"):
        QUIET[name](design)


def test_noise_below_the_slowest_fans_is_refused():
    with pytest.raises(ValueError, match="dBA"):
        studies.noise_frontier(load_design("tern-14"), "desk", noises=(5.0,))
    with pytest.raises(ValueError, match="has no fans"):
        studies.noise_frontier(load_design("wren-13"), "desk")


@pytest.mark.parametrize("command", ["sustained", "noise", "ledger", "next-watt", "ageing"])
def test_the_command_says_so_and_ends_with_bad_input(command, capsys):
    assert main([command, "tern-14", "--ambient", str(HOT)]) == 2
    said = capsys.readouterr().err
    assert "expected it below every temperature limit" in said
    assert "bottom.hot_zone 43 degC" in said
