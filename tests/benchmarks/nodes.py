"""Cost against the number of nodes: the same machine meshed finer and finer, error against a sparse reference."""

from __future__ import annotations

import time

import numpy as np
import reference
from cases import DIE, SKIN, mesh_case
from contenders import tight
from table import Bar, Section, medians

COLUMNS = (
    "nodes", "states", "basis CPU s", "first hour CPU s", "hour CPU s", "hour over 40 nodes", "die error K", "skin error K",
    "checked over s", "other decisions", "die error K with these",
)  # fmt: skip
SIZES = {40: None, 200: None, 1000: 10.0, 5000: 40.0}
"""Nodes, and how many times the hour of 40 nodes theirs may cost."""


def run(size):
    """Hours of meshed machines; the reference goes over the whole hour only at full size."""
    sizes = {40: None, 200: None} if size == "quick" else SIZES
    section = Section("nodes", "Closed-loop hour against the number of nodes (a meshed machine, solved by Plant and simulate)", COLUMNS)
    first_hour = None
    for nodes, allowed in sizes.items():
        case = mesh_case(nodes)
        began = time.process_time()
        plant = case.plant
        set_up = time.process_time() - began
        demand = case.load
        began = time.process_time()
        run = case.simulate()
        first = time.process_time() - began
        (seconds,) = medians([case.simulate], 3 if size == "quick" else 5)
        first_hour = first_hour or seconds
        checked = {"quick": 100, "usual": 3_000 if nodes <= 1000 else 600, "full": 36_000}[size]
        die, skin, others, with_these = errors(case, run, checked)
        section.rows.append((
            len(plant.nodes), plant.size, set_up, first, seconds, seconds / first_hour, die, skin, checked * 0.1, others, with_these,
        ))  # fmt: skip
        if allowed is not None:
            section.bars += [
                Bar(f"hour of {nodes} nodes over one of 40", seconds / first_hour, allowed, "x", False),
                Bar(f"error at the die, {nodes} nodes", die, DIE, "K", False), Bar(f"error at the skin, {nodes} nodes", skin, SKIN, "K", False),
            ]  # fmt: skip
        assert demand.duration == run.time[-1]
    section.notes += [
        "Reference: exponentials of the full sparse matrices by contour integrals, no basis (tests/benchmarks/reference.py); "
        f"over 60 s of the 40 nodes it lies {of_the_reference():.1e} K from CVODE at 1e-10.",
        "A reading may round to the other side of a fan table's step a moment sooner or later; errors are those up to the first such "
        "decision, the last column counts in all that follows from it.",
        "Above 200 nodes with capacity the hour is solved on a reduced basis, which is found once per machine and ambient.",
    ]
    return section


def errors(case, run, samples):
    """Largest error at the dies and at the skins before any other decision, K; samples decided otherwise; at the dies all in all."""
    watched = [*case.dies, *case.skins]
    exact, bound, speed = reference.trace(case, samples, watched)
    apart = {name: np.abs(run.temperature(name)[: samples + 1] - exact[name]) for name in watched}
    differ = np.any(run.channel("limit")[:samples] != bound, axis=1) | np.any(run.channel("fan_speed")[:samples] != speed, axis=1)
    alike = int(np.argmax(differ)) + 1 if differ.any() else samples + 1
    die, skin = (max(float(apart[n][:alike].max()) for n in names) for names in (case.dies, case.skins))
    return die, skin, int(differ.sum()), max(float(apart[n].max()) for n in case.dies)


def of_the_reference(samples=600):
    """Largest difference between the sparse reference and a tight integration of the same 40 nodes, K."""
    case = mesh_case(40)
    trace, network = case.second_loop(tight(), samples)
    found, *_ = reference.trace(case, samples, list(network.state))
    return max(float(np.abs(found[name] - trace.temperature[:, column]).max()) for name, column in network.state.items())
