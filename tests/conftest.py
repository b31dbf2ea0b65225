"""Shared by all tests: sibling modules can be imported, and nothing reaches for a display."""

from __future__ import annotations

import os
import sys
from pathlib import Path

os.environ.setdefault("MPLBACKEND", "Agg")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent / "solve"))
sys.path.insert(0, str(Path(__file__).parent / "browser"))

if os.environ.get("CI"):
    # The same examples on every run of CI; at a desk hypothesis goes on looking for new ones.
    from hypothesis import settings

    settings.register_profile("ci", derandomize=True)
    settings.load_profile("ci")
