"""Tables of the tolerance study: spread, yield and capability of every output, what moves it, how to control it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.design.replace import get, parameters
from thermnet.solve.ensemble import EnsembleRun
from thermnet.tolerance import capability
from thermnet.tolerance.sampling import Population

Array = NDArray[np.float64]
THREE_SIGMA = 0.00135
"""Share of a normal distribution beyond three sigma."""

LOOSEST, TIGHTEST = 2.0, 0.1
"""Bounds of the factor on a tolerance."""


@dataclass(frozen=True)
class Requirement:
    """A limit on an output: ``upper`` (temperatures, noise) or ``lower`` (power, work)."""

    output: str
    lower: float | None = None
    upper: float | None = None


def row(
    out: str, need: Requirement | None, many: EnsembleRun, screen: EnsembleRun, effects: Array, corner: tuple[float, float],
    volume: int, people: Population,
) -> dict[str, Any]:  # fmt: skip
    """Row of one output: spread, corners, and where it has a limit, yield, capability and failures."""
    values = many.outputs[out][many.done]
    low, high = np.quantile(values, [0.05, 0.95])
    return {
        "output": out, "nominal": float(screen.outputs[out][0]), "mean": float(values.mean()), "sd": float(values.std(ddof=1)),
        "rss_sd": float(np.sqrt(np.sum(((effects[:, 1] - effects[:, 0]) / 6.0) ** 2))), "p05": float(low), "p95": float(high),
        "low_corner": corner[0], "high_corner": corner[1], **against(need, values, volume, people),
    }  # fmt: skip


def against(need: Requirement | None, values: Array, volume: int, people: Population) -> dict[str, Any]:
    """Limits, yield, capability with its interval, and failures of units in the order in which they were made."""
    row: dict[str, Any] = {
        "lower_limit": np.nan, "upper_limit": np.nan, "yield_percent": np.nan, "ppk": np.nan, "ppk_low": np.nan, "ppk_high": np.nan,
        "ppk_by": "", "fail_ppm": np.nan, "fail_low_ppm": np.nan, "fail_high_ppm": np.nan, "failures_per_year": np.nan,
    }  # fmt: skip
    if need is None:
        return row
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    good = np.ones(values.size, dtype=bool)
    if need.lower is not None:
        good &= values >= need.lower
    if need.upper is not None:
        good &= values <= need.upper
    row["lower_limit"] = np.nan if need.lower is None else need.lower
    row["upper_limit"] = np.nan if need.upper is None else need.upper
    row["yield_percent"] = 100.0 * float(good.mean())
    if sd > 1e-9:
        normal = is_normal(values)
        index = (
            capability.cpk(mean, sd, need.lower, need.upper)
            if normal
            else capability.percentile_cpk(values, need.lower, need.upper)
        )
        if np.isfinite(index):
            row["ppk"], row["ppk_by"] = index, "mean and sigma" if normal else "percentiles"
            row["ppk_low"], row["ppk_high"] = capability.cpk_interval(index, values.size)
        # Counted where units fail; from the normal where none does and the shape allows it.
        share = 1.0 - float(good.mean())
        if share == 0.0 and normal:
            share = capability.fraction_outside(mean, sd, need.lower, need.upper)
        least, most = interval(good, people)
        row["fail_low_ppm"], row["fail_high_ppm"] = round(1e6 * (1.0 - most), 1), round(1e6 * (1.0 - least), 1)
        row["fail_ppm"], row["failures_per_year"] = round(1e6 * share, 3), round(volume * share, 3)
    return row


def is_normal(values: Array) -> bool:
    """Whether values look normal (Anderson-Darling at 1 %)."""
    import warnings

    from scipy.stats import anderson

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = anderson(values, "norm")
    return bool(
        found.statistic < 1.035
    )  # 1 % point for a normal of unknown mean and variance (Stephens 1974)


def critical(table: Any) -> str:
    """Output nearest its limit by Ppk."""
    limited = table[np.isfinite(table["ppk"])]
    return (
        str(limited.loc[limited["ppk"].idxmin(), "output"]) if len(limited) else str(table["output"].iloc[0])
    )


def tornado(names: list[str], effects: Array, people: Population) -> Any:
    """Change of the output from each parameter's low and high end, strongest first."""
    import pandas as pd

    swing = np.abs(effects[:, 1] - effects[:, 0])
    share = swing**2 / max(float(np.sum(swing**2)), 1e-300)
    ends = [people.distributions[name].ends(THREE_SIGMA) for name in names]
    table = pd.DataFrame(
        {"parameter": names, "low_end": [e[0] for e in ends], "high_end": [e[1] for e in ends], "at_low": effects[:, 0],
         "at_high": effects[:, 1], "share_percent": 100.0 * share}
    )  # fmt: skip
    return table.sort_values("share_percent", ascending=False, ignore_index=True).head(12)


def allocate(
    need: Requirement | None, values: Array, effects: Array, names: Sequence[str], target: float, costs: Mapping[str, float]
) -> tuple[Array, bool]:  # fmt: skip
    """Factors on the tolerances that meet the target yield of one output at least cost, and whether they can.

    Cost of a factor s is ``c/s``; least total cost for a given variance has ``s ~ (c/v)^(1/3)`` (Lagrange), with no
    tolerance loosened beyond twice or tightened below a tenth.  The output counts as linear and normal.
    """
    from scipy.optimize import brentq
    from scipy.stats import norm

    variance = ((effects[:, 1] - effects[:, 0]) / 6.0) ** 2
    if need is None or not variance.sum() > 0:
        return np.ones(len(names)), True
    room = [
        (need.upper - values.mean()) if need.upper is not None else np.inf,
        (values.mean() - need.lower) if need.lower is not None else np.inf,
    ]
    allowed = (max(min(room), 0.0) / float(norm.ppf(target))) ** 2
    matter = variance > 1e-6 * variance.sum()
    cost = np.array([costs.get(name, 1.0) for name in names])
    weight = np.where(matter, np.cbrt(cost / np.where(matter, variance, 1.0)), np.inf)

    def scales(level: float) -> Array:
        return np.where(matter, np.clip(level * weight / np.min(weight), TIGHTEST, LOOSEST), LOOSEST)

    def over(level: float) -> float:
        return float(np.sum(variance * scales(level) ** 2)) - allowed

    if over(1e-6) > 0:
        return scales(1e-6), False
    return scales(1e6 if over(1e6) < 0 else float(brentq(over, 1e-6, 1e6))), True


def allocation(scales: Array, reachable: bool, effects: Array, names: Sequence[str]) -> Any:
    """Plain table of what to do with the eight strongest parameters."""
    import pandas as pd

    variance = (effects[:, 1] - effects[:, 0]) ** 2
    order = np.argsort(-variance, kind="stable")[:8]
    words = ["tighten" if s < 0.95 else "may be loosened" if s > 1.05 else "leave" for s in scales[order]]
    if not reachable:
        words = ["tighten; not enough alone: move the mean"] * len(words)
    return pd.DataFrame(
        {"parameter": [names[k] for k in order], "share_percent": 100.0 * variance[order] / max(variance.sum(), 1e-300),
         "tolerance_times": scales[order], "do": words}
    )  # fmt: skip


def measured_inputs(design: Design, people: Population, names: Sequence[str], effects: Array) -> Any:
    """Capability of parameters measured in the factory against their declared tolerances, and their share of the output.

    Limits are the design's value less and plus the declared half width; only measured (empirical) parameters count.
    """
    import pandas as pd

    variance = (effects[:, 1] - effects[:, 0]) ** 2
    known, rows = parameters(design), []
    for k, name in enumerate(names):
        shape = people.distributions[name]
        if shape.shape != "empirical":
            continue
        values, value, declared = np.asarray(shape.values), float(np.asarray(get(design, name))), known.get(name)
        half = np.nan
        if declared is not None and declared.tolerance is not None:
            half = declared.tolerance * (abs(value) if declared.tolerance_is_relative else 1.0)
        mean, sd = float(values.mean()), float(values.std(ddof=1))
        row: dict[str, Any] = {
            "parameter": name, "unit": "" if declared is None else declared.unit, "values": values.size, "mean": mean, "sd": sd,
            "lower_limit": value - half, "upper_limit": value + half, "cp": np.nan, "cpk": np.nan, "cpk_low": np.nan,
            "cpk_high": np.nan, "share_percent": 100.0 * variance[k] / max(variance.sum(), 1e-300),
        }  # fmt: skip
        if np.isfinite(half) and half > 0 and sd > 0:
            index = capability.cpk(mean, sd, value - half, value + half)
            low, high = capability.cpk_interval(index, values.size)
            row |= {"cp": capability.cp(sd, value - half, value + half), "cpk": index, "cpk_low": low, "cpk_high": high}
        rows.append(row)
    return pd.DataFrame(rows)


def interval(good: NDArray[np.bool_], people: Population, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of the yield of units in the order in which they were made; see :func:`capability.yield_interval`."""
    share = max((d.lot_share for d in people.distributions.values()), default=0.0)
    if share == 0.0 or good.size <= people.lot_size:
        return capability.yield_interval(int(good.sum()), good.size, confidence)
    effective = capability.effective_count(good, people.lot_size, share)
    return capability.yield_interval(int(good.sum()), good.size, confidence, effective=effective)


def failing(table: Any) -> str:
    """Which limits units fail, worst first, with the share of units that does."""
    missed = table[table["yield_percent"] < 100.0].sort_values("yield_percent")
    said = [f"{row.output} {100.0 - row.yield_percent:.3g} %" for row in missed.itertuples(index=False)]
    return ", ".join(said) if said else "none"


def passed(many: EnsembleRun, known: Sequence[Requirement]) -> NDArray[np.bool_]:
    """Which of the units solved keep every limit."""
    good = np.ones(many.samples, dtype=bool)
    for need in known:
        values = many.outputs[need.output]
        if need.lower is not None:
            good &= values >= need.lower
        if need.upper is not None:
            good &= values <= need.upper
    return good[many.done]


def running_yield(many: EnsembleRun, known: Sequence[Requirement], people: Population) -> Any:
    """Yield and its interval as units are added."""
    import pandas as pd

    good = passed(many, known)
    counts = np.unique(np.geomspace(8, good.size, 40).astype(int))
    rows = []
    for n in counts:
        share = float(good[:n].mean())
        low, high = interval(good[:n], people)
        rows.append(
            {
                "units": int(n),
                "yield_percent": 100.0 * share,
                "low_percent": 100 * low,
                "high_percent": 100 * high,
            }
        )
    return pd.DataFrame(rows)


def histogram(many: EnsembleRun, out: str) -> Any:
    """Histogram of one output."""
    import pandas as pd

    values = many.outputs[out][many.done]
    counts, edges = np.histogram(values, bins="auto")
    return pd.DataFrame({"output": out, "from": edges[:-1], "to": edges[1:], "units": counts})


