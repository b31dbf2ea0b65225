"""What is handed over to colleagues: linear models, reduced estimators, circuit netlists."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from thermnet import __version__
from thermnet.design.design import Design
from thermnet.errors import NetworkError
from thermnet.network.graph import ThermalNetwork, nearest
from thermnet.solve.linear_model import LinearModel, load_linear_model, network_model
from thermnet.solve.netlist import network_netlist
from thermnet.solve.pack import mode_of
from thermnet.solve.plant_model import plant_model
from thermnet.solve.reduced_model import ReducedModel, reduced_model
from thermnet.studies.held_power import HeldPower

ROOM_STEP = 0.5
"""K; how much cooler and warmer a room the slope along the ambient is taken between."""


def linear_model(
    source: Design | ThermalNetwork, mode: str = "desk", ambient: float | None = None,
    power: float | Mapping[str, float] | None = None, *, split: Mapping[str, float] | None = None,
    heated: Sequence[str] | None = None,
) -> LinearModel:  # fmt: skip
    """Linearise a design (in a mode, soaked at a power) or a bare network (at its steady state).

    Parameters
    ----------
    source : Design or ThermalNetwork
    mode : str
        Of a design: where its tables put the fans at the operating point.
    ambient : float, optional
        degC; the design's own if left out.
    power : float, or mapping of chip (of a network: node) to W, optional
        At the operating point; the mode's sustained limits if left out.
    split : mapping of chip to share, optional
        How several chips share a power given as one number.
    heated : sequence of node names, optional
        Of a network: nodes whose heat is an input.

    Returns
    -------
    LinearModel
        Inputs ``power.<chip>``, ``heat.<part>``, ``fan_speed.<fan>``, ``ambient`` of a design;
        ``heat.<node>`` and the boundaries of a network.  Chip power includes leakage.

    Raises
    ------
    NetworkError, ValueError
        Unknown names, an impossible power, no steady state.
    """
    if isinstance(source, ThermalNetwork):
        if power is not None and not isinstance(power, Mapping):
            raise ValueError(f"power {power!r}; expected a mapping of node to W for a network")
        return network_model(source, power, heated)
    if not isinstance(source, Design):
        raise ValueError(f"{type(source).__name__}; expected a Design or a ThermalNetwork")
    held = HeldPower.of(source, mode, ambient, "idle", split)
    control = source.modes[mode].chips
    if power is None:
        power = {name: chip.sustained_limit for name, chip in control.items()}
    soak = held.soak_at(power)
    watts = {chip.name: float(w) for chip, w in zip(held.plant.machine.chips, soak.power, strict=True)}
    facts = {
        "thermnet": __version__, "design": source.name, "mode": mode, "ambient_degC": held.ambient,
        "posture": source.posture, "power_W": watts,
    }  # fmt: skip
    rooms = [source.plant(held.ambient + step, held.plant.period) for step in (-ROOM_STEP, ROOM_STEP)]
    return plant_model(held.plant, held.silicon, soak, facts, (rooms[0], rooms[1]))


def netlist(
    source: Design | ThermalNetwork, power: Any = None, duration: float = 600.0, *, mode: str | None = "desk",
    ambient: float | None = None, initial: Any = "steady", laws: str = "exact", output: str = "temperatures.txt",
) -> str:  # fmt: skip
    """Write a design or a network, with its powers over time, as a circuit netlist.

    Parameters
    ----------
    source : Design or ThermalNetwork
    power : number, (times, watts), or mapping of chip (of a network: node) to either
        W, held piecewise constant; the mode's sustained limits of a design if left out.  A number or pair alone is
        that of the first chip; chips left out idle.
    duration : float
        s.
    mode, ambient : str, float
        Of a design: the fans stand at the mode's noise cap (at full speed with None).
    initial : float, mapping, or "steady"
        As for :func:`thermnet.solve.netlist.network_netlist`.
    laws : "exact" or "held"
    output : str
        File that the simulator writes.

    Returns
    -------
    str
        Netlist text; see :func:`thermnet.solve.netlist.network_netlist`.

    Notes
    -----
    A chip's power goes to its blocks by their shares (its leakage with it), and its regulators' losses follow.
    """
    if isinstance(source, ThermalNetwork):
        return network_netlist(source, power, duration, initial=initial, laws=laws, output=output)
    if not isinstance(source, Design):
        raise ValueError(f"{type(source).__name__}; expected a Design or a ThermalNetwork")
    network = source.network(mode, ambient)
    where = f"{source.name}, mode {mode or 'none, fans at full speed'}"
    return network_netlist(
        network, node_powers(source, power, mode, ambient), duration, initial=initial, laws=laws, output=output,
        title=where,
    )  # fmt: skip


def node_powers(
    design: Design, power: Any = None, mode: str | None = "desk", ambient: float | None = None
) -> dict[str, Any]:
    """Heat of a design by node, W or (times, watts), for powers of its chips as in :func:`netlist`.

    Everything else that heats gives its nominal heat.  What comes out can be given to the design's network.
    """
    machine = design.machine(ambient)
    chips = {chip.name: chip for chip in machine.chips}
    if power is None:
        if mode is None:
            raise ValueError("give the power, or a mode whose sustained limits to take")
        control = mode_of(design.modes, mode).chips
        power = {name: chip.sustained_limit for name, chip in control.items()}
    asked = dict(power) if isinstance(power, Mapping) else {next(iter(chips)): power}
    unknown = [name for name in asked if name not in chips]
    if unknown:
        raise NetworkError(f"power of {unknown[0]!r}{nearest(unknown[0], chips)}")
    pieces: dict[str, list[tuple[Any, Any]]] = {}
    for name, chip in chips.items():
        times, watts = _steps(asked.get(name, machine.idle_power.get(name, 2.0)), name)
        for shares in (chip.share, chip.follow):
            for node, share in shares.items():
                pieces.setdefault(node, []).append((times, share * watts))
    for nodes, value in machine.sources.values():
        for node, share in nodes.items():
            pieces.setdefault(node, []).append((np.zeros(1), np.array([float(share * value)])))
    return {node: _summed(rows) for node, rows in pieces.items()}


def _steps(power: Any, name: str) -> tuple[Any, Any]:
    if isinstance(power, tuple | list) and len(power) == 2:
        times, watts = np.asarray(power[0], dtype=float), np.asarray(power[1], dtype=float)
    else:
        times, watts = np.zeros(1), np.asarray([power], dtype=float)
    good = (
        times.ndim == watts.ndim == 1
        and times.shape == watts.shape
        and times.size
        and np.all(np.diff(times) > 0)
    )
    if not good or not np.all(np.isfinite(watts)):
        raise ValueError(
            f"power of {name}: {power!r}; expected W, or (times, watts) equally long with rising times"
        )
    return times, watts


def _summed(rows: Sequence[tuple[Any, Any]]) -> Any:
    times = np.unique(np.concatenate([t for t, _ in rows]))
    total = np.zeros(times.size)
    for t, watts in rows:
        at = np.searchsorted(t, times, side="right") - 1
        total += np.where(at >= 0, watts[np.maximum(at, 0)], 0.0)
    return float(total[0]) if times.size == 1 else (times, total)


__all__ = [
    "LinearModel",
    "ReducedModel",
    "linear_model",
    "load_linear_model",
    "netlist",
    "node_powers",
    "reduced_model",
]
