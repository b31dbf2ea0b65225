"""Propagators of many machines of one structure, by fan level: the ensemble's counterpart of ``plant``."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network.compiled import CompiledNetwork
from thermnet.network.laws import CLOSED, CODED, DRY_OUT, MELTING, SURFACE
from thermnet.solve import batch, kernel
from thermnet.solve.machine import Machine
from thermnet.solve.plant import NO_SURFACES, REFERENCE_RISE, Plant

Array = NDArray[np.float64]

FIRST_SLOTS = 4
"""Fan levels that there is room for at first, where no stack of the same template has met more."""


class Stack:
    """Machines ``machine`` (numbers are arrays over samples) with the structure of ``template`` (one of them).

    Propagators are laid out sample first, so that one machine's are contiguous for the kernel.
    """

    def __init__(self, template: Plant, machine: Machine, samples: int) -> None:
        self.template, self.machine, self.samples = template, machine, samples
        if template.basis is not None:
            raise NetworkError(f"ensembles are solved node by node; {template.active.size} nodes are too many for that")
        self._levels: dict[int, CompiledNetwork] = {}
        first = self.compiled(template.levels - 1)
        self.capacity = np.ascontiguousarray(first.capacity[template.active].T)
        self.boundary = batch.boundary_temperatures(first)
        self.law_parameters = np.ascontiguousarray(np.moveaxis(first.law_parameters, -1, 0))
        surface = template.law_code == SURFACE
        self.law_parameters[:, surface, 2] = np.round(self.law_parameters[:, surface, 2], 9)
        self.law_reference = self._references(first)
        self.law_value = np.concatenate([self.law_parameters, self.law_reference[:, :, None]], axis=2)
        self.slot_of_level = np.full(template.levels, -1, dtype=np.int64)
        self.used = 0
        self._allocate(min(template.levels, max(template.levels_met, FIRST_SLOTS)))

    def compiled(self, level: int) -> CompiledNetwork:
        """Compiled network of one level for all samples."""
        if level not in self._levels:
            network = self.machine.assemble(self.template.speeds(level))
            self._levels[level] = spread(network, self.samples)
        return self._levels[level]

    def _references(self, compiled: CompiledNetwork) -> Array:
        """Conductance held in the propagators, (s, k): as in ``Plant``."""
        n = compiled.size
        result = np.empty((self.samples, len(self.template.law_code)))
        for k, (a, b) in enumerate(compiled.law_ends):
            parameters = self.law_parameters[:, k].T
            code = int(self.template.law_code[k])
            if code == DRY_OUT:
                result[:, k] = 1.0 / parameters[0]
            elif code == MELTING:
                result[:, k] = parameters[0] * CLOSED
            else:
                outside = min(a, b) if max(a, b) < n else max(a, b)
                cold = self.boundary[:, outside - n] if outside >= n else np.asarray(self.machine.ambient)
                result[:, k] = CODED[code](parameters, cold + REFERENCE_RISE, cold)
        return result

    propagate: Array
    correct: Array
    hold: Array

    def _allocate(self, slots: int) -> None:
        for name, shape in self.template.shapes().items():
            fresh = np.zeros((self.samples, slots, kernel.SUBDIVISIONS, *shape))
            old = getattr(self, name, None)
            if old is not None:
                fresh[:, : old.shape[1]] = old
            setattr(self, name, fresh)

    def provide(self, level: int) -> None:
        """Build the propagators of a level for all samples, if they are not there yet."""
        if self.slot_of_level[level] >= 0:
            return
        if self.used == self.propagate.shape[1]:
            self._allocate(2 * self.used)
        t, slot = self.template, self.used
        compiled = self.compiled(level)
        matrix, inputs, out_x, out_u = batch.condensed_stacks(compiled, self.law_reference.T)
        n, quick, nx = compiled.size, t.quick, t.active.size
        columns = np.concatenate([t.heat_rows, np.arange(n, n + len(t.boundaries))])
        drive, out_u = inputs[:, :, columns], out_u[:, columns]
        for s, (phi0, phi1, phi2, phi3) in enumerate(batch.phi_stacks(matrix, t.period, kernel.SUBDIVISIONS)):
            h = t.period / 2**s
            second = phi2 @ drive
            propagate, correct, hold = self.propagate[:, slot, s], self.correct[:, slot, s], self.hold[:, slot, s]
            first = h * np.swapaxes(phi1 @ drive, 1, 2)
            propagate[:, :nx, :nx], propagate[:, nx : nx + quick, :nx] = np.swapaxes(phi0, 1, 2), first[:, :quick]
            hold[:, :, :nx], correct[:, :, :nx] = first[:, quick:], h * np.swapaxes(second[:, :, :quick], 1, 2)
            out = h * h * np.einsum("sx,sxu->su", out_x, second) + h * out_u
            propagate[:, :nx, nx] = h * np.einsum("sx,sxy->sy", out_x, phi1)
            propagate[:, nx : nx + quick, nx], hold[:, :, nx] = out[:, :quick], out[:, quick:]
            third = np.einsum("sx,sxu->su", out_x, phi3 @ drive[:, :, :quick])
            correct[:, :, nx] = h * h * third + 0.5 * h * out_u[:, :quick]
        self.slot_of_level[level] = slot
        self.used += 1
        t.levels_met = max(t.levels_met, self.used)

    def thermal(self, i: int) -> kernel.Thermal:
        """Arrays of sample ``i`` for the kernel."""
        return kernel.Thermal(
            self.slot_of_level, self.propagate[i], self.correct[i], self.hold[i], self.capacity[i], np.array([self.capacity.shape[1]]), self.boundary[i : i + 1],
            self.template.law_index, self.law_value[i], self.template.quick_laws, *NO_SURFACES,
        )  # fmt: skip


def spread(network: CompiledNetwork, samples: int) -> CompiledNetwork:
    """Give every number of a network the trailing axis of samples."""
    if network.batch_shape == (samples,):
        return network

    def wide(values: Array) -> Array:
        own = values.shape[: values.ndim - len(network.batch_shape)]
        single = values if network.batch_shape else values[..., None]
        return np.ascontiguousarray(np.broadcast_to(single, (*own, samples)))

    return replace(
        network, capacity=wide(network.capacity), link_conductance=wide(network.link_conductance),
        law_parameters=wide(network.law_parameters), stream_rate=wide(network.stream_rate),
    )  # fmt: skip


def subset(network: CompiledNetwork, rows: NDArray[np.int64]) -> CompiledNetwork:
    """Some samples of a network."""
    values = tuple(
        np.broadcast_to(np.asarray(v, dtype=float), network.batch_shape)[rows]
        for v in network.boundary_values
    )
    return replace(
        network, capacity=network.capacity[:, rows], link_conductance=network.link_conductance[:, rows],
        law_parameters=network.law_parameters[:, :, rows], stream_rate=network.stream_rate[:, rows], boundary_values=values,
    )  # fmt: skip


def per_sample(value: Any, samples: int) -> Array:
    """A number or array over samples as an array of that many."""
    return np.ascontiguousarray(np.broadcast_to(np.asarray(value, dtype=float), (samples,)))
