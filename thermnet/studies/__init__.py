"""Studies: one module per question, each answering with a :class:`~thermnet.studies.study.Study`.

A study's function has the name of its module, so the functions are taken up here at once (a module loaded
later would hide them).
"""

from __future__ import annotations

from thermnet.studies.ageing import AgeingRates, ageing
from thermnet.studies.burst_budget import burst_budget
from thermnet.studies.chip_frontier import chip_frontier
from thermnet.studies.compare import compare
from thermnet.studies.factory_capability import factory_capability
from thermnet.studies.hand_over import linear_model, load_linear_model, netlist, node_powers, reduced_model
from thermnet.studies.interface_choice import interface_choice
from thermnet.studies.joint import joint
from thermnet.studies.kelvin_ledger import kelvin_ledger
from thermnet.studies.mode_settings import read_modes_table, with_modes, write_modes_table
from thermnet.studies.modes_table import modes_table
from thermnet.studies.next_watt import next_watt
from thermnet.studies.noise_frontier import noise_frontier
from thermnet.studies.recovery import recovery
from thermnet.studies.skin_estimator import skin_estimator
from thermnet.studies.study import Study
from thermnet.studies.sustained_power import sustained_power
from thermnet.studies.thermally_limited import thermally_limited
from thermnet.studies.time_to_limit import time_to_limit
from thermnet.studies.tolerance import Requirement, tolerance
from thermnet.studies.undervolt_or_repaste import undervolt_or_repaste
from thermnet.studies.what_changed import what_changed
from thermnet.studies.who_is_starved import who_is_starved

__all__ = [
    "AgeingRates",
    "Requirement",
    "Study",
    "ageing",
    "burst_budget",
    "chip_frontier",
    "compare",
    "factory_capability",
    "interface_choice",
    "joint",
    "kelvin_ledger",
    "linear_model",
    "load_linear_model",
    "modes_table",
    "netlist",
    "next_watt",
    "node_powers",
    "noise_frontier",
    "read_modes_table",
    "recovery",
    "reduced_model",
    "skin_estimator",
    "sustained_power",
    "thermally_limited",
    "time_to_limit",
    "tolerance",
    "undervolt_or_repaste",
    "what_changed",
    "who_is_starved",
    "with_modes",
    "write_modes_table",
]
