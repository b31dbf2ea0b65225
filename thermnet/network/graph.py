"""The thermal graph: nodes, boundaries, links and one-way streams on a networkx graph."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.handover import hand_over
from thermnet.network.laws import ZERO_CELSIUS, Leakage, LinkLaw

if TYPE_CHECKING:
    import pandas as pd

Boundary = Any | Callable[[float], float]
"""degC (a number, or an array over samples), or a callable of time in s."""

SMALLEST_RESISTANCE = 1e-12
"""K/W; less is no resistance at all, and its conductance would drown everything else."""


class ThermalNetwork:
    """A graph of temperatures joined by thermal links.

    Temperatures are in degC, heat in W, capacities in J/K, conductances and capacity rates in W/K, time in s.
    Numeric values may be arrays over samples (all of one length): the compiled form then holds every sample.
    """

    def __init__(self) -> None:
        self.graph: nx.MultiDiGraph = nx.MultiDiGraph()
        self._keys: set[str] = set()

    # -- building ------------------------------------------------------------------------------------------

    def add_node(self, name: str, capacity: Any = 0.0, **labels: Any) -> None:
        """Add a node.

        Parameters
        ----------
        name : str
            Unique name, usually ``part.place``.
        capacity : float or array
            Heat capacity in J/K; 0 for a massless node (air cell, thin interface).
        **labels
            Anything worth keeping beside the node (``part=...``).

        Raises
        ------
        NetworkError
            The name is taken or empty, or the capacity is negative or not finite.
        """
        self._claim(name)
        _checked(capacity, f"node {name!r}: capacity", "J/K", at_least=0.0)
        self.graph.add_node(name, capacity=capacity, boundary=None, heat_laws=[], **labels)

    def add_boundary(self, name: str, temperature: Boundary, **labels: Any) -> None:
        """Add a place of imposed temperature: a number in degC, or a callable of time in s giving degC."""
        self._claim(name)
        if not callable(temperature):
            _checked(temperature, f"boundary {name!r}: temperature", "degC", at_least=-ZERO_CELSIUS)
        self.graph.add_node(name, capacity=0.0, boundary=temperature, heat_laws=[], **labels)

    def add_link(
        self,
        a: str,
        b: str,
        *,
        resistance: Any = None,
        conductance: Any = None,
        law: LinkLaw | None = None,
        name: str | None = None,
    ) -> str:
        """Join two nodes (or a node and a boundary); give exactly one of resistance, conductance, law.

        Returns
        -------
        str
            The link's name, ``"a->b"`` unless given; heat is positive from ``a`` to ``b``.

        Raises
        ------
        NetworkError
            Unknown name, both ends the same, not exactly one value given, or a value that is not positive
            (conductance may be 0).
        """
        self._known(a, b)
        if a == b:
            raise NetworkError(f"link {a!r}->{b!r}: joins a node to itself")
        given = [k for k, v in (("resistance", resistance), ("conductance", conductance), ("law", law)) if v is not None]
        if len(given) != 1:
            raise NetworkError(
                f"link {a!r}->{b!r}: give exactly one of resistance, conductance, law (given: {', '.join(given) or 'none'})"
            )
        if resistance is not None:
            values = _checked(resistance, f"link {a!r}->{b!r}: resistance", "K/W", at_least=SMALLEST_RESISTANCE)
            conductance = 1.0 / values if values.ndim else 1.0 / float(values)
        elif conductance is not None:
            _checked(conductance, f"link {a!r}->{b!r}: conductance", "W/K", at_least=0.0)
        elif isinstance(law, type) or not isinstance(law, LinkLaw):
            raise NetworkError(f"link {a!r}->{b!r}: law {law!r}; expected an object with a conductance(hot, cold) method")
        key = self._edge_key(a, b, name)
        self.graph.add_edge(a, b, key=key, kind="link", conductance=conductance, law=law)
        return key

    def add_stream(self, a: str, b: str, *, capacity_rate: Any, name: str | None = None) -> str:
        """Carry heat one way, from ``a`` to ``b``, with a flow of ``capacity_rate`` = mass flow x specific heat, W/K.

        Every node that streams flow into and out of must pass on what it receives; a node with no outgoing stream
        is an outlet, and only boundaries may be sources of flow.  Checked when the network is compiled.
        """
        self._known(a, b)
        if a == b:
            raise NetworkError(f"stream {a!r}->{b!r}: flows into itself")
        _checked(capacity_rate, f"stream {a!r}->{b!r}: capacity_rate", "W/K", at_least=0.0)
        key = self._edge_key(a, b, name)
        self.graph.add_edge(a, b, key=key, kind="stream", capacity_rate=capacity_rate)
        return key

    def add_leakage(self, node: str, law: Leakage) -> None:
        """Let a node produce heat that grows with its own temperature (leakage of silicon)."""
        self._known(node)
        if self.graph.nodes[node]["boundary"] is not None:
            raise NetworkError(f"leakage at {node!r}: a boundary cannot produce heat")
        if not isinstance(law, Leakage):
            raise NetworkError(f"leakage at {node!r}: {law!r}; expected a Leakage(power, reference, slope)")
        self.graph.nodes[node]["heat_laws"].append(law)

    # -- reading -------------------------------------------------------------------------------------------

    @property
    def nodes(self) -> list[str]:
        """Names of all nodes that are not boundaries, in the order added."""
        return [n for n, d in self.graph.nodes(data=True) if d["boundary"] is None]

    @property
    def boundaries(self) -> list[str]:
        """Names of all boundaries, in the order added."""
        return [n for n, d in self.graph.nodes(data=True) if d["boundary"] is not None]

    def __repr__(self) -> str:
        links = sum(1 for *_, d in self.graph.edges(data=True) if d["kind"] == "link")
        streams = self.graph.number_of_edges() - links
        return (
            f"<ThermalNetwork: {len(self.nodes)} nodes, {len(self.boundaries)} boundaries, "
            f"{links} links, {streams} streams>"
        )

    def check(self) -> None:
        """Raise NetworkError listing everything that keeps the network from being solved."""
        problems = [*self._floating(), *self._stream_balance()]
        if not self.nodes:
            problems.append("the network has no nodes")
        if problems:
            raise NetworkError("; ".join(problems))

    # -- solving (thin: the numerics live in thermnet.solve) ------------------------------------------------

    def steady(self, power: Mapping[str, Any] | None = None, *, guess: Mapping[str, float] | None = None) -> pd.Series[float]:
        """Steady temperatures in degC by node name.

        Parameters
        ----------
        power : mapping
            Heat in W by node name; nodes left out get none.
        guess : mapping, optional
            Starting temperatures by node name for the nonlinear iteration.  It saves work; what is found is the state
            that the network reaches when it warms up from its boundaries.

        Raises
        ------
        NetworkError
            Unknown node, or a malformed network.
        ThermalRunawayError
            Leakage outgrows what the network carries away: there is no steady state.
        """
        found: pd.Series[float] = hand_over("solve.steady:solve_steady")(self, {} if power is None else power, guess=guess)
        return found

    def transient(
        self,
        power: Mapping[str, Any] | None = None,
        duration: float | None = None,
        *,
        initial: float | Mapping[str, float] | str = 25.0,
        times: Iterable[float] | None = None,
        tolerance: float = 0.01,
        progress: bool = False,
    ) -> Any:
        """Temperatures over time.

        Parameters
        ----------
        power : mapping
            By node name: a number of W, a pair ``(times, watts)`` held piecewise constant (nothing before the first
            time), or a callable of time.  Steps belong in a pair: a callable is only seen where the solver looks, at
            least a hundred times in a run.
        duration : float
            Length of the run in s (the last of ``times`` if left out).
        initial : float, mapping (or Series) or "steady"
            Temperatures at the start, degC; a mapping may leave out nodes without capacity, which follow the others;
            ``"steady"`` solves the steady state of the power at time 0.
        times : iterable of float, optional
            Where to report, s; the solver's own steps if left out.
        tolerance : float
            Error in K that the solver controls.  Networks of constant links with constant or stepped powers and fixed
            boundaries are solved exactly, up to 300 nodes.
        progress : bool
            Show a progress bar.

        Returns
        -------
        thermnet.Run

        Raises
        ------
        NetworkError
            Unknown node, a value that is not a power or a temperature, or a malformed network.
        ThermalRunawayError
            ``initial="steady"`` has no steady state.  A runaway later on ends the run, with that status.
        """
        return hand_over("solve.transient:solve_transient")(
            self, {} if power is None else power, duration, initial=initial, times=times, tolerance=tolerance, progress=progress
        )

    # -- inside --------------------------------------------------------------------------------------------

    def _claim(self, name: str) -> None:
        if not isinstance(name, str) or not name:
            raise NetworkError(f"{name!r} is not a name; expected a non-empty text")
        if name in self.graph:
            raise NetworkError(f"the name {name!r} is already taken")

    def _known(self, *names: str) -> None:
        for name in names:
            if name not in self.graph:
                raise NetworkError(f"unknown node {name!r}{nearest(name, list(self.graph.nodes))}")

    def _edge_key(self, a: str, b: str, name: str | None) -> str:
        if name is not None:
            if name in self._keys:
                raise NetworkError(f"the link name {name!r} is already taken")
            key = name
        else:
            key, count = f"{a}->{b}", 1
            while key in self._keys:
                count += 1
                key = f"{a}->{b} ({count})"
        self._keys.add(key)
        return key

    def _floating(self) -> list[str]:
        undirected = nx.Graph()
        undirected.add_nodes_from(self.graph.nodes)
        for a, b, data in self.graph.edges(data=True):
            strength = data["capacity_rate"] if data["kind"] == "stream" else data["conductance"]
            if strength is None or np.all(np.asarray(strength) > 0):
                undirected.add_edge(a, b)
        boundaries = set(self.boundaries)
        floating = [n for part in nx.connected_components(undirected) if not part & boundaries for n in part]
        if not floating:
            return []
        order = [n for n in self.nodes if n in set(floating)]
        return [f"floating: no heat path to any boundary from {', '.join(repr(n) for n in order)}"]

    def _stream_balance(self) -> list[str]:
        problems = []
        for node in self.nodes:
            inflow: Any = 0.0
            outflow: Any = 0.0
            for *_, data in self.graph.in_edges(node, data=True):
                inflow = inflow + data.get("capacity_rate", 0.0)
            for *_, data in self.graph.out_edges(node, data=True):
                outflow = outflow + data.get("capacity_rate", 0.0)
            if np.all(np.asarray(outflow) == 0.0):
                continue
            difference = float(np.max(np.abs(np.asarray(inflow) - np.asarray(outflow))))
            scale = float(np.max(np.asarray(inflow) + np.asarray(outflow)))
            if difference > 1e-9 * scale:
                problems.append(
                    f"streams do not conserve at {node!r}: {_number(inflow)} W/K flow in, {_number(outflow)} W/K flow out"
                )
        return problems


def nearest(name: str, known: Iterable[str]) -> str:
    """Suggest the nearest known name, as a tail for an error message."""
    options = list(known)
    close = difflib.get_close_matches(str(name), options, n=1, cutoff=0.5)
    if close:
        return f"; did you mean {close[0]!r}?"
    return f"; known: {', '.join(repr(o) for o in options[:12])}{' ...' if len(options) > 12 else ''}"


def _checked(value: Any, what: str, unit: str, *, at_least: float) -> NDArray[np.float64]:
    """Return a number (or array over samples) as an array, refusing what is not finite or too small."""
    if isinstance(value, float) and at_least <= value < math.inf:
        return np.asarray(value)  # by far the most of what is checked, and ten times quicker
    try:
        values = np.asarray(value, dtype=float)
        good = bool(np.all(np.isfinite(values)) and np.all(values >= at_least))
    except (TypeError, ValueError):
        good = False
    if not good:
        expected = "above 0" if at_least == SMALLEST_RESISTANCE else f"of {at_least:g} or more"
        raise NetworkError(f"{what} {value!r} {unit}; expected a finite value {expected}")
    return values


def _number(value: Any) -> str:
    array = np.asarray(value, dtype=float)
    low, high = float(array.min()), float(array.max())
    return f"{low:.6g}" if math.isclose(low, high) else f"{low:.6g} to {high:.6g}"
