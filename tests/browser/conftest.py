"""A real browser and a JupyterLab of its own, for the few checks that need them; skipped where there is none.

Selectors are texts and classes, never pixels.
"""

import json
import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import pytest

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
READY = """() => {
  const context = window.jupyterapp?.shell?.currentWidget?.sessionContext;
  return context?.isReady && context.session?.kernel?.status === 'idle';
}"""


@pytest.fixture(scope="session")
def chromium():
    """Debian's chromium, driven by playwright."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("chromium is not installed")
    with api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, headless=True, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def page(chromium):
    """A page that remembers what went wrong (``page.trouble``) and what it asked of the network (``page.asked``)."""
    fresh = chromium.new_page(viewport={"width": 1280, "height": 1000})
    fresh.trouble, fresh.asked = [], []
    fresh.on("console", lambda said: fresh.trouble.append(said.text) if said.type == "error" else None)
    fresh.on("pageerror", lambda error: fresh.trouble.append(str(error)))
    fresh.on("request", lambda request: fresh.asked.append(request.url))
    yield fresh
    fresh.close()


@contextmanager
def running_lab(folder: Path):
    """Start JupyterLab on a folder, with settings of its own; yields a function from path to address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    token, home = secrets.token_hex(16), folder / ".jupyter-home"
    # No toast about news in the pictures, and nothing fetched.
    settings = home / "settings" / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True)
    quiet = {"fetchNews": "false", "checkForUpdates": False}
    (settings / "notification.jupyterlab-settings").write_text(json.dumps(quiet), encoding="utf-8")
    names = (
        "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR", "JUPYTERLAB_WORKSPACES_DIR",
    )  # fmt: skip
    places = {name: str(home / name.lower()) for name in names} | {
        "JUPYTERLAB_SETTINGS_DIR": str(home / "settings")
    }
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ip=127.0.0.1", f"--port={port}",
        "--ServerApp.port_retries=0", f"--IdentityProvider.token={token}", f"--ServerApp.root_dir={folder}",
        "--LabApp.expose_app_in_browser=True",
    ]  # fmt: skip
    log = (home / "log").open("w", encoding="utf-8")
    server = subprocess.Popen(command, env={**os.environ, **places}, stdout=log, stderr=subprocess.STDOUT)
    try:
        _wait_for(f"http://127.0.0.1:{port}/api/status?token={token}", server, home / "log")
        yield lambda path: f"http://127.0.0.1:{port}/lab/tree/{path}?token={token}&reset"
    finally:
        server.send_signal(signal.SIGTERM)  # takes its kernels along
        server.wait(timeout=30)
        log.close()


def _wait_for(address, server, log, seconds=90):
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if server.poll() is not None:
            break
        try:
            with urllib.request.urlopen(address, timeout=5):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    pytest.fail(f"JupyterLab did not start:\n{log.read_text(encoding='utf-8')[-2000:]}")


@pytest.fixture
def lab(tmp_path):
    """JupyterLab on a temporary folder: put files into ``lab.folder``, open ``lab.address(name)``."""
    with running_lab(tmp_path) as address:
        yield type("Lab", (), {"folder": tmp_path, "address": staticmethod(address)})


def run_all(page, address, seconds=120):
    """Open a notebook and run all its cells; returns when the last one is done."""
    page.goto(address)
    page.wait_for_function(READY, timeout=60_000)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    done = """() => {
      const cells = window.jupyterapp.shell.currentWidget.content.widgets.filter(c => c.model.type === 'code');
      return cells.every(c => c.model.executionCount)
        || cells.some(c => c.model.outputs.toJSON().some(o => o.output_type === 'error'));
    }"""
    page.wait_for_function(done, timeout=seconds * 1000)
    page.wait_for_function(READY, timeout=30_000)


@pytest.fixture(name="run_all")
def run_all_fixture():
    """See :func:`run_all`."""
    return run_all
