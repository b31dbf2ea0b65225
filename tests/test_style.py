"""Lint and types: what the tools say of the whole tree."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def said_by(tool, *words):
    """Run a tool of this environment over the tree; return what it says, or nothing if it is content."""
    pytest.importorskip(tool)
    if not (ROOT / "pyproject.toml").exists():
        pytest.skip("not a checkout")
    done = subprocess.run(
        [sys.executable, "-m", tool, *words], cwd=ROOT, capture_output=True, text=True, check=False,
        env={**os.environ, "NO_COLOR": "1"},
    )  # fmt: skip
    return "" if done.returncode == 0 else done.stdout[-5000:] + done.stderr[-2000:]


def test_lint():
    assert said_by("ruff", "check", ".") == ""


@pytest.mark.slow
def test_types():
    assert said_by("mypy") == ""
