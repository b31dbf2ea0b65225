"""Reference cases: checks against published, standard, library and exact values.

``load_cases``, ``run_case`` and ``verify`` are the ways in; a case is one file in ``reference_cases/``.
"""

from __future__ import annotations

from thermnet.verify.case import Case, load_cases, read_case
from thermnet.verify.runner import CaseResult, run_case, verify

__all__ = ["Case", "CaseResult", "load_cases", "read_case", "run_case", "verify"]
