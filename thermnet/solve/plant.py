"""Propagators of a machine by fan level, built when a level is first met and kept for later runs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network.compiled import CompiledNetwork
from thermnet.network.laws import CLOSED, CODED, DRY_OUT, MELTING, SURFACE
from thermnet.solve import kernel
from thermnet.solve.machine import Machine
from thermnet.solve.propagator import Condensed, condense, phi_functions

Array = NDArray[np.float64]
FAST_NODE = 3.0
"""s: a surface law on a node quicker than this is evaluated at every control sample."""

REFERENCE_RISE = 12.0
"""K above ambient at which surface laws are linearised; what is left is carried as an input."""


NO_SURFACES = (
    np.zeros((0, 0)), np.zeros((0, 0)), np.zeros(0), np.zeros((0, 3), dtype=np.int64), np.zeros((0, 9)),
)  # fmt: skip
"""What the kernel takes for the surface laws of a reduced basis where there are none."""


class Plant:
    """One machine at one ambient and control period: propagators by fan level, shared by all its runs."""

    def __init__(self, machine: Machine, period: float) -> None:
        self.machine = machine
        self.period = period
        # The grid ends at or below the highest speed, never above it.
        self.counts = [int(fan.maximum / fan.grid + 1e-9) + 1 for fan in machine.fans]
        self.strides = [int(np.prod(self.counts[:i], dtype=np.int64)) for i in range(len(self.counts))]
        self.levels = int(np.prod(self.counts, dtype=np.int64)) if self.counts else 1
        self._batch: CompiledNetwork | None = None
        self._singles: dict[int, CompiledNetwork] = {}
        self.condensed: dict[int, Condensed] = {}
        first = self.compiled(self.levels - 1)
        if first.has_varying_boundary:
            raise NetworkError("the closed loop takes its ambient as a number or as (times, degC), not as a function")
        self.nodes, self.boundaries = first.nodes, first.boundaries
        self.active = np.flatnonzero(first.capacity > 0)
        self.state_of = {first.nodes[row]: i for i, row in enumerate(self.active)}
        self.boundary = first.boundary_temperature(0.0)
        self._read_laws(first)
        self._read_inputs(first)
        self.slot_of_level = np.full(self.levels, -1, dtype=np.int64)
        self._allocate(4)
        self.used = 0

    # -- fan levels ----------------------------------------------------------------------------------------

    def speeds(self, level: int) -> dict[str, float]:
        """Fan speeds in rpm of a level number."""
        return {
            fan.name: (level // stride % count) * fan.grid
            for fan, stride, count in zip(self.machine.fans, self.strides, self.counts, strict=True)
        }

    def level(self, indices: Sequence[int]) -> int:
        """Level number of positions on the fans' speed grids."""
        return int(sum(i * s for i, s in zip(indices, self.strides, strict=True)))

    def compiled(self, level: int) -> CompiledNetwork:
        """Compiled network of one level (a single fan's levels are assembled in one go)."""
        if level not in self._singles:
            if self.levels <= 200:
                if self._batch is None:
                    indices = np.arange(self.levels)
                    speeds = {
                        fan.name: (indices // stride % count) * fan.grid
                        for fan, stride, count in zip(self.machine.fans, self.strides, self.counts, strict=True)
                    }
                    self._batch = self.machine.assemble(speeds)
                batch, index = self._batch, level
            else:
                batch, index = self.machine.assemble({k: np.array([v]) for k, v in self.speeds(level).items()}), 0
            self._singles[level] = batch.select(index) if batch.batch_shape else batch
        return self._singles[level]

    # -- laws and inputs -----------------------------------------------------------------------------------

    def _read_laws(self, compiled: CompiledNetwork) -> None:
        n = compiled.size
        plain = np.flatnonzero(compiled.law_code == 0)
        if plain.size:
            raise NetworkError(
                f"link {compiled.law_names[plain[0]]!r} follows a law of its own, which only bare networks can have"
            )
        self.law_code = compiled.law_code.copy()
        self.law_parameters = np.ascontiguousarray(compiled.law_parameters)
        # A fitted exponent of 0.2499999999 would cost a logarithm at every evaluation.
        surface = self.law_code == SURFACE
        self.law_parameters[surface, 2] = np.round(self.law_parameters[surface, 2], 9)
        ends = np.empty((len(self.law_code), 2), dtype=np.int64)
        self.law_reference = np.empty(len(self.law_code))
        self.law_fast = np.zeros(len(self.law_code), dtype=np.int64)
        # Strength of everything at a node, to tell its time constant.
        strength = np.abs(np.diag(compiled.transport()[:, :n]))
        for k, (a, b) in enumerate(compiled.law_ends):
            for side, row in enumerate((a, b)):
                if row >= n:
                    ends[k, side] = -1 - (row - n)
                    continue
                name = compiled.nodes[row]
                if name not in self.state_of:
                    raise NetworkError(f"law link {compiled.law_names[k]!r}: node {name!r} needs a heat capacity")
                ends[k, side] = self.state_of[name]
                if self.law_code[k] == SURFACE and compiled.capacity[row] < FAST_NODE * strength[row]:
                    self.law_fast[k] = 1
            boundary = min(a, b) if max(a, b) < n else max(a, b)
            cold = float(self.boundary[boundary - n]) if boundary >= n else self.machine.ambient
            parameters = self.law_parameters[k]
            if self.law_code[k] == DRY_OUT:
                self.law_fast[k] = 1
                self.law_reference[k] = 1.0 / parameters[0]
            elif self.law_code[k] == MELTING:
                self.law_fast[k] = 1
                self.law_reference[k] = parameters[0] * CLOSED
            else:
                self.law_reference[k] = float(CODED[int(self.law_code[k])](parameters, cold + REFERENCE_RISE, cold))
        self.law_from, self.law_to = np.ascontiguousarray(ends[:, 0]), np.ascontiguousarray(ends[:, 1])

    def _read_inputs(self, compiled: CompiledNetwork) -> None:
        """Heat inputs: first the quick ones (chips, fast laws), then those held between refreshes.

        A node may be among both: what each adds is added up.
        """
        active = [compiled.nodes[row] for row in self.active]
        quick: list[str] = []
        for chip in self.machine.chips:
            quick += [*chip.share, *chip.follow, *(node for node, _ in chip.leaks)]
        held = [node for nodes, _ in self.machine.sources.values() for node in nodes]
        for ends in (self.law_from, self.law_to):
            quick += [active[i] for i, fast in zip(ends, self.law_fast, strict=True) if i >= 0 and fast]
            held += [active[i] for i, fast in zip(ends, self.law_fast, strict=True) if i >= 0 and not fast]
        quick, held = list(dict.fromkeys(quick)), list(dict.fromkeys(held))
        self.quick = len(quick)
        self.heat_nodes = (*quick, *held)
        self.heat_rows = np.array([compiled.row(name) for name in self.heat_nodes], dtype=np.int64)
        self.quick_input = {name: i for i, name in enumerate(quick)}
        self.held_input = {name: i for i, name in enumerate(held)}

        def inputs(ends: NDArray[np.int64]) -> NDArray[np.int64]:
            return np.array(
                [
                    -1 if i < 0 else self.quick_input[active[i]] if fast else self.quick + self.held_input[active[i]]
                    for i, fast in zip(ends, self.law_fast, strict=True)
                ],
                dtype=np.int64,
            )

        columns = (self.law_code, self.law_from, self.law_to, inputs(self.law_from), inputs(self.law_to), self.law_fast)
        self.law_index = np.ascontiguousarray(np.stack(columns, axis=1))
        self.law_value = np.hstack([self.law_parameters, self.law_reference[:, None]])
        self.quick_laws = np.flatnonzero(self.law_fast)

    # -- propagators ---------------------------------------------------------------------------------------

    def shapes(self) -> dict[str, tuple[int, ...]]:
        """Shape of each array of propagators, for one level and step."""
        nx, quick = self.active.size, self.quick
        held = len(self.heat_nodes) - quick + len(self.boundaries)
        return {
            "propagate": (nx + quick, nx), "correct": (quick, nx), "hold": (held, nx), "out_start": (nx + quick,),
            "out_ramp": (quick,), "out_hold": (held,),
        }  # fmt: skip

    def _allocate(self, slots: int) -> None:
        for name, shape in self.shapes().items():
            fresh = np.zeros((slots, kernel.SUBDIVISIONS, *shape))
            old = getattr(self, name, None)
            if old is not None:
                fresh[: old.shape[0]] = old
            setattr(self, name, fresh)

    propagate: Array
    correct: Array
    hold: Array
    out_start: Array
    out_ramp: Array
    out_hold: Array

    def provide(self, level: int) -> None:
        """Build the propagators of a level, if they are not there yet."""
        if self.slot_of_level[level] >= 0:
            return
        if self.used == self.propagate.shape[0]:
            self._allocate(2 * self.used)
        slot = self.used
        compiled = self.compiled(level)
        system = condense(compiled, self.law_reference)
        self.condensed[level] = system
        n, quick = compiled.size, self.quick
        columns = np.concatenate([self.heat_rows, np.arange(n, n + len(self.boundaries))])
        drive, out_u = system.inputs[:, columns], system.out_u[columns]
        nx = system.active.size
        for s, (phi0, phi1, phi2, phi3) in enumerate(phi_functions(system.matrix, self.period, kernel.SUBDIVISIONS)):
            h = self.period / 2**s
            second = phi2 @ drive
            self.propagate[slot, s, :nx] = phi0.T
            first = h * (phi1 @ drive).T
            self.propagate[slot, s, nx:], self.hold[slot, s] = first[:quick], first[quick:]
            self.correct[slot, s] = h * second[:, :quick].T
            self.out_start[slot, s, :nx] = h * (system.out_x @ phi1)
            out = h * h * (system.out_x @ second) + h * out_u
            self.out_start[slot, s, nx:], self.out_hold[slot, s] = out[:quick], out[quick:]
            self.out_ramp[slot, s] = h * h * (system.out_x @ phi3 @ drive[:, :quick]) + 0.5 * h * out_u[:quick]
        self.slot_of_level[level] = slot
        self.used += 1

    def thermal(self, boundary: Array | None = None) -> kernel.Thermal:
        """Arrays for the kernel; ``boundary`` (samples or 1, b) overrides the fixed boundary temperatures."""
        some = self.condensed[next(iter(self.condensed))]
        return kernel.Thermal(
            self.slot_of_level, self.propagate, self.correct, self.hold, self.out_start, self.out_ramp, self.out_hold,
            some.capacity, np.array([self.active.size]),
            np.ascontiguousarray(self.boundary[None, :] if boundary is None else boundary),
            self.law_index, self.law_value, self.quick_laws, *NO_SURFACES,
        )  # fmt: skip
