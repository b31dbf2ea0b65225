"""The command that opens explorers and lessons as an app."""

from __future__ import annotations

import argparse


def add_app(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add ``thermnet app`` to the parser."""
    sub = commands.add_parser("app", help="explorers and lessons in the browser, without code")
    sub.add_argument("--port", type=int, default=8866, metavar="P", help="port to serve on (default 8866)")
    sub.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="address to serve on (default: this machine only)",
    )
    sub.add_argument("--open", action="store_true", help="open it in the browser")
    sub.set_defaults(run=run_app)


def run_app(given: argparse.Namespace) -> int:
    """Serve the app until stopped."""
    from thermnet.app.serve import command, serve

    command(given.port, host=given.host)  # refuses before anything is said
    print(f"Explorers and lessons: http://{given.host}:{given.port}/   (Ctrl-C ends them)")
    if given.host not in ("127.0.0.1", "localhost", "::1"):
        print("Caution: everybody who reaches this address can use it; there is no password.")
    serve(given.port, host=given.host, browser=given.open)
    return 0  # not reached where the server takes this process's place
