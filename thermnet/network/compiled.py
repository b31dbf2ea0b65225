"""The network as index arrays: what every solver works on.

Names are resolved once; numbers may carry trailing axes (fan levels, samples).  Rows can always be mapped back to
node and link names, so that a solver can say which part is to blame.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network.graph import ThermalNetwork, nearest
from thermnet.network.laws import CODED, MELTING, WIDTH, Leakage

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class CompiledNetwork:
    """Index arrays of a network with ``n`` nodes, ``b`` boundaries, ``m`` links, ``k`` laws, ``s`` streams.

    Node ``i`` is row ``i``; boundary ``j`` is row ``n + j``.  ``...`` are the trailing axes of the numbers.

    Attributes
    ----------
    capacity : (n, ...) J/K
    link_ends : (m, 2), link_conductance : (m, ...) W/K
    law_ends : (k, 2), laws : k law objects, law_code : (k,), law_parameters : (k, 8, ...)
    stream_ends : (s, 2), stream_rate : (s, ...) W/K
    leak_node : (h,), leakages : h Leakage objects
    boundary_values : b numbers (degC, maybe with trailing axes) or callables of time
    """

    nodes: tuple[str, ...]
    boundaries: tuple[str, ...]
    capacity: Array
    link_names: tuple[str, ...]
    link_ends: Index
    link_conductance: Array
    law_names: tuple[str, ...]
    law_ends: Index
    laws: tuple[Any, ...]
    law_code: Index
    law_parameters: Array
    stream_names: tuple[str, ...]
    stream_ends: Index
    stream_rate: Array
    leak_node: Index
    leakages: tuple[Leakage, ...]
    boundary_values: tuple[Any, ...]

    @property
    def size(self) -> int:
        """Number of nodes that are not boundaries."""
        return len(self.nodes)

    @property
    def batch_shape(self) -> tuple[int, ...]:
        """Trailing axes shared by the numbers: () for a single machine."""
        return self.capacity.shape[1:]

    def row(self, name: str) -> int:
        """Row of a node or boundary; raises NetworkError with the nearest name."""
        labels = (*self.nodes, *self.boundaries)
        try:
            return labels.index(name)
        except ValueError:
            raise NetworkError(f"unknown node {name!r}{nearest(name, labels)}") from None

    def boundary_temperature(self, time: float) -> Array:
        """Boundary temperatures at ``time``: (b, ...) degC."""
        values = [
            _finite_temperature(v(time), name, time) if callable(v) else np.asarray(v, dtype=float)
            for name, v in zip(self.boundaries, self.boundary_values, strict=True)
        ]
        if not values:
            return np.zeros((0, *self.batch_shape))
        shape = np.broadcast_shapes(self.batch_shape, *(v.shape for v in values))
        return np.stack([np.broadcast_to(v, shape) for v in values])

    @property
    def hottest_boundary(self) -> float:
        """Highest boundary temperature at time 0, degC."""
        return float(np.max(self.boundary_temperature(0.0)))

    @property
    def has_varying_boundary(self) -> bool:
        """Whether any boundary is a callable of time."""
        return any(callable(v) for v in self.boundary_values)

    def settled(self, temperature: Array) -> Array:
        """Start temperatures (n, ...) with every melting store brought into its melting range: solid, or molten."""
        stores = np.flatnonzero(self.law_code == MELTING)
        if stores.size == 0:
            return temperature
        result = np.array(temperature, dtype=float)
        for k in stores:
            middle, width = self.law_parameters[k, 1], self.law_parameters[k, 3]
            row = self.law_ends[k, 1]
            result[row] = np.clip(result[row], middle - 0.5 * width, middle + 0.5 * width)
        return result

    @property
    def is_linear(self) -> bool:
        """No law links and no leakage."""
        return not self.laws and not self.leakages

    def transport(self, with_laws: Array | None = None) -> Array:
        """Matrix ``K`` of shape (n, n + b) for one machine: net heat into nodes is ``-K @ T`` over all rows.

        ``with_laws`` gives the conductance of each law link to include, W/K (k,).
        """
        n, total = self.size, self.size + len(self.boundaries)
        matrix = np.zeros((total, total))
        for ends, values in ((self.link_ends, self.link_conductance), (self.law_ends, with_laws)):
            if values is None or len(ends) == 0:
                continue
            a, b = ends[:, 0], ends[:, 1]
            np.add.at(matrix, (a, a), values)
            np.add.at(matrix, (b, b), values)
            np.add.at(matrix, (a, b), -values)
            np.add.at(matrix, (b, a), -values)
        if len(self.stream_ends):
            a, b = self.stream_ends[:, 0], self.stream_ends[:, 1]
            np.add.at(matrix, (b, b), self.stream_rate)
            np.add.at(matrix, (b, a), -self.stream_rate)
        return matrix[:n]

    def sparse_transport(self, with_laws: Array | None = None) -> Any:
        """Return :meth:`transport` as a sparse matrix (CSR)."""
        from scipy.sparse import coo_matrix

        total = self.size + len(self.boundaries)
        rows, columns, values = [], [], []
        for ends, g in ((self.link_ends, self.link_conductance), (self.law_ends, with_laws)):
            if g is not None:
                a, b = ends[:, 0], ends[:, 1]
                rows += [a, b, a, b]
                columns += [a, b, b, a]
                values += [g, g, -g, -g]
        a, b, w = self.stream_ends[:, 0], self.stream_ends[:, 1], self.stream_rate
        entries = np.concatenate([*values, w, -w])
        places = np.concatenate([*rows, b, b]), np.concatenate([*columns, b, a])
        return coo_matrix((entries, places), shape=(total, total)).tocsr()[: self.size]

    def outflow_vector(self, law_conductance: Array | None = None) -> Array:
        """Vector ``q`` over all rows: ``q @ T`` is the net heat in W that leaves to the boundaries.

        Counted at the boundaries alone: links and law links to them, air drawn from and given to them, and air that
        leaves the network at an outlet (a node with inflow and no outflow).
        """
        n, total = self.size, self.size + len(self.boundaries)
        q = np.zeros(total)
        for ends, values in ((self.link_ends, self.link_conductance), (self.law_ends, law_conductance)):
            if values is None or len(ends) == 0:
                continue
            crossing = (ends[:, 0] >= n) != (ends[:, 1] >= n)
            inner, outer = ends[crossing].min(axis=1), ends[crossing].max(axis=1)
            np.add.at(q, inner, values[crossing])
            np.add.at(q, outer, -values[crossing])
        if len(self.stream_ends):
            a, b, w = self.stream_ends[:, 0], self.stream_ends[:, 1], self.stream_rate
            sent = np.zeros(total)
            np.add.at(sent, a, w)
            np.add.at(q, a, -w * (a >= n))
            np.add.at(q, a, w * (b >= n))
            np.add.at(q, b, w * ((b < n) & (sent[b] == 0.0)))
        return q

    def select(self, index: int | tuple[int, ...]) -> CompiledNetwork:
        """One machine out of the trailing axes."""
        if not self.batch_shape:
            return self
        ix: tuple[Any, ...] = index if isinstance(index, tuple) else (index,)

        def pick(values: Array) -> Array:
            place: Any = (Ellipsis, *ix)
            return np.ascontiguousarray(values[place])

        boundary = tuple(
            v if callable(v) or np.ndim(v) == 0 else float(np.broadcast_to(v, self.batch_shape)[ix])
            for v in self.boundary_values
        )
        leakages = tuple(
            Leakage(**{
                key: float(np.broadcast_to(getattr(law, key), self.batch_shape)[ix])
                for key in ("power", "reference", "slope")
            })
            for law in self.leakages
        )  # fmt: skip
        laws = tuple(
            CodedLaw(int(code), pick(parameters)) if code else law
            for law, code, parameters in zip(self.laws, self.law_code, self.law_parameters, strict=True)
        )
        return CompiledNetwork(
            self.nodes, self.boundaries, pick(self.capacity), self.link_names, self.link_ends,
            pick(self.link_conductance), self.law_names, self.law_ends, laws, self.law_code,
            pick(self.law_parameters), self.stream_names, self.stream_ends, pick(self.stream_rate),
            self.leak_node, leakages, boundary,
        )  # fmt: skip


@dataclass(frozen=True)
class CodedLaw:
    """A law reduced to its kernel row, for one machine picked out of a batch."""

    code: int
    parameters: Array

    def conductance(self, hot: Any, cold: Any) -> Any:
        """Conductance in W/K between ends at ``hot`` and ``cold`` degC."""
        return CODED[self.code](self.parameters, hot, cold)


def compile_network(network: ThermalNetwork) -> CompiledNetwork:
    """Check a network and turn it into index arrays.

    Raises
    ------
    NetworkError
        Anything :meth:`ThermalNetwork.check` finds, or numbers whose trailing axes do not broadcast.
    """
    network.check()
    nodes, boundaries = tuple(network.nodes), tuple(network.boundaries)
    rows = {name: i for i, name in enumerate((*nodes, *boundaries))}
    graph = network.graph
    links, laws, streams = [], [], []
    for a, b, key, data in graph.edges(keys=True, data=True):
        if data["kind"] == "stream":
            streams.append((key, rows[a], rows[b], data["capacity_rate"]))
        elif data["law"] is not None:
            laws.append((key, rows[a], rows[b], data["law"]))
        else:
            links.append((key, rows[a], rows[b], data["conductance"]))
    capacities = [graph.nodes[name]["capacity"] for name in nodes]
    leaks = [(rows[name], law) for name in nodes for law in graph.nodes[name]["heat_laws"]]
    law_values = [list(getattr(law, "parameters", ())) for *_, law in laws]
    numbers = [*capacities, *(v for *_, v in links), *(v for *_, v in streams), *(v for row in law_values for v in row)]
    numbers += [v for _, law in leaks for v in (law.power, law.reference, law.slope)]
    numbers += [graph.nodes[name]["boundary"] for name in boundaries if not callable(graph.nodes[name]["boundary"])]
    try:
        shape = np.broadcast_shapes(*(np.shape(v) for v in numbers))
    except ValueError:
        shapes = sorted({np.shape(v) for v in numbers}, key=str)
        raise NetworkError(f"array-valued parameters have shapes that do not broadcast: {shapes}") from None

    def stack(values: list[Any]) -> Array:
        out = np.empty((len(values), *shape))
        for i, value in enumerate(values):
            out[i] = value
        return out

    parameters = np.zeros((len(laws), WIDTH, *shape))
    for i, row in enumerate(law_values):
        for j, value in enumerate(row):
            parameters[i, j] = value
    return CompiledNetwork(
        nodes=nodes, boundaries=boundaries, capacity=stack(capacities),
        link_names=tuple(k for k, *_ in links), link_ends=_ends(links), link_conductance=stack([v for *_, v in links]),
        law_names=tuple(k for k, *_ in laws), law_ends=_ends(laws), laws=tuple(law for *_, law in laws),
        law_code=np.array([getattr(law, "code", 0) for *_, law in laws], dtype=np.int64), law_parameters=parameters,
        stream_names=tuple(k for k, *_ in streams), stream_ends=_ends(streams),
        stream_rate=stack([v for *_, v in streams]),
        leak_node=np.array([i for i, _ in leaks], dtype=np.int64), leakages=tuple(law for _, law in leaks),
        boundary_values=tuple(graph.nodes[name]["boundary"] for name in boundaries),
    )  # fmt: skip


def _ends(edges: list[tuple[str, int, int, Any]]) -> Index:
    return np.array([(a, b) for _, a, b, _ in edges], dtype=np.int64).reshape(-1, 2)


def _finite_temperature(value: Any, boundary: str, time: float) -> Array:
    try:
        result = np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        result = np.array(np.nan)
    if not np.all(np.isfinite(result)):
        raise NetworkError(f"boundary {boundary!r} gives {value!r} at {time:g} s; expected a finite number of degC")
    return result


def power_rows(compiled: CompiledNetwork, power: Mapping[str, Any]) -> dict[int, Any]:
    """Map a mapping of node name to power onto rows; boundaries and unknown names are refused."""
    if not hasattr(power, "items"):
        raise NetworkError(f"power {power!r}; expected a mapping of node name to W")
    result: dict[int, Any] = {}
    for name, value in power.items():
        row = compiled.row(name)
        if row >= compiled.size:
            raise NetworkError(f"power at {name!r}: a boundary takes no power")
        result[row] = value
    return result
