"""Explorers for Jupyter: a question, sliders, and a picture that answers while they move.

``tn.explore.burst("tern-14")`` shows one; ``tn.explore.open_session("burst", "tern-14")`` gives the same without a screen.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from thermnet.explore.panel import Panel
    from thermnet.explore.session import Session

EXPLORERS = {
    "burst": "burst_explorer:BurstExplorer", "stack": "stack_explorer:StackExplorer", "joint": "joint_explorer:JointExplorer",
    "firmware": "firmware_explorer:FirmwareExplorer", "units": "units_explorer:UnitsExplorer",
}
"""Explorer by name: ``module:class`` in this room."""

__all__ = ["burst", "firmware", "joint", "open_session", "stack", "units"]


def open_session(name: str, design: Any = "tern-14", *, baseline: Any = None, **values: Any) -> Session:
    """Open an explorer without a screen.

    Parameters
    ----------
    name : str
        ``burst`` and so on.
    design : Design, name or path
    baseline : mapping, optional
        Values of a state to compare with.
    **values
        Values of controls, as in the call that an explorer tells.

    Raises
    ------
    ValueError, DesignError
        Lists everything that does not fit.
    """
    from thermnet.explore.session import Session, as_design
    from thermnet.wording import any_of, nearest, quoted

    if name not in EXPLORERS:
        raise ValueError(
            f"explorer {quoted(name)}; expected {any_of(EXPLORERS)}. {nearest(name, EXPLORERS)}".rstrip()
        )
    module, _, kind = EXPLORERS[name].partition(":")
    explorer = getattr(import_module(f"thermnet.explore.{module}"), kind)(as_design(design))
    return Session(explorer, baseline, **values)


def burst(design: Any = "tern-14", *, dark: bool = False, baseline: Any = None, **values: Any) -> Panel:
    """How many watts for how long: power limits, start, room, interface and stack by slider, the machine's answer live.

    Parameters
    ----------
    design : Design, name or path
    dark : bool
        Draw on a dark background.
    baseline, **values
        As for :func:`open_session`.
    """
    from thermnet.explore.panel import Panel

    return Panel(open_session("burst", design, baseline=baseline, **values), dark=dark)


def stack(design: Any = "tern-14", *, dark: bool = False, baseline: Any = None, **values: Any) -> Panel:
    """Heat pipes against a vapor chamber: count, diameter, thickness, tilt and interface by slider, both machines live.

    Parameters
    ----------
    design, dark, baseline, **values
        As for :func:`burst`.
    """
    from thermnet.explore.panel import Panel

    return Panel(open_session("stack", design, baseline=baseline, **values), dark=dark)


def joint(design: Any = "tern-14", *, dark: bool = False, baseline: Any = None, **values: Any) -> Panel:
    """Interface between chip and plate: load, bow, uneven screws and material by slider; pressure, bond line and rise as maps.

    Parameters
    ----------
    design, dark, baseline, **values
        As for :func:`burst`.
    """
    from thermnet.explore.panel import Panel

    return Panel(open_session("joint", design, baseline=baseline, **values), dark=dark)


def firmware(design: Any = "tern-14", *, dark: bool = False, baseline: Any = None, **values: Any) -> Panel:
    """Fan table, limits and throttles edited by slider; power, noise, what binds and whether the fans hunt, live.

    Parameters
    ----------
    design, dark, baseline, **values
        As for :func:`burst`.
    """
    from thermnet.explore.panel import Panel

    return Panel(open_session("firmware", design, baseline=baseline, **values), dark=dark)


def units(design: Any = "tern-14", *, dark: bool = False, baseline: Any = None, **values: Any) -> Panel:
    """Every unit off the line: tolerances by slider; histogram, yield, Cpk and what makes the spread, live.

    Parameters
    ----------
    design, dark, baseline, **values
        As for :func:`burst`.
    """
    from thermnet.explore.panel import Panel

    return Panel(open_session("units", design, baseline=baseline, **values), dark=dark)
