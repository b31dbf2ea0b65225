"""thermnet: how much power may a notebook computer draw, and for how long.

The public names below are loaded when first used, so that ``import thermnet`` stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from thermnet import explore, lessons, materials, physics, show, studies, units, verify
    from thermnet.design.design import Design
    from thermnet.design.load import list_designs, load_design
    from thermnet.errors import (
        ConvergenceError,
        DesignError,
        NetworkError,
        ThermalRunawayError,
        ThermnetError,
        UnitError,
    )
    from thermnet.firmware.workload import Workload
    from thermnet.network import DryOut, Leakage, SurfaceExchange, ThermalNetwork
    from thermnet.run import Run, load_run
    from thermnet.studies.study import Study

__version__ = "0.1.0"

_NAMES = {
    "ThermalNetwork": "network", "SurfaceExchange": "network", "DryOut": "network", "Leakage": "network",
    "Run": "run", "load_run": "run",
    "Design": "design.design", "list_designs": "design.load", "load_design": "design.load",
    "Workload": "firmware.workload",
    "Study": "studies.study",
    "ThermnetError": "errors", "DesignError": "errors", "NetworkError": "errors", "UnitError": "errors",
    "ThermalRunawayError": "errors", "ConvergenceError": "errors",
}  # fmt: skip
"""Public name to the module it lives in.  A new public name is one entry here."""

_ROOMS = ("explore", "lessons", "materials", "physics", "show", "studies", "units", "verify")
"""Modules reached as attributes (``thermnet.studies.burst_budget``)."""

__all__ = [
    "ConvergenceError",
    "Design",
    "DesignError",
    "DryOut",
    "Leakage",
    "NetworkError",
    "Run",
    "Study",
    "SurfaceExchange",
    "ThermalNetwork",
    "ThermalRunawayError",
    "ThermnetError",
    "UnitError",
    "Workload",
    "__version__",
    "explore",
    "lessons",
    "list_designs",
    "load_design",
    "load_run",
    "materials",
    "physics",
    "show",
    "studies",
    "units",
    "verify",
]


def __getattr__(name: str) -> Any:
    if name in _NAMES:
        value = getattr(import_module(f"thermnet.{_NAMES[name]}"), name)
        globals()[name] = value
        return value
    if name in _ROOMS:
        return import_module(f"thermnet.{name}")
    raise AttributeError(f"module 'thermnet' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
