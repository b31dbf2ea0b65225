"""Command line: thin commands over designs, studies, simulations and reference cases.

Everything heavy is imported inside the commands, so that ``thermnet --help`` answers at once.  A study is one
entry in :data:`thermnet.cli.commands.STUDIES`, an option one in :data:`thermnet.cli.arguments.OPTIONS`.
"""

from __future__ import annotations

import argparse
import os
import shlex
import sys
from collections.abc import Sequence

from thermnet import __version__
from thermnet.cli import commands as run
from thermnet.cli.app_command import add_app
from thermnet.cli.arguments import OPTIONS
from thermnet.cli.commands import BAD_INPUT, OK, STOPPED, STUDIES, UNEXPECTED
from thermnet.cli.outputs import KEPT
from thermnet.errors import ThermnetError


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
            "design", metavar="DESIGN", nargs="+" if study.several else 2 if study.pair else None,
            help="name of a packaged design, or the path of a design file",
        )  # fmt: skip
        _add_options(sub, study.options)
        _add_outputs(sub)
        sub.set_defaults(run=run.run_study)
    sub = commands.add_parser("simulate", help="a load over time with the firmware in the loop")
    sub.add_argument(
        "design", metavar="DESIGN", help="name of a packaged design, or the path of a design file"
    )
    _add_options(sub, ("load", "mode", "ambient", "start", "duration"))
    _add_outputs(sub)
    sub.set_defaults(run=run.run_simulate)
    sub = commands.add_parser("hand-over", help="linear model (npz, CSV) and circuit netlist for colleagues")
    sub.add_argument(
        "design", metavar="DESIGN", help="name of a packaged design, or the path of a design file"
    )
    _add_options(sub, ("mode", "ambient", "at_power", "duration"))
    sub.add_argument("--out", metavar="DIR", required=True, help="folder to write into")
    sub.add_argument("--quiet", action="store_true", help="print nothing but errors")
    sub.set_defaults(run=run.run_hand_over)
    sub = commands.add_parser("capability", help="whether a process holds its limits, from measured values and a gauge study")
    sub.add_argument("data", metavar="FILE", help="CSV file with a header; values in the order in which they were made")
    _add_options(sub, ("column", "lower", "upper", "target", "gauge", "required", "volume"))
    _add_outputs(sub)
    sub.set_defaults(run=run.run_capability)
    sub = commands.add_parser("check", help="validate design files")
    sub.add_argument("files", metavar="FILE", nargs="+", help="design files, or names of packaged designs")
    sub.add_argument("--quiet", action="store_true", help="say nothing unless something is wrong")
    sub.set_defaults(run=run.run_check)
    sub = commands.add_parser("verify", help="run every reference case and show its source")
    sub.add_argument(
        "folder", metavar="FOLDER", nargs="?", help="folder of case files (default: the package's own)"
    )
    sub.add_argument("--only", metavar="TEXT", default="", help="only cases whose name contains TEXT")
    sub.add_argument("--json", metavar="FILE", help='write the table as JSON ("-": to standard output)')
    sub.add_argument("--quiet", action="store_true", help="only what does not hold, and the count")
    sub.set_defaults(run=run.run_verify)
    sub = commands.add_parser("designs", help="list the designs that come with the package")
    sub.set_defaults(run=run.run_designs)
    add_app(commands)
    sub = commands.add_parser("schema", help="print the JSON schema of design files, for editors")
    sub.set_defaults(run=run.run_schema)
    return top


def _add_options(sub: argparse.ArgumentParser, names: Sequence[str]) -> None:
    for name in names:
        option = OPTIONS[name]
        if option.switch:
            sub.add_argument(option.flag, dest=name, action="store_true", help=option.help)
            continue
        sub.add_argument(
            option.flag, dest=name, type=option.read, metavar=option.metavar or None, help=option.help,
            default=option.default, action="append" if option.again else "store",
        )  # fmt: skip


def _add_outputs(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--json", metavar="FILE", help='write the result as JSON ("-": to standard output)')
    sub.add_argument("--out", metavar="DIR", help="write tables, figures, JSON and an HTML report into DIR")
    sub.add_argument("--quiet", action="store_true", help="print nothing but errors")


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


def _message(error: BaseException) -> str:
    if isinstance(error, KeyError) and error.args:
        return str(error.args[0])
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename or 'file'}: {error.strerror.lower()}"
    return str(error) or type(error).__name__
