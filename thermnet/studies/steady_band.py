"""What is not known about steady answers, and whether designs differ by more than that.

Units are drawn from the declared tolerances, as for :mod:`thermnet.studies.band`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.design.ensembles import ensemble_task
from thermnet.firmware.mode import Mode
from thermnet.firmware.workload import Workload
from thermnet.solve.pack import speed_cap
from thermnet.solve.steady_units import SteadyUnits
from thermnet.studies.band import ENDS, SEED, UNITS, Band, Question, main_source, power_band
from thermnet.studies.side_by_side import Candidate
from thermnet.tolerance.distribution import Distribution
from thermnet.tolerance.population import declared_population
from thermnet.tolerance.sampling import GivenUnits, Population

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Drawn:
    """Units of a design: the design with arrays for numbers, and their parameters by dotted key."""

    design: Design
    parameters: Mapping[str, Array]

    @classmethod
    def of(cls, design: Design, units: int = UNITS, seed: int = SEED) -> Drawn:
        """Units from the declared tolerances.

        Raises
        ------
        ValueError
            A design that declares none.
        """
        people = declared_population(design)
        if not people.distributions:
            raise ValueError(f"{design.name} declares no tolerances; expected at least one for a band")
        parameters = people.sample(units, seed)
        return cls(design.replace(**parameters), parameters)


def units_at_rest(
    many: Design, mode: str, ambient: float | None, chips: Sequence[str], shares: Mapping[str, float]
) -> SteadyUnits:
    """Units of a design in a mode at an ambient, their power shared by ``shares`` (chips left out stay at idle)."""
    idle = Workload(name="held", watts=dict.fromkeys(chips, np.zeros(1)))
    task = ensemble_task(many, idle, mode, ambient, 1.0)
    return SteadyUnits(task, slice(0, task.samples), np.array([shares.get(name, np.nan) for name in chips]))


def at_noise(units: SteadyUnits, noise: float, guess: float) -> Array:
    """Highest power in W of every unit with its fans, all at one share of their highest speeds, at ``noise`` dBA.

    A unit whose fans cannot be so loud runs them at full speed.
    """
    capped = Mode(noise_cap=max(noise, 1e-3))
    speeds = {fan.name: speed_cap(units.machine, capped, fan.name) for fan in units.machine.fans}
    rows = np.arange(units.count)
    power, *_ = units.highest_at(units.level(speeds), rows, np.full(units.count, max(guess, 1.0)))
    return power


def without_tables(units: SteadyUnits) -> Array:
    """Highest power in W of every unit with fans at the noise cap, or slower where that holds more (drying pipes).

    The units' counterpart of :meth:`thermnet.studies.side_by_side.Candidate.sustained`.
    """
    caps = units.positions(units.caps)
    best = units.highest(caps)
    power = best.power.copy()
    dry = np.array([limit.kind == "dry_out" for limit in units.limits])
    if not np.any((best.binds >= 0) & dry[best.binds]) or not caps.size:
        return power
    top = int(caps.max())
    coarse = max(top // 8, 1)

    def at(k: int) -> Array:
        slower = np.minimum(np.floor(caps * k / top + 0.5).astype(np.int64), caps)
        return units.highest(slower, np.maximum(best.power, 1.0)).power

    tried = {k: at(k) for k in range(top, 0, -coarse)}
    stops = np.array(list(tried))
    peaks = stops[np.argmax(np.stack(list(tried.values())), axis=0)]
    near = {k for peak in np.unique(peaks) for k in range(max(peak - coarse, 1), min(peak + coarse, top) + 1)}
    tried |= {k: at(k) for k in sorted(near - set(tried))}
    held: Array = np.where((best.binds >= 0) & dry[best.binds], np.max(np.stack(list(tried.values())), axis=0), power)
    return held


# -- designs against each other --------------------------------------------------------------------------------


def drawn_together(designs: Mapping[str, Design], units: int = UNITS, seed: int = SEED) -> dict[str, GivenUnits]:
    """Units of several designs in which what the designs have in common differs in the same way.

    A parameter is common where key, value and tolerance are the same: the same part.  All others differ on their own.

    Raises
    ------
    ValueError
        A design that declares no tolerances.
    """
    own = {label: declared_population(design).distributions for label, design in designs.items()}
    columns: dict[tuple[str, Distribution], str] = {}
    for label, known in own.items():
        if not known:
            raise ValueError(f"{designs[label].name} declares no tolerances; expected at least one for a band")
        for key, shape in known.items():
            columns.setdefault((key, shape), f"{key} of {label}")
    everything = Population({name: shape for (_, shape), name in columns.items()}).sample(units, seed)
    return {
        label: GivenUnits(known, columns={key: everything[columns[key, shape]] for key, shape in known.items()})
        for label, known in own.items()
    }


def answers_of(
    candidates: Mapping[str, Candidate], mode: str, start: Any, durations: Sequence[float], guesses: Mapping[str, Sequence[float]],
    *, progress: bool = False,
) -> dict[str, Band]:  # fmt: skip
    """Sustained power and burst powers of the units of every candidate: rows are sustained, then each duration.

    Parameters
    ----------
    guesses : label to W for each duration, the design's own answers
    """
    people = drawn_together({label: one.design for label, one in candidates.items()})
    found = {}
    for label, one in candidates.items():
        parameters = people[label].columns
        chips = [chip.name for chip in one.held.plant.machine.chips]
        rest = units_at_rest(one.design.replace(**parameters), mode, one.held.ambient, chips, one.held.split)
        rows = [without_tables(rest)[None, :]]
        if durations:
            asked = Question(mode, one.held.ambient, start, one.held.split)
            rows.append(
                power_band(
                    one.design, asked, durations, guesses[label], population=people[label], progress=progress, forever=False
                ).answers
            )
        found[label] = Band(parameters, np.vstack(rows))
    return found


def told_apart(bands: Mapping[str, Band], nominal: Mapping[str, Sequence[float]], words: Sequence[str]) -> Any:
    """Whether each design differs from the first by more than what is not known about both, quantity by quantity.

    Returns
    -------
    pandas.DataFrame
        ``design``, ``quantity``, ``difference_W`` (nominal, against the first), ``difference_p05_W``,
        ``difference_p95_W``, ``ahead_percent`` (of the pairs of units), ``told_apart`` ("yes": the band keeps off
        zero), ``band_from`` (parameter that the difference is least known by, with the design it belongs to if not
        common) and ``its_share_percent``.
    """
    import pandas as pd

    first, *others = bands
    rows = []
    for label in others:
        pair, own = bands[label].answers - bands[first].answers, bands[label]
        parameters = dict(own.parameters)
        for key, values in bands[first].parameters.items():
            if key not in parameters:
                parameters[f"{key} of {first}"] = values
            elif not np.array_equal(parameters[key], values):
                parameters[f"{key} of {label}"] = parameters.pop(key)
                parameters[f"{key} of {first}"] = values
        for k, word in enumerate(words):
            low, high = np.quantile(pair[k], ENDS)
            name, share = main_source(parameters, pair[k])
            rows.append({
                "design": label, "quantity": word, "difference_W": nominal[label][k] - nominal[first][k],
                "difference_p05_W": float(low), "difference_p95_W": float(high),
                "ahead_percent": 100.0 * float(np.mean(pair[k] > 0)),
                "told_apart": "yes" if low > 0 or high < 0 else "no", "band_from": name, "its_share_percent": 100.0 * share,
            })  # fmt: skip
    return pd.DataFrame(rows)


def with_bands(
    table: Any, candidates: Mapping[str, Candidate], bursts: Sequence[Mapping[str, Any]], mode: str, start: Any,
    durations: Sequence[float], *, progress: bool = False,
) -> tuple[Any, Any]:  # fmt: skip
    """Main table of a comparison with bands beside sustained and burst powers, and the table of differences."""
    own = {
        label: [float(p["power_W"]) for t in durations for p in bursts if p["design"] == label and p["duration_s"] == t]
        for label in candidates
    }
    bands = answers_of(candidates, mode, start, durations, own, progress=progress)
    words = ["sustained", *(f"burst of {t:g} s" for t in durations)]
    columns = ["sustained_W", *(f"power_{t:g}_s_W" for t in durations)]
    nominal = {label: [float(v) for v in row] for label, row in zip(table["design"], table[columns].to_numpy(), strict=True)}
    for k, column in enumerate(columns):
        ends = np.array([np.quantile(band.answers[k], ENDS) for band in bands.values()])
        place = int(table.columns.get_loc(column)) + 1
        stem = column.removesuffix("_W")
        table.insert(place, f"{stem}_p05_W", ends[:, 0])
        table.insert(place + 1, f"{stem}_p95_W", ends[:, 1])
    return table, told_apart(bands, nominal, words)


def apart_in_words(apart: Any) -> list[tuple[str, str, str]]:
    """Lines for a verdict: where, in short, in full."""
    lines = []
    for label, rows in apart.groupby("design", sort=False):
        short, full = [], []
        for row in rows.itertuples(index=False):
            yes = row.told_apart == "yes"
            short.append(f"{row.quantity} {row.difference_W:+.2g} W {'yes' if yes else 'no'}")
            band = f"{row.difference_p05_W:+.2g} to {row.difference_p95_W:+.2g} W over 5 to 95 % of the units"
            full.append(f"{row.quantity} {row.difference_W:+.2g} W, {'more' if yes else 'not more'} than what is not known ({band}; most from {row.band_from})")
        lines.append((f"{label}: differs by more than is not known", ", ".join(short), "; ".join(full)))
    return lines


__all__ = ["Drawn", "answers_of", "apart_in_words", "at_noise", "drawn_together", "told_apart", "units_at_rest", "with_bands", "without_tables"]
