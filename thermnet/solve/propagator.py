"""Exact propagators of linear heat balances: exp(hA) and its phi functions, by Taylor series and doubling.

Doubling formulas: N. J. Higham, Functions of Matrices, SIAM 2008, section 10.7.4 (phi functions), written out for
``phi_0 .. phi_3``; every smaller step h/2, h/4 ... comes out of the same computation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network.compiled import CompiledNetwork

Array = NDArray[np.float64]
TERMS = 14


def phi_functions(
    matrix: Array, step: float, keep: int = 1, *, loss: Array | None = None
) -> list[tuple[Array, Array, Array, Array]]:
    """Return ``(phi_0, phi_1, phi_2, phi_3)`` of ``h*matrix`` for h = step, step/2, ... (``keep`` of them).

    ``phi_0 = exp``, ``phi_k(z) = (phi_{k-1}(z) - 1/(k-1)!)/z``.

    Parameters
    ----------
    matrix : (x, x) 1/s
    step : float
        s.
    loss : (x,), optional
        Rates in 1/s at which each node is tied to the boundaries: minus the row sums of ``matrix``, known better from
        the network than from the matrix.  With it every entry keeps its relative accuracy (about 1e-13) however
        stiff the network; without it the error is rounding times ``step`` times the fastest rate.  Only for heat
        balances, where no off-diagonal is negative: the entries of exp(hA) are then shares that, with the share lost
        to the boundaries, add up to one, and the diagonal is set so that they do after every doubling (J. Xue,
        Q. Ye, Mathematics of Computation 82, 2013, 1577-1596, after W. K. Grassmann, M. I. Taksar, D. P. Heyman,
        Operations Research 33, 1985, 1107-1116).
    """
    size = matrix.shape[0]
    norm = float(np.abs(matrix).sum(axis=1).max(initial=0.0)) * step
    halvings = max(keep - 1, math.ceil(math.log2(norm / 0.5)) if norm > 0.5 else 0)
    h = step / 2.0**halvings
    z = matrix * h
    identity, diagonal = np.eye(size), np.diag_indices(size)
    # phi_3 by Horner, the lower ones by their recurrence (no division, no cancellation).
    phi3 = identity / math.factorial(TERMS + 3)
    for k in range(TERMS - 1, -1, -1):
        phi3 = z @ phi3
        phi3[diagonal] += 1.0 / math.factorial(k + 3)
    phi2 = z @ phi3 + identity / 2.0
    phi1 = z @ phi2 + identity
    phi0 = z @ phi1 + identity

    def add_up(phi0: Array, phi1: Array, h: float) -> None:
        if loss is not None:
            phi0[diagonal] = 0.0
            phi0[diagonal] = 1.0 - phi0.sum(axis=1) - h * (phi1 @ loss)

    add_up(phi0, phi1, h)
    levels = [(phi0, phi1, phi2, phi3)]
    for _ in range(halvings):
        phi3 = (phi1 @ phi2 + 2.0 * phi3 + phi2) / 8.0
        phi2 = (phi1 @ phi1 + 2.0 * phi2) / 4.0
        phi1 = (phi0 @ phi1 + phi1) / 2.0
        phi0 = phi0 @ phi0
        h *= 2.0
        add_up(phi0, phi1, h)
        levels.append((phi0, phi1, phi2, phi3))
        del levels[:-keep]
    return levels[::-1][:keep]


@dataclass(frozen=True)
class Condensed:
    """A network with its massless nodes eliminated.

    ``dx/dt = matrix @ x + inputs @ u`` for the ``x`` of nodes with capacity and inputs
    ``u = (heat into every node, boundary temperatures)``; massless nodes follow as ``z = massless_x @ x +
    massless_u @ u``.

    Attributes
    ----------
    active, massless : row numbers of the nodes with and without capacity
    matrix : (x, x) 1/s
    inputs : (x, n + b)
    massless_x : (z, x), massless_u : (z, n + b)
    out_x : (x,), out_u : (n + b,)
        Heat in W leaving to the boundaries is ``out_x @ x + out_u @ u``.
    loss : (x,) 1/s
        Rate at which each state is tied to the boundaries (minus the row sums of ``matrix``).
    """

    active: NDArray[np.int64]
    massless: NDArray[np.int64]
    capacity: Array
    matrix: Array
    inputs: Array
    massless_x: Array
    massless_u: Array
    out_x: Array
    out_u: Array
    loss: Array

    def everything(self, x: Array, u: Array, size: int) -> Array:
        """Node temperatures (n, ...) from states (x, ...) and inputs (n + b, ...)."""
        shape = np.broadcast_shapes(x.shape[1:], u.shape[1:])
        result = np.empty((size, *shape))
        result[self.active] = x if x.ndim == len(shape) + 1 else x[:, None]
        if self.massless.size:
            result[self.massless] = self.massless_x @ x + self.massless_u @ u
        return result


def condense(compiled: CompiledNetwork, law_conductance: Array | None = None) -> Condensed:
    """Eliminate the massless nodes of one machine, with law links held at ``law_conductance``.

    Raises
    ------
    NetworkError
        A massless node is left without any heat path (its name is given).
    """
    n, b = compiled.size, len(compiled.boundaries)
    transport = compiled.transport(law_conductance)
    active, massless = np.flatnonzero(compiled.capacity > 0), np.flatnonzero(compiled.capacity == 0)
    capacity: Array = compiled.capacity[active]
    drive = np.hstack([np.eye(n), -transport[:, n:]])
    out = compiled.outflow_vector(law_conductance)
    inner = transport[:, :n]
    kxx, kxz = inner[np.ix_(active, active)], inner[np.ix_(active, massless)]
    kzx, kzz = inner[np.ix_(massless, active)], inner[np.ix_(massless, massless)]
    if massless.size:
        lonely = np.flatnonzero(np.diag(kzz) <= 0)
        if lonely.size:
            name = compiled.nodes[massless[lonely[0]]]
            raise NetworkError(f"massless node {name!r} has no heat path at this operating point")
        massless_x = np.asarray(np.linalg.solve(kzz, -kzx), dtype=np.float64)
        massless_u = np.asarray(np.linalg.solve(kzz, drive[massless]), dtype=np.float64)
    else:
        massless_x, massless_u = np.zeros((0, active.size)), np.zeros((0, n + b))
    matrix = -(kxx + kxz @ massless_x) / capacity[:, None]
    inputs = (drive[active] - kxz @ massless_u) / capacity[:, None]
    out_x = out[active] + out[massless] @ massless_x
    out_u = np.concatenate([np.zeros(n), out[n:]]) + out[massless] @ massless_u
    # A network all at one temperature rests: what a state loses to the boundaries is what it takes up from them.
    loss = inputs[:, n:].sum(axis=1)
    return Condensed(active, massless, capacity, matrix, inputs, massless_x, massless_u, out_x, out_u, loss)
