"""Where the kelvins go: from the hot spot to the room, element by element, summing exactly to the whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.assemble import assemble
from thermnet.design.design import Design
from thermnet.errors import NetworkError
from thermnet.network.compiled import CompiledNetwork, compile_network
from thermnet.network.graph import nearest
from thermnet.parts.heat_pipe import HeatPipe
from thermnet.parts.vapor_chamber import VaporChamber
from thermnet.run import Run
from thermnet.studies.heat_flows import Flows
from thermnet.studies.influence import chip_influence, influence_matrix
from thermnet.studies.steady_machine import SteadyMachine
from thermnet.studies.study import Study, provenance
from thermnet.studies.sustained_power import CAUTION

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Entry:
    """One line of the ledger: what lies between two temperatures."""

    element: str
    start: str
    end: str
    start_temperature: float
    drop: float
    heat: float
    link: str


def kelvin_ledger(
    design: Design, mode: str = "desk", ambient: float | None = None, power: float = 28.0, *,
    fan_speed: float | Mapping[str, float] | None = None, at: tuple[Run, float] | None = None, node: str | None = None,
    split: Mapping[str, float] | None = None, progress: bool = False,
) -> Study:  # fmt: skip
    """Follow the heat from the hottest hot spot to the room and write down what each element costs.

    From every node the ledger goes on along the link that carries most heat away; what leaves on other ways stands in
    the table ``branches``.  Air is followed against its flow, so that its warming in the fins, by preheating and by
    recirculation stand on lines of their own.  The drops add up to hot spot minus room exactly.

    Parameters
    ----------
    design : Design
    mode : str
    ambient : float, optional
        degC; the design's own if left out.
    power : float
        Total chip power held, W (without ``at``).
    fan_speed : rpm, or mapping of fan to rpm, optional
        Where the fans stand; if left out, where the mode's tables settle them.
    at : (Run, s), optional
        A run of this design and a time in it: the last recorded moment up to then.
    node : str, optional
        Where to begin; the hottest hot spot if left out.
    split : mapping of chip to share, optional
        How several chips share the power.
    progress : bool
        For likeness with the other studies; the answer comes at once.

    Returns
    -------
    Study
        Table columns ``element``, ``from_node``, ``to_node``, ``from_degC``, ``drop_K``, ``share_percent``,
        ``heat_W``, ``resistance_K_per_W``.  Tables: ``branches`` (where heat leaves or joins the main way), and in
        steady state ``influence`` (K per W of each chip at every limit) and ``reciprocity`` (K per W between
        the hot spots).

    Raises
    ------
    ValueError
        A time outside the run, a run of another design, a power below 0, an ambient above a limit.
    NetworkError
        Unknown node, mode or fan.
    """
    import pandas as pd

    tables: dict[str, Any] = {}
    if at is None:
        if not (np.isfinite(power) and power >= 0):
            raise ValueError(f"power {power!r} W; expected a finite power of 0 W or more")
        machine = SteadyMachine(design, mode, ambient, split)
        point = machine.at(float(power), _speeds(machine, fan_speed))
        compiled, full = point.level.compiled, np.concatenate([point.temperature, point.level.boundary])
        speeds, room = dict(point.speeds), machine.ambient
        heat_in = point.level.sources.heat(machine.demand(point.power), point.temperature)[0]
        where = f"{power:g} W, mode {mode}, {room:g} °C, steady"
        nodes = _watched(machine, compiled)
        matrix = chip_influence(machine, point, nodes)
        chips = {f"per_W_of_{chip}_K_per_W": matrix[:, c] for c, chip in enumerate(machine.chips)}
        tables["influence"] = pd.DataFrame({"node": nodes} | chips)
        spots = [chip.hot_spot for chip in machine.machine.chips]
        if len(spots) > 1:
            between = influence_matrix(compiled, point.temperature, spots)
            columns = {
                f"per_W_in_{name.replace('.', '_')}_K_per_W": between[:, j] for j, name in enumerate(spots)
            }
            tables["reciprocity"] = pd.DataFrame({"node": spots} | columns)
    else:
        compiled, full, speeds, room, moment = _moment(design, *at)
        heat_in = _no_source(design, room, compiled)
        where = f"{moment:g} s into the run, {room:g} °C"
    series = assemble(design, room, speeds).series
    flows = Flows.of(compiled, full)
    start = node or _hottest(design, room, flows)
    entries = follow(flows, start, Elements(design, series))
    total = flows.temperature(start) - flows.temperature(entries[-1].end)
    table = pd.DataFrame([
        {
            "element": e.element, "from_node": e.start, "to_node": e.end, "from_degC": e.start_temperature,
            "drop_K": e.drop, "share_percent": 100.0 * e.drop / total if total else np.nan, "heat_W": e.heat,
            "resistance_K_per_W": e.drop / e.heat if abs(e.heat) > 1e-9 else np.nan,
        }
        for e in entries
    ])  # fmt: skip
    tables = {"branches": branches(flows, entries, heat_in)} | tables
    largest = max(entries, key=lambda entry: entry.drop)
    facts: dict[str, Any] = {
        "hot spot": start, "hot spot temperature": (flows.temperature(start), "degC"), "above the room": (total, "K"),
        "largest element": f"{largest.element}, {largest.drop:.1f} K",
    }  # fmt: skip
    facts |= {f"{name} speed": (speed, "rpm") for name, speed in speeds.items()}
    if at is None and power > 0:
        facts["hot spot to room"] = (total / float(power), "K/W")
    return Study(
        name="kelvin_ledger", title=f"Where the kelvins go in {design.name}: {where}",
        question="From the hot spot to the room: which element costs how many kelvins?",
        table=table, tables=tables, facts=facts,
        assumptions=(
            "The main way is the link that carries most heat from each node; the table of branches has the others.",
            "A joint's drop is shared between its pieces in proportion to their resistances; a pipe's likewise.",
            "Resistance is drop over the heat in that very element, which differs from element to element.",
            "Influence: linearised at this state, fans held where they stand."
            if at is None else "At an instant part of the heat goes into store: see the branches.",
            design.note or "No note on the origin of the design data.",
        ),
        caution=CAUTION,
        provenance=provenance(design, mode=mode if at is None else at[0].provenance.get("mode"), ambient=room,
                              power_W=power if at is None else None, time_s=None if at is None else at[1], fans=speeds),
    )  # fmt: skip


# -- the main way ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Elements:
    """Names for what lies between two nodes, and the pieces of it in series."""

    design: Design
    series: Mapping[str, Sequence[tuple[str, Any]]]

    def pieces(self, link: str, first: str, second: str, backwards: bool) -> list[tuple[str, float]]:
        """(name, weight) of everything between the ends of a link, from ``first`` on; weights are K/W."""
        if link in self.series:
            found = [(what, float(np.asarray(value))) for what, value in self.series[link]]
            return found[::-1] if backwards else found
        part, other = first.partition(".")[0], second.partition(".")[0]
        if part == other:
            return self._inside(part, first, second)
        if "->" not in link:
            return [(link, 1.0)]
        return [
            (f"{part} to {'air' if second.endswith('_air') or second.endswith('.inlet') else second}", 1.0)
        ]

    def _inside(self, name: str, first: str, second: str) -> list[tuple[str, float]]:
        part = self.design.parts.get(name)
        ends = {first.partition(".")[2], second.partition(".")[2]}
        if isinstance(part, HeatPipe | VaporChamber) and ends == {"evaporator", "condenser"}:
            kept = ("vapour", "condenser_wall") if isinstance(part, VaporChamber) else None
            values = part.resistances().items()
            found = [
                (f"{name}: {w.replace('_', ' ')}", float(np.asarray(v)))
                for w, v in values
                if not kept or w in kept
            ]
            return found if first.endswith("evaporator") else found[::-1]
        return [(f"within {name}", 1.0)]


def follow(flows: Flows, start: str, elements: Elements) -> list[Entry]:
    """Follow the main way of the heat from a node to a boundary.

    Raises
    ------
    NetworkError
        No way leads from the node to a boundary.
    """
    flows.temperature(start)
    if start in flows.boundaries:
        raise NetworkError(f"{start!r} is a boundary; expected a node to begin at")
    entries: list[Entry] = []
    here, seen = start, {start}
    while here not in flows.boundaries:
        air = flows.upstream(here)
        if air:
            more, here = _against_the_air(flows, here, air)
            entries += more
        else:
            ways = [way for way in flows.away(here) if way[1] not in seen]
            if not ways:
                raise NetworkError(f"no heat leaves {here!r} towards a boundary: nothing to follow")
            link, there, heat = max(ways, key=lambda way: way[2])
            entries += _through(flows, elements, link, here, there, heat)
            here = there
        if here in seen:
            raise NetworkError(f"the heat goes in a circle at {here!r}")
        seen.add(here)
    return entries


def _through(flows: Flows, elements: Elements, link: str, here: str, there: str, heat: float) -> list[Entry]:
    high, low = flows.temperature(here), flows.temperature(there)
    backwards = next(b for n, _, b, _ in flows.links if n == link) == here
    pieces = elements.pieces(link, here, there, backwards)
    total = sum(weight for _, weight in pieces)
    found, done = [], 0.0
    for what, weight in pieces:
        level = high - (high - low) * done / total
        done += weight
        below = low if done == total else high - (high - low) * done / total
        found.append(Entry(what, here, there, level, level - below, heat, link))
    return found


def _against_the_air(flows: Flows, here: str, air: Sequence[tuple[str, float]]) -> tuple[list[Entry], str]:
    """From an air node to where its air comes from, with what warmed it in between.

    The air of a node is the mixture of what flows in, warmed by the links to it: with the coolest inflow as the origin,
    ``T - T0 = sum(W_u (T_u - T0))/W + sum(heat)/W``.
    """
    origin = min(
        (name for name, _ in air), key=lambda name: (name not in flows.boundaries, flows.temperature(name))
    )
    base, level = flows.temperature(origin), flows.temperature(here)
    rate = sum(w for _, w in air)
    parts = [(_inflow(name), w * (flows.temperature(name) - base)) for name, w in air if name != origin]
    parts += [(_warming(other), -heat)
              for _, other, heat in flows.away(here)]  # fmt: skip
    parts.sort(key=lambda item: -item[1])
    entries, now = [], level
    for i, (what, heat) in enumerate(parts):
        below = base if i == len(parts) - 1 else now - heat / rate
        entries.append(Entry(what, here, origin, now, now - below, heat, ""))
        now = below
    if not parts:
        entries.append(Entry(f"air from {origin}", here, origin, level, level - base, 0.0, ""))
    return entries, origin


def _warming(other: str) -> str:
    return (
        f"air warming in {other.partition('.')[0]}"
        if other.endswith(".base")
        else f"air preheated by {other}"
    )


def _inflow(name: str) -> str:
    return (
        f"exhaust drawn in again by {name.partition('.')[0]}"
        if name.endswith(".exhaust")
        else f"air from {name} mixed in"
    )


def branches(flows: Flows, entries: Sequence[Entry], heat_in: Array) -> Any:
    """List every other flow at the nodes of the main way: heat that leaves, joins, is produced or stored, W.

    ``heat_in`` (n,) is the heat produced in each node, nan where it is not known.
    """
    import pandas as pd

    rows: list[dict[str, Any]] = []
    main = {(e.start, e.link) for e in entries}
    back = {(e.end, e.link) for e in entries}
    for name in dict.fromkeys(e.start for e in entries):
        if flows.upstream(name):
            continue
        ways = flows.away(name)
        on = sum(heat for link, _, heat in ways if (name, link) in main)
        for link, other, heat in ways:
            if (name, link) not in main and (name, link) not in back:
                way = "leaves to" if heat >= 0 else "joins from"
                rows.append({"node": name, "flow": way, "other": other, "heat_W": abs(heat),
                             "share_of_main_percent": 100.0 * abs(heat) / abs(on) if on else np.nan})  # fmt: skip
        produced = float(heat_in[flows.labels.index(name)])
        stored = produced - sum(heat for *_, heat in ways)
        own = (
            ("produced here", produced),
            ("goes into store" if stored > 0 else "comes out of store", abs(stored)),
        )
        for what, heat in own:
            if np.isfinite(heat) and heat > 1e-6:
                rows.append({"node": name, "flow": what, "other": "", "heat_W": heat,
                             "share_of_main_percent": 100.0 * heat / abs(on) if on else np.nan})  # fmt: skip
    columns = ["node", "flow", "other", "heat_W", "share_of_main_percent"]
    return pd.DataFrame(rows, columns=columns)


# -- inside ------------------------------------------------------------------------------------------------------


def _speeds(machine: SteadyMachine, wanted: float | Mapping[str, float] | None) -> dict[str, float] | None:
    if wanted is None:
        return None
    fans = {fan.name: fan.maximum for fan in machine.machine.fans}
    given = dict(wanted) if isinstance(wanted, Mapping) else dict.fromkeys(fans, float(wanted))
    for name, speed in given.items():
        if name not in fans:
            raise NetworkError(f"no fan {name!r}{nearest(name, fans)}")
        if not (np.isfinite(speed) and 0 <= speed <= fans[name]):
            raise ValueError(f"speed of {name} {speed!r} rpm; expected 0 to {fans[name]:g} rpm")
    return {name: float(given.get(name, 0.0)) for name in fans}


def _moment(
    design: Design, run: Run, time: float
) -> tuple[CompiledNetwork, Array, dict[str, float], float, float]:
    """Network and temperatures at the last recorded moment of a run up to ``time`` s."""
    if not (np.isfinite(time) and run.time[0] <= time <= run.time[-1] + 1e-9):
        raise ValueError(
            f"time {time!r} s; expected a moment of the run, {run.time[0]:g} to {run.time[-1]:g} s"
        )
    k = int(np.searchsorted(run.time, time + 1e-9, side="right")) - 1
    speeds: dict[str, float] = {}
    if "fan_speed" in run.channels:
        fans = run.channels["fan_speed"]
        speeds = {name: float(fans.values[k, i]) for i, name in enumerate(fans.labels)}
    room = float(run.provenance.get("ambient_degC", design.ambient))
    compiled = compile_network(assemble(design, room, speeds).network)
    if set(run.names) != {*compiled.nodes, *compiled.boundaries}:
        raise ValueError(f"the run has other nodes than {design.name}; expected a run of this design")
    full = np.array([run.temperature(name)[k] for name in (*compiled.nodes, *compiled.boundaries)])
    return compiled, full, speeds, float(run.temperature("ambient")[k]), float(run.time[k])


def _no_source(design: Design, room: float, compiled: CompiledNetwork) -> Array:
    """Heat produced in each node: 0 where nothing is, nan where something may be (a run does not keep it by node)."""
    machine = design.machine(room)
    heated = [node for chip in machine.chips for node in (*chip.share, *chip.follow)]
    heated += [node for nodes, _ in machine.sources.values() for node in nodes]
    return np.array([np.nan if name in heated else 0.0 for name in compiled.nodes])


def _hottest(design: Design, room: float, flows: Flows) -> str:
    return max((chip.hot_spot for chip in design.machine(room).chips), key=flows.temperature)


def _watched(machine: SteadyMachine, compiled: CompiledNetwork) -> list[str]:
    """Hot spots first, then every node with a limit of its own."""
    spots = [chip.hot_spot for chip in machine.machine.chips]
    return list(dict.fromkeys([*spots, *(q.node for q in machine.limits if q.node in compiled.nodes)]))
