"""From what the kernel left behind to a labelled run; temperatures are worked out when they are read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermnet.firmware.workload import Workload
from thermnet.network.laws import DRY_OUT, dry_out_conductance, dry_out_limit
from thermnet.run import Channel, Energy, Run, Status
from thermnet.solve import kernel
from thermnet.solve.going_on import final_state
from thermnet.solve.plant import Plant
from thermnet.solve.propagator import phi_functions
from thermnet.solve.transient import heat_of_links
from thermnet.solve.trouble import signs_of_trouble

if TYPE_CHECKING:
    from thermnet.solve.closed_loop import Loop

Array = NDArray[np.float64]


@dataclass(frozen=True)
class History:
    """States, heat inputs and fan levels at the kept times, from which every temperature follows.

    Attributes
    ----------
    time : (t,) s
    x : (t, states), heat : (t, heat inputs) W, boundary : (t or 1, b) degC, level : (t,)
    dry_at_start : (laws of the kernel,) 1 where a heat pipe had dried out before the first time
    """

    plant: Plant
    time: Array
    x: Array
    heat: Array
    boundary: Array
    level: NDArray[np.int32]
    dry_at_start: Array | None = None

    def rows(self, which: slice | NDArray[np.int64]) -> History:
        """Part of the history."""
        boundary = self.boundary if len(self.boundary) == 1 else self.boundary[which]
        return History(self.plant, self.time[which], self.x[which], self.heat[which], boundary, self.level[which])

    def column(self, index: int) -> Array:
        """Temperature of one node or boundary at all times, degC."""
        plant, n = self.plant, len(self.plant.nodes)
        if index >= n:
            return np.broadcast_to(self.boundary[:, index - n], self.time.shape).copy()
        place = int(np.searchsorted(plant.active, index))
        if place < plant.active.size and plant.active[place] == index:
            if plant.basis is None:
                return self.x[:, place]
            state = plant.state_of.get(plant.nodes[index])
            return self.x[:, state] if state is not None else self.x @ plant.basis.shapes[place]
        result = np.empty(self.time.size)
        for system, part, rows in self._by_level():
            z = int(np.searchsorted(system.massless, index))
            result[rows] = part.x @ system.massless_x[z] + part.inputs() @ system.massless_u[z]
        return result

    def everything(self) -> Array:
        """Temperatures (t, n + b) of all nodes and boundaries, degC."""
        plant, n = self.plant, len(self.plant.nodes)
        full = np.empty((self.time.size, n + len(plant.boundaries)))
        full[:, plant.active] = plant.temperatures(self.x)
        full[:, n:] = self.boundary
        for system, part, rows in self._by_level():
            if system.massless.size:
                full[np.ix_(rows, system.massless)] = part.x @ system.massless_x.T + part.inputs() @ system.massless_u.T
        return full

    def inputs(self) -> Array:
        """Heat inputs and boundary temperatures (t, heat inputs + b)."""
        return np.hstack([self.heat, np.broadcast_to(self.boundary, (self.time.size, self.boundary.shape[1]))])

    def _by_level(self) -> Any:
        for number in np.unique(self.level):
            rows = np.flatnonzero(self.level == number)
            yield self.plant.system(int(number)), self.rows(rows), rows

    def between(self, k: int, t: float) -> Array:
        """Temperatures at a time within kept interval ``k`` (linear where samples were thinned)."""
        step, span = t - self.time[k], self.time[k + 1] - self.time[k]
        here = self.rows(slice(k, k + 1))
        if span > 1.5 * self.plant.period:
            state = self.x[k] + (self.x[k + 1] - self.x[k]) * step / span
        else:
            # What the surface laws of a basis add beyond their reference is linear over so short a time.
            system = self.plant.system(int(self.level[k]))
            state = self._ahead(k, max(step, 1e-12), system)
            if self.plant.basis is not None:
                state = state + (self.x[k + 1] - self._ahead(k, span, system)) * step / span
        full: Array = History(self.plant, here.time, state[None], here.heat, here.boundary, here.level).everything()[0]
        return full

    def _ahead(self, k: int, step: float, system: Any) -> Array:
        phi0, phi1, *_ = phi_functions(system.matrix, step)[0]
        ahead: Array = phi0 @ self.x[k] + step * (phi1 @ (system.drive @ self.rows(slice(k, k + 1)).inputs()[0]))
        return ahead

    def link_heat(self) -> tuple[tuple[str, ...], Array]:
        """Heat through every link, W."""
        names: tuple[str, ...] = ()
        result = np.zeros((self.time.size, 0))
        for number in np.unique(self.level):
            rows = np.flatnonzero(self.level == number)
            names, values = heat_of_links(self.plant.compiled(int(number)), self.rows(rows).everything())
            if result.shape[1] == 0:
                result = np.empty((self.time.size, len(names)))
            result[rows] = values
        for k, law, hot, cold in self._pipes_that_stay_dry():
            column = names.index(self.plant.law_names[k])
            first = self.dry_at_start is not None and bool(self.dry_at_start[k])
            dry = dried_out(law, hot, cold, first)
            beaten = law.copy()
            beaten[1] *= law[REWET]
            carried = dry_out_conductance(beaten, hot[dry], cold[dry]) * (hot[dry] - cold[dry])
            result[dry, column] = carried
        return names, result

    def _pipes_that_stay_dry(self) -> Any:
        """Laws whose wick stays dry below the limit: (place in the kernel, numbers, temperatures at either end)."""
        plant, ends = self.plant, self.plant.compiled(int(self.level[0])).law_ends
        for k, law in enumerate(plant.laws.tolist()):
            if plant.law_code[law] == DRY_OUT and plant.law_parameters[law, REWET] < 1.0:
                yield k, plant.law_parameters[law], *(self.column(int(row)) for row in ends[law])


REWET = 6
"""Column of a dry-out law's numbers: share of the heat limit below which a dried wick fills again."""


def dried_out(law: Array, hot: Array, cold: Array, first: bool) -> NDArray[np.bool_]:
    """Tell at which of the times (t,) a pipe is dry, as the kernel decides it at the end of every control sample.

    Between the kept times of a thinned history nothing is known; the pipe is then taken to stay as it was.
    """
    limit, rise = dry_out_limit(law, hot, cold), hot - cold
    beaten = law.copy()
    beaten[1] *= law[REWET]
    dries = np.abs(dry_out_conductance(law, hot, cold) * rise) > limit
    rewets = np.abs(dry_out_conductance(beaten, hot, cold) * rise) < law[REWET] * limit
    dry, now = np.zeros(hot.size, dtype=bool), first
    for t, (above, below) in enumerate(zip(dries.tolist(), rewets.tolist(), strict=True)):
        if t > 0:
            now = not below if now else above
        dry[t] = now
    return dry


def to_run(loop: Loop, reason: int, workload: Workload, provenance: Mapping[str, Any]) -> Run:
    """Label what the kernel left behind."""
    plant, record, state = loop.plant, loop.record, loop.state
    machine, period, every = plant.machine, plant.period, int(record.every[0])
    done = int(state.count[0])
    rows = -(-done // every)
    # The state after the last sample closes the history; its decisions are those of the sample before.
    time = np.append(np.arange(rows) * every * period, done * period)

    def closed(values: NDArray[Any], last: Any = None) -> NDArray[Any]:
        values[rows] = values[rows - 1] if last is None else last
        return values[: rows + 1]

    boundary = plant.boundary[None, :]
    if loop.boundary is not None:
        boundary = loop.boundary[np.minimum(np.arange(rows + 1) * every, loop.boundary.shape[0] - 1)]
    history = History(plant, time, closed(record.x, state.x), closed(record.u), boundary, closed(record.level), loop.dry_at_start)
    fans = closed(record.fan) * np.array([fan.grid for fan in machine.fans])
    chips = tuple(chip.name for chip in machine.chips)
    channels = {
        "power": Channel("chip", chips, closed(record.power), "W", "chip power over the control sample"),
        "average_power": Channel("chip", chips, closed(record.average, state.average), "W", "running average of chip power"),
        "frequency": Channel("chip", chips, closed(record.frequency), "1", "frequency as a share of the highest"),
        "work": Channel("chip", chips, closed(record.work, state.work), "s", "work done, in seconds at full frequency"),
        "limit": Channel("chip", chips, closed(record.bound), "1", "which limit binds", kernel.LIMIT_FLAGS),
        "reading": Channel("sensor", loop.sensors.names, closed(record.sensor), "degC", "sensor readings"),
    }
    if machine.fans:
        names = tuple(fan.name for fan in machine.fans)
        channels["fan_speed"] = Channel("fan", names, fans, "rpm", "fan speed")
        levels = _by_level(history.level, lambda number: _noise(plant, number))
        if np.any(np.isfinite(levels)):
            channels["noise"] = Channel("place", ("operator",), levels[:, None], "dBA", "noise at the operator")
    final = history.rows(slice(rows, rows + 1)).everything()[0]
    run = Run(
        time=time, names=(*plant.nodes, *plant.boundaries), temperatures=history,  # type: ignore[arg-type]
        energy=Energy(
            float(state.account[0]), float(state.account[1]), float(plant.storage @ (history.x[-1] - history.x[0]))
        ),
        status={kernel.RUNAWAY: Status.RUNAWAY, kernel.LIMIT_HIT: Status.STOPPED}.get(reason, Status.COMPLETE), channels=channels, limits=machine.limits,
        boundaries=plant.boundaries,
        solver={
            "method": "exponential, second order", "period_s": period, "samples": done,
            "refined_samples": int(state.count[2]), "largest_error_estimate_K": float(state.account[2]),
            "fan_levels": plant.used, "kept_every": every, "states": plant.size, "basis_error_K": plant.basis_error,
        },
        provenance={**provenance, "workload": workload.name, "workload_notes": list(workload.notes)},
        final_state=final_state(loop, final),
        _between=history.between, _link_heat=history.link_heat,
    )  # fmt: skip
    return run.changed(events=signs_of_trouble(run, loop))


def _by_level(level: NDArray[np.int32], value: Callable[[int], float]) -> Array:
    """A number for every row from its fan level."""
    # Levels are small whole numbers: a look-up table, where sorting thirty thousand of them took longer than the run's books.
    met = np.zeros(int(level.max(initial=0)) + 1, dtype=bool)
    met[level] = True
    table = np.zeros(met.size)
    for number in np.flatnonzero(met).tolist():
        table[number] = value(number)
    found: Array = table[level]
    return found


def _noise(plant: Plant, level: int) -> float:
    if level not in plant.noises:
        plant.noises[level] = float(plant.machine.noise({name: max(speed, 1.0) for name, speed in plant.speeds(level).items()}))
    return plant.noises[level]


__all__ = ["History", "to_run"]
