"""Network algebra for many machines, or fan levels of one, at once: arrays with these as the *first* axis of matrices.

The same formulas as in ``equations``, ``steady`` and ``propagator``, on stacks; every machine's numbers come out
the same to rounding, whatever the size of the stack.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network.compiled import CompiledNetwork
from thermnet.network.laws import CODED
from thermnet.solve.propagator import TERMS

Array = NDArray[np.float64]


def spread(network: CompiledNetwork, shape: tuple[int, ...]) -> CompiledNetwork:
    """Give every number of a network the trailing axes of a shape, of which some may have no more than one entry now."""

    def wide(values: Array) -> Array:
        own = values.shape[: values.ndim - len(network.batch_shape)]
        single = values.reshape(*own, *(1,) * (len(shape) - len(network.batch_shape)), *network.batch_shape)
        return np.ascontiguousarray(np.broadcast_to(single, (*own, *shape)))

    if network.batch_shape == shape:
        return network
    return replace(
        network, capacity=wide(network.capacity), link_conductance=wide(network.link_conductance),
        law_parameters=wide(network.law_parameters), stream_rate=wide(network.stream_rate),
    )  # fmt: skip


def picked(network: CompiledNetwork, place: Any) -> CompiledNetwork:
    """Some machines of a network of many; ``place`` indexes its trailing axes and leaves one."""
    shape = network.batch_shape
    values = tuple(np.broadcast_to(np.asarray(v, dtype=float), shape)[place] for v in network.boundary_values)
    index = (..., *(place if isinstance(place, tuple) else (place,)))
    return replace(
        network, capacity=network.capacity[index], link_conductance=network.link_conductance[index],
        law_parameters=network.law_parameters[index], stream_rate=network.stream_rate[index], boundary_values=values,
    )  # fmt: skip


def transports(compiled: CompiledNetwork, law_conductance: Array | None = None) -> Array:
    """Transport matrices (s, n, n + b) of all samples; see :meth:`CompiledNetwork.transport`."""
    n, total, samples = compiled.size, compiled.size + len(compiled.boundaries), _samples(compiled)
    matrix = np.zeros((total, total, samples))
    for ends, values in ((compiled.link_ends, compiled.link_conductance), (compiled.law_ends, law_conductance)):
        if values is None:
            continue
        for (a, b), g in zip(ends, values, strict=True):
            matrix[a, a] += g
            matrix[b, b] += g
            matrix[a, b] -= g
            matrix[b, a] -= g
    for (a, b), w in zip(compiled.stream_ends, compiled.stream_rate, strict=True):
        matrix[b, b] += w
        matrix[b, a] -= w
    return np.ascontiguousarray(np.moveaxis(matrix[:n], -1, 0))


def outflows(compiled: CompiledNetwork, law_conductance: Array) -> Array:
    """Heat-to-boundary vectors (s, n + b); see :meth:`CompiledNetwork.outflow_vector`."""
    n, samples = compiled.size, _samples(compiled)
    q = np.zeros((n + len(compiled.boundaries), samples))
    for ends, values in ((compiled.link_ends, compiled.link_conductance), (compiled.law_ends, law_conductance)):
        for (a, b), g in zip(ends, values, strict=True):
            if (a >= n) == (b >= n):
                continue
            inner, outer = (b, a) if a >= n else (a, b)
            q[inner] += g
            q[outer] -= g
    sends = set(compiled.stream_ends[:, 0].tolist())
    for (a, b), w in zip(compiled.stream_ends, compiled.stream_rate, strict=True):
        if a >= n:
            q[a] -= w
        if b >= n:
            q[a] += w
        elif b not in sends:
            q[b] += w
    return np.ascontiguousarray(q.T)


def boundary_temperatures(compiled: CompiledNetwork) -> Array:
    """Boundary temperatures (s, b) of all samples, degC."""
    samples = _samples(compiled)
    return np.stack([np.broadcast_to(np.asarray(v, dtype=float), samples) for v in compiled.boundary_values], axis=1)


def law_conductances(compiled: CompiledNetwork, everything: Array) -> Array:
    """Conductance (k, s) of each law link at temperatures (n + b, s) of all rows, W/K."""
    result = np.empty((len(compiled.law_ends), everything.shape[1]))
    for code, function in CODED.items():
        for k in np.flatnonzero(compiled.law_code == code):
            a, b = compiled.law_ends[k]
            result[k] = function(compiled.law_parameters[k], everything[a], everything[b])
    return result


def steady(compiled: CompiledNetwork, power: Array, guess: Array | None = None, *, tolerance: float = 1e-7) -> Array:
    """Steady node temperatures (n, s) under heat ``power`` (n, s) W, leakage left out, by Newton on all samples.

    Stops when the last step is below ``tolerance`` K; Newton steps square the error, so what is left is rounding.

    Raises
    ------
    NetworkError
        A sample does not settle; its number and worst node are given.
    """
    n, samples = compiled.size, _samples(compiled)
    linear = transports(compiled)
    boundary = boundary_temperatures(compiled).T
    temperature = np.full((n, samples), float(boundary.min())) if guess is None else guess.copy()
    ends = compiled.law_ends
    moving = np.ones(samples, dtype=bool)
    for _ in range(60):
        everything = np.vstack([temperature, boundary])
        residual = power - np.einsum("sij,js->is", linear, everything)
        jacobian = -linear[:, :, :n].copy()
        if len(ends):
            at_a, at_b = everything[ends[:, 0]], everything[ends[:, 1]]
            heat = _law_heat(compiled, at_a, at_b)
            step = 1e-6 * np.maximum(1.0, np.abs(at_a - at_b))
            by_a = (_law_heat(compiled, at_a + step, at_b) - _law_heat(compiled, at_a - step, at_b)) / (2.0 * step)
            by_b = (_law_heat(compiled, at_a, at_b + step) - _law_heat(compiled, at_a, at_b - step)) / (2.0 * step)
            for k, (a, b) in enumerate(ends):
                if a < n:
                    residual[a] -= heat[k]
                    jacobian[:, a, a] -= by_a[k]
                    if b < n:
                        jacobian[:, a, b] -= by_b[k]
                if b < n:
                    residual[b] += heat[k]
                    jacobian[:, b, b] += by_b[k]
                    if a < n:
                        jacobian[:, b, a] += by_a[k]
        change = np.linalg.solve(jacobian, -residual.T[:, :, None])[:, :, 0].T
        largest = np.max(np.abs(change), axis=0)
        change *= np.minimum(1.0, 200.0 / np.maximum(largest, 200.0))
        # A sample that has settled stays as it is, so that it does not depend on its neighbours in the stack.
        temperature = np.where(moving, temperature + change, temperature)
        if not np.all(np.isfinite(temperature)):
            break
        moving &= largest >= tolerance
        if not moving.any():
            return temperature
    bad = int(np.argmax(np.nan_to_num(np.max(np.abs(residual), axis=0), nan=np.inf)))
    node = compiled.nodes[int(np.argmax(np.abs(residual[:, bad])))]
    raise NetworkError(f"sample {bad} of the ensemble does not settle to a steady state; worst at node {node!r}")


def _law_heat(compiled: CompiledNetwork, at_a: Array, at_b: Array) -> Array:
    heat = np.empty_like(at_a)
    for code, function in CODED.items():
        for k in np.flatnonzero(compiled.law_code == code):
            heat[k] = function(compiled.law_parameters[k], at_a[k], at_b[k]) * (at_a[k] - at_b[k])
    return heat


def phi_stacks(matrices: Array, step: float, keep: int) -> Array:
    """``phi_0, h phi_1, h^2 phi_2, h^3 phi_3`` of ``h A`` for stacks (s, x, x) of A and h = step, step/2 ...: (4, keep, s, x, x).

    See :func:`thermnet.solve.propagator.phi_functions`; with the powers of h in them the doubling needs fewest passes.
    The number of halvings is that of each matrix alone, so that a machine's propagators do not depend on which others
    share its stack.
    """
    samples, size = matrices.shape[:2]
    norms = np.abs(matrices).sum(axis=2).max(axis=1) * step
    needed = np.where(norms > 0.5, np.ceil(np.log2(np.maximum(norms, 1e-300) / 0.5)), 0).astype(int)
    halvings = np.maximum(keep - 1, needed)
    found = np.empty((4, keep, samples, size, size))
    diagonal = np.arange(size)
    for count in np.unique(halvings):
        rows = np.flatnonzero(halvings == count)

        def room(left: int, wanted: int = rows.size) -> Array:
            return found[:, left] if left < keep and wanted == samples else np.empty((4, wanted, size, size))

        h = step / 2.0 ** int(count)
        z = matrices[rows] * h
        made = room(int(count))
        three, spare = np.zeros_like(z), np.empty_like(z)
        three[:, diagonal, diagonal] = 1.0 / math.factorial(TERMS + 3)
        for k in range(TERMS - 1, -1, -1):
            np.matmul(z, three, out=spare)
            three, spare = spare, three
            three[:, diagonal, diagonal] += 1.0 / math.factorial(k + 3)
        made[3] = three
        for k, own in ((2, 0.5), (1, 1.0), (0, 1.0)):
            np.matmul(z, made[k + 1], out=made[k])
            made[k][:, diagonal, diagonal] += own
        for k in (1, 2, 3):
            made[k] *= h**k
        for left in range(int(count), -1, -1):
            if left < keep and rows.size < samples:
                found[:, left, rows] = made
            if left:
                # Over twice the step.
                zero, one, two, three = made
                made = room(left - 1)
                np.matmul(zero, zero, out=made[0])
                np.matmul(zero, one, out=made[1])
                made[1] += one
                np.matmul(one, one, out=made[2])
                made[2] += two
                made[2] += two
                np.matmul(one, two, out=made[3])
                made[3] += np.multiply(two, h, out=spare)
                made[3] += three
                made[3] += three
                h *= 2.0
    return found


def fill_propagators(
    propagate: Array, correct: Array, hold: Array, matrix: Array, drive: Array, out_x: Array, out_u: Array, period: float
) -> None:
    """Fill the kernel's arrays of some heat balances (s, steps, ...) for steps of ``period``, half of it, and so on.

    The balances are ``dx/dt = matrix @ x + drive @ u``, with ``out_x @ x + out_u @ u`` W leaving: shapes (s, x, x),
    (s, x, u), (s, x), (s, u), the quick inputs first.  A step of h seconds takes x and the quick inputs by
    ``propagate``, their rise over the step by ``correct``, held inputs by ``hold``; the last row is the heat that leaves.
    """
    nx, quick, steps = matrix.shape[1], correct.shape[2], propagate.shape[1]
    h = (period / 2.0 ** np.arange(steps))[:, None, None]
    zero, one, two, three = np.swapaxes(phi_stacks(matrix, period, steps), 1, 2)
    drive, out_x, out_u = drive[:, None], out_x[:, None, None, :], out_u[:, None, None, :]
    fast = np.ascontiguousarray(drive[..., :quick])
    first = np.swapaxes(one @ drive, -1, -2)
    propagate[:, :, :nx, :nx], propagate[:, :, nx : nx + quick, :nx] = np.swapaxes(zero, -1, -2), first[:, :, :quick]
    hold[:, :, :, :nx], correct[:, :, :, :nx] = first[:, :, quick:], np.swapaxes(two @ fast, -1, -2) / h
    out = (out_x @ two @ drive + h * out_u)[:, :, 0]
    propagate[:, :, :nx, nx] = (out_x @ one)[:, :, 0]
    propagate[:, :, nx : nx + quick, nx], hold[:, :, :, nx] = out[:, :, :quick], out[:, :, quick:]
    correct[:, :, :, nx] = (out_x @ three @ fast / h + 0.5 * h * out_u[..., :quick])[:, :, 0]


class Stacks(NamedTuple):
    """Heat balances of many machines, massless nodes eliminated; see :class:`thermnet.solve.propagator.Condensed`.

    The inputs u are heat into some nodes, then boundary temperatures: shapes (s, x, x), (s, x, u), (s, x), (s, u),
    (s, z, x), (s, z, u).
    """

    matrix: Array
    inputs: Array
    out_x: Array
    out_u: Array
    massless_x: Array
    massless_u: Array


def condensed_stacks(compiled: CompiledNetwork, law_reference: Array, heat_rows: NDArray[np.int64]) -> Stacks:
    """Eliminate the massless nodes of all samples.

    Parameters
    ----------
    law_reference : (k, s) W/K at which law links are held
    heat_rows : rows of the nodes that heat goes into

    Raises
    ------
    NetworkError
        A massless node is left without any heat path (its name is given).
    """
    n, samples = compiled.size, _samples(compiled)
    transport = transports(compiled, law_reference)
    out = outflows(compiled, law_reference)
    positive = np.all(compiled.capacity > 0, axis=-1) if compiled.capacity.ndim > 1 else compiled.capacity > 0
    active, massless = np.flatnonzero(positive), np.flatnonzero(~positive)
    into = np.zeros((n, heat_rows.size))
    into[heat_rows, np.arange(heat_rows.size)] = 1.0
    drive = np.concatenate([np.broadcast_to(into, (samples, *into.shape)), -transport[:, :, n:]], axis=2)
    inner = transport[:, :, :n]
    capacity = np.broadcast_to(compiled.capacity[active].T, (samples, active.size))
    kxx, kxz = inner[:, active][:, :, active], inner[:, active][:, :, massless]
    kzx, kzz = inner[:, massless][:, :, active], inner[:, massless][:, :, massless]
    lonely = np.argwhere(np.diagonal(kzz, axis1=1, axis2=2) <= 0)
    if lonely.size:
        name = compiled.nodes[massless[lonely[0, 1]]]
        raise NetworkError(f"massless node {name!r} has no heat path at this operating point")
    if massless.size:
        both = np.asarray(np.linalg.solve(kzz, np.concatenate([-kzx, drive[:, massless]], axis=2)), dtype=np.float64)
        zx, zu = both[:, :, : active.size], both[:, :, active.size :]
    else:
        zx, zu = np.zeros((samples, 0, active.size)), np.zeros((samples, 0, drive.shape[2]))
    matrix = -(kxx + kxz @ zx) / capacity[:, :, None]
    inputs = (drive[:, active] - kxz @ zu) / capacity[:, :, None]
    out_z = out[:, None, massless]
    out_x = out[:, active] + (out_z @ zx)[:, 0]
    out_u = np.concatenate([np.zeros((samples, heat_rows.size)), out[:, n:]], axis=1) + (out_z @ zu)[:, 0]
    return Stacks(matrix, inputs, out_x, out_u, zx, zu)


def _samples(compiled: CompiledNetwork) -> int:
    if len(compiled.batch_shape) != 1:
        raise NetworkError(f"expected a network of many machines along one axis, got trailing axes {compiled.batch_shape}")
    return compiled.batch_shape[0]


__all__ = [
    "boundary_temperatures", "condensed_stacks", "fill_propagators", "law_conductances", "outflows", "phi_stacks", "picked",
    "spread", "steady", "transports",
]  # fmt: skip
