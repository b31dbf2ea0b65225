"""Every unit off the line: spread, yield and capability of a design's results, and which dimension to control."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.network.graph import nearest
from thermnet.solve.ensemble import EnsembleRun
from thermnet.studies import tolerance_tables as tables_of
from thermnet.studies.burst_budget import CAUTION
from thermnet.studies.study import Study, provenance
from thermnet.studies.tolerance_tables import THREE_SIGMA, Requirement
from thermnet.tolerance.population import declared_population, read_population
from thermnet.tolerance.sampling import GivenUnits, Population
from thermnet.tolerance.sensitivity import sobol_indices
from thermnet.tolerance.store import solve
from thermnet.tolerance.work import Work

Array = NDArray[np.float64]


def tolerance(
    design: Design, mode: str = "desk", ambient: float | None = None, workload: Any = "render", *,
    population: Population | str | Path | None = None, requirements: Sequence[Requirement] = (), samples: int = 1024,
    seed: int = 1, method: Any = "sobol", duration: float | None = 1800.0, start: Any = "idle", steady: bool = False,
    volume: int = 1_000_000, target_yield: float = 0.999, costs: Mapping[str, float] | None = None, indices: int = 0,
    traces: Sequence[str] = (), trace_period: float = 10.0, store: str | Path | None = None, scheduler: str | None = None,
    workers: int | None = None, progress: bool = False,
) -> Study:  # fmt: skip
    """Monte Carlo over the closed loop, corners, root-sum-square, yield, capability and control priorities.

    Parameters
    ----------
    population : Population, path of a tolerance file, or None for the design's declared tolerances
    requirements : limits beside the design's own (every temperature limit of the machine is one already)
    samples, seed, method : units drawn; ``sobol``, ``latin_hypercube`` or ``random``
    steady : no run: every unit rests under the mean power of the load, fans where their tables settle
    volume : units made in a year, for expected failures
    target_yield : yield that the tolerance allocation aims at
    costs : dotted key to relative cost of halving that tolerance (1 where not given)
    indices : base samples for Sobol first-order and total indices of the six strongest parameters (0: leave out)
    traces, trace_period : histories to keep of every unit (nodes, ``power.<chip>``, ``fan_speed.<fan>``), every so many s
    store, scheduler, workers : see :func:`thermnet.tolerance.store.solve`; with a store memory stays flat

    Returns
    -------
    Study
        One row per output: nominal, mean, spread, corners, limit, yield, capability, failures per million with interval.
        Tables ``what moves it``, ``how to control it``, ``yield``, ``histogram``; ``inputs`` where parameters were
        measured; ``indices`` where asked for.

    Raises
    ------
    DesignError, NetworkError, ValueError
        Anything that does not fit, before any work starts.
    """
    import pandas as pd

    people = _population(design, population)
    _check(people, requirements, samples, volume, target_yield)
    settings = {
        "ambient": ambient, "duration": duration, "start": start, "traces": () if steady else tuple(traces), "trace_period": trace_period,
    }  # fmt: skip
    work = Work(design, people, samples, seed, method, mode, workload, settings, steady=steady)
    names = list(people.distributions)

    needs = [*_own_limits(work, design, mode, ambient), *requirements]
    there = _output_names(work, names)
    known = [need for need in needs if need.output in there]
    unknown = [need.output for need in requirements if need.output not in there]
    if unknown:
        raise ValueError(f"no output {unknown[0]!r}{nearest(unknown[0], there)}; there are {', '.join(sorted(there))}")
    screen = _screen(work, names, workers)
    many = solve(work, store=store, scheduler=scheduler, workers=workers, progress=progress)

    outputs = _worth_showing(known, many)
    limits = {need.output: need for need in known}
    effects = {out: _effects(screen, out, len(names)) for out in outputs}
    corners = _corners(work, names, outputs, effects, workers)
    table = pd.DataFrame([
        tables_of.row(out, limits.get(out), many, screen, effects[out], corners[out], volume, people) for out in outputs
    ])  # fmt: skip
    critical = tables_of.critical(table)
    own, need = effects[critical], limits.get(critical)
    moved = tables_of.tornado(names, own, people)
    scales, reachable = tables_of.allocate(need, many.outputs[critical][many.done], own, names, target_yield, costs or {})
    tables = {
        "what moves it": moved, "how to control it": tables_of.allocation(scales, reachable, own, names),
        "yield": tables_of.running_yield(many, known, people), "histogram": tables_of.histogram(many, critical),
    }  # fmt: skip
    measured = tables_of.measured_inputs(design, people, names, own)
    if len(measured):
        tables["inputs"] = measured
    if indices:
        tables["indices"] = _sobol(work, moved["parameter"].tolist()[:6], critical, indices, seed, workers)
    searched, flipped = _searched_corner(work, names, critical, own, need is None or need.upper is not None, workers)
    good = tables_of.passed(many, known)
    least, most = tables_of.interval(good, people)
    passed, missed = float(good.mean()), 1.0 - float(good.mean())
    asked = f"of {duration:g} s" if duration else "as long as its load"
    return Study(
        name="tolerance",
        title=f"Every unit of {design.name}, mode {mode}, load {_word(workload)}",
        question="How do the units differ, how many miss a limit, and which dimension should be controlled?",
        table=table,
        tables=tables,
        facts={
            "units simulated": int(good.size),
            "yield over all limits": (100.0 * passed, "percent"),
            "yield, 95 % interval": f"{100 * least:.2f} to {100 * most:.2f} %",
            "expected failures per million": f"{1e6 * missed:,.0f} ({1e6 * (1 - most):,.0f} to {1e6 * (1 - least):,.0f})",
            "expected failures in a year": (
                f"{volume * missed:,.0f} of {volume:,} ({volume * (1 - most):,.0f} to {volume * (1 - least):,.0f})"
            ),
            "limits that fail": tables_of.failing(table),
            "output nearest its limit": critical,
            "its worst corner by search": f"{searched:.4g} ({flipped} parameters off the all-worst corner)",
            "control these three": ", ".join(moved["parameter"].head(3)),
        },
        assumptions=(
            f"Population: {people.source}; {len(names)} parameters, {len(people.correlations)} correlations, "
            f"lots of {people.lot_size}.",
            "Declared half widths are three sigma; a declared tolerance is a plausible value, not factory data.",
            f"{good.size} units by {method} points, seed {seed}; each unit "
            + ("rests under the mean power of the load." if steady else f"is one closed-loop simulation {asked}."),
            "Intervals of yield: exact binomial (Clopper-Pearson), as for random units; evenly spread points do better. Units "
            "of one lot fail together, which counts as fewer units (Korn and Graubard 1998).",
            "Ppk by the method of percentiles where the output is not normal (Anderson-Darling at 1 %), "
            "else by mean and sigma.",
            f"{design.note or 'No note on the origin of the design data.'}",
        ),
        caution=CAUTION,
        provenance=provenance(
            design, mode=mode, ambient=ambient, seed=seed, samples=samples, method=method, workload=_word(workload)
        ),
    )


def _check(people: Population, requirements: Sequence[Requirement], samples: int, volume: int, target_yield: float) -> None:
    people.check()
    if samples < 8:
        raise ValueError(f"samples {samples!r}; expected at least 8")
    if volume < 1 or not 0.5 < target_yield < 1.0:
        raise ValueError(
            f"volume {volume!r}, target_yield {target_yield!r}; expected at least 1, and 0.5 to 1"
        )
    for need in requirements:
        both = need.lower is not None and need.upper is not None
        if (need.lower is None and need.upper is None) or (both and not need.lower < need.upper):  # type: ignore[operator]
            raise ValueError(
                f"requirement on {need.output!r}: {need.lower!r} to {need.upper!r}; expected lower below upper"
            )


def _population(design: Design, population: Population | str | Path | None) -> Population:
    if population is None:
        return declared_population(design)
    return population if isinstance(population, Population) else read_population(population, design)


def _word(workload: Any) -> str:
    return workload if isinstance(workload, str) else getattr(workload, "name", repr(workload))


def _ensemble(work: Work, columns: Mapping[str, Array], workers: int | None) -> EnsembleRun:
    """Solve chosen units of the same study (screening, corners)."""
    count = len(next(iter(columns.values())))
    settings = {**work.settings, "traces": ()}
    chosen = replace(work, population=GivenUnits({}, columns=columns), samples=count, settings=settings)
    return solve(chosen, workers=workers)


def _output_names(work: Work, names: list[str]) -> list[str]:
    """Names of the outputs, from one nominal unit for a second."""
    short = replace(work, settings={**work.settings, "duration": 1.0})
    return list(_ensemble(short, {name: np.array([_middle(work, name)]) for name in names}, 1).outputs)


def _screen(work: Work, names: list[str], workers: int | None) -> EnsembleRun:
    """Nominal unit, then each parameter at its low and high three-sigma end: 1 + 2 d units in one call."""
    middle = np.array([_middle(work, name) for name in names])
    units = np.tile(middle, (1 + 2 * len(names), 1))
    for k, name in enumerate(names):
        units[1 + 2 * k, k], units[2 + 2 * k, k] = work.population.distributions[name].ends(THREE_SIGMA)
    return _ensemble(work, dict(zip(names, units.T, strict=True)), workers)


def _middle(work: Work, name: str) -> float:
    return float(work.population.distributions[name].quantile(0.5))


def _effects(screen: EnsembleRun, out: str, count: int) -> Array:
    """Change of an output from each parameter's low to its high end: (parameters, 2) from nominal."""
    values = screen.outputs[out]
    return np.stack(
        [values[1 : 1 + 2 * count : 2] - values[0], values[2 : 2 + 2 * count : 2] - values[0]], axis=1
    )


def _corners(
    work: Work, names: list[str], outputs: list[str], effects: Mapping[str, Array], workers: int | None
) -> dict[str, tuple[float, float]]:
    """Low and high value of every output with all parameters at the end that lowers or raises it, one at a time."""
    ends = np.array([work.population.distributions[name].ends(THREE_SIGMA) for name in names])
    signs = []
    for out in outputs:
        up = effects[out][:, 1] >= effects[out][:, 0]
        signs += [~up, up]
    units = np.where(np.array(signs), ends[:, 1], ends[:, 0])
    found = _ensemble(work, dict(zip(names, units.T, strict=True)), workers)
    result = {
        out: [float(found.outputs[out][2 * k]), float(found.outputs[out][2 * k + 1])]
        for k, out in enumerate(outputs)
    }
    return {out: (min(pair), max(pair)) for out, pair in result.items()}


def _searched_corner(
    work: Work, names: list[str], out: str, effects: Array, high: bool, workers: int | None, rounds: int = 3
) -> tuple[float, int]:
    """Worst corner of one output: from the all-worst corner, flip the parameter that makes it worse, until none does.

    Returns the value there and how many parameters stand otherwise than their one-at-a-time effect says.
    """
    ends = np.array([work.population.distributions[name].ends(THREE_SIGMA) for name in names])
    start = (effects[:, 1] >= effects[:, 0]) == high
    signs, worst = start.copy(), -np.inf
    for _ in range(rounds):
        trials = np.vstack([signs, np.where(np.eye(len(names), dtype=bool), ~signs, signs)])
        found = _ensemble(
            work, dict(zip(names, np.where(trials, ends[:, 1], ends[:, 0]).T, strict=True)), workers
        )
        values = found.outputs[out] if high else -found.outputs[out]
        worst = float(values.max())
        if values.argmax() == 0 or values.max() <= values[0] + 1e-9:
            break
        signs = trials[int(values.argmax())]
    return (worst if high else -worst), int(np.sum(signs != start))


def _own_limits(work: Work, design: Design, mode: str, ambient: float | None) -> list[Requirement]:
    found = []
    for limit in design.machine(ambient).limits:
        if limit.node:
            found.append(Requirement(f"peak.{limit.name}_degC", upper=limit.value))
        else:
            found.append(Requirement(f"margin.{limit.name}_W", lower=0.0))
    cap = design.modes[mode].noise_cap
    if cap is not None and design.machine(ambient).fans:
        found.append(Requirement("final_noise_dBA", upper=float(cap) + 1.0))
    return found


def _worth_showing(known: Sequence[Requirement], many: EnsembleRun) -> list[str]:
    wanted = [need.output for need in known]
    more = [
        name
        for name in many.outputs
        if name.startswith(("work.", "mean_power.")) or name == "sustained_power_W"
    ]
    return [
        name
        for name in dict.fromkeys([*wanted, *more])
        if np.nanstd(many.outputs[name]) > 1e-9 or name in wanted
    ]


def _sobol(work: Work, chosen: list[str], out: str, base: int, seed: int, workers: int | None) -> Any:
    """First-order and total Sobol indices of the chosen parameters, the others at their middle."""
    import pandas as pd

    middle = {name: _middle(work, name) for name in work.population.distributions}

    def answers(columns: dict[str, Array]) -> Array:
        units = len(columns[chosen[0]])
        found = _ensemble(work, {name: np.full(units, value) for name, value in middle.items()} | columns, workers)
        return np.asarray(found.outputs[out], dtype=float)

    shapes = {name: work.population.distributions[name] for name in chosen}
    first, total = sobol_indices(answers, shapes, base, seed)
    return pd.DataFrame({"parameter": chosen, "first_order": first, "total": total})


__all__ = ["Requirement", "tolerance"]
