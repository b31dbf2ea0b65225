"""Every unit off the line: spread, yield and capability of a design's results, and which dimension to control."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.solve.ensemble import EnsembleRun
from thermnet.studies.burst_budget import CAUTION
from thermnet.studies.study import Study, provenance
from thermnet.tolerance import capability
from thermnet.tolerance.population import declared_population, read_population
from thermnet.tolerance.sampling import GivenUnits, Population
from thermnet.tolerance.store import solve
from thermnet.tolerance.work import Work

Array = NDArray[np.float64]
THREE_SIGMA = 0.00135
"""Share of a normal distribution beyond three sigma."""


@dataclass(frozen=True)
class Requirement:
    """A limit on an output: ``upper`` (temperatures, noise) or ``lower`` (power, work)."""

    output: str
    lower: float | None = None
    upper: float | None = None


def tolerance(
    design: Design, mode: str = "desk", ambient: float | None = None, workload: Any = "render", *,
    population: Population | str | Path | None = None, requirements: Sequence[Requirement] = (), samples: int = 1024,
    seed: int = 1, method: Any = "sobol", duration: float | None = 1800.0, start: Any = "idle", volume: int = 1_000_000,
    target_yield: float = 0.999, costs: Mapping[str, float] | None = None, indices: int = 0, store: str | Path | None = None,
    scheduler: str | None = None, workers: int | None = None, progress: bool = False,
) -> Study:  # fmt: skip
    """Monte Carlo over the closed loop, corners, root-sum-square, yield, capability and control priorities.

    Parameters
    ----------
    population : Population, path of a tolerance file, or None for the design's declared tolerances
    requirements : limits beside the design's own (every temperature limit of the machine is one already)
    samples, seed, method : units drawn; ``sobol``, ``latin_hypercube`` or ``random``
    volume : units made in a year, for expected failures
    target_yield : yield that the tolerance allocation aims at
    costs : dotted key to relative cost of halving that tolerance (1 where not given)
    indices : base samples for Sobol first-order and total indices of the six strongest parameters (0: leave out)
    store, scheduler, workers : see :func:`thermnet.tolerance.store.solve`

    Returns
    -------
    Study
        One row per output: nominal, mean, spread, corners, limit, yield, capability, failures.

    Raises
    ------
    DesignError, NetworkError, ValueError
        Anything that does not fit, before any work starts.
    """
    import pandas as pd

    people = _population(design, population)
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
    settings = {"ambient": ambient, "duration": duration, "start": start}
    work = Work(design, people, samples, seed, method, mode, workload, settings)
    names = list(people.distributions)

    screen = _screen(work, names, workers)
    needs = [*_own_limits(work, design, mode, ambient), *requirements]
    known = [need for need in needs if need.output in screen.outputs]
    unknown = [need.output for need in requirements if need.output not in screen.outputs]
    if unknown:
        raise ValueError(f"no output {unknown[0]!r}; there are {', '.join(sorted(screen.outputs)[:40])} ...")
    many = solve(work, store=store, scheduler=scheduler, workers=workers, progress=progress)

    outputs = _worth_showing(known, many)
    limits = {need.output: need for need in known}
    effects = {out: _effects(screen, out, len(names)) for out in outputs}
    corners = _corners(work, names, outputs, effects, workers)
    rows = [_row(out, limits.get(out), many, screen, effects[out], corners[out], volume) for out in outputs]
    table = pd.DataFrame(rows)
    critical = _critical(table)
    tornado = _tornado(names, effects[critical], people)
    tables = {
        "what moves it": tornado,
        "how to control it": _allocation(
            critical, limits.get(critical), many, effects[critical], names, people, target_yield, costs or {}
        ),
    }
    tables["yield"] = _running_yield(many, known)
    tables["histogram"] = _histogram(many, critical)
    if indices:
        tables["indices"] = _sobol(work, tornado["parameter"].tolist()[:6], critical, indices, seed, workers)
    nearest = limits.get(critical)
    high = nearest is None or nearest.upper is not None
    searched, flipped = _searched_corner(work, names, critical, effects[critical], high, workers)
    whole = _whole_yield(many, known)
    passed, count = whole
    least, most = capability.yield_interval(passed, count)
    missed = 1.0 - passed / count
    load_name = many.provenance.get("workload", _word(workload))
    return Study(
        name="tolerance",
        title=f"Every unit of {design.name}, mode {mode}, load {load_name}",
        question="How do the units differ, how many miss a limit, and which dimension should be controlled?",
        table=table,
        tables=tables,
        facts={
            "units simulated": count,
            "yield over all limits": (100.0 * passed / count, "percent"),
            "yield, 95 % interval": f"{100 * least:.2f} to {100 * most:.2f} %",
            "expected failures in a year": (
                f"{volume * missed:,.0f} of {volume:,} ({volume * (1 - most):,.0f} to {volume * (1 - least):,.0f})"
            ),
            "output nearest its limit": critical,
            "its worst corner by search": f"{searched:.4g} ({flipped} parameters off the all-worst corner)",
            "strongest parameters": ", ".join(tornado["parameter"].head(3)),
        },
        assumptions=(
            f"Population: {people.source}; {len(names)} parameters, {len(people.correlations)} correlations, "
            f"lots of {people.lot_size}.",
            "Declared half widths are three sigma; a declared tolerance is a plausible value, not factory data.",
            f"{count} units by {method} points, seed {seed}; each unit is one closed-loop simulation "
            f"of {duration or 'its load'} s.",
            "Ppk by the method of percentiles where the output is not normal (Anderson-Darling at 1 %), "
            "else by mean and sigma.",
            f"{design.note or 'No note on the origin of the design data.'}",
        ),
        caution=CAUTION,
        provenance=provenance(
            design, mode=mode, ambient=ambient, seed=seed, samples=samples, method=method, workload=_word(workload)
        ),
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
    chosen = replace(work, population=GivenUnits({}, columns=columns), samples=count)
    return solve(chosen, workers=workers)


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


def _row(
    out: str, need: Requirement | None, many: EnsembleRun, screen: EnsembleRun, effects: Array, corner: tuple[float, float],
    volume: int,
) -> dict[str, Any]:  # fmt: skip
    values = many.outputs[out][many.done]
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    low, high = np.quantile(values, [0.05, 0.95])
    row: dict[str, Any] = {
        "output": out, "nominal": float(screen.outputs[out][0]), "mean": mean, "sd": sd,
        "rss_sd": float(np.sqrt(np.sum(((effects[:, 1] - effects[:, 0]) / 6.0) ** 2))), "p05": float(low), "p95": float(high),
        "low_corner": corner[0], "high_corner": corner[1], "lower_limit": np.nan, "upper_limit": np.nan, "yield_percent": np.nan,
        "ppk": np.nan, "ppk_low": np.nan, "ppk_high": np.nan, "ppk_by": "", "fail_ppm": np.nan, "failures_per_year": np.nan,
    }  # fmt: skip
    if need is None:
        return row
    good = np.ones(values.size, dtype=bool)
    if need.lower is not None:
        good &= values >= need.lower
    if need.upper is not None:
        good &= values <= need.upper
    row["lower_limit"] = np.nan if need.lower is None else need.lower
    row["upper_limit"] = np.nan if need.upper is None else need.upper
    row["yield_percent"] = 100.0 * float(good.mean())
    if sd > 1e-9:
        normal = _is_normal(values)
        index = (
            capability.cpk(mean, sd, need.lower, need.upper)
            if normal
            else capability.percentile_cpk(values, need.lower, need.upper)
        )
        row["ppk"], row["ppk_by"] = index, "mean and sigma" if normal else "percentiles"
        row["ppk_low"], row["ppk_high"] = capability.cpk_interval(index, values.size)
        # Counted where units fail; from the normal where none does and the shape allows it.
        share = 1.0 - float(good.mean())
        if share == 0.0 and normal:
            share = capability.fraction_outside(mean, sd, need.lower, need.upper)
        row["fail_ppm"], row["failures_per_year"] = round(1e6 * share, 3), round(volume * share, 3)
    return row


def _is_normal(values: Array) -> bool:
    import warnings

    from scipy.stats import anderson

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = anderson(values, "norm")
    return bool(
        found.statistic < 1.035
    )  # 1 % point for a normal of unknown mean and variance (Stephens 1974)


def _critical(table: Any) -> str:
    limited = table[np.isfinite(table["ppk"])]
    return (
        str(limited.loc[limited["ppk"].idxmin(), "output"]) if len(limited) else str(table["output"].iloc[0])
    )


def _tornado(names: list[str], effects: Array, people: Population) -> Any:
    import pandas as pd

    swing = np.abs(effects[:, 1] - effects[:, 0])
    share = swing**2 / max(float(np.sum(swing**2)), 1e-300)
    ends = [people.distributions[name].ends(THREE_SIGMA) for name in names]
    table = pd.DataFrame(
        {"parameter": names, "low_end": [e[0] for e in ends], "high_end": [e[1] for e in ends], "at_low": effects[:, 0],
         "at_high": effects[:, 1], "share_percent": 100.0 * share}
    )  # fmt: skip
    return table.sort_values("share_percent", ascending=False, ignore_index=True).head(12)


def _allocation(
    out: str, need: Requirement | None, many: EnsembleRun, effects: Array, names: list[str], people: Population,
    target: float, costs: Mapping[str, float],
) -> Any:  # fmt: skip
    """Scale factors of the tolerances that meet the target yield of one output at least cost.

    Cost of a scale s is ``c/s``; least total cost for a given variance has ``s ~ (c/v)^(1/3)`` (Lagrange), with no
    tolerance loosened beyond twice or tightened below a tenth.
    """
    import pandas as pd
    from scipy.optimize import brentq
    from scipy.stats import norm

    columns = ["parameter", "share_percent", "tolerance_times", "do"]
    if need is None:
        return pd.DataFrame(columns=columns)
    variance = ((effects[:, 1] - effects[:, 0]) / 6.0) ** 2
    values = many.outputs[out][many.done]
    room = [
        (need.upper - values.mean()) if need.upper is not None else np.inf,
        (values.mean() - need.lower) if need.lower is not None else np.inf,
    ]
    allowed = (max(min(room), 0.0) / float(norm.ppf(target))) ** 2
    matter = variance > 1e-6 * variance.sum()
    cost = np.array([costs.get(name, 1.0) for name in names])
    weight = np.where(matter, np.cbrt(cost / np.where(matter, variance, 1.0)), np.inf)

    def scales(level: float) -> Array:
        return np.where(matter, np.clip(level * weight / np.min(weight), 0.1, 2.0), 2.0)

    def total(level: float) -> float:
        return float(np.sum(variance * scales(level) ** 2)) - allowed

    if total(1e-6) > 0:
        level, reachable = 1e-6, False
    elif total(1e6) < 0:
        level, reachable = 1e6, True
    else:
        level, reachable = float(brentq(total, 1e-6, 1e6)), True
    chosen = scales(level)
    order = np.argsort(-variance)[:8]
    words = []
    for k in order:
        s = chosen[k]
        words.append("tighten" if s < 0.95 else "may be loosened" if s > 1.05 else "leave")
    table = pd.DataFrame(
        {"parameter": [names[k] for k in order], "share_percent": 100.0 * variance[order] / variance.sum(),
         "tolerance_times": chosen[order], "do": words}
    )  # fmt: skip
    if not reachable:
        table["do"] = "tighten; not enough alone: move the mean"
    return table


def _passed(many: EnsembleRun, known: Sequence[Requirement]) -> NDArray[np.bool_]:
    good = np.ones(many.samples, dtype=bool)
    for need in known:
        values = many.outputs[need.output]
        if need.lower is not None:
            good &= values >= need.lower
        if need.upper is not None:
            good &= values <= need.upper
    return good[many.done]


def _whole_yield(many: EnsembleRun, known: Sequence[Requirement]) -> tuple[int, int]:
    good = _passed(many, known)
    return int(good.sum()), int(good.size)


def _running_yield(many: EnsembleRun, known: Sequence[Requirement]) -> Any:
    import pandas as pd

    good = _passed(many, known)
    counts = np.unique(np.geomspace(8, good.size, 40).astype(int))
    rows = []
    for n in counts:
        passed = int(good[:n].sum())
        low, high = capability.yield_interval(passed, int(n))
        rows.append(
            {
                "units": int(n),
                "yield_percent": 100.0 * passed / n,
                "low_percent": 100 * low,
                "high_percent": 100 * high,
            }
        )
    return pd.DataFrame(rows)


def _histogram(many: EnsembleRun, out: str) -> Any:
    import pandas as pd

    values = many.outputs[out][many.done]
    counts, edges = np.histogram(values, bins="auto")
    return pd.DataFrame({"output": out, "from": edges[:-1], "to": edges[1:], "units": counts})


def _sobol(work: Work, chosen: list[str], out: str, base: int, seed: int, workers: int | None) -> Any:
    """First-order and total Sobol indices of the chosen parameters, the others at their middle."""
    import pandas as pd
    from scipy.stats import sobol_indices, uniform

    middle = {name: _middle(work, name) for name in work.population.distributions}

    def values(points: Array) -> Array:
        columns = {name: np.full(points.shape[1], value) for name, value in middle.items()}
        for k, name in enumerate(chosen):
            columns[name] = work.population.distributions[name].quantile(np.clip(points[k], 1e-9, 1 - 1e-9))
        return _ensemble(work, columns, workers).outputs[out][None, :]

    n = 2 ** int(np.ceil(np.log2(max(base, 8))))
    found = sobol_indices(
        func=values, n=n, dists=[uniform(0, 1)] * len(chosen), rng=np.random.default_rng(seed)
    )
    return pd.DataFrame(
        {
            "parameter": chosen,
            "first_order": np.ravel(found.first_order),
            "total": np.ravel(found.total_order),
        }
    )


__all__ = ["Requirement", "tolerance"]
