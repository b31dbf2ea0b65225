"""Whether a process holds its limits: capability of measured values, how sure it is, and the gauge's part in it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermnet.errors import DesignError, Problem
from thermnet.files import decode, read_bytes
from thermnet.studies.study import Study
from thermnet.studies.tolerance_tables import is_normal
from thermnet.tolerance import capability

Array = NDArray[np.float64]
MOVING_RANGE = 1.128
"""Mean range of two values of a normal over its sigma (d2 for two; NIST/SEMATECH e-Handbook, section 6.3.2)."""

TAILS = 1000
"""Values from which percentiles of 0.135 % mean something."""

CAUTION = (
    "Indices describe the values given, of a process that stays as it was; values out of control, sorted or rounded "
    "ones, and a gauge that was not studied can all make them wrong."
)


def factory_capability(
    data: str | Path | ArrayLike, lower: float | None = None, upper: float | None = None, target: float | None = None, *,
    column: str | None = None, gauge: str | Path | ArrayLike | None = None, required: float = 4.0 / 3.0,
    confidence: float = 0.95, volume: int = 1_000_000,
) -> Study:  # fmt: skip
    """Cp, Cpk, Cpm, Pp and Ppk with intervals, samples needed, failures, gauge share and guarded test limits.

    Parameters
    ----------
    data : path of a CSV file, or values in the order in which they were made
    lower, upper : limits in the unit of the values; one of them may be missing
    target : aim of the process; the middle of the limits if left out
    column : column of the file; the first one with numbers if left out
    gauge : CSV with columns ``part``, ``operator`` and ``reading``, or readings (parts, operators, repeats)
    required : index to be shown
    volume : units in a year

    Returns
    -------
    Study
        One row per index: estimate, interval, and what it is made of.  Tables ``histogram`` and, with a gauge, ``gauge``.

    Raises
    ------
    DesignError
        A file that is empty or holds no numbers, limits the wrong way round, readings that are no gauge study; all at once.
    """
    import pandas as pd

    problems: list[Problem] = []
    values, name = _values(data, column, problems)
    if lower is None and upper is None:
        problems.append(Problem("limits", "none", "a lower or an upper limit"))
    elif lower is not None and upper is not None and not lower < upper:
        problems.append(Problem("limits", f"{lower:g} to {upper:g}", "lower below upper"))
    if not (0.5 < confidence < 1.0 and required > 0 and volume >= 1):
        problems.append(Problem("confidence, required, volume", f"{confidence:g}, {required:g}, {volume}", "0.5 to 1, above 0, at least 1"))
    readings = None if gauge is None else _readings(gauge, problems)
    if problems:
        raise DesignError(str(data) if isinstance(data, str | Path) else "factory data", problems)
    mean, overall, n = float(values.mean()), float(values.std(ddof=1)), values.size
    within = float(np.mean(np.abs(np.diff(values)))) / MOVING_RANGE
    normal = is_normal(values) if n >= 8 else True
    both = lower is not None and upper is not None
    aim = target if target is not None else 0.5 * (lower + upper) if lower is not None and upper is not None else None
    rows: list[dict[str, Any]] = []

    def add(index: str, value: float, ends: tuple[float, float], by: str) -> None:
        rows.append({"index": index, "estimate": value, "low": ends[0], "high": ends[1], "by": by})

    if lower is not None and upper is not None:
        if within > 0:
            value = capability.cp(within, lower, upper)
            add("Cp", value, capability.cp_interval(value, n, confidence), "moving ranges")
        value = capability.cp(overall, lower, upper)
        add("Pp", value, capability.cp_interval(value, n, confidence), "standard deviation")
        if aim is not None:
            add("Cpm", capability.cpm(mean, overall, aim, lower, upper), (np.nan, np.nan), f"distance from {aim:g}")
    if within > 0:
        value = capability.cpk(mean, within, lower, upper)
        add("Cpk", value, capability.cpk_interval(value, n, confidence), "moving ranges")
    value = capability.cpk(mean, overall, lower, upper)
    add("Ppk", value, capability.cpk_interval(value, n, confidence), "standard deviation" if normal else "standard deviation; not normal")
    expected, shown, counted = capability.fraction_outside(mean, overall, lower, upper), value, "by the normal shape"
    fitted = None if normal else _box_cox(values, lower, upper)
    if fitted is not None:
        bent, low_end, high_end, exponent = fitted
        shown = capability.cpk(float(bent.mean()), float(bent.std(ddof=1)), low_end, high_end)
        add("Ppk", shown, capability.cpk_interval(shown, n, confidence), f"normal after Box-Cox with exponent {exponent:.2f}")
        expected = capability.fraction_outside(float(bent.mean()), float(bent.std(ddof=1)), low_end, high_end)
        counted = "by the fitted shape"
    elif not normal:
        shown = capability.percentile_cpk(values, lower, upper)
        add("Ppk", shown, _bootstrapped(values, lower, upper, confidence), "percentiles; interval by resampling")
    good = np.ones(n, dtype=bool)
    good &= values >= lower if lower is not None else True
    good &= values <= upper if upper is not None else True
    least, most = capability.yield_interval(int(good.sum()), n, confidence)
    few = fitted is None and not normal and n < TAILS
    if fitted is None and not normal:
        expected, counted = 1.0 - float(good.mean()), "counted"
    enough = capability.samples_needed(shown, required, confidence) if shown > required else None
    facts: dict[str, Any] = {
        "values": n, "mean": float(mean), "standard deviation": overall,
        "shape": "normal (Anderson-Darling at 1 %)" if normal else "not normal (Anderson-Darling at 1 %)",
        f"Ppk of {required:.3g} shown": "too few values for percentiles" if few else "yes" if rows[-1]["low"] >= required else "no",
        "values needed to show it": enough if enough is not None else f"none would: {shown:.3g} is not above {required:.3g}",
        "outside the limits": f"{int(n - good.sum())} of {n} ({100 * (1 - most):.3g} to {100 * (1 - least):.3g} %)",
        "expected failures per million": round(1e6 * expected, 1),
        "expected failures in a year": f"{volume * expected:,.0f} of {volume:,} ({counted})",
    }  # fmt: skip
    tables = {"histogram": _histogram(values)}
    if readings is not None:
        found = capability.gauge_study(readings, None if not both else float(upper) - float(lower))  # type: ignore[arg-type]
        tables["gauge"] = pd.DataFrame([
            {"source": word, "sd": sd, "variance_percent": 100.0 * sd**2 / max(found.sigma**2 + found.part**2, 1e-300)}
            for word, sd in (("repeatability", found.repeatability), ("operators", found.reproducibility), ("parts", found.part))
        ])  # fmt: skip
        facts["gauge's share of the variance"] = (100.0 * found.share, "percent")
        if both:
            facts["six gauge sigmas over the tolerance"] = (100.0 * found.tolerance_ratio, "percent")
        try:
            low, high = capability.guard_band(lower, upper, found.sigma, confidence)
            facts[f"test limits that keep {100 * confidence:g} % of bad units at the limit out"] = " to ".join(
                "none" if end is None else f"{end:.5g}" for end in (low, high)
            )
        except ValueError as error:
            facts["test limits"] = str(error)
    return Study(
        name="factory_capability", title=f"Capability of {name}",
        question="Does the process hold its limits, how sure is that, and how much of the spread is the gauge?",
        table=pd.DataFrame(rows), tables=tables, facts=facts,
        assumptions=(
            "Cp and Cpk: spread within, from moving ranges, values in the order in which they were made; Pp and Ppk: all of it.",
            f"Intervals of {100 * confidence:g} %: chi-square (Chou, Owen and Borrego 1990), Cpk by Bissell 1990.",
            "Yield: exact binomial interval. Not normal: a Box-Cox transformation where that makes the values normal, else the "
            f"method of percentiles, which needs {TAILS:,} values, and failures as counted.",
        ),
        caution=CAUTION,
        provenance={"lower_limit": lower, "upper_limit": upper, "column": name, "values": n},
    )  # fmt: skip


def _box_cox(values: Array, lower: float | None, upper: float | None) -> tuple[Array, float | None, float | None, float] | None:
    """Values and limits transformed, and the exponent; None where that is not possible or does not make them normal.

    G. E. P. Box, D. R. Cox, J. R. Stat. Soc. B 26, 1964, 211-252 (scipy.stats.boxcox).
    """
    from scipy import special, stats

    ends = [end for end in (lower, upper) if end is not None]
    if values.min() <= 0 or min(ends) <= 0:
        return None
    bent, exponent = stats.boxcox(values)
    if not is_normal(bent):
        return None
    low, high = (None if end is None else float(special.boxcox(end, exponent)) for end in (lower, upper))
    return np.asarray(bent, dtype=float), low, high, float(exponent)


def _values(data: Any, column: str | None, problems: list[Problem]) -> tuple[Array, str]:
    name = column or "the values"
    if isinstance(data, str | Path):
        frame = _frame(data, "data", problems)
        if frame is None:
            return np.zeros(0), name
        import pandas as pd

        names = [str(c) for c in frame.columns]
        numbers = [c for c in names if pd.api.types.is_numeric_dtype(frame[c])]
        name = column or (numbers[0] if numbers else "")
        if name not in names:
            problems.append(Problem("column", repr(name) if name else "no column of numbers", ", ".join(names) or "a column of numbers"))
            return np.zeros(0), name
        values = pd.to_numeric(frame[name], errors="coerce").dropna().to_numpy(dtype=float)
    else:
        values = np.asarray(data, dtype=float).ravel()
    if values.size < 8 or not np.all(np.isfinite(values)) or not values.std() > 0:
        problems.append(Problem(name, f"{values.size} values", "at least 8 finite values that are not all equal"))
    return values, name


def _readings(gauge: Any, problems: list[Problem]) -> Array | None:
    if not isinstance(gauge, str | Path):
        return np.asarray(gauge, dtype=float)
    frame = _frame(gauge, "gauge", problems)
    if frame is None:
        return None
    if not {"part", "operator", "reading"} <= set(frame.columns):
        problems.append(Problem("gauge", ", ".join(map(str, frame.columns)), "columns part, operator and reading"))
        return None
    cells = [list(rows["reading"]) for _, rows in frame.groupby(["part", "operator"])]
    parts, operators = frame["part"].nunique(), frame["operator"].nunique()
    if parts < 2 or operators < 2 or len(cells) != parts * operators or len({len(cell) for cell in cells}) != 1 or len(cells[0]) < 2:
        problems.append(Problem("gauge", f"{parts} parts, {operators} operators, {len(frame)} readings",
                                "every operator measures every part equally often, at least 2 of each"))  # fmt: skip
        return None
    return np.array(cells, dtype=float).reshape(parts, operators, -1)


def _frame(path: Any, what: str, problems: list[Problem]) -> Any:
    import io

    import pandas as pd

    try:
        text = decode(read_bytes(Path(path), f"{what} file", 50_000_000), str(path))
        return pd.read_csv(io.StringIO(text), comment="#", skipinitialspace=True)
    except DesignError as error:
        problems += error.problems
    except (pd.errors.EmptyDataError, pd.errors.ParserError) as error:
        problems.append(Problem(what, f"{path}: {type(error).__name__}", "a CSV file with a header and numbers"))
    return None


def _bootstrapped(values: Array, lower: float | None, upper: float | None, confidence: float) -> tuple[float, float]:
    """Interval of the percentile index by resampling (scipy.stats.bootstrap, percentile method, seeded)."""
    from scipy.stats import bootstrap

    found = bootstrap(
        (values,), lambda data: capability.percentile_cpk(data, lower, upper), vectorized=False, n_resamples=999,
        confidence_level=confidence, method="percentile", rng=np.random.default_rng(1),
    )  # fmt: skip
    return float(found.confidence_interval.low), float(found.confidence_interval.high)


def _histogram(values: Array) -> Any:
    import pandas as pd

    counts, edges = np.histogram(values, bins="auto")
    return pd.DataFrame({"from": edges[:-1], "to": edges[1:], "values": counts})


__all__ = ["factory_capability"]
