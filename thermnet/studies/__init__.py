"""Studies: one module per question, each answering with a :class:`~thermnet.studies.study.Study`.

A study's function has the name of its module, so the functions are taken up here at once (a module loaded
later would hide them).
"""

from __future__ import annotations

from thermnet.studies.burst_budget import burst_budget
from thermnet.studies.compare import compare
from thermnet.studies.joint import joint
from thermnet.studies.study import Study
from thermnet.studies.time_to_limit import time_to_limit
from thermnet.studies.tolerance import Requirement, tolerance
from thermnet.studies.who_is_starved import who_is_starved

__all__ = [
    "Requirement",
    "Study",
    "burst_budget",
    "compare",
    "joint",
    "time_to_limit",
    "tolerance",
    "who_is_starved",
]
