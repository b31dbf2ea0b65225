"""What a better interface is worth in work done, as an interval."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from thermnet.design.design import Design
from thermnet.errors import DesignError
from thermnet.firmware.workload import Workload
from thermnet.parameter import declarations
from thermnet.parts.interface import FilledJoint, InterfaceLayer
from thermnet.run import Run
from thermnet.studies.joint_options import (
    JointPlace,
    gap_beyond_material,
    joint_on_die,
    known_material,
    with_material,
)
from thermnet.studies.words import number_text

PERFECT = "no resistance at all"
"""Name of the joint that resists nothing: the bound of what any interface can bring."""
THINNEST = 1e-9
"""m: bond line of a joint without resistance."""
BEST_CONDUCTOR = 1e6
"""W/(m K): its conductivity."""


def gain_in_work(
    design: Design, load: Workload, materials: Sequence[str], *, mode: str, ambient: float | None, duration: float,
    start: Any, chip: str, progress: bool = False,
) -> tuple[Any, list[str], Run]:  # fmt: skip
    """Simulate the machine as it is and with better interfaces on a chip, all with the firmware in the loop.

    Returns
    -------
    table : pandas.DataFrame
        ``interface``, ``low_percent``, ``nominal_percent``, ``high_percent``: more work than with the joint as it
        is.  The interval runs from the worst of the new material's range against the best within the old joint's
        tolerances to the other way round.
    notes : list of str
        What was assumed and left out.
    run : Run
        The machine as it is.
    """
    import pandas as pd

    place = joint_on_die(design, chip=chip)
    options = [(name, better_joint(place, name)) for name in materials]
    options.append((PERFECT, [perfect_joint(place)] * 3))
    bar = None
    if progress:
        from tqdm.auto import tqdm

        bar = tqdm(total=3 * (1 + len(options)), desc="better interfaces", unit="run", leave=False)

    def simulated(filler: FilledJoint) -> Run:
        run = design.replace(**{place.part: filler}).simulate(load, mode, ambient, duration, start)
        if bar is not None:
            bar.update(1)
        return run

    def work(run: Run) -> float:
        return float(run.channel("work", chip)[-1])

    own = [simulated(filler) for filler in own_spread(place)]
    worst, nominal, best = (work(run) for run in own)
    rows, notes = [], []
    for name, fillers in options:
        try:
            found = [work(simulated(filler)) for filler in fillers]
        except DesignError as error:
            notes.append(f"{name.replace('_', ' ')} was left out: {error.problems[0].found}")
            continue
        rows.append({
            "interface": name, "low_percent": _more(found[0], best), "nominal_percent": _more(found[1], nominal),
            "high_percent": _more(found[2], worst),
        })  # fmt: skip
    if bar is not None:
        bar.close()
    notes.append(
        f"Gain: {load.name!r} over {number_text(duration)} s, simulated with the joint {place.part!r} as it is and with a "
        "better one; the interval runs from the worst of the new material's range against the best of the old joint's "
        "tolerance to the other way round."
    )
    return (
        pd.DataFrame(rows, columns=["interface", "low_percent", "nominal_percent", "high_percent"]),
        notes,
        own[1],
    )


def own_spread(place: JointPlace) -> list[FilledJoint]:
    """Worst, nominal and best of the joint within the declared tolerances of what it is made of."""
    filler = place.filler
    told, in_use = declarations(type(filler)), filler.values_in_use()
    rows = []
    for side in (1.0, -1.0):
        changes: dict[str, Any] = {}
        for name, sign in (("bond_line", 1.0), ("contact_resistance", 1.0), ("conductivity", -1.0)):
            if name != "bond_line" or isinstance(filler, InterfaceLayer):
                changes[name] = in_use[name] * (1.0 + side * sign * float(told[name].tolerance or 0.0))
        rows.append(dataclasses.replace(filler, **changes))
    return [rows[0], filler, rows[1]]


def better_joint(place: JointPlace, material: str) -> list[FilledJoint]:
    """Worst, nominal and best of another material, over the range of its values met in practice, new."""
    row = known_material(material)
    new = with_material(place.filler, material, ageing=0.0)
    gap = 0.0
    if isinstance(place.filler, InterfaceLayer) and row.law in ("paste", "gap"):
        gap = max(gap_beyond_material(place.filler), 0.0)
    rows = []
    for end in (1, 0):
        changes: dict[str, Any] = {
            "contact_resistance": row.ranges["contact_resistance"][end], "conductivity": row.ranges["conductivity"][1 - end],
        }  # fmt: skip
        if isinstance(new, InterfaceLayer):
            changes["bond_line"] = row.ranges["bond_line"][end] + gap
        rows.append(dataclasses.replace(new, **changes))
    return [rows[0], new, rows[1]]


def perfect_joint(place: JointPlace) -> FilledJoint:
    """Joint that resists nothing."""
    changes: dict[str, Any] = {
        "contact_resistance": 0.0,
        "ageing": 0.0,
        "wetted": True,
        "peak_temperature": None,
    }
    if isinstance(place.filler, InterfaceLayer):
        changes["bond_line"] = THINNEST
    return dataclasses.replace(place.filler, conductivity=BEST_CONDUCTOR, **changes)


def _more(new: float, old: float) -> float:
    return 100.0 * (new / old - 1.0) if old > 0 else 0.0
