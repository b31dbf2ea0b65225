"""Propagators of a machine by fan level, built when a level is first met and kept for later runs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network.compiled import CompiledNetwork
from thermnet.network.graph import nearest
from thermnet.network.laws import CLOSED, CODED, DRY_OUT, MELTING, SURFACE
from thermnet.solve import batch, kernel
from thermnet.solve.machine import Machine
from thermnet.solve.reduction import Basis, Level, find_basis, project

Array = NDArray[np.float64]
FAST_NODE = 3.0
"""s: a surface law on a node quicker than this is evaluated at every control sample ..."""

FAST_SHARE = 0.02
"""... if it is at least this share of all that ties the node; else the node follows its neighbours."""

REFERENCE_RISE = 12.0
"""K above ambient at which surface laws are linearised; what is left is carried as an input."""


LARGEST_FULL = 200
"""Nodes with capacity up to which a machine is solved node by node; larger ones on a reduced basis."""

SURFACE_RISES = (3.0, 12.0, 35.0)
"""K above ambient that stand for weak, usual and strong surface laws when a basis is made."""

NO_SURFACES = (
    np.zeros((0, 0)), np.zeros((0, 0)), np.zeros(0), np.zeros((0, 3), dtype=np.int64), np.zeros((0, 9)),
)  # fmt: skip
"""What the kernel takes for the surface laws of a reduced basis where there are none."""


class Plant:
    """One machine at one ambient and control period: propagators by fan level, shared by all its runs.

    The states of the kernel are the temperatures of all nodes with capacity or, in networks of more than
    ``largest_full`` of them, of the few that count and the strengths of shapes of all others (``basis``).

    Attributes
    ----------
    state_of : name of a node to its state
    size : number of states
    quick : number of quick heat inputs; ``heat_nodes`` names them, then those held between refreshes
    laws : law links that the kernel evaluates one by one; the others are surface laws on the nodes of a basis
    """

    basis: Basis | None = None
    surfaces: tuple[Any, ...] = NO_SURFACES

    def __init__(self, machine: Machine, period: float, *, largest_full: int = LARGEST_FULL) -> None:
        self.machine = machine
        self.period = period
        # The grid ends at or below the highest speed, never above it.
        self.counts = [int(fan.maximum / fan.grid + 1e-9) + 1 for fan in machine.fans]
        self.strides = [int(np.prod(self.counts[:i], dtype=np.int64)) for i in range(len(self.counts))]
        self.levels = int(np.prod(self.counts, dtype=np.int64)) if self.counts else 1
        self._singles: dict[int, CompiledNetwork] = {}
        self._lines: dict[int, CompiledNetwork] = {}
        self.systems: dict[int, Level] = {}
        self.soaks: dict[Any, Any] = {}
        self.laws_at_rest: Any = None
        self._gains: dict[int, Array] = {}
        self.speed_caps: dict[Any, Array] = {}
        self.noises: dict[int, float] = {}
        first = self.compiled(self.levels - 1)
        if first.has_varying_boundary:
            raise NetworkError("the closed loop takes its ambient as a number or as (times, degC), not as a function")
        self.nodes, self.boundaries = first.nodes, first.boundaries
        self.active = np.flatnonzero(first.capacity > 0)
        self.boundary = first.boundary_temperature(0.0)
        self._read_laws(first)
        self._choose_states(first, largest_full)
        self._read_inputs(first)
        if self.reduced:
            self._reduce(first)
        self.size = self.active.size if self.basis is None else self.basis.capacity.size
        self.capacity = first.capacity[self.active] if self.basis is None else self.basis.capacity
        self.slot_of_level = np.full(self.levels, -1, dtype=np.int64)
        self._allocate(4)
        self.used = 0

    # -- fan levels ----------------------------------------------------------------------------------------

    def speeds(self, level: Any) -> dict[str, Any]:
        """Fan speeds in rpm of a level number, or of an array of them."""
        return {
            fan.name: (level // stride % count) * fan.grid
            for fan, stride, count in zip(self.machine.fans, self.strides, self.counts, strict=True)
        }

    def level(self, indices: Sequence[int]) -> int:
        """Level number of positions on the fans' speed grids."""
        return int(sum(i * s for i, s in zip(indices, self.strides, strict=True)))

    def line(self, level: int) -> tuple[NDArray[np.int64], int]:
        """Levels that are assembled in one go with one, which costs no more than one alone, and its place among them.

        All of a single fan; of several fans, which mostly rise together, those along the diagonal.
        """
        if self.levels <= 200:
            return np.arange(self.levels), level
        places = [level // stride % count for stride, count in zip(self.strides, self.counts, strict=True)]
        index = min(places)
        along = min(count - place for place, count in zip(places, self.counts, strict=True)) + index
        diagonal = sum(self.strides)
        return level + diagonal * np.arange(-index, along - index), index

    def compiled(self, level: int) -> CompiledNetwork:
        """Compiled network of one level."""
        if level not in self._singles:
            line, place = self._network(level)
            self._singles[level] = line.select(place) if line.batch_shape else line
        return self._singles[level]

    def _network(self, level: int) -> tuple[CompiledNetwork, int]:
        """Network of all levels on a level's line, and its place on it."""
        levels, place = self.line(level)
        first = int(levels[0])
        if first not in self._lines:
            self._lines[first] = self.machine.assemble(self.speeds(levels))
        return self._lines[first], place

    # -- laws and inputs -----------------------------------------------------------------------------------

    def _read_laws(self, compiled: CompiledNetwork) -> None:
        """Codes, numbers and reference conductances of all laws, and which need evaluation at every sample."""
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
        bare = np.flatnonzero(compiled.capacity == 0)
        for k, row in zip(*np.nonzero(np.isin(compiled.law_ends, bare)), strict=True):
            name = compiled.nodes[compiled.law_ends[k, row]]
            raise NetworkError(f"law link {compiled.law_names[k]!r}: node {name!r} needs a heat capacity")
        self.law_reference = self.law_conductance(compiled, REFERENCE_RISE)
        # Strength of everything at a node, to tell its time constant.
        strength = np.abs(compiled.sparse_transport(self.law_reference).diagonal())
        ends = np.minimum(compiled.law_ends, n - 1)
        quick = (compiled.capacity < FAST_NODE * strength)[ends] & (self.law_reference[:, None] > FAST_SHARE * strength[ends])
        self.law_fast = (~surface | np.any(quick & (compiled.law_ends < n), axis=1)).astype(np.int64)

    def law_conductance(self, compiled: CompiledNetwork, rise: float) -> Array:
        """Conductance of each law link, W/K, with surfaces ``rise`` K above what they face; (laws,)."""
        n, ends = compiled.size, compiled.law_ends
        outer = ends.max(axis=1, initial=0)
        cold = np.where(outer >= n, self.boundary[np.maximum(outer - n, 0)] if self.boundary.size else 0.0, self.machine.ambient)
        result = np.empty(len(ends))
        for code in np.unique(self.law_code):
            k = np.flatnonzero(self.law_code == code)
            p = self.law_parameters[k].T
            if code == DRY_OUT:
                result[k] = 1.0 / p[0]
            elif code == MELTING:
                result[k] = p[0] * CLOSED
            else:
                result[k] = CODED[int(code)](p, cold[k] + rise, cold[k])
        return result

    def _choose_states(self, compiled: CompiledNetwork, largest_full: int) -> None:
        """Number the states; in a large network only the nodes that are looked at keep one of their own."""
        names = [compiled.nodes[row] for row in self.active]
        self.reduced = len(names) > largest_full
        every = np.arange(len(names))
        if self.reduced:
            position = {name: i for i, name in enumerate(names)}
            looked_at = [node for chip in self.machine.chips for node, _ in chip.leaks]
            looked_at += [chip.hot_spot for chip in self.machine.chips]
            looked_at += [limit.node for limit in self.machine.limits if limit.node]
            looked_at += [node for sensor in self.machine.sensors.values() for node in sensor.reads]
            ends = compiled.law_ends[self.law_fast == 1].ravel()
            looked_at += [compiled.nodes[row] for row in ends if row < compiled.size]
            every = np.array(sorted({position[name] for name in looked_at if name in position}), dtype=np.int64)
        self.own_states = every
        self.state_of = {names[i]: k for k, i in enumerate(every)}
        self.state_rows = self.active[every]
        self.laws = np.flatnonzero(self.law_fast == 1) if self.reduced else np.arange(self.law_code.size)
        self.law_names = tuple(compiled.law_names[k] for k in self.laws)

    def _read_inputs(self, compiled: CompiledNetwork) -> None:
        """Heat inputs: first the quick ones (chips, fast laws), then those held between refreshes.

        A node may be among both: what each adds is added up.
        """
        n, labels = compiled.size, (*compiled.nodes, *compiled.boundaries)
        ends, fast = compiled.law_ends[self.laws], self.law_fast[self.laws]
        quick: list[str] = []
        for chip in self.machine.chips:
            quick += [*chip.share, *chip.follow, *(node for node, _ in chip.leaks)]
        held = [node for nodes, _ in self.machine.sources.values() for node in nodes]
        quick += [labels[row] for row in ends[fast == 1].T.ravel() if row < n]
        held += [labels[row] for row in ends[fast == 0].T.ravel() if row < n]
        quick, held = list(dict.fromkeys(quick)), list(dict.fromkeys(held))
        self.quick = len(quick)
        self.heat_nodes = (*quick, *held)
        rows = {name: i for i, name in enumerate(compiled.nodes)}
        unknown = [name for name in self.heat_nodes if name not in rows]
        if unknown:
            raise NetworkError(f"heat goes into {unknown[0]!r}{nearest(unknown[0], rows)}")
        self.heat_rows = np.array([rows[name] for name in self.heat_nodes], dtype=np.int64)
        self.quick_input = {name: i for i, name in enumerate(quick)}
        self.held_input = {name: i for i, name in enumerate(held)}
        index = np.empty((self.laws.size, 6), dtype=np.int64)
        index[:, kernel.CODE], index[:, kernel.FAST] = self.law_code[self.laws], fast
        for side, inputs in ((0, kernel.INPUT_FROM), (1, kernel.INPUT_TO)):
            for k, row in enumerate(ends[:, side]):
                if row >= n:
                    index[k, kernel.FROM + side], index[k, inputs] = -1 - (row - n), -1
                    continue
                index[k, kernel.FROM + side] = self.state_of[labels[row]]
                quickly = fast[k] == 1
                index[k, inputs] = self.quick_input[labels[row]] if quickly else self.quick + self.held_input[labels[row]]
        self.law_index = index
        self.law_from, self.law_to = index[:, kernel.FROM], index[:, kernel.TO]
        self.law_value = self.law_values(self.law_parameters, self.law_reference)[self.laws]
        self.quick_laws = np.flatnonzero(fast)

    @staticmethod
    def law_values(parameters: Array, reference: Array) -> Array:
        """Rows of numbers as the kernel takes them: parameters, then the reference conductance."""
        return np.hstack([parameters, reference[:, None]])

    # -- reduced basis -------------------------------------------------------------------------------------

    def _reduce(self, compiled: CompiledNetwork) -> None:
        """Find the basis, and gather the surface laws on it."""
        n = compiled.size
        loads = self._loads(compiled)
        middle = self.level([count // 2 for count in self.counts])
        networks = [self.compiled(level) for level in dict.fromkeys((middle, 0, self.levels - 1))]
        rises = SURFACE_RISES if np.any(self.law_fast == 0) else SURFACE_RISES[:1]
        order = (rises[len(rises) // 2], *rises)
        samples = [
            (network, self.law_conductance(network, rise))
            for k, network in enumerate(networks) for rise in dict.fromkeys(order[:1] if k == 0 else order[1:])
        ]  # fmt: skip
        self.basis = find_basis(samples, self.own_states, loads)
        slow = np.flatnonzero(self.law_fast == 0)
        ends = compiled.law_ends[slow]
        rows = np.unique(ends[ends < n])
        place = np.full(n, -1, dtype=np.int64)
        place[rows] = np.arange(rows.size)
        active_of = np.full(n, -1, dtype=np.int64)
        active_of[self.active] = np.arange(self.active.size)
        index = np.empty((slow.size, 3), dtype=np.int64)
        index[:, 0] = self.law_code[slow]
        index[:, 1:] = np.where(ends < n, place[np.minimum(ends, n - 1)], -1 - (ends - n))
        spread, gather = self.basis.surfaces(active_of[rows]) if rows.size else NO_SURFACES[:2]
        self.surfaces = (
            spread, gather, np.ascontiguousarray(compiled.capacity[rows]), index,
            self.law_values(self.law_parameters, self.law_reference)[slow],
        )  # fmt: skip

    def _loads(self, compiled: CompiledNetwork) -> Array:
        """Heat patterns (n, m) in W at about the strength they may have: quick inputs apart, sources by part."""
        columns = []
        for row in dict.fromkeys(self.heat_rows[: self.quick].tolist()):
            column = np.zeros(compiled.size)
            column[row] = 30.0
            columns.append(column)
        for nodes, watts in self.machine.sources.values():
            column = np.zeros(compiled.size)
            for node, share in nodes.items():
                column[compiled.row(node)] += share * max(float(watts), 5.0)
            columns.append(column)
        return np.stack(columns, axis=1) if columns else np.zeros((compiled.size, 0))

    def states(self, temperatures: Array) -> Array:
        """States for temperatures (nodes with capacity,)."""
        return temperatures if self.basis is None else self.basis.states(temperatures)

    def temperatures(self, states: Array) -> Array:
        """Temperatures (..., nodes with capacity) of states (..., x)."""
        return states if self.basis is None else states @ self.basis.shapes.T

    @property
    def storage(self) -> Array:
        """Heat stored per unit of each state, (x,)."""
        return self.capacity if self.basis is None else self.basis.node_capacity @ self.basis.shapes

    @property
    def basis_error(self) -> float:
        """Largest difference in K between the basis and the full network where they were compared; 0 without one."""
        return 0.0 if self.basis is None else self.basis.error

    def weights(self, node: str) -> Array:
        """Row that gives a node's temperature from the states; the node must have a capacity."""
        position = [self.nodes[row] for row in self.active].index(node)
        if self.basis is not None:
            shape: Array = self.basis.shapes[position]
            return shape
        row = np.zeros(self.size)
        row[position] = 1.0
        return row

    # -- propagators ---------------------------------------------------------------------------------------

    def shapes(self) -> dict[str, tuple[int, ...]]:
        """Shape of each array of propagators, for one level and step."""
        nx, quick = self.size, self.quick
        held = len(self.heat_nodes) - quick + len(self.boundaries) + (nx if self.surfaces[3].shape[0] else 0)
        columns, width = kernel.whole_lanes(nx + quick, nx + 1)
        return {"propagate": (columns, width), "correct": (quick, width), "hold": (held, width)}

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

    def provide(self, level: int) -> None:
        """Build the propagators of a level, if they are not there yet."""
        self.expect([level])

    def expect(self, levels: Iterable[int]) -> None:
        """Build the propagators of some levels in one go, which costs much less than one by one; the same come out."""
        new = [level for level in levels if self.slot_of_level[level] < 0]
        if not new:
            return
        if self.used + len(new) > self.propagate.shape[0]:
            self._allocate(2 * self.used + len(new))
        slots = slice(self.used, self.used + len(new))
        self._condense([level for level in new if level not in self.systems])
        systems = [self.system(level) for level in new]
        drive, out_u = np.stack([system.drive for system in systems]), np.stack([system.out_u for system in systems])
        if self.surfaces[3].shape[0]:
            own = np.broadcast_to(np.diag(1.0 / self.capacity), (len(new), self.size, self.size))
            drive, out_u = np.concatenate([drive, own], axis=2), np.hstack([out_u, np.zeros((len(new), self.size))])
        batch.fill_propagators(
            self.propagate[slots], self.correct[slots], self.hold[slots], np.stack([system.matrix for system in systems]),
            drive, np.stack([system.out_x for system in systems]), out_u, self.period,
        )  # fmt: skip
        self.slot_of_level[new] = np.arange(slots.start, slots.stop)
        self.used = slots.stop

    @property
    def met(self) -> list[int]:
        """Levels whose propagators are there."""
        return [int(level) for level in np.flatnonzero(self.slot_of_level >= 0)]

    def system(self, level: int) -> Level:
        """Heat balance of a level in states, massless nodes eliminated."""
        if level not in self.systems:
            self._condense([level])
        return self.systems[level]

    def _condense(self, levels: list[int]) -> None:
        """Work out the heat balances of some levels."""
        lines: dict[int, list[int]] = {}
        for level in levels:
            lines.setdefault(int(self.line(level)[0][0]), []).append(level)
        for own in lines.values():
            places = [self.line(level)[1] for level in own]
            line, _ = self._network(own[0])
            some = batch.picked(line if line.batch_shape else batch.spread(line, (1,)), places)
            self._refuse_laws_that_follow_fans(some)
            if self.basis is not None:
                for level in own:
                    self.systems[level] = project(self.compiled(level), self.law_reference, self.basis, self.heat_rows)
                continue
            found = batch.condensed_stacks(some, np.repeat(self.law_reference[:, None], len(own), axis=1), self.heat_rows)
            massless = np.flatnonzero(self.compiled(own[0]).capacity == 0)
            for k, level in enumerate(own):
                self.systems[level] = Level(
                    found.matrix[k], found.inputs[k], massless, found.massless_x[k], found.massless_u[k], found.out_x[k],
                    found.out_u[k],
                )  # fmt: skip

    def _refuse_laws_that_follow_fans(self, compiled: CompiledNetwork) -> None:
        """The kernel holds one row of numbers per law, for all fan levels; a link may follow the fans, a law not."""
        here = compiled.law_parameters.reshape(*self.law_parameters.shape, -1).copy()
        here[self.law_code == SURFACE, 2] = np.round(here[self.law_code == SURFACE, 2], 9)
        differ = ~np.isclose(here, self.law_parameters[..., None], rtol=1e-9, atol=1e-12).all(axis=(1, 2))
        if differ.any():
            name = compiled.law_names[int(np.argmax(differ))]
            raise NetworkError(
                f"law link {name!r}: its numbers depend on fan speed; expected the same at every speed (a plain link's "
                "conductance may follow the fans)"
            )

    def gain(self, level: int) -> Array:
        """States at rest per unit of every input: heat inputs, boundaries, heat into states for surface laws."""
        if level not in self._gains:
            system = self.system(level)
            drive = system.drive
            if self.surfaces[3].shape[0]:
                drive = np.hstack([drive, np.diag(1.0 / self.capacity)])
            self._gains[level] = np.asarray(-np.linalg.solve(system.matrix, drive), dtype=np.float64)
        return self._gains[level]

    def thermal(self, boundary: Array | None = None) -> kernel.Thermal:
        """Arrays for the kernel; ``boundary`` (samples or 1, b) overrides the fixed boundary temperatures."""
        return kernel.Thermal(
            self.slot_of_level, self.propagate, self.correct, self.hold, self.capacity, np.array([len(self.state_of)]),
            np.ascontiguousarray(self.boundary[None, :] if boundary is None else boundary),
            self.law_index, self.law_value, self.quick_laws, *self.surfaces,
        )  # fmt: skip
