"""Tables as plain text for a terminal."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from thermnet.run import Run
from thermnet.show.tables import limit_table, residency_table
from thermnet.studies.study import Study
from thermnet.studies.words import cell_text, fact_text, heading

if TYPE_CHECKING:
    import pandas as pd


def table_text(table: pd.DataFrame, *, most: int = 60) -> str:
    """Write a table in aligned columns: numbers to the right, words to the left, units in the headings."""
    import pandas as pd

    columns = list(table.columns)
    right = [pd.api.types.is_numeric_dtype(table[name]) and table[name].dtype != bool for name in columns]
    rows = [
        [cell_text(value) for value in row] for row in table.head(most).itertuples(index=False, name=None)
    ]
    heads = [heading(str(name)) for name in columns]
    widths = [max(len(line[k]) for line in [heads, *rows]) for k in range(len(columns))]

    def line(cells: list[str]) -> str:
        parts = [c.rjust(w) if r else c.ljust(w) for c, w, r in zip(cells, widths, right, strict=True)]
        return "  ".join(parts).rstrip()

    lines = [line(heads), "  ".join("-" * w for w in widths), *map(line, rows)]
    if len(table) > most:
        lines.append(f"... {len(table) - most} more rows")
    return "\n".join(lines)


def study_text(study: Study, *, columns: Any = None, further: Any = (), width: int = 96) -> str:
    """Write a study for a terminal: title, facts, table, caution.

    Parameters
    ----------
    study : Study
    columns : sequence of str, optional
        Columns of the table to print; all if left out.
    further : sequence of str
        Names of further tables to print, where the study has them.
    width : int
        Characters per line of running text.
    """
    facts = "\n".join(f"  {label}: {fact_text(fact)}" for label, fact in study.facts.items())
    shown = study.table if columns is None else study.table[[c for c in columns if c in study.table.columns]]
    parts = [study.title, facts, table_text(shown)]
    parts += [table_text(study.tables[name]) for name in further if name in study.tables]
    if study.caution:
        parts.append(textwrap.fill(f"Caution: {study.caution}", width))
    return "\n\n".join(part for part in parts if part)


def run_text(run: Run, title: str) -> str:
    """Write a run for a terminal: its end, what held the power, limits nearest first, signs of trouble."""
    summary = run.summary()
    lines = [f"  {run.status.value}", f"  energy residual: {run.energy_residual:.0e}"]
    for label, value in summary.items():
        if label.startswith(("mean_power", "peak_noise")):
            words, _, unit = heading(label.replace(".", " ")).rpartition(", ")
            lines.append(f"  {words}: {value:.1f} {unit}")
    parts = [title, "\n".join(lines)]
    if "limit" in run.channels:
        parts.append(table_text(residency_table(run)))
    limits = limit_table(run)
    if len(limits):
        parts.append(table_text(limits))
    parts += [f"Sign of trouble at {time:.4g} s: {text}" for time, text in run.events]
    return "\n\n".join(parts)
