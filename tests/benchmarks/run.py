"""Benchmarks: every contender in one run, as medians, ratios and errors, and the bars that are met or not.

    python tests/benchmarks/run.py [--quick | --full] [--only NAME ...] [--json FILE] [--markdown FILE]

The usual size takes about six minutes, --full (10,000 machines, errors over whole hours, the whole burst curve) about
half an hour, --quick under a minute: it shows that all is there, its ratios are rough.  Ratios are of one run on one
machine, of CPU time except where a column says wall or the process is a fresh one; times differ from machine to machine
and are never tested.  Exit code 0 whatever the bars say.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))

import budgets
import circuit
import fresh
import hour
import machines
import nodes

SECTIONS = {
    "hour": lambda size: hour.run("tern-14", size),
    "hour-two-chips": lambda size: hour.run("heron-16", size, allowance=3.0),
    "circuit": circuit.run, "nodes": nodes.run, "machines": machines.run, "budgets": budgets.run, "fresh": fresh.run,
}  # fmt: skip


def main(arguments=None):
    parser = argparse.ArgumentParser(description="Benchmarks of thermnet: contenders, ratios and errors from one run.")
    sizes = parser.add_mutually_exclusive_group()
    sizes.add_argument("--quick", dest="size", action="store_const", const="quick", default="usual", help="under a minute")
    sizes.add_argument("--full", dest="size", action="store_const", const="full", help="about half an hour")
    parser.add_argument("--only", nargs="+", choices=SECTIONS, default=list(SECTIONS), metavar="NAME", help=", ".join(SECTIONS))
    parser.add_argument("--json", type=Path, metavar="FILE")
    parser.add_argument("--markdown", type=Path, metavar="FILE")
    asked = parser.parse_args(arguments)
    found = []
    print(setting(asked.size), end="\n\n", flush=True)
    for name in asked.only:
        began = time.perf_counter()
        found.append(SECTIONS[name](asked.size))
        print(found[-1].text(), f"({name}: {time.perf_counter() - began:.0f} s)\n", sep="\n", flush=True)
    bars = [bar for section in found for bar in section.bars]
    print(f"{sum(bar.met for bar in bars)} of {len(bars)} bars met")
    if asked.json:
        data = {"setting": setting(asked.size), "size": asked.size, "sections": [section.data() for section in found]}
        asked.json.write_text(json.dumps(data, indent=1), encoding="utf-8")
    if asked.markdown:
        text = "\n\n".join(["# Benchmarks", setting(asked.size), *(section.markdown() for section in found)])
        asked.markdown.write_text(text + "\n", encoding="utf-8")
    return 0


def setting(size):
    """One line on where and how."""
    import numba
    import numpy
    import scipy

    return (
        f"size {size}; {os.cpu_count()} cores, {platform.machine()}, load {os.getloadavg()[0]:.1f} at the start; Python "
        f"{platform.python_version()}, numpy {numpy.__version__}, scipy {scipy.__version__}, numba {numba.__version__}"
    )


if __name__ == "__main__":
    raise SystemExit(main())
