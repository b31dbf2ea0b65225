"""Every reference case holds, and every public function of the physics has one."""

import importlib
import inspect
import pkgutil
import sys

import pytest

import thermnet.physics
from thermnet.verify import read_case, run_case
from thermnet.verify.case import default_folder

PATHS = sorted(default_folder().glob("*.toml"))


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_case_holds(path):
    result = run_case(read_case(path))
    assert result.holds, f"{result}\n{result.case.what}\nsource: {result.case.source}"


def public_functions():
    """Names ``module:function`` of every public function defined in thermnet.physics."""
    found = set()
    for module_info in pkgutil.iter_modules(thermnet.physics.__path__, "thermnet.physics."):
        module = importlib.import_module(module_info.name)
        for name, value in vars(module).items():
            function = inspect.unwrap(value) if callable(value) else None
            if name[0] != "_" and inspect.isfunction(function) and function.__module__ == module_info.name:
                found.add(f"{module_info.name}:{name}")
    return found


def run_by(cases):
    """Physics functions that run while the cases run, beside those they name."""
    seen = set()

    def watch(frame, event, _argument):
        module = frame.f_globals.get("__name__", "")
        if event == "call" and module.startswith("thermnet.physics."):
            seen.add(f"{module}:{frame.f_code.co_name}")

    sys.setprofile(watch)
    try:
        for case in cases:
            run_case(case)
    finally:
        sys.setprofile(None)
    return seen


def test_every_public_physics_function_stands_behind_a_case():
    """A case names the function, or the value of a case depends on it."""
    cases = [read_case(path) for path in PATHS]
    named = {case.function for case in cases if case.function}
    without = public_functions() - named - run_by(cases)
    assert not without, "no reference case for:\n" + "\n".join(sorted(without))


def test_there_is_a_whole_machine_and_at_least_25_cases():
    assert len(PATHS) >= 25
    assert any(path.stem == "machine_steady" for path in PATHS)
