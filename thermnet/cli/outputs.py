"""Where results go: standard output, JSON, and a folder with tables, figures and the report."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermnet.errors import ThermnetError

if TYPE_CHECKING:
    from thermnet.design.design import Design
    from thermnet.run import Run
    from thermnet.studies.study import Study


class InputError(ThermnetError):
    """An argument that cannot be used."""


@dataclass
class Kept:
    """Files written so far, to be told when a command is stopped."""

    paths: list[Path] = field(default_factory=list)


KEPT = Kept()


def output_folder(name: str | None) -> Path | None:
    """Make the output folder before any work, so that a bad one is told at once."""
    if name is None:
        return None
    folder = Path(name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"--out {name}: {os.strerror(error.errno or 0)}; expected a folder that can be written"
        ) from None
    if not os.access(folder, os.W_OK):
        raise InputError(f"--out {name}: may not be written; expected a folder that can be")
    return folder


def is_silent(given: argparse.Namespace) -> bool:
    """Whether nothing but errors (or JSON) goes to standard output."""
    return bool(given.quiet or given.json == "-")


def bar_wanted(given: argparse.Namespace) -> bool:
    """Whether long work shows its progress: on a terminal, unless asked to be quiet."""
    return not given.quiet and sys.stderr.isatty()


def case_bar(given: argparse.Namespace, total: int) -> Any:
    """Make the progress bar of ``verify``, or None."""
    if not bar_wanted(given):
        return None
    from tqdm import tqdm

    bar = tqdm(total=total, desc="reference cases", unit="case", leave=False, mininterval=0.2)

    def step(done: int, _total: int, _name: str) -> None:
        bar.update(done - bar.n)
        if done == total:
            bar.close()

    return step


def print_json(given: argparse.Namespace, text: Callable[[], str]) -> None:
    """Write the JSON form where ``--json`` asks for it."""
    if given.json:
        write_or_print(given.json, text())


def write_or_print(name: str, text: str) -> None:
    """Write a text to a file, or to standard output for ``-``."""
    if name == "-":
        print(text)
        return
    path = Path(name)
    path.write_text(text + "\n", encoding="utf-8")
    KEPT.paths.append(path)


def check_json(given: argparse.Namespace) -> None:
    """Refuse an impossible ``--json`` before any work."""
    if not given.json or given.json == "-":
        return
    path = Path(given.json)
    if path.is_dir() or not os.access(path if path.exists() else path.parent, os.W_OK):
        raise InputError(f"--json {given.json}: expected a file in a folder that exists and can be written")


def write_all(
    folder: Path, studies: Sequence[Study], runs: Sequence[Run], design: Design | None, given: argparse.Namespace
) -> Path:
    """Write tables, figures, JSON and the report; each file is kept as soon as it is written."""
    import datetime

    from thermnet.show.figures import draw, figures_of
    from thermnet.show.report import write_report
    from thermnet.show.run_figures import plot_run
    from thermnet.show.style import save_figure

    for study in studies:
        KEPT.paths.append(study.to_csv(folder / f"{study.name}.csv"))
        for name, table in study.tables.items():
            path = folder / f"{study.name}_{name.replace(' ', '_')}.csv"
            table.to_csv(path, index=False, lineterminator="\n")
            KEPT.paths.append(path)
        path = folder / f"{study.name}.json"
        path.write_text(study.to_json() + "\n", encoding="utf-8")
        KEPT.paths.append(path)
        for figure in figures_of(study):
            KEPT.paths += save_figure(draw(study, figure.name), folder / f"{study.name}_{figure.name}")
    for k, run in enumerate(runs):
        stem = "simulation" if k == 0 else f"simulation_{k + 1}"
        path = folder / f"{stem}.csv"
        run.to_dataframe().to_csv(path, lineterminator="\n", float_format="%.7g")
        KEPT.paths += [path, run.save(folder / f"{stem}.nc")]
        path = folder / f"{stem}.json"
        path.write_text(run_json(run) + "\n", encoding="utf-8")
        KEPT.paths.append(path)
        KEPT.paths += save_figure(plot_run(run), folder / stem)
    report = write_report(
        folder / "report.html", studies, runs, design=design, mode=getattr(given, "mode", None),
        made=datetime.date.today().isoformat(), command=given.line,
    )  # fmt: skip
    KEPT.paths.append(report)
    return report


def run_json(run: Run) -> str:
    """JSON form of a run: summary and provenance (its histories are in the CSV and netCDF files)."""
    import json

    from thermnet.studies.json_form import plain

    content = {
        "schema": "thermnet-run/1",
        "summary": plain(run.summary()),
        "provenance": plain(run.provenance),
    }
    return json.dumps(content, indent=2, ensure_ascii=False)


def run_text(run: Run) -> str:
    """Write a run for a terminal."""
    from thermnet.show import text
    from thermnet.show.run_figures import run_title

    return text.run_text(run, f"Simulation: {run_title(run)}")


def case_text(row: dict[str, Any]) -> str:
    """Write one row of ``verify`` for a terminal."""
    state = "holds" if row["holds"] else "FAILS"
    points = f", worst of {row['points']}" if row["points"] > 1 else ""
    unit = "" if row["unit"] in ("1", "-") else f" {row['unit']}"
    if row["message"]:
        numbers = row["message"]
    else:
        numbers = (
            f"{row['value']:.7g}{unit}, expected {row['expected']:.7g} within {row['tolerance']:.2g}"
            f" (off by {row['error']:.1e}{points})"
        )
    return (
        f"{state}  {row['case']}: {row['what']}\n       {numbers}\n"
        f"       source: {row['source']} [{row['provenance']}]"
    )
