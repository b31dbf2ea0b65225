"""The wheel: it holds every file the package needs, and works where there is no checkout."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import thermnet as tn

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Path of a wheel built from this checkout."""
    builders = pytest.importorskip("hatchling.builders.wheel", reason="hatchling is not installed")
    folder = tmp_path_factory.mktemp("wheel")
    return Path(next(builders.WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])))


@pytest.fixture(scope="module")
def unpacked(wheel, tmp_path_factory):
    """Folder into which the wheel was unpacked, as an installer does."""
    folder = tmp_path_factory.mktemp("unpacked")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder)
    return folder


def inside(folder):
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


def test_every_file_of_the_package_and_every_reference_case_is_in_the_wheel(unpacked):
    found = inside(unpacked / "thermnet")
    wanted = inside(ROOT / "thermnet") | {f"verify/cases/{name}" for name in inside(ROOT / "reference_cases")}
    assert found == wanted
    # Kinds of files that are no modules, one of each: a rule that drops a kind would drop it on both sides.
    for name in (
        "py.typed", "app/app.ipynb", "app/jupyter/voila/templates/thermnet/index.html.j2", "design/data/tern-14.toml",
        "materials/tables/water.csv", "show/templates/report.html.j2", "verify/cases/water_pressure.toml",
    ):  # fmt: skip
        assert name in found


def test_nothing_but_the_package_is_installed(unpacked):
    tops = {path.name.split("-")[0] for path in unpacked.iterdir()}
    assert tops == {"thermnet"}


def test_the_wheel_works_without_the_checkout(unpacked, tmp_path):
    program = (
        "import thermnet as tn, thermnet.verify as v, thermnet.app.serve as s; print(tn.__file__); "
        "print(len(v.load_cases())); print(tn.load_design('heron-16').simulate(20.0, duration=1.0).temperature('cpu.hot_spot')[-1]); "
        "print(s.NOTEBOOK.is_file() and (s.TEMPLATES / 'voila').is_dir())"
    )
    # Compiled code is of no use to one second, and would be compiled again beside the unpacked wheel.  Uncompiled, the same
    # functions must say the same.
    places = {"PYTHONPATH": str(unpacked), "NUMBA_DISABLE_JIT": "1", "PYTHONWARNINGS": "error"}
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env={**os.environ, **places},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    place, cases, end, app = done.stdout.split()
    assert Path(place).is_relative_to(unpacked)
    assert int(cases) == len(list((ROOT / "reference_cases").glob("*.toml")))
    compiled = tn.load_design("heron-16").simulate(20.0, duration=1.0)
    assert float(end) == pytest.approx(compiled.temperature("cpu.hot_spot")[-1], rel=1e-9)
    assert app == "True"
