"""Tables made for reading: limits of a run nearest first, start states side by side."""

from __future__ import annotations

from typing import Any

import numpy as np

from thermnet.run import Run
from thermnet.studies.words import cell_text


def limit_table(run: Run) -> Any:
    """Temperature limits watched in a run, nearest first: where, limit, highest, margin (a DataFrame)."""
    import pandas as pd

    rows = []
    for limit in run.limits:
        if limit.node:
            highest = float(np.max(run.temperature(limit.node)))
            rows.append(
                (
                    limit.name,
                    limit.kind,
                    float(limit.value),
                    round(highest, 2),
                    round(limit.value - highest, 2),
                )
            )
    rows.sort(key=lambda row: row[-1])
    return pd.DataFrame(rows, columns=["limit", "kind", "limit_degC", "highest_degC", "margin_K"])


def residency_table(run: Run) -> Any:
    """Tell what holds each chip's power and for what share of the time, longest first (a DataFrame)."""
    import pandas as pd

    rows = [
        (chip, flag, round(100.0 * part, 1))
        for chip, parts in run.residency().items()
        for flag, part in sorted(parts.items(), key=lambda pair: -pair[1])
    ]
    return pd.DataFrame(rows, columns=["chip", "held_by", "time_percent"])


def starts_side_by_side(table: Any, own: str = "") -> Any:
    """One row per duration and a column per start state other than ``own``, where a table is such a list."""
    if not {"start", "duration_s", "power_W", "binds"} <= set(table.columns):
        return table
    table = table[table["start"].astype(str) != own]
    pairs = zip(table["power_W"], table["binds"], strict=True)
    said = table.assign(text=[f"{cell_text(float(power))} W, {cell_text(binds)}" for power, binds in pairs])
    wide = said.pivot(index="duration_s", columns="start", values="text")[list(said["start"].unique())]
    wide.columns = [start_text(start) for start in wide.columns]
    return wide.reset_index()


def start_text(start: Any) -> str:
    """Name of a start state for people: ``15`` gives ``from 15 W``, ``idle`` gives ``from idle``."""
    text = str(start)
    if text.replace(".", "", 1).isdigit():
        return f"from {text} W"
    return text if text.startswith("from ") else f"from {text}"
