"""Transient of a bare network (no firmware): exact for linear networks, error-controlled Rosenbrock otherwise."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError, ThermalRunawayError
from thermnet.network.compiled import CompiledNetwork, compile_network, power_rows
from thermnet.run import Channel, Energy, Run, Status
from thermnet.solve.equations import DENSE_LIMIT, Factor, HeatBalance
from thermnet.solve.propagator import condense, phi_functions
from thermnet.solve.rosenbrock import Rosenbrock, Step
from thermnet.solve.steady import RUNAWAY_RISE, steady_temperatures

if TYPE_CHECKING:
    from thermnet.network.graph import ThermalNetwork

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Powers:
    """Heat into every node over time: constants, piecewise constants, and callables of time."""

    size: int
    constant: Array
    stepped: tuple[tuple[int, Array, Array], ...]
    varying: tuple[tuple[int, Any], ...]

    def at(self, time: float) -> Array:
        """Heat in W into every node at ``time``; at a step, the value after it."""
        watts = self.constant.copy()
        for row, times, values in self.stepped:
            k = int(np.searchsorted(times, time * (1.0 + 1e-14), side="right")) - 1
            watts[row] += values[k] if k >= 0 else 0.0
        for row, function in self.varying:
            watts[row] += float(function(time))
        return watts

    @property
    def breaks(self) -> Array:
        """Times at which a piecewise constant power steps, s."""
        return np.unique(np.concatenate([np.zeros(0), *(times for _, times, _ in self.stepped)]))


def read_powers(compiled: CompiledNetwork, power: Mapping[str, Any]) -> Powers:
    """Sort a mapping of node name to number, pair or callable; refuse anything else by name."""
    constant = np.zeros(compiled.size)
    stepped: list[tuple[int, Array, Array]] = []
    varying: list[tuple[int, Any]] = []
    for row, value in power_rows(compiled, power).items():
        name = compiled.nodes[row]
        if callable(value):
            varying.append((row, value))
        elif isinstance(value, tuple | list) and len(value) == 2:
            times, watts = np.asarray(value[0], dtype=float), np.asarray(value[1], dtype=float)
            if times.ndim != 1 or times.shape != watts.shape or times.size == 0 or np.any(np.diff(times) <= 0):
                raise NetworkError(f"power at {name!r}: (times, watts) must be equally long, with times rising")
            if not (np.all(np.isfinite(times)) and np.all(np.isfinite(watts))):
                raise NetworkError(f"power at {name!r}: (times, watts) must be finite")
            stepped.append((row, times, watts))
        else:
            try:
                constant[row] = float(value)
            except (TypeError, ValueError):
                raise NetworkError(
                    f"power at {name!r}: {value!r}; expected a number of W, (times, watts), or a callable of time"
                ) from None
            if not np.isfinite(constant[row]):
                raise NetworkError(f"power at {name!r}: {value!r}; expected a finite number of W")
    return Powers(compiled.size, constant, tuple(stepped), tuple(varying))


def solve_transient(
    network: ThermalNetwork, power: Mapping[str, Any], duration: float | None, *,
    initial: float | Mapping[str, float] | str = 25.0, times: Iterable[float] | None = None, tolerance: float = 0.01,
    progress: bool = False,
) -> Run:  # fmt: skip
    """Solve the transient of a bare network; see :meth:`ThermalNetwork.transient`."""
    compiled = compile_network(network)
    if compiled.batch_shape:
        raise NetworkError(f"transient() solves one machine; this network holds {compiled.batch_shape} of them")
    if not (np.isfinite(tolerance) and tolerance > 0):
        raise ValueError(f"tolerance {tolerance!r} K; expected more than 0")
    report = None if times is None else np.unique(np.asarray(list(times), dtype=float))
    if report is not None and (report.size == 0 or not np.all(np.isfinite(report)) or report[0] < 0):
        raise ValueError("times: expected finite times of 0 s or more")
    if duration is None:
        if report is None:
            raise ValueError("give a duration in s, or the times to report")
        duration = float(report[-1])
    if not (np.isfinite(duration) and duration > 0):
        raise ValueError(f"duration {duration!r} s; expected more than 0")
    if report is not None and report[-1] > duration * (1 + 1e-12):
        raise ValueError(f"times: {report[-1]:g} s lies after the duration of {duration:g} s")
    powers = read_powers(compiled, power)
    start = compiled.settled(_initial(compiled, powers, initial))
    exact = (
        compiled.is_linear and not powers.varying and not compiled.has_varying_boundary and compiled.size <= DENSE_LIMIT
        and bool(np.any(compiled.capacity > 0))
    )  # fmt: skip
    solver = _solve_exactly if exact else _solve_by_steps
    return solver(compiled, powers, start, duration, report, tolerance, progress)


def _initial(compiled: CompiledNetwork, powers: Powers, initial: float | Mapping[str, float] | str) -> Array:
    if isinstance(initial, str):
        if initial != "steady":
            raise ValueError(f'initial {initial!r}; expected a number of degC, a mapping by node, or "steady"')
        return steady_temperatures(compiled, powers.at(0.0))
    if isinstance(initial, Mapping):
        missing = [name for name in compiled.nodes if name not in initial and compiled.capacity[compiled.row(name)] > 0]
        if missing:
            raise NetworkError(f"initial: no temperature for {', '.join(repr(m) for m in missing[:8])}")
        start = np.zeros(compiled.size)
        for name, value in initial.items():
            row = compiled.row(name)
            if row < compiled.size:
                start[row] = float(value)
        return start
    value = float(initial)
    if not np.isfinite(value):
        raise ValueError(f"initial {initial!r}; expected a finite number of degC")
    return np.full(compiled.size, value)


def _solve_exactly(
    compiled: CompiledNetwork, powers: Powers, start: Array, duration: float, report: Array | None, tolerance: float,
    progress: bool,
) -> Run:  # fmt: skip
    """March with exact propagators from one reported time or power step to the next."""
    system = condense(compiled)
    boundary = compiled.boundary_temperature(0.0)
    if report is None:
        # A grid fine where things move fast after each step and coarse later: equal ratios of time since the step.
        edges = np.unique(np.concatenate([[0.0], powers.breaks[(powers.breaks > 0) & (powers.breaks < duration)], [duration]]))
        per_piece = max(4, min(200, 20000 // len(edges)))
        pieces = [a + (b - a) * np.concatenate([[0.0], np.geomspace(1e-5, 1.0, per_piece)]) for a, b in zip(edges, edges[1:], strict=False)]
        report = np.unique(np.concatenate(pieces))
    breaks = powers.breaks
    marks = np.unique(np.concatenate([[0.0], report, breaks[(breaks > 0) & (breaks < duration)], [duration]]))
    cache: dict[float, tuple[Array, Array, Array]] = {}

    def propagators(step: float) -> tuple[Array, Array, Array]:
        key = float(f"{step:.13g}")
        if key not in cache:
            if len(cache) > 500:
                cache.clear()
            phi0, phi1, phi2, _ = phi_functions(system.matrix, key)[0]
            cache[key] = (phi0, key * phi1, key * key * phi2)
        return cache[key]

    x = start[system.active]
    states = np.empty((marks.size, x.size))
    inputs = np.empty((marks.size, compiled.size + len(boundary)))
    into = out = 0.0
    states[0] = x
    for k, time in enumerate(marks):
        inputs[k] = np.concatenate([powers.at(time), boundary])
        if k + 1 == marks.size:
            break
        step = marks[k + 1] - time
        phi0, first, second = propagators(step)
        drive = system.inputs @ inputs[k]
        # Integral of the state over the step, for the heat accounts.
        integral = first @ x + second @ drive
        out += float(system.out_x @ integral + step * (system.out_u @ inputs[k]))
        into += float(np.sum(inputs[k, : compiled.size])) * step
        x = phi0 @ x + first @ drive
        states[k + 1] = x
    stored = float(system.capacity @ (states[-1] - states[0]))
    everything = system.everything(states.T, inputs.T, compiled.size).T
    full = np.hstack([everything, inputs[:, compiled.size :]])

    def between(k: int, time: float) -> Array:
        index = int(np.searchsorted(marks, shown[k]))
        step = time - marks[index]
        phi0, phi1, _, _ = phi_functions(system.matrix, step)[0]
        state = phi0 @ states[index] + step * (phi1 @ (system.inputs @ inputs[index]))
        nodes = system.everything(state, inputs[index], compiled.size)
        return np.concatenate([nodes, boundary])

    # Without a power step between two reported times every mark is a reported time; with one, interpolate to it too.
    keep = np.isin(marks, report) | np.isin(marks, breaks)
    shown = marks[keep]
    return _run(
        compiled, powers, shown, full[keep], Energy(*_accounts(into, out, stored)), Status.COMPLETE,
        {"method": "exact propagator", "steps": int(marks.size - 1)}, between, report,
    )  # fmt: skip


def _accounts(into: float, out: float, stored: float) -> tuple[float, float, float]:
    """Book heat drawn from boundaries (net inflow) as heat in when no source puts any in."""
    if abs(into) < 1e-9 * max(abs(out), abs(stored)):
        return max(abs(out), abs(stored)), max(abs(out), abs(stored)) + out - into, stored
    return into, out, stored


def _solve_by_steps(
    compiled: CompiledNetwork, powers: Powers, start: Array, duration: float, report: Array | None, tolerance: float,
    progress: bool,
) -> Run:  # fmt: skip
    """March with the adaptive Rosenbrock method, stopping at every power step."""
    balance = HeatBalance(compiled)

    def inputs_after(piece: float) -> Any:
        def inputs(time: float) -> tuple[Array, Array]:
            # Within a piece the stepped powers keep the value they have just after its start.
            watts = powers.at(piece)
            for row, function in powers.varying:
                watts[row] += float(function(time)) - float(function(piece))
            if not np.all(np.isfinite(watts)):
                node = compiled.nodes[int(np.argmax(~np.isfinite(watts)))]
                raise NetworkError(f"power at {node!r} is not finite at {time:g} s")
            return compiled.boundary_temperature(time), watts

        return inputs

    breaks = powers.breaks
    edges = np.unique(np.concatenate([[0.0], breaks[(breaks > 0) & (breaks < duration)], [duration]]))
    first_inputs = inputs_after(0.0)
    temperature = _consistent(balance, start, first_inputs)
    steps: list[Step] = []
    accounts = np.zeros(2)
    ceiling = float(np.max(compiled.boundary_temperature(0.0))) + RUNAWAY_RISE
    status, bar = Status.COMPLETE, _bar(duration, progress)
    solver = None
    inputs = first_inputs
    size = None

    def on_step(step: Step) -> bool:
        steps.append(step)
        accounts[:] += _step_accounts(balance, step, inputs)
        if bar is not None:
            bar.update(step.size)
        return bool(np.max(step.after) > ceiling)

    rejected = jacobians = 0
    for a, b in zip(edges, edges[1:], strict=False):
        inputs = inputs_after(a)
        temperature = _consistent(balance, temperature, inputs, a)
        # A tenth of the tolerance per step keeps the global error within it on dissipative heat balances.
        solver = Rosenbrock(balance, inputs, 0.1 * tolerance)
        temperature = solver.integrate(temperature, a, b, first=size or 1e-5 * (b - a), on_step=on_step)
        rejected, jacobians = rejected + solver.rejected, jacobians + solver.jacobians
        if np.max(temperature) > ceiling:
            status = Status.RUNAWAY
            break
    if bar is not None:
        bar.close()
    starts = np.array([s.start for s in steps])
    end = steps[-1].start + steps[-1].size
    marks = np.concatenate([starts, [end]]) if report is None else report[report <= end * (1 + 1e-12)]

    def at(time: float) -> Array:
        k = max(0, int(np.searchsorted(starts, time, side="right")) - 1)
        step = steps[k]
        return step.after if time >= step.start + step.size else step.at(time)

    nodes = np.array([at(t) for t in marks])
    massless = np.flatnonzero(compiled.capacity == 0)
    boundary = np.array([compiled.boundary_temperature(t) for t in marks])
    if massless.size:
        for i, t in enumerate(marks):
            piece = edges[max(0, int(np.searchsorted(edges, t, side="right")) - 1)]
            nodes[i] = _consistent(balance, nodes[i], inputs_after(min(piece, edges[-2])), float(t))
    stored = float(compiled.capacity @ (steps[-1].after - steps[0].before))

    def between(k: int, time: float) -> Array:
        return np.concatenate([at(time), compiled.boundary_temperature(time)])

    return _run(
        compiled, powers, marks, np.hstack([nodes, boundary]), Energy(*_accounts(float(accounts[0]), float(accounts[1]), stored)),
        status,
        {"method": "Rosenbrock order 4(3)", "steps": len(steps), "rejected": rejected, "jacobians": jacobians,
         "tolerance_K": tolerance},
        between, None,
    )  # fmt: skip


NODES_5, WEIGHTS_5 = np.polynomial.legendre.leggauss(4)


def _step_accounts(balance: HeatBalance, step: Step, inputs: Any) -> Array:
    """Heat in and out over a step by Gauss quadrature on the step's polynomial, J."""
    into = out = 0.0
    compiled = balance.compiled
    for node, weight in zip(NODES_5, WEIGHTS_5, strict=True):
        time = step.start + 0.5 * (node + 1.0) * step.size
        boundary, power = inputs(time)
        temperature = step.at(time)
        everything = balance.full(temperature, boundary)
        into += 0.5 * weight * (float(np.sum(power)) + float(np.sum(balance.leakage(temperature))))
        laws = balance.law_conductance(everything) if len(balance.a) else None
        out += 0.5 * weight * float(compiled.outflow_vector(laws) @ everything)
    return np.array([into, out]) * step.size


def _consistent(balance: HeatBalance, temperature: Array, inputs: Any, time: float = 0.0) -> Array:
    """Solve the algebraic rows (nodes without capacity) for the temperatures of the others."""
    massless = np.flatnonzero(balance.compiled.capacity == 0)
    if massless.size == 0:
        return temperature
    temperature = temperature.copy()
    boundary, power = inputs(time)
    for _ in range(50):
        residual = balance.residual(temperature, boundary, power)[massless]
        jacobian = balance.jacobian(temperature, boundary)
        block = jacobian[np.ix_(massless, massless)] if balance.dense else jacobian[massless][:, massless].tocsc()
        change = -Factor(block, tuple(balance.compiled.nodes[i] for i in massless)).solve(residual)
        temperature[massless] += change
        if float(np.max(np.abs(change))) < 1e-10:
            return temperature
    return temperature


def _bar(duration: float, progress: bool) -> Any:
    if not progress:
        return None
    from tqdm.auto import tqdm

    return tqdm(total=duration, unit="s", desc="transient", mininterval=0.2)


def _run(
    compiled: CompiledNetwork, powers: Powers, marks: Array, full: Array, energy: Energy, status: Status,
    solver: dict[str, Any], between: Any, report: Array | None,
) -> Run:  # fmt: skip
    if report is not None and report.size < marks.size:
        # Marks that were only power steps are not reported.
        keep = np.isin(marks, report)
        inner = between
        positions = np.flatnonzero(keep)

        def between(k: int, time: float) -> Array:
            last = int(np.searchsorted(marks, time, side="right")) - 1
            return np.asarray(inner(max(int(positions[k]), last), time))

        marks, full = marks[keep], full[keep]
    watts = np.array([powers.at(t) for t in marks])
    sources = tuple(np.flatnonzero(np.any(watts != 0.0, axis=0)).tolist())
    channels = {
        "power": Channel("source", tuple(compiled.nodes[i] for i in sources), watts[:, list(sources)], "W", "heat put in")
    }

    def link_heat() -> tuple[tuple[str, ...], Array]:
        return heat_of_links(compiled, full)

    events = ((float(marks[-1]), status.value),) if status is not Status.COMPLETE else ()
    return Run(
        time=marks, names=(*compiled.nodes, *compiled.boundaries), temperatures=full, energy=energy, status=status,
        channels=channels if sources else {}, solver=solver, boundaries=compiled.boundaries, events=events,
        _between=between, _link_heat=link_heat,
    )  # fmt: skip


def heat_of_links(compiled: CompiledNetwork, full: Array) -> tuple[tuple[str, ...], Array]:
    """Heat through every link, law link and stream at every reported time, W.

    A stream's heat is ``rate * (T_from - T_to)``: what the air brings relative to the node it reaches.
    """
    def difference(ends: NDArray[np.int64]) -> Array:
        result: Array = full[:, ends[:, 0]] - full[:, ends[:, 1]]
        return result

    parts = [difference(compiled.link_ends) * compiled.link_conductance]
    if compiled.laws:
        parts.append(HeatBalance(compiled).law_heat(full.T).T)
    parts.append(difference(compiled.stream_ends) * compiled.stream_rate)
    names = (*compiled.link_names, *compiled.law_names, *compiled.stream_names)
    return names, np.hstack(parts)


__all__ = ["Powers", "ThermalRunawayError", "heat_of_links", "read_powers", "solve_transient"]
