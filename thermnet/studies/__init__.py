"""Studies: one module per question, each answering with a :class:`~thermnet.studies.study.Study`.

A study's function has the name of its module, so the functions are taken up here at once (a module loaded
later would hide them).
"""

from __future__ import annotations

from thermnet.studies.ageing import AgeingRates, ageing
from thermnet.studies.burst_budget import burst_budget
from thermnet.studies.compare import compare
from thermnet.studies.joint import joint
from thermnet.studies.kelvin_ledger import kelvin_ledger
from thermnet.studies.mode_settings import read_modes_table, with_modes, write_modes_table
from thermnet.studies.modes_table import modes_table
from thermnet.studies.next_watt import next_watt
from thermnet.studies.noise_frontier import noise_frontier
from thermnet.studies.study import Study
from thermnet.studies.sustained_power import sustained_power
from thermnet.studies.time_to_limit import time_to_limit
from thermnet.studies.tolerance import Requirement, tolerance
from thermnet.studies.who_is_starved import who_is_starved

__all__ = [
    "AgeingRates",
    "Requirement",
    "Study",
    "ageing",
    "burst_budget",
    "compare",
    "joint",
    "kelvin_ledger",
    "modes_table",
    "next_watt",
    "noise_frontier",
    "read_modes_table",
    "sustained_power",
    "time_to_limit",
    "tolerance",
    "who_is_starved",
    "with_modes",
    "write_modes_table",
]
