"""Heat balance of a compiled network and its Jacobian, for one machine.

``C dT/dt = residual(T, t)``; rows without capacity are algebraic.  Used by the steady solver and by the
general (Rosenbrock) transient solver; dense up to 300 nodes, sparse above.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import ConvergenceError
from thermnet.network.compiled import CompiledNetwork
from thermnet.network.laws import CODED, MAXIMUM_EXPONENT

Array = NDArray[np.float64]
DENSE_LIMIT = 300


@dataclass(frozen=True)
class Flows:
    """Heat balance at one moment: net heat into each node (n,), and the totals put in and leaving, W."""

    net: Array
    into: float
    out: float


@dataclass(frozen=True)
class Slopes:
    """Derivatives of the flows by the node temperatures, W/K: (n, n) dense or CSC, and two rows (n,)."""

    net: Any
    into: Array
    out: Array


class HeatBalance:
    """Residual and Jacobian of the heat balance of one machine."""

    def __init__(self, compiled: CompiledNetwork) -> None:
        self.compiled = compiled
        self.size = compiled.size
        self.dense = compiled.size <= DENSE_LIMIT
        self.inner, self.outer = self._linear_part()
        self.a, self.b = compiled.law_ends[:, 0], compiled.law_ends[:, 1]
        codes = [code for code in CODED if np.any(compiled.law_code == code)]
        self.groups = {code: np.flatnonzero(compiled.law_code == code) for code in codes}
        self.plain = np.flatnonzero(compiled.law_code == 0)
        self.leak_power = np.array([law.power for law in compiled.leakages], dtype=float)
        self.leak_reference = np.array([law.reference for law in compiled.leakages], dtype=float)
        self.leak_slope = np.array([law.slope for law in compiled.leakages], dtype=float)
        self.out_linear = compiled.outflow_vector()
        # +1 for a law link that leaves to a boundary at its second end, -1 at its first, 0 within the network.
        self.leaves = np.where(self.b >= self.size, 1.0, 0.0) - np.where(self.a >= self.size, 1.0, 0.0)

    def _linear_part(self) -> tuple[Any, Any]:
        """Transport matrix split in its columns for nodes and for boundaries (dense or CSC)."""
        if self.dense:
            matrix = self.compiled.transport()
            return matrix[:, : self.size], matrix[:, self.size :]
        matrix = self.compiled.sparse_transport()
        return matrix[:, : self.size].tocsc(), matrix[:, self.size :].tocsc()

    def full(self, temperature: Array, boundary: Array) -> Array:
        """Node temperatures followed by boundary temperatures."""
        return np.concatenate([temperature, boundary])

    def law_conductance(self, everything: Array) -> Array:
        """Conductance of each law link, W/K, at the temperatures (rows, ...) of all nodes and boundaries."""
        result = np.empty((len(self.a), *everything.shape[1:]))
        for code, group in self.groups.items():
            parameters = self.compiled.law_parameters[group].T.reshape(
                -1, group.size, *(1,) * (everything.ndim - 1)
            )
            result[group] = CODED[code](parameters, everything[self.a[group]], everything[self.b[group]])
        for i in self.plain:
            result[i] = self.compiled.laws[i].conductance(everything[self.a[i]], everything[self.b[i]])
        return result

    def law_heat(self, everything: Array) -> Array:
        """Heat through each law link from its first end to its second, W."""
        heat: Array = self.law_conductance(everything) * (everything[self.a] - everything[self.b])
        return heat

    def leakage(self, temperature: Array) -> Array:
        """Heat of each leakage law, W."""
        exponent = self.leak_slope * (temperature[self.compiled.leak_node] - self.leak_reference)
        heat: Array = self.leak_power * np.exp(np.minimum(exponent, MAXIMUM_EXPONENT))
        return heat

    def leaks_at_most(self, temperature: Array) -> bool:
        """Whether any leakage stands at the cap of its exponent, past which its growth is no longer followed."""
        exponent = self.leak_slope * (temperature[self.compiled.leak_node] - self.leak_reference)
        return bool(np.any((exponent >= MAXIMUM_EXPONENT) & (self.leak_power > 0)))

    def residual(self, temperature: Array, boundary: Array, power: Array) -> Array:
        """Net heat into each node, W."""
        return self.flows(temperature, boundary, power).net

    def flows(self, temperature: Array, boundary: Array, power: Array) -> Flows:
        """Net heat into each node, and the heat put in and leaving in total, W.

        What leaves is counted at the boundaries, so that the three only add up where every link is in its place.
        """
        everything = self.full(temperature, boundary)
        net: Array = power - self.inner @ temperature - self.outer @ boundary
        into, out = float(np.sum(power)), float(self.out_linear @ everything)
        if len(self.a):
            heat = np.zeros(everything.size)
            flow = self.law_heat(everything)
            np.add.at(heat, self.a, -flow)
            np.add.at(heat, self.b, flow)
            net = net + heat[: self.size]
            out += float(self.leaves @ flow)
        if self.leak_power.size:
            leakage = self.leakage(temperature)
            np.add.at(net, self.compiled.leak_node, leakage)
            into += float(np.sum(leakage))
        return Flows(net, into, out)

    def gross(self, temperature: Array, boundary: Array, power: Array) -> float:
        """Size of the largest heat term in any balance, W: what rounding is measured against."""
        terms = np.abs(power) + abs(self.inner) @ np.abs(temperature) + abs(self.outer) @ np.abs(boundary)
        return float(np.max(terms))

    def jacobian(self, temperature: Array, boundary: Array) -> Any:
        """Return the derivative of the residual by the node temperatures, W/K (dense array or CSC)."""
        return self.slopes(temperature, boundary).net

    def slopes(self, temperature: Array, boundary: Array) -> Slopes:
        """Return the derivatives of :meth:`flows` by the node temperatures, W/K."""
        rows, columns, values = [], [], []
        by_in, by_out = np.zeros(self.size), np.array(self.out_linear[: self.size])
        if len(self.a):
            everything = self.full(temperature, boundary)
            at_a, at_b = everything[self.a], everything[self.b]
            step = 1e-6 * np.maximum(1.0, np.abs(at_a - at_b))
            by_a = (self._heat(at_a + step, at_b) - self._heat(at_a - step, at_b)) / (2.0 * step)
            by_b = (self._heat(at_a, at_b + step) - self._heat(at_a, at_b - step)) / (2.0 * step)
            for row, column, value in (
                (self.a, self.a, -by_a), (self.a, self.b, -by_b), (self.b, self.a, by_a), (self.b, self.b, by_b),
            ):  # fmt: skip
                keep = (row < self.size) & (column < self.size)
                rows.append(row[keep])
                columns.append(column[keep])
                values.append(value[keep])
            for column, value in ((self.a, by_a), (self.b, by_b)):
                keep = column < self.size
                np.add.at(by_out, column[keep], (self.leaves * value)[keep])
        if self.leak_power.size:
            node = self.compiled.leak_node
            exponent = self.leak_slope * (temperature[node] - self.leak_reference)
            growth = np.where(exponent < MAXIMUM_EXPONENT, self.leakage(temperature) * self.leak_slope, 0.0)
            rows.append(node)
            columns.append(node)
            values.append(growth)
            np.add.at(by_in, node, growth)
        return Slopes(self._assembled(rows, columns, values), by_in, by_out)

    def _assembled(self, rows: list[Any], columns: list[Any], values: list[Any]) -> Any:
        if self.dense:
            matrix = -self.inner
            for r, c, v in zip(rows, columns, values, strict=True):
                np.add.at(matrix, (r, c), v)
            return matrix
        if not rows:
            return -self.inner
        from scipy.sparse import coo_matrix

        extra = coo_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
            shape=(self.size, self.size),
        )
        return (extra.tocsc() - self.inner).tocsc()

    def shifted(self, jacobian: Any, diagonal: Array) -> Any:
        """``diag(diagonal) - jacobian``, dense or CSC: the matrix of an implicit step."""
        if self.dense:
            matrix = -jacobian
            matrix[np.diag_indices_from(matrix)] += diagonal
            return matrix
        from scipy.sparse import diags

        return (diags(diagonal) - jacobian).tocsc()

    def _heat(self, at_a: Array, at_b: Array) -> Array:
        heat = np.empty(len(self.a))
        for code, group in self.groups.items():
            parameters = self.compiled.law_parameters[group].T
            heat[group] = CODED[code](parameters, at_a[group], at_b[group]) * (at_a[group] - at_b[group])
        for i in self.plain:
            heat[i] = self.compiled.laws[i].conductance(at_a[i], at_b[i]) * (at_a[i] - at_b[i])
        return heat


class Factor:
    """LU factors of a dense or sparse matrix, with a message that names the node when it is singular."""

    def __init__(self, matrix: Any, nodes: tuple[str, ...]) -> None:
        self._sparse: Any = None
        if isinstance(matrix, np.ndarray):
            import warnings

            from scipy.linalg import LinAlgWarning, lu_factor

            with warnings.catch_warnings():
                warnings.simplefilter("ignore", LinAlgWarning)
                self._dense = lu_factor(matrix, check_finite=False)
            diagonal = np.abs(np.diag(self._dense[0]))
            if not np.all(np.isfinite(diagonal)) or np.any(diagonal == 0.0):
                raise SingularError(nodes[int(np.argmin(np.nan_to_num(diagonal)))])
        else:
            from scipy.sparse.linalg import splu

            try:
                self._sparse = splu(matrix)
            except RuntimeError:
                diagonal = np.abs(matrix.diagonal())
                raise SingularError(nodes[int(np.argmin(diagonal))]) from None

    def solve(self, right: Array) -> Array:
        """Solve for one or more right-hand sides (columns)."""
        if self._sparse is not None:
            solution: Array = self._sparse.solve(right)
            return solution
        from scipy.linalg import lu_solve

        result: Array = lu_solve(self._dense, right, check_finite=False)
        return result


class SingularError(ConvergenceError):
    """The matrix has no inverse; carries the node at fault."""

    def __init__(self, node: str) -> None:
        super().__init__(f"the heat balance is singular at node {node!r}")
        self.node = node
