"""What a fresh process costs: the import, and the first hour without and with compiled code on disk."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from table import Bar, Section

COLUMNS = ("process", "start to end s", "runs")
IMPORT = "import thermnet"
NUMPY = "import numpy"
HOUR = """
import numpy as np, thermnet as tn
rng = np.random.default_rng(1)
load = (np.arange(36_000) * 0.1, rng.choice([2.0, 12.0, 45.0, 64.0], 36_000))
run = tn.load_design("tern-14").simulate(load, "desk", duration=3600.0)
assert run.time.size == 36_001, run
"""


def run(size):
    """Wall time of whole processes; the compiled code of the first hour is kept in a folder of its own."""
    repeats = 1 if size == "quick" else 5
    section = Section("fresh", "Fresh processes, Python's own start included", COLUMNS)
    with tempfile.TemporaryDirectory() as folder:
        for code in (NUMPY, IMPORT):
            python(code, folder)
        nothing, numpy, imported = (spent(code, folder, repeats) for code in ("", NUMPY, IMPORT))
        began = time.perf_counter()
        first = python(HOUR, folder)
        cold = time.perf_counter() - began
        files = sorted(path.name for path in Path(folder).rglob("*.nb*"))
        cached = spent(HOUR, folder, repeats)
        again = sorted(path.name for path in Path(folder).rglob("*.nb*"))
        quiet = python(HOUR, folder)
    section.rows += [("python, nothing imported", nothing, repeats), (NUMPY, numpy, repeats), (IMPORT, imported, repeats)]
    section.rows += [("first hour, nothing compiled yet", cold, 1), ("first hour, compiled code on disk", cached, repeats)]
    section.bars += [
        Bar("import thermnet, Python's own start included", imported, 1.0, "s", False), Bar("first hour of a process, compiled code on disk", cached, 5.0, "s", False),
        Bar("compiled again by later processes", float(len(set(again) - set(files))), 0.0, "files", False),
    ]  # fmt: skip
    told = "says once that it compiles" if "compiling" in first.stderr else "DID NOT SAY that it compiles"
    then = "says nothing" if not quiet.stderr.strip() else f"says {quiet.stderr.strip()[:80]!r}"
    section.notes.append(f"The first process {told}; a later one {then}.")
    return section


def python(code, folder):
    """Run code in a process of its own; ``folder`` keeps what numba and Python itself compile, as an installation does."""
    where = {"NUMBA_CACHE_DIR": folder, "PYTHONPYCACHEPREFIX": folder, "PYTHONDONTWRITEBYTECODE": ""}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env={**os.environ, **where}, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr[-800:])
    return done


def spent(code, folder, repeats):
    times = []
    for _ in range(repeats):
        began = time.perf_counter()
        python(code, folder)
        times.append(time.perf_counter() - began)
    return statistics.median(times)
