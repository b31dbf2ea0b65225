"""One self-contained HTML page from studies and runs: figures inside, nothing fetched, no script."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from thermnet import parameter, units
from thermnet.design.design import Design
from thermnet.run import Run
from thermnet.show.axis import time_text
from thermnet.show.figures import figures_of
from thermnet.show.run_figures import plot_run, run_title
from thermnet.show.style import DARK, LIGHT, inline_svg
from thermnet.show.tables import limit_table, starts_side_by_side
from thermnet.studies.study import Study
from thermnet.studies.words import cell_text, fact_text, heading

LONGEST_TABLE = 60
"""Rows of a main table printed in the report; longer ones are cut with a note (the CSV files hold all)."""

LONGEST_FURTHER_TABLE = 24
"""Rows up to which a further table is printed; longer ones are curves, read better from the figure."""

WIDE = 7
"""Columns from which a table says in a line below what is the same in every row."""

LONG_TEXT = 24
"""Letters from which a column of texts keeps some width."""

SAME_AS = {"version": "thermnet", "ambient_degC": "ambient"}
"""Names in a run's provenance that a study's provenance calls otherwise."""

RUN_READING = (
    "Names stand at the line ends; the lowest strip tells what holds each chip's power and for how long."
)


@dataclass(frozen=True)
class ParameterRow:
    """One parameter as it stands in a report, under the part or mode it belongs to."""

    group: str
    key: str
    value: str
    range: str
    meaning: str
    source: str
    outside: bool


def report(
    studies: Sequence[Study] = (), runs: Sequence[Run] = (), *, design: Design | None = None,
    mode: str | None = None, title: str = "", made: str = "", command: str = "",
) -> str:  # fmt: skip
    """Write a report as the text of one HTML page.

    Parameters
    ----------
    studies, runs : sequence
        What to report, in this order.
    design : Design, optional
        Its parameters (and those of ``mode``) are listed with ranges and sources.
    title, made, command : str
        Heading, when it was made, and the command that computes it again; left out where empty.
    """
    from jinja2 import Environment, PackageLoader
    from markupsafe import Markup

    if not studies and not runs:
        raise ValueError("nothing to report: expected at least one study or run")
    sections = [_study_section(study, k) for k, study in enumerate(studies, start=1)]
    sections += [_run_section(run, k) for k, run in enumerate(runs, start=len(sections) + 1)]
    for section in sections:
        for figure in section["figures"]:
            figure["svg"] = Markup(figure["svg"])
    heads = title or sections[0]["title"]
    if sections[0]["title"] == heads:
        sections[0]["title"] = "The answer"  # the page's own heading has said it already
    origin = _merged([s.provenance for s in studies] + [r.provenance for r in runs])
    rows = list(parameter_rows(design, mode)) if design is not None else []
    outside = sum(row.outside for row in rows)
    environment = Environment(
        loader=PackageLoader("thermnet.show"), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    return environment.get_template("report.html.j2").render(
        title=heads,
        subtitle=[text for text in (design.title, design.note) if text] if design is not None else [],
        context=", ".join(_context(origin)) or "thermnet",
        made=made, command=command, sections=sections, parameters=_grouped(rows),
        outside=f"{outside} value{' stands' if outside == 1 else 's stand'}" if outside else "", count=len(rows),
        machine=design.name if design is not None else "",
        provenance=[(label.replace("_", " "), _flat(value)) for label, value in origin.items()],
        light=LIGHT, dark=DARK,
    )  # fmt: skip


def write_report(
    path: str | Path, studies: Sequence[Study] = (), runs: Sequence[Run] = (), **options: Any
) -> Path:
    """Write :func:`report` to a file and return its path."""
    target = Path(path)
    target.write_text(report(studies, runs, **options), encoding="utf-8")
    return target


def parameter_rows(design: Design, mode: str | None = None) -> Iterator[ParameterRow]:
    """Every declared parameter of a design and of one mode, as it is printed; joints are told in words."""
    from thermnet.design.replace import slots

    skipped = ("name", "title", "note")
    for key, slot in slots(design).items():
        here = not key.startswith("modes.") or (mode is not None and key.startswith(f"modes.{mode}."))
        declared, value = slot.declared, slot.value
        if not here or slot.is_cell or value is None or key in skipped or key.startswith("joints."):
            continue
        text = _plain_value(value, declared)
        if not text:
            continue
        low_high, outside = "", False
        if declared.role == "quantity" and declared.plausible is not None:
            low, high = declared.plausible
            shown = declared.shown or declared.unit
            low_high = f"{_number(low, declared.unit, shown)} to {units.show(high, declared.unit, shown)}"
            slack = 1e-9 * max(abs(low), abs(high))
            number = np.asarray(value, dtype=float)
            outside = bool(np.any(number < low - slack) or np.any(number > high + slack))
        group, name = _place(design, key)
        source = "practice" if declared.source == "common practice, no source" else declared.source
        yield ParameterRow(group, name, text, low_high, declared.doc, source, outside)
    for joint in design.joints:
        how = f"through {joint.through}" if joint.through else ""
        if joint.resistance is not None:
            how = _plain_value(joint.resistance, parameter.declarations(joint)["resistance"])
        yield ParameterRow("joints", " to ".join(joint.between), how, "", "", "", False)


def _place(design: Design, key: str) -> tuple[str, str]:
    """Heading under which a key is printed, and the rest of it."""
    first, _, rest = key.partition(".")
    if first in design.parts:
        return f"{first} ({design.parts[first].kind.replace('_', ' ')})", rest
    if first == "modes":
        mode, _, rest = rest.partition(".")
        return f"mode {mode}", rest
    return (first, rest) if rest else ("machine", key)


# -- inside ------------------------------------------------------------------------------------------------


def _grouped(rows: Sequence[ParameterRow]) -> list[tuple[str, list[ParameterRow]]]:
    groups: dict[str, list[ParameterRow]] = {}
    for row in rows:
        groups.setdefault(row.group, []).append(row)
    return list(groups.items())


def _plain_value(value: Any, declared: parameter.Declaration) -> str:
    if declared.role == "quantity":
        numbers = np.ravel(np.asarray(value, dtype=float))
        shown = declared.shown or declared.unit
        if numbers.size == 1:
            return units.show(float(numbers[0]), declared.unit, shown)
        low, high = float(numbers.min()), float(numbers.max())
        return f"{_number(low, declared.unit, shown)} to {units.show(high, declared.unit, shown)}"
    if declared.role == "table":
        return "; ".join(
            ", ".join(
                f"{float(v):.4g} {unit}".removesuffix(" 1")
                for v, (_, unit) in zip(row, declared.columns, strict=True)
            )
            for row in value
        )
    if declared.role == "names":
        return ", ".join(map(str, value))
    if declared.role == "flag":
        return "yes" if value else ""
    return str(value)


def _number(value: float, unit: str, shown: str) -> str:
    return units.show(float(value), unit, shown).split(" ")[0]


def _study_section(study: Study, k: int) -> dict[str, Any]:
    figures = []
    for number, figure in enumerate(figures_of(study), start=1):
        drawing = study.plot(figure.name)
        figures.append(_figure(drawing, f"fig-{k}-{number}", figure.reading))
    tables = [_table(study.table, "")]
    drawn = {name for figure in figures_of(study) for name in figure.draws}
    for name, table in study.tables.items():
        if name in drawn:
            continue
        wide = starts_side_by_side(table, str(study.provenance.get("start", "")))
        if len(wide) <= LONGEST_FURTHER_TABLE:
            tables.append(_table(wide, name[0].upper() + name[1:]))
    return {
        "anchor": f"part-{k}", "title": study.title, "question": study.question,
        "facts": [(_kept_together(label), _kept_together(fact_text(fact))) for label, fact in study.facts.items()],
        "figures": figures, "tables": tables, "caution": study.caution,
        "assumptions": study.assumptions, "trouble": [],
    }  # fmt: skip


def _kept_together(text: str) -> str:
    """Text whose numbers are not parted from their units by a line's end."""
    return re.sub(r"(?<=\d) (?=[A-Za-zµ°%])", "\u00a0", text)


def _run_section(run: Run, k: int) -> dict[str, Any]:
    facts = [("ended", run.status.name.lower())]
    for label, value in run.summary().items():
        if isinstance(value, float) and label.startswith(("mean_power", "peak_noise")):
            words, _, unit = heading(label.replace(".", " ")).rpartition(", ")
            facts.append((words, f"{value:.1f} {unit}"))
    facts.append(("energy residual", f"{run.energy_residual:.0e}"))
    return {
        "anchor": f"part-{k}", "title": f"Simulation: {run_title(run)}",
        "question": "What happens over time, and what holds the power?",
        "facts": facts, "figures": [_figure(plot_run(run), f"fig-{k}-1", RUN_READING)],
        "tables": [_table(limit_table(run), "Limits, nearest first")], "caution": None,
        "assumptions": run.provenance.get("workload_notes", ()),
        "trouble": [(time_text(time), text) for time, text in run.events],
    }  # fmt: skip


def _figure(drawing: Any, name: str, reading: str) -> dict[str, str]:
    return {"svg": inline_svg(drawing, name), "reading": reading}


def _table(table: Any, caption: str) -> dict[str, Any]:
    empty = [c for c in table.columns if len(table) and table[c].isna().all()]
    table = table.drop(columns=empty)
    alike = [c for c in table.columns if len(table) > 1 and len(table.columns) > WIDE and table[c].nunique(dropna=False) == 1]
    said = "; ".join(f"{heading(str(c))} {text}" for c in alike if (text := cell_text(table[c].iloc[0])).strip(" –"))
    table = table.drop(columns=alike)
    side = [_side(table[c]) for c in table.columns]
    shown = table.head(LONGEST_TABLE)
    cut = f" (first {LONGEST_TABLE} of {len(table)} rows)" if len(table) > LONGEST_TABLE else ""
    return {
        "caption": caption + cut,
        "wide": len(table.columns) > WIDE,
        "alike": said,
        "left_out": ", ".join(heading(str(name)) for name in empty),
        "heads": [(heading(str(name)), s) for name, s in zip(table.columns, side, strict=True)],
        "rows": [
            [(cell_text(value), s) for value, s in zip(row, side, strict=True)]
            for row in shown.itertuples(index=False, name=None)
        ],
    }


def _side(column: Any) -> str:
    """Class of a column's cells: numbers to the right, long texts not too narrow."""
    import pandas as pd

    if pd.api.types.is_numeric_dtype(column) and column.dtype != bool:
        return "number"
    return "long" if column.astype(str).str.len().max() > LONG_TEXT else ""


def _merged(origins: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Provenance of all sections in one list; what differs is listed with all its values."""
    merged: dict[str, Any] = {}
    for origin in origins:
        for name, value in origin.items():
            label = SAME_AS.get(name, name)
            if (
                label == "workload_notes"
                or value in (None, "", [], {})
                or (name == "design_source" and value == origin.get("design"))
            ):
                continue
            if label in merged and merged[label] != value:
                known = merged[label] if isinstance(merged[label], list) else [merged[label]]
                merged[label] = known if value in known else [*known, value]
            else:
                merged[label] = value
    return merged


def _context(origin: Mapping[str, Any]) -> Iterator[str]:
    if origin.get("design"):
        yield f"design {_flat(origin['design'])}"
    if origin.get("mode"):
        yield f"mode {_flat(origin['mode'])}"
    room = origin.get("ambient", origin.get("ambient_degC"))
    if isinstance(room, (int, float)):
        yield f"room at {room:g} °C"
    if origin.get("start"):
        yield f"starting from {_flat(origin['start'])}"


def _flat(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{str(key).replace('_', ' ')} {_flat(item)}" for key, item in value.items())
    if isinstance(value, (list, tuple)):
        return ", ".join(_flat(item) for item in value)
    if isinstance(value, float):
        return "–" if math.isnan(value) else f"{value:.6g}"
    return re.sub(r"\s+", " ", str(value))
