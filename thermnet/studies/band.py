"""What is not known about an answer: the 5 to 95 % band over units that differ by the design's tolerances.

Units are drawn from the declared tolerances (:func:`thermnet.tolerance.population.declared_population`) and asked
the study's own question, each solved as a single machine would be.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.design.ensembles import ensemble_task
from thermnet.firmware.workload import Workload
from thermnet.solve.ensemble import Task, chunk_size
from thermnet.solve.held_units import HeldUnits
from thermnet.solve.pack import ticks
from thermnet.solve.steady_units import SteadyUnits
from thermnet.studies.held_power import TOLERANCE, highest_power, ungoverned
from thermnet.studies.study import Study
from thermnet.tolerance.population import declared_population
from thermnet.tolerance.sampling import Population

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
UNITS = 64
"""Units drawn for a band: a power of two, so that the points fill the tolerances evenly."""
SEED = 1
ENDS = (0.05, 0.95)


@dataclass(frozen=True)
class Question:
    """What every unit is asked: mode by name, ambient (degC), start state, and shares of the power by chip."""

    mode: str
    ambient: float
    start: Any
    split: Mapping[str, float]


@dataclass(frozen=True, eq=False)
class Band:
    """Answers of many units.

    Attributes
    ----------
    parameters : dotted key to (units,) values that the units have
    answers : (points, units); nan where a unit never gets there
    """

    parameters: Mapping[str, Array]
    answers: Array

    @property
    def ends(self) -> tuple[Array, Array]:
        """The 5 and the 95 % point of every row; nan where that unit of the order never gets there."""
        never = np.isnan(self.answers)
        longest = float(np.max(self.answers, where=~never, initial=0.0))
        filled = np.where(never, 1e6 * max(longest, 1.0), self.answers)
        low, high = (np.quantile(filled, end, axis=1) for end in ENDS)
        return np.where(low > longest, np.nan, low), np.where(high > longest, np.nan, high)

    @property
    def source(self) -> tuple[str, float]:
        """Parameter that the band mostly comes from, and its share: see :func:`main_source`."""
        return main_source(self.parameters, self.answers)


@dataclass(frozen=True, eq=False)
class PowerBand(Band):
    """Powers in W of many units; ``sustained`` (units,) is what each holds for ever."""

    sustained: Array


def power_band(
    design: Design, asked: Question, durations: Sequence[float], guesses: Sequence[float], *,
    population: Population | None = None, units: int = UNITS, seed: int = SEED, workers: int | None = None,
    progress: bool = False, forever: bool = True,
) -> PowerBand:  # fmt: skip
    """Highest power of every unit for each duration, and for ever (nan without ``forever``).

    Parameters
    ----------
    durations : s
    guesses : W, the design's own answers
    population : Population, optional
        The declared tolerances if left out.

    Raises
    ------
    ValueError
        A design that declares no tolerances, fewer than 8 units, or a start that only one machine can have.
    """
    parameters, task, split = _units(design, asked, population, units, seed)
    samples = [ticks(d, task.template.period) for d in durations]

    def answers(chunk: slice) -> Array:
        held = HeldUnits(task, chunk, split)
        found = np.empty((len(samples) + 1, held.count))
        for i in range(held.count):
            for k, last in enumerate(samples):
                found[k, i], _ = highest_power(partial(_excess, held, i, last), guesses[k])
        found[-1] = SteadyUnits(task, chunk, split).sustained().power if forever else np.nan
        return found

    found = _in_chunks(task, answers, workers, progress)
    return PowerBand(parameters, found[:-1], found[-1])


def _excess(held: HeldUnits, unit: int, last: int, power: float) -> Array:
    return held.excess(unit, power, last)


def time_band(
    design: Design, asked: Question, powers: Sequence[float], duration: float, *,
    population: Population | None = None, units: int = UNITS, seed: int = SEED, workers: int | None = None,
    progress: bool = False,
) -> Band:  # fmt: skip
    """Time in s at which every unit meets its first limit at each power; nan where not within ``duration``.

    Errors as for :func:`power_band`.
    """
    parameters, task, split = _units(design, asked, population, units, seed)
    last = ticks(duration, task.template.period)

    def answers(chunk: slice) -> Array:
        held = HeldUnits(task, chunk, split)
        # Unit by unit, as only one unit's propagators are held at a time.
        return np.array([[held.time_to_limit(i, p, last) for p in powers] for i in range(held.count)]).T

    return Band(parameters, _in_chunks(task, answers, workers, progress))


def main_source(parameters: Mapping[str, Array], answers: Array) -> tuple[str, float]:
    """Parameter with the largest squared rank correlation with the answers, averaged over their rows, and that value.

    The square of Spearman's coefficient is the share of the ranks' variance that goes with one parameter.
    Returns ``("no single parameter", largest)`` where even the largest could be chance among so many parameters
    (two-sided 5 % level, shared out over the parameters after Bonferroni).

    SOURCE: Spearman 1904, Am. J. Psychol. 15, 72-101; significance by Student's t with n - 2 degrees of freedom
    (Kendall and Gibbons, Rank Correlation Methods, 5th ed. 1990).
    """
    from scipy.stats import rankdata, t

    rows = np.atleast_2d(answers)
    rows = np.where(np.isnan(rows), np.inf, rows)
    names = list(parameters)
    if not names:
        return "no single parameter", 0.0
    inputs = _scores(rankdata(np.array([parameters[name] for name in names]), axis=1))
    outputs = _scores(rankdata(rows, axis=1))
    moving = np.any(outputs != 0.0, axis=1)
    if not moving.any():
        return "no single parameter", 0.0
    shares = np.mean((inputs @ outputs[moving].T) ** 2, axis=1)
    best = int(np.argmax(shares))
    n = rows.shape[1]
    critical = float(t.ppf(1.0 - 0.025 / len(names), n - 2))
    chance = critical**2 / (n - 2 + critical**2)
    share = float(shares[best])
    return (names[best] if share > chance else "no single parameter"), share


def with_powers(table: pd.DataFrame, band: Band) -> pd.DataFrame:
    """Table with ``power_p05_W`` and ``power_p95_W`` beside ``power_W``, one row per row of the band."""
    low, high = band.ends
    return table.assign(power_p05_W=low, power_p95_W=high)


def source_facts(*bands: Band) -> dict[str, Any]:
    """Facts that say which parameter the band comes from, and how large its part is."""
    parameters = bands[0].parameters
    name, share = main_source(parameters, np.vstack([band.answers for band in bands]))
    return {"band mostly comes from": name, "its share of the ranks' variance": (100.0 * share, "percent")}


def assumption(units: int = UNITS) -> str:
    """One sentence on what the band is.

    The standard error of a 5 % point of n normal values is sqrt(0.05 0.95 / n) / density (David and Nagaraja,
    Order Statistics, 3rd ed. 2003, ch. 10); evenly spread points do better.
    """
    density, width = 0.10314, 3.2897
    share = np.sqrt(ENDS[0] * ENDS[1] / units) / density / width
    return (
        f"Band: 5 to 95 % of {units} units drawn from the declared tolerances, independent of each other; its ends are "
        f"known to about {100 * share:.0f} % of its width. Errors of the model and of nominal values are not in it."
    )


def differ(first: Study, second: Study) -> pd.DataFrame:
    """Whether two designs differ by more than what is not known about them, row by row.

    Takes two ``burst_budget`` studies made with ``uncertainty=True`` at the same durations, from the two designs.

    The parts of both bands that face each other add as root sum of squares (independent units, each spread near
    normal): a difference inside that is one that a unit of one design and a unit of the other often do not show.

    Returns
    -------
    pandas.DataFrame
        ``duration_s``, ``difference_W`` (first less second), ``unknown_W`` (5 to 95 % half width of the difference on the
        side of zero), ``differs`` (bool), ``higher`` ("first", "second", or "neither").

    Raises
    ------
    ValueError
        Studies without a band, or at different durations.
    """
    import pandas as pd

    tables = first.table, second.table
    needed = ("duration_s", "power_W", "power_p05_W", "power_p95_W")
    for table, word in zip(tables, ("first", "second"), strict=True):
        missing = [name for name in needed if name not in table.columns]
        if missing:
            raise ValueError(f"{word} study has no column {missing[0]!r}; expected a burst_budget with uncertainty=True")
    a, b = ({name: table[name].to_numpy(dtype=float) for name in needed} for table in tables)
    if a["duration_s"].shape != b["duration_s"].shape or not np.allclose(a["duration_s"], b["duration_s"]):
        raise ValueError(f"durations {a['duration_s'].tolist()} and {b['duration_s'].tolist()} s; expected the same ones")
    difference = a["power_W"] - b["power_W"]
    ahead = np.hypot(a["power_W"] - a["power_p05_W"], b["power_p95_W"] - b["power_W"])
    behind = np.hypot(a["power_p95_W"] - a["power_W"], b["power_W"] - b["power_p05_W"])
    unknown = np.where(difference >= 0, ahead, behind)
    differs = np.abs(difference) > unknown
    higher = np.where(differs, np.where(difference > 0, "first", "second"), "neither")
    return pd.DataFrame(
        {"duration_s": a["duration_s"], "difference_W": difference, "unknown_W": unknown, "differs": differs, "higher": higher}
    )


def _units(
    design: Design, asked: Question, population: Population | None, units: int, seed: int
) -> tuple[dict[str, Array], Task, Array]:
    """Values of the units, their ensemble without power limits, and the share of each chip (nan: idle)."""
    if units < 8:
        raise ValueError(f"units {units!r}; expected at least 8 for a band")
    people = declared_population(design) if population is None else population
    if not people.distributions:
        raise ValueError(f"{design.name} declares no tolerances; expected at least one for a band")
    parameters = people.sample(units, seed)
    many = design.replace(**parameters)
    idle = Workload(name="held", watts=dict.fromkeys(_chips(design, asked), np.zeros(1)))
    task = ensemble_task(many, idle, asked.mode, asked.ambient, None, asked.start, tolerance=TOLERANCE)
    names = [chip.name for chip in task.template.machine.chips]
    given = task.mode
    mode = (lambda i: ungoverned(given(i), names)) if callable(given) else ungoverned(given, names)
    return parameters, replace(task, mode=mode), np.array([asked.split.get(name, np.nan) for name in names])


def _chips(design: Design, asked: Question) -> list[str]:
    return [chip.name for chip in design.plant(asked.ambient, design.modes[asked.mode].period).machine.chips]


def _in_chunks(task: Task, answers: Callable[[slice], Array], workers: int | None, progress: bool) -> Array:
    """Answers of all units side by side; a unit's answer does not depend on how units are grouped."""
    workers = workers or os.cpu_count() or 1
    size = min(chunk_size(task), max(-(-task.samples // workers), 4))
    chunks = [slice(a, min(a + size, task.samples)) for a in range(0, task.samples, size)]
    with ThreadPoolExecutor(workers) as pool:
        found: Any = pool.map(answers, chunks)
        if progress:
            from tqdm.auto import tqdm

            found = tqdm(found, desc="band", unit="piece", total=len(chunks), leave=False)
        return np.hstack(list(found))


def _scores(ranks: Array) -> Array:
    """Ranks less their mean, scaled to unit length (zero where all are equal)."""
    centered = ranks - ranks.mean(axis=1, keepdims=True)
    length = np.linalg.norm(centered, axis=1, keepdims=True)
    scores: Array = np.divide(centered, length, out=np.zeros_like(centered), where=length > 0)
    return scores


__all__ = ["Band", "PowerBand", "Question", "assumption", "differ", "main_source", "power_band", "time_band"]
