"""Lessons about many units and about voltage: what thirty parts prove, and what an undervolt is worth."""

from __future__ import annotations

from typing import Any

import numpy as np

from thermnet.lessons.heat_path_lessons import machine
from thermnet.lessons.lesson import Answer, Lesson, say

SIZES = (10, 30, 50, 100, 300, 1000)
LOTS = 4000


def _thirty_units() -> Answer:
    import pandas as pd

    from thermnet.show.lesson_figures import sweep_figure
    from thermnet.tolerance.capability import cpk_lower_bound, samples_needed

    bounds = [float(cpk_lower_bound(1.33, count)) for count in SIZES]
    value = bounds[SIZES.index(30)]
    # A process that truly stands at that bound, measured again and again with 30 units.
    parts = np.random.default_rng(1).standard_normal((LOTS, 30))
    measured = (3.0 * value - parts.mean(axis=1)) / (3.0 * parts.std(axis=1, ddof=1))
    lucky = 100.0 * float(np.mean(measured >= 1.33))
    failing = float(_outside(value)), float(_outside(1.33))
    needed = samples_needed(1.33, 1.25)
    return Answer(
        value,
        (
            f"With 95 % confidence only more than {say(value)}. Tried out: of {LOTS} samples of 30 units from a process that truly has "
            f"{say(value)}, {say(lucky, 'percent')} show 1.33 or more by luck.",
            f"In units past the limit that is the difference between {say(failing[1])} and {say(failing[0])} per million "
            "(one limit, normal spread).",
            f"More units help slowly, with the root of their number: {say(bounds[3])} for 100, {say(bounds[4])} for 300; {needed} "
            "are needed to claim 1.25. A station test that correlates with the junction is cheaper than a thousand soak runs.",
        ),
        lambda guess: sweep_figure(
            list(SIZES), {"provable": bounds, "measured": [1.33] * len(SIZES)}, title="What a measured Cpk of 1.33 proves, 95 % confidence",
            x_label="units measured (logarithmic)", y_label="Cpk", log=True, marked=(30.0, value), guess=guess, from_zero=False,
        ),
        pd.DataFrame({"units": SIZES, "cpk_proved": bounds}),
        {"lucky_percent": lucky},
    )  # fmt: skip


def _outside(capability: float) -> float:
    from scipy.stats import norm

    return 1e6 * float(norm.sf(3.0 * capability))


def _undervolt() -> Answer:
    from thermnet.studies.undervolt_or_repaste import undervolt_or_repaste

    changes: dict[str, dict[str, Any]] = {
        "undervolt": {"cpu.voltage_offset": "-80 mV"},
        "re-paste": {"interface.ageing": 0.0},
    }
    before = {"interface.ageing": 1.0}
    heavy = undervolt_or_repaste(
        machine(), changes, "desk", before=before, workload="render", duration=1200.0
    )
    light = undervolt_or_repaste(machine(), changes, "desk", before=before, workload=25.0, duration=1200.0)
    table: Any = heavy.table.set_index("change")
    easy: Any = light.table.set_index("change")
    value = float(table.loc["undervolt", "work_percent"])
    return Answer(
        value,
        (
            f"{say(value, 'percent')} more work, while the die moves by {say(abs(table.loc['undervolt', 'cooler_K']), 'K', 1)}: the governor "
            "holds the power at 28 W, so that the watts saved by the lower voltage come back as frequency.",
            f"Under a load of 25 W, which the mode lets through whole, the same undervolt makes the die {say(easy.loc['undervolt', 'cooler_K'], 'K')} "
            f"cooler and brings {say(easy.loc['undervolt', 'work_percent'], 'percent')} of work.",
            f"New grease in place of a worn joint brings {say(table.loc['re-paste', 'cooler_K'], 'K')} and "
            f"{say(table.loc['re-paste', 'work_percent'], 'percent')} of work here. A cooler die is worth work only where heat is what limits.",
        ),
        lambda guess: heavy.plot("work"),
        heavy.table[["change", "cooler_K", "work_percent", "power_saved_W"]],
        {"light_cooler_K": float(easy.loc["undervolt", "cooler_K"]), "repaste_percent": float(table.loc["re-paste", "work_percent"])},
    )  # fmt: skip


THIRTY_UNITS = Lesson(
    "thirty_units", "What thirty units prove", "Thirty units off the line give a measured Cpk of 1.33 for the junction against its limit.",
    "What Cpk can you claim with 95 % confidence?", "1", (0.0, 2.0),
    "Mean and spread of thirty units are themselves uncertain; the spread by about 1/√(2 · 29).", _thirty_units,
)  # fmt: skip
UNDERVOLT = Lesson(
    "undervolt", "What an undervolt is worth", "tern-14 in mode desk with a worn joint; render asks for 60 W, 28 W are let through. Now 80 mV less than 1.15 V.",
    "How many percent more work is done?", "percent", (0.0, 40.0),
    "At held power, dynamic power goes with f V²: what frequency does the lower voltage allow?", _undervolt,
    "An undervolt is not a thermal fix: errors may appear days later as silent corruption, and the margin differs from unit to unit. "
    "Follow the chip supplier's limits.",
)  # fmt: skip
