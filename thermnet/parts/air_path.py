"""An air path: fans blow room air over the board and through fin stacks out of the machine."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

import networkx as nx
import numpy as np

from thermnet.errors import Problem
from thermnet.materials import air
from thermnet.network import nearest
from thermnet.parameter import names, quantity, text
from thermnet.parts import posture as postures
from thermnet.parts.base import Assembly, Part
from thermnet.parts.fan import Fan
from thermnet.parts.fins import FinStack
from thermnet.physics import airflow
from thermnet.physics.fins import LARGEST_TRANSFER_UNITS, Impedance, effectiveness, outlet_cell_conductance

LARGEST_RECIRCULATION = 0.6


class AirState(NamedTuple):
    """What the air of one path does at given fan speeds.

    Attributes
    ----------
    flow : m^3/s
        Through the machine, at the density of the room's air.
    fan_flows, stack_flows : dict of str to m^3/s
        By fan and by fin stack; a negative fan flow runs backwards.
    fan_pressure, stack_pressure : Pa
        Rise over the fans, drop over the fins.
    capacity_rate : W/K
        Mass flow times specific heat, natural draft included.
    stack_rates, conductances, effectiveness, reynolds : dict
        By fin stack: capacity rate and conductance base to air in W/K, effectiveness, Reynolds number.
    recirculation : float
        Share of the inlet air that is exhaust air.
    """

    flow: Any
    fan_flows: dict[str, Any]
    stack_flows: dict[str, Any]
    fan_pressure: Any
    stack_pressure: Any
    capacity_rate: Any
    stack_rates: dict[str, Any]
    conductances: dict[str, Any]
    effectiveness: dict[str, Any]
    reynolds: dict[str, Any]
    recirculation: Any


@dataclass(frozen=True, kw_only=True)
class AirPath(Part):
    """Fans in parallel into a plenum, from it fin stacks in parallel, between an inlet and an outlet grille.

    Adds massless air nodes ``<name>.inlet``, ``<name>.<stack>_air`` for every fin stack and
    ``<name>.exhaust``, the streams between them, and the links from fins and board to the air.  Add it after
    its fin stacks and the board.

    Example: ``AirPath(fans=("fan",), fins=("fins",), inlet_area=2.2e-4, outlet_area=2.2e-4)``.
    """

    kind: ClassVar[str] = "air_path"

    fans: tuple[str, ...] = names(doc="fans that blow into the plenum")
    fins: tuple[str, ...] = names(doc="fin stacks that the air leaves through, side by side")
    inlet_area: Any = quantity(
        "m^2", shown="mm^2", above=0.0, at_most=0.1, plausible=(1e-4, 2e-3), tolerance=0.1,
        step=1e-5,
        doc="narrowest open area on the way in: grille, or gap between fan and cover",
    )  # fmt: skip
    inlet_loss: Any = quantity(
        "1", default=1.5, at_least=0.0, at_most=100.0, plausible=(0.5, 5.0), tolerance=0.2,
        step=0.1,
        doc="loss on the way in, in velocity heads of inlet_area",
    )  # fmt: skip
    outlet_area: Any = quantity(
        "m^2", shown="mm^2", above=0.0, at_most=0.1, plausible=(1e-4, 2e-3), tolerance=0.1,
        step=1e-5,
        doc="open area of the outlet grille",
    )  # fmt: skip
    outlet_loss: Any = quantity(
        "1", default=1.0, at_least=0.0, at_most=100.0, plausible=(0.5, 5.0), tolerance=0.2,
        step=0.1,
        doc="loss on the way out, in velocity heads of outlet_area",
    )  # fmt: skip
    recirculation: Any = quantity(
        "1", default=0.1, at_least=0.0, at_most=0.5, plausible=(0.05, 0.2), absolute_tolerance=0.05,
        step=0.01,
        doc="share of the inlet air that is exhaust air",
    )  # fmt: skip
    preheat_from: str = text(
        default="", doc="board whose node <part>.board warms the air on its way to the fans"
    )
    preheat_area: Any = quantity(
        "m^2", default=0.0, shown="cm^2", at_least=0.0, at_most=0.1, plausible=(0.0, 0.015),
        step=1e-4,
        doc="board area that the air sweeps",
    )  # fmt: skip
    preheat_gap: Any = quantity(
        "m", default=0.002, shown="mm", above=0.0, at_most=0.05, plausible=(0.001, 0.004),
        step=1e-4,
        doc="height of the passage over the board",
    )  # fmt: skip
    natural_draft: Any = quantity(
        "W/K", default=0.02, above=0.0, at_most=1.0, plausible=(0.005, 0.1), step=0.005,
        doc="heat capacity of the air that still moves when the fans stand still",
    )  # fmt: skip
    inlet_from: str = text(default="", doc="air path whose exhaust feeds this inlet instead of the room")
    film_rise: Any = quantity(
        "K", default=15.0, at_least=0.0, at_most=60.0, plausible=(5.0, 30.0), step=1.0,
        doc="air in the fins above the room, for its properties",
    )  # fmt: skip

    def __post_init__(self) -> None:
        super().__post_init__()
        for what, given in (("fans", self.fans), ("fins", self.fins)):
            if isinstance(given, str) or not given:
                raise ValueError(f'AirPath.{what}: {given!r}; expected a list of names, e.g. ["{what[:-1]}"]')
            if len(set(given)) != len(given):
                raise ValueError(f"AirPath.{what}: {given!r}; expected each name once")

    # -- flow ----------------------------------------------------------------------------------------------

    def state(
        self,
        parts: Mapping[str, Part],
        speeds: Mapping[str, Any],
        *,
        ambient: Any = 25.0,
        air_density_ratio: Any = 1.0,
        posture: Mapping[str, Any] | None = None,
    ) -> AirState:
        """Solve the flow at given fan speeds.

        Parameters
        ----------
        parts : mapping of str to Part
            Where the fans and fin stacks are found by name.
        speeds : mapping of str to rpm
            Command of each fan (a fan left out stands still): numbers, (samples,) or (levels, 1).
        ambient : float or array
            Room temperature, degC.
        air_density_ratio : float or array
            Density of the room's air over that at sea level and the same temperature.
        posture : mapping, optional
            ``inlet_blocked`` and ``recirculation`` as in ``thermnet.parts.posture``.

        Raises
        ------
        ValueError
            An unknown fan or fin stack, or a part of another kind.
        """
        posture = posture or {}
        fans = {name: _part(parts, name, Fan, "fan") for name in self.fans}
        stacks = {name: _part(parts, name, FinStack, "fin stack") for name in self.fins}
        room = np.asarray(ambient, dtype=float)
        pressure = air.STANDARD_PRESSURE * np.asarray(air_density_ratio, dtype=float)
        film = room + self.film_rise
        cold, warm = air.density(room, pressure), air.density(film, pressure)
        swell = cold / warm
        # Impedances on the volume flow at the fans; the air has swollen by the time it is in the fins.
        resistances = [_swollen(stack.impedance(film, pressure), swell) for stack in stacks.values()]
        way_in = airflow.opening_loss(
            self.inlet_loss * postures.inlet_loss_factor(posture), self.inlet_area, cold
        )
        way_out = airflow.opening_loss(self.outlet_loss, self.outlet_area, warm) * swell**2
        running = [fan.running(speeds.get(name, 0.0), cold) for name, fan in fans.items()]
        point = airflow.operating_point(running, resistances, way_in + way_out)

        heat_capacity = cold * air.specific_heat(room, pressure)
        rate = airflow.with_natural_draft(heat_capacity * point.flow, self.natural_draft)
        rates = [rate * share for share in _shares(point.stack_flows, resistances)]
        conductances = [
            stack.conductance(flow * swell, film, pressure)
            for stack, flow in zip(stacks.values(), point.stack_flows, strict=True)
        ]
        units = [
            np.minimum(ua / w, LARGEST_TRANSFER_UNITS) for ua, w in zip(conductances, rates, strict=True)
        ]
        extra = np.asarray(posture.get("recirculation", 0.0), dtype=float)
        again = np.minimum(self.recirculation + extra, LARGEST_RECIRCULATION)
        return AirState(
            flow=point.flow,
            fan_flows=dict(zip(fans, point.fan_flows, strict=True)),
            stack_flows=dict(zip(stacks, point.stack_flows, strict=True)),
            fan_pressure=point.fan_pressure,
            stack_pressure=point.stack_pressure,
            capacity_rate=rate,
            stack_rates=dict(zip(stacks, rates, strict=True)),
            conductances=dict(zip(stacks, conductances, strict=True)),
            effectiveness=dict(zip(stacks, (effectiveness(u) for u in units), strict=True)),
            reynolds={
                name: stack.reynolds(flow * swell, film, pressure)
                for (name, stack), flow in zip(stacks.items(), point.stack_flows, strict=True)
            },
            recirculation=again,
        )

    # -- network -------------------------------------------------------------------------------------------

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add the air nodes, the streams between them and the links from fins and board.

        Raises
        ------
        ValueError
            A fan, fin stack, board or air path that is unknown or not there yet, or air that goes in a
            circle.
        """
        wrong = check_air_routes(assembly.parts, only=name)
        if wrong:
            raise ValueError("; ".join(str(problem) for problem in wrong))
        state = _state(assembly, self)
        net, rate = assembly.network, state.capacity_rate
        inlet, exhaust = f"{name}.inlet", f"{name}.exhaust"
        for place in (inlet, *(f"{name}.{stack}_air" for stack in self.fins), exhaust):
            net.add_node(place, part=name)
        fresh = rate * (1.0 - state.recirculation)
        taken = self._from_other(assembly, fresh)
        given = [_fed(assembly, name, fresh, other) for other in _consumers(assembly.parts, name)]
        _stream(net, "ambient", inlet, fresh - taken)
        _stream(net, exhaust, inlet, rate * state.recirculation)
        _stream(net, exhaust, "ambient", np.maximum(fresh - sum(given), 0.0))
        for stack in self.fins:
            cell = f"{name}.{stack}_air"
            w = state.stack_rates[stack]
            net.add_stream(inlet, cell, capacity_rate=w)
            net.add_stream(cell, exhaust, capacity_rate=w)
            net.add_link(
                _node(net, f"{stack}.base", f"air path {name!r}"), cell,
                conductance=outlet_cell_conductance(w, state.conductances[stack]),
            )  # fmt: skip
        if self.preheat_from:
            net.add_link(
                _node(net, f"{self.preheat_from}.board", f"air path {name!r}"), inlet,
                conductance=self._preheat(assembly, state),
            )  # fmt: skip
        # The stream between two paths is added by the one that comes second.
        if self.inlet_from and f"{self.inlet_from}.exhaust" in net.graph:
            _stream(net, f"{self.inlet_from}.exhaust", inlet, taken)
        for other, flow in zip(_consumers(assembly.parts, name), given, strict=True):
            if f"{other}.inlet" in net.graph:
                _stream(net, exhaust, f"{other}.inlet", flow)

    def _from_other(self, assembly: Assembly, wanted: Any) -> Any:
        if not self.inlet_from:
            return 0.0
        other = assembly.parts[self.inlet_from]
        assert isinstance(other, AirPath)
        state = _state(assembly, other)
        offered = (
            state.capacity_rate
            * (1.0 - state.recirculation)
            / len(_consumers(assembly.parts, self.inlet_from))
        )
        return np.minimum(wanted, offered)

    def _preheat(self, assembly: Assembly, state: AirState) -> Any:
        pressure = air.STANDARD_PRESSURE * np.asarray(assembly.air_density_ratio, dtype=float)
        conductance = airflow.passage_conductance(
            state.flow, self.preheat_area, self.preheat_gap, _room(assembly), pressure
        )
        return outlet_cell_conductance(state.capacity_rate, conductance)


def operating_flow(assembly: Assembly, name: str) -> AirState:
    """Flow, pressures and effectiveness of the air path ``name`` at the assembly's fan speeds.

    Raises
    ------
    ValueError
        No air path of that name.
    """
    return _state(assembly, _part(assembly.parts, name, AirPath, "air path"))


def check_air_routes(parts: Mapping[str, Part], *, only: str | None = None) -> list[Problem]:
    """List what is wrong with the air paths of a design.

    Unknown names and parts of the wrong kind, a fan or fin stack in two paths, a preheating board that is not
    there, and air that goes in a circle through ``inlet_from``.

    Parameters
    ----------
    parts : mapping of str to Part
    only : str, optional
        Report on this air path only.
    """
    paths = {name: part for name, part in parts.items() if isinstance(part, AirPath)}
    found: list[Problem] = []
    for name, path in paths.items():
        if only is None or name == only:
            found += _names_wrong(parts, name, path)
    for field, kind in (("fans", "fan"), ("fins", "fin stack")):
        users: dict[str, list[str]] = {}
        for name, path in paths.items():
            for used in getattr(path, field):
                users.setdefault(used, []).append(name)
        found += [
            Problem(
                f"parts.{by[1]}.{field}",
                f"{used!r} already belongs to {by[0]!r}",
                f"each {kind} in one air path",
            )
            for used, by in users.items()
            if len(by) > 1 and (only is None or only in by)
        ]
    routes = nx.DiGraph()
    routes.add_edges_from((path.inlet_from, name) for name, path in paths.items() if path.inlet_from)
    for circle in nx.simple_cycles(routes):
        start = circle.index(min(circle))
        order = circle[start:] + circle[:start]
        if only is None or only in order:
            found.append(
                Problem(
                    f"parts.{order[0]}.inlet_from",
                    "air goes in a circle: " + " -> ".join([*order, order[0]]),
                    "a route that begins in the room",
                )
            )
    return found


def _names_wrong(parts: Mapping[str, Part], name: str, path: AirPath) -> list[Problem]:
    wanted: list[tuple[str, str, type[Part], str]] = [
        (f"parts.{name}.fans", f, Fan, "fan") for f in path.fans
    ]
    wanted += [(f"parts.{name}.fins", stack, FinStack, "fin stack") for stack in path.fins]
    if path.inlet_from:
        wanted.append((f"parts.{name}.inlet_from", path.inlet_from, AirPath, "air path"))
    if path.preheat_from:
        wanted.append((f"parts.{name}.preheat_from", path.preheat_from, Part, "board"))
    found = []
    for key, given, kind, word in wanted:
        if not isinstance(parts.get(given), kind):
            known = [n for n, part in parts.items() if isinstance(part, kind)]
            what = f"unknown part {given!r}" if given not in parts else f"{given!r} is no {word}"
            found.append(Problem(key, what, f"the name of a {word} (known: {', '.join(known) or 'none'})"))
    return found


def _part(parts: Mapping[str, Part], name: str, kind: type[Any], word: str) -> Any:
    part = parts.get(name)
    if not isinstance(part, kind):
        known = [n for n, other in parts.items() if isinstance(other, kind)]
        raise ValueError(f"{word} {name!r} is not among the parts; known: {', '.join(known) or 'none'}")
    return part


def _node(network: Any, node: str, owner: str) -> str:
    if node not in network.graph:
        hint = nearest(node, list(network.graph.nodes))
        raise ValueError(f"{owner}: no node {node!r} yet{hint} (add its part before the air path)")
    return node


def _stream(network: Any, a: str, b: str, rate: Any) -> None:
    if np.any(np.asarray(rate) > 0):
        network.add_stream(a, b, capacity_rate=rate)


def _room(assembly: Assembly) -> Any:
    return assembly.ambient(0.0) if callable(assembly.ambient) else assembly.ambient


def _state(assembly: Assembly, path: AirPath) -> AirState:
    return path.state(
        assembly.parts, assembly.speeds, ambient=_room(assembly),
        air_density_ratio=assembly.air_density_ratio, posture=assembly.posture,
    )  # fmt: skip


def _consumers(parts: Mapping[str, Part], name: str) -> list[str]:
    return [n for n, part in parts.items() if isinstance(part, AirPath) and part.inlet_from == name]


def _fed(assembly: Assembly, name: str, offered: Any, consumer: str) -> Any:
    """Flow in W/K from the exhaust of ``name`` to a consumer: what it draws, or its share of the offer."""
    other = assembly.parts[consumer]
    assert isinstance(other, AirPath)
    state = _state(assembly, other)
    wanted = state.capacity_rate * (1.0 - state.recirculation)
    return np.minimum(wanted, offered / len(_consumers(assembly.parts, name)))


def _swollen(impedance: Impedance, swell: Any) -> Impedance:
    return Impedance(impedance.linear * swell, impedance.quadratic * swell**2)


def _shares(flows: tuple[Any, ...], impedances: list[Impedance]) -> list[Any]:
    """Split of the flow over the stacks; at no flow, the limit of a slow flow."""
    total = sum(flows)
    slow = [1.0 / impedance.linear for impedance in impedances]
    still = total <= 0
    safe = np.where(still, 1.0, total)
    return [np.where(still, s / sum(slow), flow / safe) for flow, s in zip(flows, slow, strict=True)]
