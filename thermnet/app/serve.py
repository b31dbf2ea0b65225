"""Start the app's server: voila on the packaged notebook, on this machine only unless told otherwise."""

from __future__ import annotations

import os
import socket
import sys
import tempfile
from errno import EACCES, EADDRINUSE
from importlib.util import find_spec
from pathlib import Path

from thermnet.errors import DesignError, Problem

NOTEBOOK = Path(__file__).with_name("app.ipynb")
TEMPLATES = Path(__file__).with_name("jupyter")
"""Folder in which voila finds the app's page (``JUPYTER_PATH``)."""
IDLE = 600
"""s after which the kernel of a visitor who has left is ended."""


def command(
    port: int = 8866, *, host: str = "127.0.0.1", browser: bool = False, idle: int = IDLE
) -> list[str]:
    """Command line that serves the app.

    Raises
    ------
    DesignError
        voila is not installed, or the address is none that can be served on.
    """
    if not 1 <= port <= 65535:
        raise DesignError("app", [Problem("--port", str(port), "a number from 1 to 65535")])
    if find_spec("voila") is None:
        raise DesignError(
            "app", [Problem("voila", "is not installed", "the extra app", 'pip install "thermnet[app]"')]
        )
    _try_address(host, port)
    return [
        sys.executable, "-m", "voila", str(NOTEBOOK), f"--port={port}", f"--Voila.ip={host}",
        # The address told is the one served: no other port in silence, and no chatter around it.
        "--Voila.port_retries=0", "--Voila.log_level=ERROR", "--VoilaConfiguration.show_tracebacks=True",
        "--VoilaConfiguration.template=thermnet",
        *([] if browser else ["--no-browser"]),
        *(["--KernelManager.transport_encryption=auto"] if _can_encrypt() else []),
        f"--MappingKernelManager.cull_idle_timeout={idle}", f"--MappingKernelManager.cull_interval={max(1, min(60, idle // 2))}",
    ]  # fmt: skip


def _try_address(host: str, port: int) -> None:
    """Refuse an address before the server does, with a sentence instead of a traceback or another port."""
    try:
        family, kind, protocol, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as door:
            if os.name == "posix":  # as the server does; elsewhere it would let two programs share a port
                door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            door.bind(place)
    except OSError as error:
        if error.errno == EADDRINUSE:
            problem = Problem(
                "--port",
                f"{port} is taken by another program",
                "a free port",
                f"Try --port {port % 65535 + 1}",
            )
        elif error.errno == EACCES:
            problem = Problem(
                "--port", f"{port} is kept for the administrator", "a number from 1024 to 65535"
            )
        else:
            problem = Problem("--host", host, "an address of this machine, e.g. 127.0.0.1", str(error))
        raise DesignError("app", [problem]) from None


def _can_encrypt() -> bool:
    """Whether messages between server and kernels can be encrypted here."""
    import zmq

    return bool(zmq.has("curve"))


def serve(port: int = 8866, *, host: str = "127.0.0.1", browser: bool = False) -> None:
    """Serve the app until stopped; takes the place of this process, so that one signal ends it all."""
    words = command(port, host=host, browser=browser)
    sys.stdout.flush()
    os.execve(words[0], words, environment())


def environment() -> dict[str, str]:
    """Environment of the server."""
    paths = os.pathsep.join(filter(None, [str(TEMPLATES), os.environ.get("JUPYTER_PATH")]))
    # A kernel starts in the notebook's folder, which is the package's own; the notebook goes where we are.
    return {**os.environ, "JUPYTER_PATH": paths, "THERMNET_APP_FOLDER": str(Path.cwd()), **_folder_to_write()}


def _folder_to_write() -> dict[str, str]:
    """Folder of what the server and its kernels write down, for this run alone where the user's own cannot be written."""
    from jupyter_core.paths import jupyter_data_dir

    own = Path(jupyter_data_dir())
    try:
        own.mkdir(parents=True, exist_ok=True)
        if os.access(own, os.W_OK):
            return {}
    except OSError:
        pass
    folder = tempfile.mkdtemp(prefix="thermnet-app-")
    others = ("JUPYTER_CONFIG_DIR", "MPLCONFIGDIR")  # written too; without one, matplotlib complains on the page
    return {"JUPYTER_DATA_DIR": folder, **{name: os.environ.get(name, folder) for name in others}}
