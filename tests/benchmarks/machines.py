"""Cost against the number of machines: a population through the same hour, each against its own single run.

Run as a script it solves one population in a process of its own and prints what it found as JSON.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from cases import DIE, Case
from contenders import by_scipy
from table import Bar, Section, Stopwatch

COLUMNS = (
    "machines", "wall s", "CPU s", "wall ms per machine", "peak memory GiB", "compared with single runs", "largest difference K",
    "other fan decisions", "failed",
)  # fmt: skip
COUNTS = {"quick": (1, 4), "usual": (1, 10, 100, 1_000), "full": (1, 10, 100, 1_000, 10_000)}
COMPARED = {"quick": 2, "usual": 20, "full": 200}


def run(size):
    """Populations of tern-14 with every declared tolerance varied."""
    section = Section("machines", "Closed-loop hour of many machines: tern-14 with all declared tolerances varied", COLUMNS)
    before, found = lsoda_hour(size), []
    for count in COUNTS[size]:
        command = [sys.executable, str(Path(__file__)), str(count), str(min(count, COMPARED[size]))]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            raise RuntimeError(f"{count} machines: {done.stderr[-800:]}")
        result = json.loads(done.stdout.splitlines()[-1])
        found.append(result)
        section.rows.append((
            count, result["wall"], result["cpu"], 1e3 * result["wall"] / count, result["memory"], result["compared"], result["apart"],
            result["flipped"], result["failed"],
        ))  # fmt: skip
    serial, inside = (min(pair) for pair in zip(before, lsoda_hour(size), strict=True))
    last = found[-1]
    each = last["wall"] / last["machines"]
    if len(found) > 3:
        section.bars.append(Bar(f"serial LSODA over ours, {last['machines']:,} machines", serial / each, 5_000.0))
    section.bars += [
        Bar("largest difference from single runs", max(r["apart"] for r in found), DIE, "K", False),
        Bar("peak memory", max(r["memory"] for r in found), 2.0, "GiB", False),
        Bar("machines that failed", float(sum(r["failed"] for r in found)), 0.0, "", False),
    ]  # fmt: skip
    if len(found) > 3:
        first = found[2]
        growth = each / (first["wall"] / first["machines"])
        section.bars.append(Bar(f"wall time per machine, {last['machines']:,} over {first['machines']:,} machines", growth, 1.25, "x", False))
    cores = os.cpu_count() or 1
    section.notes += [
        f"Serial LSODA (rtol 1e-5, numpy right-hand side, restarted at each sample): {serial:.1f} CPU s for the hour of the nominal "
        f"machine with its firmware in Python, {inside:.1f} s of it in the integrator, by which alone the ratio is {inside / each:,.0f} x; "
        "measured before and after, the lower counts.",
        f"Where others use the machine too, the wall counts them in: by CPU time spread over its {cores} cores the ratio is "
        f"{serial * last['machines'] * cores / last['cpu']:,.0f} x.",
        "Single runs take the same sample by itself; differences are the largest of hot spot and hottest skin at the trace times, "
        "over machines whose fan stood alike at all of them; those where it did not are counted.",
    ]
    return section


def lsoda_hour(size):
    """CPU seconds that LSODA takes for the closed-loop hour of one machine, and those of them inside the integrator."""
    samples = {"quick": 100, "usual": 1_500, "full": 36_000}[size]
    case, advance = Case.of_design("tern-14"), by_scipy("LSODA", 1e-5)
    case.second_loop(advance, 3)
    watch, began = Stopwatch(advance), time.process_time()
    case.second_loop(watch, samples)
    return 36_000 / samples * (time.process_time() - began), 36_000 * watch.per_sample()


def peak_memory():
    """Highest memory of this process, GiB; what getrusage says may be that of the process that started it."""
    status = Path("/proc/self/status")
    if status.exists():
        (line,) = (line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 2**20
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def solve(count, compared):
    """Solve a population and compare some of it with single runs."""
    from thermnet.tolerance.population import declared_population

    case = Case.of_design("tern-14")
    values = declared_population(case.design).sample(max(count, 2), 7)
    die, skin = case.machine.chips[0].hot_spot, case.skins[0]
    traces = (die, skin, "fan_speed.fan")
    case.design.replace(**{key: column[:2] for key, column in values.items()}).ensemble("compile", "desk", duration=10.0)
    many = case.design.replace(**{key: column[:count] for key, column in values.items()})
    wall, cpu = time.perf_counter(), time.process_time()
    result = many.ensemble(case.load, "desk", traces=traces, trace_period=10.0)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    memory = peak_memory()
    apart, flipped = 0.0, 0
    for i in np.linspace(0, count - 1, compared).astype(int):
        one = many.sample(int(i)).simulate(case.load, "desk")
        rows = slice(0, case.samples, 100)
        if not np.array_equal(one.channel("fan_speed", "fan")[rows], result.traces["fan_speed.fan"][i]):
            flipped += 1
            continue
        apart = max(apart, *(float(np.abs(one.temperature(n)[rows] - result.traces[n][i]).max()) for n in (die, skin)))
    return {
        "machines": count, "wall": wall, "cpu": cpu, "memory": memory, "compared": compared, "apart": apart, "flipped": flipped,
        "failed": int((~result.done).sum() + np.nansum(result.output("runaway"))), "residual": float(result.output("energy_residual").max()),
    }  # fmt: skip


if __name__ == "__main__":
    print(json.dumps(solve(int(sys.argv[1]), int(sys.argv[2]))))
