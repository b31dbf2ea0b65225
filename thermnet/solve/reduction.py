"""Large networks on a small basis: a few hundred shapes instead of thousands of node temperatures.

The basis holds, untouched, the nodes that firmware, limits and quick laws look at, and for all others the shapes that
they take under the machine's heat inputs over all time scales: solutions of ``(K + s C) X = F`` for real ``s`` from
hours to milliseconds, at several fan speeds and strengths of the surface laws (rational Krylov subspace, A. Ruhe, Linear
Algebra and its Applications 58, 1984, 391-405; kept interface coordinates as in component mode synthesis, R. R. Craig,
M. C. C. Bampton, AIAA Journal 6, 1968, 1313-1319).  What is projected is the heat balance itself (Galerkin), and the
uniform temperature is among the shapes, so that heat is conserved to rounding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.network.compiled import CompiledNetwork

Array = NDArray[np.float64]
Index = NDArray[np.int64]

SLOWEST, QUICKEST = 2e4, 0.01
"""s: ends of the time scales at which shapes are taken."""

SHAPES_PER_DECADE = 1.5
SMALLEST = 2e-5
"""Shapes are left out where what they carry is below this, K (J/K)^(1/2)."""

ENOUGH = 5e-4
"""K: largest error at the checks between the time scales at which a basis is taken as good enough."""


@dataclass(frozen=True)
class Basis:
    """Temperatures of the nodes with capacity as ``shapes @ states``.

    Attributes
    ----------
    kept : (p,) positions, among the nodes with capacity, of those that are states themselves; the first p states
    shapes : (x, r)
    capacity : (r,) J/K for the kept ones, 1 for the others (their shapes are orthonormal in the capacities)
    size : (r,) how large each state gets in the solutions that the basis was made of
    error : float
        Largest difference in K from the full network at the checks.
    """

    kept: Index
    shapes: Array
    capacity: Array
    size: Array
    error: float
    node_capacity: Array

    def states(self, temperatures: Array) -> Array:
        """States (r,) for temperatures (x,) of the nodes with capacity, by projection in the capacities."""
        values: Array = (self.shapes.T @ (self.node_capacity * temperatures)) / self.capacity
        values[: self.kept.size] = temperatures[self.kept]
        return values

    def surfaces(self, rows: Index) -> tuple[Array, Array]:
        """``(spread, gather)`` with ``spread @ gather @ states`` the temperatures of some nodes, by fewer numbers."""
        at = self.shapes[rows]
        one = np.full((rows.size, 1), rows.size**-0.5)
        weighted = at * self.size
        weighted = weighted - one @ (one.T @ weighted)
        left, values = _left_vectors(weighted)
        spread = np.hstack([one, left[:, values > 1e-5 * rows.size**0.5]])
        spread = np.linalg.qr(spread)[0]
        return np.ascontiguousarray(spread), np.ascontiguousarray(spread.T @ at)


def find_basis(
    samples: Sequence[tuple[CompiledNetwork, Array]], kept: Index, loads: Array, boundary_swing: float = 20.0
) -> Basis:
    """Find the basis of a machine.

    Parameters
    ----------
    samples : (network, law conductances) at the operating points (fan speeds, strengths of the surface laws) to span
    kept : positions among the nodes with capacity
    loads : (n, m) W: heat patterns at the strength they may have
    boundary_swing : float
        K by which boundary temperatures may differ.
    """
    first = samples[0][0]
    active = np.flatnonzero(first.capacity > 0)
    capacity = first.capacity[active]
    others = np.setdiff1d(np.arange(active.size), kept)
    root = np.sqrt(capacity[others])
    count = max(int(np.ceil(SHAPES_PER_DECADE * np.log10(SLOWEST / QUICKEST))), 2)
    scales = np.geomspace(SLOWEST, QUICKEST, count)
    solved: list[Array] = []
    for round_ in range(3):
        for k, scale in enumerate([np.inf, *scales]):
            # Every operating point at the slowest scales; later ones take turns, for quick shapes hardly differ.
            chosen = samples if scale > 100.0 else [samples[(k + round_) % len(samples)]]
            solved += [_response(*sample, 1.0 / scale, loads, boundary_swing)[active] for sample in chosen]
        snapshots = np.hstack(solved)
        weighted = root[:, None] * snapshots[others]
        uniform = (root / np.linalg.norm(root))[:, None]
        weighted -= uniform @ (uniform.T @ weighted)
        left, values = _left_vectors(weighted)
        keep = values > SMALLEST
        columns = np.hstack([uniform, left[:, keep]])
        columns = np.linalg.qr(columns)[0] / root[:, None]
        shapes = np.zeros((active.size, kept.size + columns.shape[1]))
        shapes[kept, np.arange(kept.size)] = 1.0
        shapes[others, kept.size :] = columns
        size = np.concatenate([
            np.full(kept.size, 100.0), [100.0 * np.linalg.norm(root)], values[keep]
        ])  # fmt: skip
        basis = Basis(
            kept, shapes, np.concatenate([capacity[kept], np.ones(columns.shape[1])]), size, 0.0, capacity
        )
        # Compared half way between the time scales, where the basis is worst, at the operating points in turn.
        between = np.sqrt(scales[1:] * scales[:-1])
        looks = [(samples[(k + 1) % len(samples)], between[k]) for k in range(round_ % 2, between.size, 2)]
        error = max(_check(basis, active, *sample, 1.0 / scale, loads) for sample, scale in looks)
        if error < ENOUGH:
            break
        scales = between
    return Basis(kept, shapes, basis.capacity, size, error, capacity)


def _left_vectors(matrix: Array) -> tuple[Array, Array]:
    """Left singular vectors and values of a tall matrix, largest first."""
    q, r = np.linalg.qr(matrix)
    left, values, _ = np.linalg.svd(r)
    useful = values > 1e-14 * max(float(values.max(initial=0.0)), 1e-300)
    return q @ left[:, useful], values[useful]


def _response(compiled: CompiledNetwork, laws: Array, rate: float, loads: Array, swing: float) -> Array:
    """Temperature rises (n, m + b) of ``(K + rate C) X = F`` for heat patterns and boundary temperatures."""
    from scipy.sparse import diags
    from scipy.sparse.linalg import splu

    n = compiled.size
    transport = compiled.sparse_transport(laws)
    matrix = (transport[:, :n] + rate * diags(compiled.capacity)).tocsc()
    right = np.hstack([loads, -swing * transport[:, n:].toarray()])
    solution: Array = splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.1, options={"SymmetricMode": True}).solve(right)
    return solution


def _check(basis: Basis, active: Index, compiled: CompiledNetwork, laws: Array, rate: float, loads: Array) -> float:
    """Largest error in K of the basis for the heat patterns at one rate."""
    full = _response(compiled, laws, rate, loads, 0.0)[active, : loads.shape[1]]
    level = project(compiled, laws, basis, np.zeros(0, dtype=np.int64))
    matrix = np.diag(np.full(basis.capacity.size, rate)) - level.matrix
    heat = basis.shapes.T @ _onto_active(compiled, laws, loads)
    reduced = basis.shapes @ np.linalg.solve(matrix, heat / basis.capacity[:, None])
    return float(np.max(np.abs(reduced - full)))


def _onto_active(compiled: CompiledNetwork, laws: Array, loads: Array) -> Array:
    """Heat patterns (n, m) with what falls on massless nodes handed to their neighbours."""
    parts = _Parts.of(compiled, laws)
    heat: Array = loads[parts.active]
    if parts.massless.size:
        heat = heat - parts.xz @ parts.solve(loads[parts.massless])
    return heat


@dataclass(frozen=True)
class Level:
    """The heat balance of one fan level in states: ``dx/dt = matrix @ x + drive @ u``.

    ``u`` are the heat inputs followed by the boundary temperatures.

    Attributes
    ----------
    matrix : (x, x) 1/s
    drive : (x, heat inputs + b)
    massless : row numbers of the nodes without capacity, whose temperatures are ``massless_x @ x + massless_u @ u``
    out_x : (x,), out_u : (heat inputs + b,)
        Heat in W leaving to the boundaries is ``out_x @ x + out_u @ u``.
    """

    matrix: Array
    drive: Array
    massless: Index
    massless_x: Array
    massless_u: Array
    out_x: Array
    out_u: Array


@dataclass(frozen=True)
class _Parts:
    """Sparse blocks of the transport matrix between nodes with (x) and without (z) capacity, and boundaries."""

    active: Index
    massless: Index
    xx: Any
    xz: Any
    zx: Any
    x_boundary: Any
    z_boundary: Any
    factor: Any

    @classmethod
    def of(cls, compiled: CompiledNetwork, laws: Array) -> _Parts:
        from scipy.sparse.linalg import splu

        n = compiled.size
        active, massless = np.flatnonzero(compiled.capacity > 0), np.flatnonzero(compiled.capacity == 0)
        rows_x = compiled.sparse_transport(laws)
        rows_z = rows_x[massless]
        rows_x = rows_x[active]
        zz = rows_z[:, massless].tocsc()
        return cls(
            active, massless, rows_x[:, active], rows_x[:, massless], rows_z[:, active], rows_x[:, n:], rows_z[:, n:],
            splu(zz) if massless.size else None,
        )  # fmt: skip

    def solve(self, right: Array) -> Array:
        """Temperatures of the massless nodes for heat into them."""
        solution: Array = self.factor.solve(np.ascontiguousarray(right)) if self.massless.size else np.zeros((0, right.shape[1]))
        return solution


def project(compiled: CompiledNetwork, laws: Array, basis: Basis, heat_rows: Index) -> Level:
    """Heat balance of one fan level on a basis; ``heat_rows`` are the nodes of the heat inputs."""
    parts = _Parts.of(compiled, laws)
    n, b = compiled.size, len(compiled.boundaries)
    shapes, massless = basis.shapes, parts.massless
    heat = np.zeros((n, heat_rows.size + b))
    heat[heat_rows, np.arange(heat_rows.size)] = 1.0
    into_x, into_z = heat[parts.active], heat[massless]
    into_x[:, heat_rows.size :] = -parts.x_boundary.toarray()
    into_z[:, heat_rows.size :] = -parts.z_boundary.toarray()
    massless_x = parts.solve(-(parts.zx @ shapes))
    massless_u = parts.solve(into_z)
    balance = shapes.T @ (parts.xx @ shapes + parts.xz @ massless_x)
    out = compiled.outflow_vector(laws)
    direct = np.concatenate([np.zeros(heat_rows.size), out[n:]])
    return Level(
        -balance / basis.capacity[:, None], shapes.T @ (into_x - parts.xz @ massless_u) / basis.capacity[:, None], massless,
        massless_x, massless_u, out[parts.active] @ shapes + out[massless] @ massless_x, direct + out[massless] @ massless_u,
    )  # fmt: skip
