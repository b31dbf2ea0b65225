"""Start the app's server: voila on the packaged notebook, on this machine only unless told otherwise."""

from __future__ import annotations

import os
import sys
from importlib.util import find_spec
from pathlib import Path

from thermnet.errors import DesignError, Problem

NOTEBOOK = Path(__file__).with_name("app.ipynb")
IDLE = 600
"""s after which the kernel of a visitor who has left is ended."""


def command(
    port: int = 8866, *, host: str = "127.0.0.1", browser: bool = False, idle: int = IDLE
) -> list[str]:
    """Command line that serves the app.

    Raises
    ------
    DesignError
        voila is not installed, or the port is none.
    """
    if not 1 <= port <= 65535:
        raise DesignError("app", [Problem("--port", str(port), "a number from 1 to 65535")])
    if find_spec("voila") is None:
        raise DesignError(
            "app", [Problem("voila", "is not installed", "the extra app", 'pip install "thermnet[app]"')]
        )
    return [
        sys.executable, "-m", "voila", str(NOTEBOOK), f"--port={port}", f"--Voila.ip={host}", "--show_tracebacks=True",
        *([] if browser else ["--no-browser"]),
        f"--MappingKernelManager.cull_idle_timeout={idle}", f"--MappingKernelManager.cull_interval={max(1, min(60, idle // 2))}",
    ]  # fmt: skip


def serve(port: int = 8866, *, host: str = "127.0.0.1", browser: bool = False) -> None:
    """Serve the app until stopped; takes the place of this process, so that one signal ends it all."""
    words = command(port, host=host, browser=browser)
    sys.stdout.flush()
    # A kernel starts in the notebook's folder, which is the package's own; the notebook goes where we are.
    os.execve(words[0], words, {**os.environ, "THERMNET_APP_FOLDER": str(Path.cwd())})
