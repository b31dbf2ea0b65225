"""Propagators of many machines of one structure, by fan level: the ensemble's counterpart of ``plant``."""

from __future__ import annotations

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

FIRST_SLOTS = 16
"""Fan levels that there is room for at first."""


class Stack:
    """Machines ``machine`` (numbers are arrays over samples) with the structure of ``template`` (one of them).

    The propagators of one machine at a time are held (:meth:`take`), so that they stay in the processor's cache and
    memory does not grow with the samples; what fan levels one machine has met are built for the next in one go.
    """

    def __init__(self, template: Plant, machine: Machine, samples: int) -> None:
        self.template, self.machine, self.samples = template, machine, samples
        if template.basis is not None:
            raise NetworkError(f"ensembles are solved node by node; {template.active.size} nodes are too many for that")
        self._lines: dict[int, CompiledNetwork] = {}
        first = self.compiled(template.levels - 1)
        self.capacity = np.ascontiguousarray(first.capacity[template.active].T)
        self.boundary = batch.boundary_temperatures(first)
        self.law_parameters = np.ascontiguousarray(np.moveaxis(first.law_parameters, -1, 0))
        surface = template.law_code == SURFACE
        self.law_parameters[:, surface, 2] = np.round(self.law_parameters[:, surface, 2], 9)
        self.law_reference = self._references(first)
        self.law_value = np.concatenate([self.law_parameters, self.law_reference[:, :, None]], axis=2)
        self.sample = -1
        self._met: dict[int, tuple[list[int], list[int]]] = {}
        self.slot_of_level = np.full(template.levels, -1, dtype=np.int64)
        self.used = 0
        self._allocate(FIRST_SLOTS)

    def compiled(self, level: int) -> CompiledNetwork:
        """Compiled network of one level for all samples."""
        line, place = self._line(level)
        return batch.picked(line, (place, slice(None)))

    def _line(self, level: int) -> tuple[CompiledNetwork, int]:
        """Network with trailing axes (levels along a line, samples), assembled in one go, and a level's place on it."""
        levels, place = self.template.line(level)
        first = int(levels[0])
        if first not in self._lines:
            speeds = {name: np.asarray(at)[:, None] for name, at in self.template.speeds(levels).items()}
            self._lines[first] = batch.spread(self.machine.assemble(speeds), (levels.size, self.samples))
        return self._lines[first], place

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
            fresh = np.zeros((slots, kernel.SUBDIVISIONS, *shape))
            old = getattr(self, name, None)
            if old is not None:
                fresh[: old.shape[0]] = old
            setattr(self, name, fresh)

    def take(self, sample: int) -> None:
        """Hold the propagators of another sample, at all levels that any sample before has met."""
        self.sample, self.used = sample, 0
        self.slot_of_level[:] = -1
        for levels, places in self._met.values():
            self._build(levels, places)

    def provide(self, level: int) -> None:
        """Build the propagators of a level for the sample held."""
        line, place = self.template.line(level)
        levels, places = self._met.setdefault(int(line[0]), ([], []))
        levels.append(level)
        places.append(place)
        self._build([level], [place])

    def _build(self, levels: list[int], places: list[int]) -> None:
        """Build the propagators of some levels of one line, given by their places on it too, for the sample held."""
        t, sample, count = self.template, self.sample, len(levels)
        while self.used + count > self.propagate.shape[0]:
            self._allocate(2 * self.propagate.shape[0])
        slots = slice(self.used, self.used + count)
        line, _ = self._line(levels[0])
        compiled = batch.picked(line, (places, sample))
        references = np.repeat(self.law_reference[sample][:, None], count, axis=1)
        found = batch.condensed_stacks(compiled, references, t.heat_rows)
        batch.fill_propagators(
            self.propagate[slots], self.correct[slots], self.hold[slots], found.matrix, found.inputs, found.out_x, found.out_u,
            t.period,
        )  # fmt: skip
        self.slot_of_level[levels] = np.arange(self.used, self.used + count)
        self.used += count

    def thermal(self) -> kernel.Thermal:
        """Arrays of the sample held for the kernel."""
        i = self.sample
        return kernel.Thermal(
            self.slot_of_level, self.propagate, self.correct, self.hold, self.capacity[i], np.array([self.capacity.shape[1]]),
            self.boundary[i : i + 1], self.template.law_index, self.law_value[i], self.template.quick_laws, *NO_SURFACES,
        )  # fmt: skip


def per_sample(value: Any, samples: int) -> Array:
    """A number or array over samples as an array of that many."""
    return np.ascontiguousarray(np.broadcast_to(np.asarray(value, dtype=float), (samples,)))
