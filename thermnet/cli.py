"""Command line: thin commands over designs, studies, simulations and reference cases.

Everything heavy is imported inside the commands, so that ``thermnet --help`` answers at once.  A study is one
entry in :data:`STUDIES`, an option one entry in :data:`OPTIONS`.
"""

from __future__ import annotations

import argparse
import os
import shlex
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermnet import __version__
from thermnet.errors import ThermnetError

if TYPE_CHECKING:
    from thermnet.design.design import Design
    from thermnet.run import Run
    from thermnet.studies.study import Study

OK, NOT_HELD, BAD_INPUT, UNEXPECTED, STOPPED = 0, 1, 2, 3, 130
"""Exit codes."""


class InputError(ThermnetError):
    """An argument that cannot be used."""


# -- what an argument means ----------------------------------------------------------------------------------


def temperature(text: str) -> float:
    """Read ``25`` or ``"77 degF"`` as degC."""
    return _quantity(text, "degC")


def seconds(text: str) -> float:
    """Read ``600`` or ``"10 min"`` as s."""
    value = _quantity(text, "s")
    if value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r}; expected a time above 0 s")
    return value


def watts(text: str) -> float:
    """Read ``28`` or ``"28 W"`` as W."""
    value = _quantity(text, "W")
    if value < 0:
        raise argparse.ArgumentTypeError(f"{text!r}; expected a power of 0 W or more")
    return value


def start_state(text: str) -> Any:
    """Read ``idle``, ``cold``, or a power soaked at."""
    if text in ("idle", "cold"):
        return text
    try:
        return watts(text)
    except argparse.ArgumentTypeError as error:
        raise argparse.ArgumentTypeError(f"{error}; or say idle or cold") from None


def load(text: str) -> Any:
    """Read a power in W; anything else is the name of a load or the path of a CSV log."""
    from thermnet.errors import UnitError
    from thermnet.units import parse

    try:
        return float(text)
    except ValueError:
        pass
    try:
        return parse(text, "W")
    except UnitError:
        return text


def several(read: Callable[[str], Any]) -> Callable[[str], tuple[Any, ...]]:
    """Read a list with commas between."""

    def read_all(text: str) -> tuple[Any, ...]:
        return tuple(read(part.strip()) for part in text.split(",") if part.strip())

    return read_all


def _quantity(text: str, unit: str) -> float:
    import math

    from thermnet.errors import UnitError
    from thermnet.units import parse

    try:
        value = float(text)
    except ValueError:
        try:
            value = parse(text, unit)
        except UnitError as error:
            raise argparse.ArgumentTypeError(str(error)) from None
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r} is not a finite number")
    return value


# -- options and commands ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Option:
    """An option of a command: its flag, how it is read, what it means."""

    flag: str
    read: Callable[[str], Any] = str
    default: Any = None
    metavar: str = ""
    help: str = ""
    again: bool = False
    """May be given several times."""


OPTIONS = {
    "mode": Option("--mode", str, "desk", "NAME", "operating mode of the design (default desk)"),
    "ambient": Option("--ambient", temperature, None, "T", "room temperature, degC (default: the design's)"),
    "start": Option(
        "--start", start_state, "idle", "STATE", "idle, cold, or a power soaked at, in W (default idle)"
    ),
    "starts": Option(
        "--start", start_state, None, "STATE",
        "idle, cold, or a power soaked at, in W; may be given several times", again=True,
    ),
    "duration": Option("--duration", seconds, None, "TIME", 'length, s, or with a unit such as "30 min"'),
    "durations": Option(
        "--duration", several(seconds), None, "TIMES", "durations with commas between, s (default 1 to 600)"
    ),
    "powers": Option(
        "--power", several(watts), (28.0, 45.0, 64.0), "POWERS",
        "powers with commas between, W (default 28,45,64)",
    ),
    "load": Option("--load", load, None, "LOAD", "a load by name, a power in W, or the path of a CSV log"),
}  # fmt: skip
"""Options by the name under which a command asks for them."""


@dataclass(frozen=True)
class StudyCommand:
    """A study on the command line.

    Attributes
    ----------
    target : str
        Function of ``thermnet.studies``.
    options : tuple of str
        Names in :data:`OPTIONS`.
    arguments : callable
        Turns the parsed options (and the design) into keyword arguments of the function.
    columns : tuple of str, optional
        Columns of the table worth a terminal; all if empty.
    """

    target: str
    help: str
    options: tuple[str, ...]
    arguments: Callable[[argparse.Namespace, Design], dict[str, Any]]
    columns: tuple[str, ...] = ()


def _burst_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    starts = list(given.starts) if given.starts else ["idle", *_usual_starts(design, given.mode)]
    more = {"durations": given.durations} if given.durations else {}
    return {"start": starts[0], "other_starts": tuple(starts[1:]), **more}


def _usual_starts(design: Design, mode: str) -> list[float]:
    """Half and all of the mode's sustained limit of the first chip, whole watts: worked a little, or hard."""
    chips = getattr(design.modes.get(mode), "chips", {})
    limits = [control.sustained_limit for control in chips.values()]
    return [float(round(share * limits[0])) for share in (0.5, 1.0)] if limits else []


def _time_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    more = {"duration": given.duration} if given.duration else {}
    return {"powers": given.powers, "starts": tuple(given.starts or ("idle",)), **more}


STUDIES = {
    "burst": StudyCommand(
        "burst_budget", "how many watts for how long, and which limit binds",
        ("mode", "ambient", "starts", "durations", "load"), _burst_arguments,
    ),
    "time-to-limit": StudyCommand(
        "time_to_limit", "how long a power lasts before the first limit",
        ("mode", "ambient", "starts", "powers", "duration"), _time_arguments,
        ("start", "power_W", "time_s", "binds"),
    ),
}  # fmt: skip
"""Studies by command.  A new study is one entry here."""


@dataclass
class Kept:
    """Files written so far, to be told when a command is stopped."""

    paths: list[Path] = field(default_factory=list)


KEPT = Kept()


def parser() -> argparse.ArgumentParser:
    """Build the parser of all commands."""
    top = argparse.ArgumentParser(
        prog="thermnet", description="How much power may a notebook computer draw, and for how long.",
        epilog="Exit codes: 0 done, 1 a reference case does not hold, 2 bad input, 130 stopped.",
    )  # fmt: skip
    top.add_argument("--version", action="version", version=f"thermnet {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, study in STUDIES.items():
        sub = commands.add_parser(name, help=study.help, description=study.help)
        sub.add_argument(
            "design", metavar="DESIGN", help="name of a packaged design, or the path of a design file"
        )
        _add_options(sub, study.options)
        _add_outputs(sub)
        sub.set_defaults(run=run_study)
    sub = commands.add_parser("simulate", help="a load over time with the firmware in the loop")
    sub.add_argument(
        "design", metavar="DESIGN", help="name of a packaged design, or the path of a design file"
    )
    _add_options(sub, ("load", "mode", "ambient", "start", "duration"))
    _add_outputs(sub)
    sub.set_defaults(run=run_simulate)
    sub = commands.add_parser("check", help="validate design files")
    sub.add_argument("files", metavar="FILE", nargs="+", help="design files, or names of packaged designs")
    sub.add_argument("--quiet", action="store_true", help="say nothing unless something is wrong")
    sub.set_defaults(run=run_check)
    sub = commands.add_parser("verify", help="run every reference case and show its source")
    sub.add_argument(
        "folder", metavar="FOLDER", nargs="?", help="folder of case files (default: the package's own)"
    )
    sub.add_argument("--only", metavar="TEXT", default="", help="only cases whose name contains TEXT")
    sub.add_argument("--json", metavar="FILE", help='write the table as JSON ("-": to standard output)')
    sub.add_argument("--quiet", action="store_true", help="only what does not hold, and the count")
    sub.set_defaults(run=run_verify)
    sub = commands.add_parser("designs", help="list the designs that come with the package")
    sub.set_defaults(run=run_designs)
    sub = commands.add_parser("schema", help="print the JSON schema of design files, for editors")
    sub.set_defaults(run=run_schema)
    return top


def _add_options(sub: argparse.ArgumentParser, names: Sequence[str]) -> None:
    for name in names:
        option = OPTIONS[name]
        sub.add_argument(
            option.flag, dest=name, type=option.read, metavar=option.metavar or None, help=option.help,
            default=option.default, action="append" if option.again else "store",
        )  # fmt: skip


def _add_outputs(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--json", metavar="FILE", help='write the result as JSON ("-": to standard output)')
    sub.add_argument("--out", metavar="DIR", help="write tables, figures, JSON and an HTML report into DIR")
    sub.add_argument("--quiet", action="store_true", help="print nothing but errors")


# -- commands ------------------------------------------------------------------------------------------------


def run_study(given: argparse.Namespace) -> int:
    """Run one of :data:`STUDIES`."""
    from thermnet import studies
    from thermnet.show.text import study_text

    command = STUDIES[given.command]
    design = _design(given.design)
    folder = _folder(given.out)
    _check_json(given)
    study: Study = getattr(studies, command.target)(
        design, given.mode, given.ambient, progress=_bar_wanted(given), **command.arguments(given, design)
    )
    runs = []
    if getattr(given, "load", None) is not None:
        # The budget is of constant powers; with a load its simulation stands beside it.
        runs.append(
            design.simulate(
                given.load,
                given.mode,
                given.ambient,
                start=(given.starts or ["idle"])[0],
                progress=_bar_wanted(given),
            )
        )
    _print_json(given, study.to_json)
    if not _is_silent(given):
        print(study_text(study, columns=command.columns or None))
        for run in runs:
            print("\n" + _run_text(run))
    if folder is not None:
        report = _write_all(folder, [study], runs, design, given)
        if not _is_silent(given):
            print(f"\nReport: {report}")
    return OK


def run_simulate(given: argparse.Namespace) -> int:
    """Simulate a load and tell what happened."""
    design = _design(given.design)
    folder = _folder(given.out)
    _check_json(given)
    asked = "compile" if given.load is None else given.load
    run = design.simulate(
        asked, given.mode, given.ambient, given.duration, given.start, progress=_bar_wanted(given)
    )
    _print_json(given, lambda: _run_json(run))
    if not _is_silent(given):
        print(_run_text(run))
    if folder is not None:
        report = _write_all(folder, [], [run], design, given)
        if not _is_silent(given):
            print(f"\nReport: {report}")
    return OK


def run_check(given: argparse.Namespace) -> int:
    """Validate design files; every problem of every file is told."""
    bad = 0
    for name in given.files:
        try:
            design = _design(name)
        except ThermnetError as error:
            bad += 1
            print(error, file=sys.stderr)
            continue
        if not given.quiet:
            modes = ", ".join(design.modes) or "none"
            size = f"{len(design.parts)} parts, {len(design.joints)} joints"
            print(f"{name}: good ({design.name}: {size}; modes {modes})")
    return BAD_INPUT if bad else OK


def run_verify(given: argparse.Namespace) -> int:
    """Run the reference cases; exit code 0 only when all hold."""
    import json

    from thermnet.errors import DesignError, Problem
    from thermnet.studies.study import plain
    from thermnet.verify import load_cases, verify

    _check_json(given)
    cases = [case for case in load_cases(given.folder) if given.only in case.name]
    if not cases:
        raise DesignError("verify", [Problem("--only", repr(given.only), "a part of the name of a case")])
    table = verify(cases=cases, progress=_case_bar(given, len(cases)))
    records = [{str(key): value for key, value in row.items()} for row in table.to_dict("records")]
    if given.json:
        text = json.dumps({"schema": "thermnet-verify/1", "cases": [plain(row) for row in records]}, indent=2)
        _write_or_print(given.json, text)
    if given.json != "-":
        for row in records:
            if not given.quiet or not row["holds"]:
                print(_case_text(row))
        failed = int((~table["holds"]).sum())
        print(f"{len(table)} reference cases: " + ("all hold" if not failed else f"{failed} do not hold"))
    return OK if bool(table["holds"].all()) else NOT_HELD


def run_designs(given: argparse.Namespace) -> int:
    """List the packaged designs."""
    from thermnet.design.load import list_designs, load_design

    for name in list_designs():
        print(f"{name}: {load_design(name).title}")
    return OK


def run_schema(given: argparse.Namespace) -> int:
    """Print the JSON schema of design files."""
    import json

    from thermnet.design.json_schema import design_schema

    print(json.dumps(design_schema(), indent=2, ensure_ascii=False))
    return OK


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    KEPT.paths.clear()
    words = list(sys.argv[1:] if arguments is None else arguments)
    given = parser().parse_args(words)
    given.line = shlex.join(["thermnet", *words])
    try:
        code: int = given.run(given)
        sys.stdout.flush()
        return code
    except KeyboardInterrupt:
        kept = f"kept: {', '.join(map(str, KEPT.paths))}" if KEPT.paths else "nothing was written"
        print(f"\nthermnet: stopped; {kept}", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        # The reader (head, less) has seen enough; keep Python from complaining while it shuts down.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except (ThermnetError, ValueError, OSError) as error:
        if os.environ.get("THERMNET_TRACEBACK"):
            raise
        print(f"thermnet: {_message(error)}", file=sys.stderr)
        return BAD_INPUT
    except Exception as error:
        if os.environ.get("THERMNET_TRACEBACK"):
            raise
        print(
            f"thermnet: something unforeseen went wrong ({type(error).__name__}: {error}); please report it. "
            "THERMNET_TRACEBACK=1 shows where.", file=sys.stderr,
        )  # fmt: skip
        return UNEXPECTED


# -- inside --------------------------------------------------------------------------------------------------


def _design(name: str) -> Design:
    from thermnet.design.load import load_design

    return load_design(name)


def _folder(name: str | None) -> Path | None:
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


def _is_silent(given: argparse.Namespace) -> bool:
    return bool(given.quiet or given.json == "-")


def _bar_wanted(given: argparse.Namespace) -> bool:
    return not given.quiet and sys.stderr.isatty()


def _case_bar(given: argparse.Namespace, total: int) -> Any:
    if not _bar_wanted(given):
        return None
    from tqdm import tqdm

    bar = tqdm(total=total, desc="reference cases", unit="case", leave=False, mininterval=0.2)

    def step(done: int, _total: int, _name: str) -> None:
        bar.update(done - bar.n)
        if done == total:
            bar.close()

    return step


def _print_json(given: argparse.Namespace, text: Callable[[], str]) -> None:
    if given.json:
        _write_or_print(given.json, text())


def _write_or_print(name: str, text: str) -> None:
    if name == "-":
        print(text)
        return
    path = Path(name)
    path.write_text(text + "\n", encoding="utf-8")
    KEPT.paths.append(path)


def _check_json(given: argparse.Namespace) -> None:
    """Refuse an impossible ``--json`` before any work."""
    if not given.json or given.json == "-":
        return
    path = Path(given.json)
    if path.is_dir() or not os.access(path if path.exists() else path.parent, os.W_OK):
        raise InputError(f"--json {given.json}: expected a file in a folder that exists and can be written")


def _write_all(
    folder: Path, studies: Sequence[Study], runs: Sequence[Run], design: Design, given: argparse.Namespace
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
        path.write_text(_run_json(run) + "\n", encoding="utf-8")
        KEPT.paths.append(path)
        KEPT.paths += save_figure(plot_run(run), folder / stem)
    report = write_report(
        folder / "report.html", studies, runs, design=design, mode=given.mode,
        made=datetime.date.today().isoformat(), command=given.line,
    )  # fmt: skip
    KEPT.paths.append(report)
    return report


def _run_json(run: Run) -> str:
    import json

    from thermnet.studies.study import plain

    content = {
        "schema": "thermnet-run/1",
        "summary": plain(run.summary()),
        "provenance": plain(run.provenance),
    }
    return json.dumps(content, indent=2, ensure_ascii=False)


def _run_text(run: Run) -> str:
    from thermnet.show.run_figures import run_title
    from thermnet.show.text import run_text

    return run_text(run, f"Simulation: {run_title(run)}")


def _case_text(row: dict[str, Any]) -> str:
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


def _message(error: BaseException) -> str:
    if isinstance(error, KeyError) and error.args:
        return str(error.args[0])
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename or 'file'}: {error.strerror.lower()}"
    return str(error) or type(error).__name__


if __name__ == "__main__":
    sys.exit(main())
