"""Studies: one module per question, each answering with a :class:`~thermnet.studies.study.Study`.

A study's function has the name of its module, so the functions are taken up here at once (a module loaded
later would hide them).
"""

from __future__ import annotations

from thermnet.studies.burst_budget import burst_budget
from thermnet.studies.study import Study
from thermnet.studies.time_to_limit import time_to_limit

__all__ = ["Study", "burst_budget", "time_to_limit"]
