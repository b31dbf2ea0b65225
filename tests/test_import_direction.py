"""The one-way flow between the rooms of the house, and quick imports."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HEAVY = ("matplotlib", "pandas", "xarray", "numba", "pint", "ipywidgets")


def test_rooms_import_one_way():
    pytest.importorskip("importlinter")
    code = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_cache=True))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def fresh(code):
    """Run code in a fresh process and return what it prints, a word per line."""
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


@pytest.mark.parametrize(
    "module", ["thermnet", "thermnet.cli", "thermnet.network", "thermnet.physics", "thermnet.show"]
)
def test_import_loads_nothing_heavy(module):
    loaded = fresh(f"import sys, {module}; print(*[m for m in {HEAVY!r} if m in sys.modules])")
    assert loaded == []


@pytest.mark.parametrize(("module", "seconds"), [("thermnet", 1.0), ("thermnet.cli", 0.3)])
def test_import_is_quick(module, seconds):
    code = f"import time; t = time.perf_counter(); import {module}; print(time.perf_counter() - t)"
    # The best of three: other work on the machine is not the package's fault.
    assert min(float(fresh(code)[0]) for _ in range(3)) < seconds


def test_public_names_are_all_there():
    import thermnet

    for name in thermnet.__all__:
        assert getattr(thermnet, name) is not None
    assert set(thermnet.__all__) <= set(dir(thermnet))
    with pytest.raises(AttributeError, match="nothing_of_the_kind"):
        _ = thermnet.nothing_of_the_kind


def test_public_names_are_the_real_things():
    import thermnet as tn
    from thermnet.design.load import load_design
    from thermnet.errors import DesignError
    from thermnet.network import ThermalNetwork

    assert tn.ThermalNetwork is ThermalNetwork
    assert tn.load_design is load_design
    assert tn.DesignError is DesignError
    assert callable(tn.studies.burst_budget)
    assert callable(tn.studies.time_to_limit)
    assert callable(tn.verify.run_case)


def test_study_functions_survive_loading_their_modules():
    code = (
        "import thermnet.studies.burst_budget, thermnet.studies.time_to_limit, thermnet as tn;"
        "print(callable(tn.studies.burst_budget) and callable(tn.studies.time_to_limit))"
    )
    assert fresh(code) == ["True"]
