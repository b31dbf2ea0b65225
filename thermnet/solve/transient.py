"""Transient of a bare network (no firmware): exact for linear networks, error-controlled Rosenbrock otherwise."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import ConvergenceError, NetworkError
from thermnet.network.compiled import CompiledNetwork, compile_network
from thermnet.network.laws import ZERO_CELSIUS
from thermnet.run import Channel, Energy, Run, Status
from thermnet.solve.equations import DENSE_LIMIT, Factor, HeatBalance
from thermnet.solve.powers import Powers, read_powers
from thermnet.solve.propagator import condense, phi_functions
from thermnet.solve.rosenbrock import Rosenbrock, Step
from thermnet.solve.steady import RUNAWAY_RISE, steady_temperatures

if TYPE_CHECKING:
    from thermnet.network.graph import ThermalNetwork

Array = NDArray[np.float64]

OCTAVES = 20
"""Times reported after each step of the powers reach down to its duration over 2 to this power ..."""

PER_OCTAVE = 8
"""... with so many in each doubling of the time since the step (a power of 2)."""

SHARE_OF_TOLERANCE = 0.1
"""Error allowed per step: heat balances forget, so that the errors of a run then add up to less than the tolerance."""

LARGEST_CACHE = 2e8
"""Bytes of propagators kept for reuse."""

LOOKS = 100
"""Least number of steps in a run whose powers or boundaries are callables of time."""


def solve_transient(
    network: ThermalNetwork, power: Mapping[str, Any], duration: float | None, *,
    initial: float | Mapping[str, float] | str = 25.0, times: Iterable[float] | None = None, tolerance: float = 0.01,
    progress: bool = False,
) -> Run:  # fmt: skip
    """Solve the transient of a bare network; see :meth:`ThermalNetwork.transient`."""
    compiled = compile_network(network)
    if compiled.batch_shape:
        raise NetworkError(
            f"transient() solves one machine; this network holds {compiled.batch_shape} of them"
        )
    allowed = _positive(tolerance, "tolerance", "K")
    report = None if times is None else _reported(times)
    if duration is None:
        if report is None:
            raise ValueError("give a duration in s, or the times to report")
        duration = float(report[-1])
    length = _positive(duration, "duration", "s")
    if report is not None and report[-1] > length * (1 + 1e-12):
        raise ValueError(f"times: {report[-1]:g} s lies after the duration of {length:g} s")
    powers = read_powers(compiled, power)
    start = compiled.settled(_initial(compiled, powers, initial))
    exact = (
        compiled.is_linear and not powers.varying and not compiled.has_varying_boundary and compiled.size <= DENSE_LIMIT
        and bool(np.any(compiled.capacity > 0))
    )  # fmt: skip
    if exact:
        return _solve_exactly(compiled, powers, start, length, report)
    return _solve_by_steps(compiled, powers, start, length, report, allowed, progress)


def _positive(value: Any, what: str, unit: str) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not (np.isfinite(number) and number > 0):
        raise ValueError(f"{what} {value!r} {unit}; expected a finite number above 0")
    return number


def _reported(times: Iterable[float]) -> Array:
    try:
        report = np.unique(np.asarray(list(times), dtype=float))
    except (TypeError, ValueError):
        report = np.zeros(0)
    if report.size == 0 or not np.all(np.isfinite(report)) or report[0] < 0:
        raise ValueError(f"times {times!r}; expected finite numbers of 0 s or more")
    return report


def _initial(compiled: CompiledNetwork, powers: Powers, initial: Any) -> Array:
    if isinstance(initial, str) and initial == "steady":
        return steady_temperatures(compiled, powers.at(0.0))
    if hasattr(initial, "items"):
        given = dict(initial.items())
        missing = [
            name for name in compiled.nodes if name not in given and compiled.capacity[compiled.row(name)] > 0
        ]
        if missing:
            more = ", ..." if len(missing) > 8 else ""
            raise NetworkError(f"initial: no temperature for {', '.join(repr(m) for m in missing[:8])}{more}")
        start = np.full(compiled.size, float(np.mean(compiled.boundary_temperature(0.0))))
        for name, value in given.items():
            row = compiled.row(name)
            if row < compiled.size:
                start[row] = _start_temperature(value, f"initial at {name!r} is")
        return start
    return np.full(compiled.size, _start_temperature(initial, "initial"))


def _start_temperature(value: Any, what: str) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not (np.isfinite(number) and number >= -ZERO_CELSIUS):
        raise ValueError(
            f'{what} {value!r}; expected a finite number of degC, a mapping by node, or "steady"'
        )
    return number


def _grid(powers: Powers, duration: float) -> tuple[Array, Array, int]:
    """Return times to report, the steps between them, and how many lengths of step there are in a piece.

    Fine after each step of the powers, coarser and coarser later.  Every step is the length of its piece over a power
    of 2, so that one computation gives all propagators of a piece.
    """
    edges = _edges(powers, duration)
    octaves = max(3, min(OCTAVES, 20000 // (PER_OCTAVE * (len(edges) - 1))))
    doublings = 2.0 ** (np.maximum(np.arange(octaves), 1) - octaves)
    shares = np.repeat(doublings / PER_OCTAVE, PER_OCTAVE)
    times, steps = [np.zeros(1)], []
    for a, b in pairwise(edges.tolist()):
        inner = a + (b - a) * np.cumsum(shares)
        inner[-1] = b
        times.append(inner)
        steps.append((b - a) * shares)
    return np.concatenate(times), np.concatenate(steps), octaves - 1


def _regular_steps(marks: Array) -> Array:
    """Return the steps between times, those that differ by rounding only made equal, without drifting off the times."""
    rounding = 4.0 * np.finfo(float).eps * float(marks[-1])
    steps = np.empty(marks.size - 1)
    known: dict[int, float] = {}
    reached = float(marks[0])
    for k, mark in enumerate(marks[1:].tolist()):
        wanted = max(mark - reached, 0.0)
        number = round(wanted / rounding)
        step = next((known[n] for n in (number, number - 1, number + 1) if n in known), wanted)
        known.setdefault(number, step)
        steps[k] = step
        reached += step
    return steps


def _edges(powers: Powers, duration: float) -> Array:
    """Start, steps of the powers, and end of a run, s."""
    breaks = powers.breaks
    return np.unique(np.concatenate([[0.0], breaks[(breaks > 0) & (breaks < duration)], [duration]]))


def _solve_exactly(
    compiled: CompiledNetwork, powers: Powers, start: Array, duration: float, report: Array | None
) -> Run:
    """March with exact propagators from one reported time or power step to the next."""
    system = condense(compiled)
    boundary = compiled.boundary_temperature(0.0)
    if report is None:
        marks, steps, lengths = _grid(powers, duration)
    else:
        marks = np.unique(np.concatenate([report, _edges(powers, duration)]))
        steps, lengths = _regular_steps(marks), 1
    cache: dict[float, tuple[Array, Array]] = {}
    room = max(2 * lengths, int(LARGEST_CACHE / (32.0 * system.capacity.size**2)))

    def propagators(step: float) -> tuple[Array, Array]:
        if step not in cache:
            if len(cache) > room:
                cache.clear()
            # Steps of a piece come in doublings, the shortest first.
            longest = step * 2.0 ** (lengths - 1)
            for s, (phi0, phi1, phi2, _) in enumerate(
                phi_functions(system.matrix, longest, lengths, loss=system.loss)
            ):
                h = longest / 2.0**s
                cache[h] = (np.vstack([phi0, h * phi1]), np.vstack([h * phi1, h * h * phi2]))
        return cache[step]

    size = system.capacity.size
    states = np.empty((marks.size, size))
    states[0] = start[system.active]
    inputs = np.hstack([powers.over(marks), np.tile(boundary, (marks.size, 1))])
    # The state at the end of a step and its integral, for the heat accounts, together.
    both, integral = np.empty(2 * size), np.zeros(size)
    for k, (step, drive) in enumerate(zip(steps.tolist(), inputs[:-1] @ system.inputs.T, strict=True)):
        of_state, of_drive = propagators(step)
        np.dot(of_state, states[k], out=both)
        both += of_drive @ drive
        states[k + 1] = both[:size]
        integral += both[size:]
    out = float(system.out_x @ integral + steps @ (inputs[:-1] @ system.out_u))
    into = float(steps @ inputs[:-1, : compiled.size].sum(axis=1))
    stored = float(system.capacity @ (states[-1] - states[0]))
    largest = np.abs(states).max(axis=0)
    gross = float(system.capacity @ largest) + duration * float(
        np.abs(system.out_x) @ largest + np.abs(system.out_u) @ np.abs(inputs).max(axis=0)
    )
    full = np.hstack([system.everything(states.T, inputs.T, compiled.size).T, inputs[:, compiled.size :]])

    def between(_: int, time: float) -> Array:
        k = max(0, int(np.searchsorted(marks, time, side="right")) - 1)
        step = max(time - float(marks[k]), 0.0)
        phi0, phi1, _phi2, _phi3 = phi_functions(system.matrix, step, loss=system.loss)[0]
        state = phi0 @ states[k] + step * (phi1 @ (system.inputs @ inputs[k]))
        return np.concatenate([system.everything(state, inputs[k], compiled.size), boundary])

    keep = np.isin(marks, marks if report is None else report)
    return _run(
        compiled, powers, marks[keep], full[keep], Energy(into, out, stored, gross), Status.COMPLETE,
        {"method": "exact propagator", "steps": int(marks.size - 1)}, between,
    )  # fmt: skip


def _solve_by_steps(
    compiled: CompiledNetwork, powers: Powers, start: Array, duration: float, report: Array | None, tolerance: float,
    progress: bool,
) -> Run:  # fmt: skip
    """March with the adaptive Rosenbrock method, stopping at every power step."""
    balance = HeatBalance(compiled)
    edges = _edges(powers, duration)

    def inputs_of(piece: float) -> Callable[[float], tuple[Array, Array]]:
        return lambda time: (compiled.boundary_temperature(time), powers.at(time, piece))

    def inputs_at(time: float) -> tuple[Array, Array]:
        piece = edges[min(max(0, int(np.searchsorted(edges, time, side="right")) - 1), len(edges) - 2)]
        return inputs_of(piece)(time)

    ceiling = (
        float(np.max(compiled.boundary_temperature(0.0))) + RUNAWAY_RISE if compiled.leakages else np.inf
    )
    watched = duration / LOOKS if powers.varying or compiled.has_varying_boundary else np.inf
    steps: list[Step] = []
    bar = _bar(duration, progress)

    def has_run_away(step: Step) -> bool:
        steps.append(step)
        if bar is not None:
            bar.update(step.size)
        return bool(np.max(step.after) > ceiling or balance.leaks_at_most(step.after))

    status = Status.COMPLETE
    temperature = start
    rejected = jacobians = 0
    try:
        for a, b in pairwise(edges.tolist()):
            temperature = _consistent(balance, temperature, *inputs_at(a))
            solver = Rosenbrock(balance, inputs_of(a), SHARE_OF_TOLERANCE * tolerance)
            temperature = solver.integrate(
                temperature, a, b, first=1e-5 * (b - a), largest=watched, on_step=has_run_away
            )
            rejected, jacobians = rejected + solver.rejected, jacobians + solver.jacobians
            if steps[-1].start + steps[-1].size < b * (1 - 1e-12) or balance.leaks_at_most(temperature):
                status = Status.RUNAWAY
                break
    finally:
        if bar is not None:
            bar.close()
    starts = np.array([s.start for s in steps])
    end = duration if status is Status.COMPLETE else steps[-1].start + steps[-1].size

    def at(time: float) -> Array:
        step = steps[max(0, int(np.searchsorted(starts, time, side="right")) - 1)]
        temperature = step.after if time >= step.start + step.size else step.at(time)
        boundary, power = inputs_at(time)
        return np.concatenate([_consistent(balance, temperature, boundary, power), boundary])

    marks = np.append(starts, end)
    if report is not None:
        marks = report if status is Status.COMPLETE else np.append(report[report < end], end)
    full = np.array([at(t) for t in marks])
    largest = np.abs(full).max(axis=0)
    gross = float(compiled.capacity @ largest[: compiled.size]) + end * float(
        np.abs(balance.out_linear) @ largest
    )
    energy = Energy(
        sum(s.into for s in steps), sum(s.out for s in steps),
        float(compiled.capacity @ (steps[-1].after - steps[0].before)), gross,
    )  # fmt: skip
    return _run(
        compiled, powers, marks, full, energy, status,
        {"method": "Rosenbrock order 4(3)", "steps": len(steps), "rejected": rejected, "jacobians": jacobians,
         "tolerance_K": tolerance},
        lambda _, time: at(time),
    )  # fmt: skip


def _consistent(balance: HeatBalance, temperature: Array, boundary: Array, power: Array) -> Array:
    """Solve the algebraic rows (nodes without capacity) for the temperatures of the others.

    Raises
    ------
    ConvergenceError
        They do not settle; the node that moves most is named.
    """
    massless = np.flatnonzero(balance.compiled.capacity == 0)
    if massless.size == 0:
        return temperature
    temperature = temperature.copy()
    names = tuple(balance.compiled.nodes[i] for i in massless)
    norm = np.inf
    for _ in range(100):
        residual = balance.residual(temperature, boundary, power)[massless]
        jacobian = balance.jacobian(temperature, boundary)
        block = (
            jacobian[np.ix_(massless, massless)] if balance.dense else jacobian[massless][:, massless].tocsc()
        )
        change = -Factor(block, names).solve(residual)
        # Halve the step where the last one made the imbalance worse (convection grows from nothing).
        now = float(np.linalg.norm(residual))
        temperature[massless] += change if now <= norm else 0.5 * change
        norm = now
        if float(np.max(np.abs(change))) < 1e-10:
            return temperature
    raise ConvergenceError(
        f"transient: node {names[int(np.argmax(np.abs(change)))]!r} without capacity does not settle"
    )


def _bar(duration: float, progress: bool) -> Any:
    if not progress:
        return None
    from tqdm.auto import tqdm

    return tqdm(total=duration, unit="s", desc="transient", mininterval=0.2)


def _run(
    compiled: CompiledNetwork, powers: Powers, marks: Array, full: Array, energy: Energy, status: Status,
    solver: dict[str, Any], between: Callable[[int, float], Array],
) -> Run:  # fmt: skip
    watts = powers.over(marks)
    sources = tuple(np.flatnonzero(np.any(watts != 0.0, axis=0)).tolist())
    labels = tuple(compiled.nodes[i] for i in sources)
    channels = (
        {"power": Channel("source", labels, watts[:, list(sources)], "W", "heat put in")} if sources else {}
    )
    return Run(
        time=marks, names=(*compiled.nodes, *compiled.boundaries), temperatures=full, energy=energy, status=status,
        channels=channels, solver=solver, boundaries=compiled.boundaries,
        events=((float(marks[-1]), status.value),) if status is not Status.COMPLETE else (),
        _between=between, _link_heat=lambda: heat_of_links(compiled, full),
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


__all__ = ["heat_of_links", "solve_transient"]
