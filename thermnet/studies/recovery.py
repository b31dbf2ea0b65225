"""How soon and how often a burst can be repeated."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.firmware.mode import ChipControl
from thermnet.firmware.workload import Workload
from thermnet.network.laws import dry_out_limit
from thermnet.run import Run
from thermnet.solve.closed_loop import simulate
from thermnet.studies.burst_budget import CAUTION, _word
from thermnet.studies.held_power import HeldPower, highest_power
from thermnet.studies.study import Study, provenance

Array = NDArray[np.float64]
RESTS = (10.0, 30.0, 60.0, 120.0, 300.0)
LONGEST = 1800.0
"""s; a burst that meets no limit by then counts as endless."""

SETTLING = 7200.0
"""s of repetition, at least, before its last cycles are judged."""

FULL = 0.9
"""Share of the first burst that counts as recovered."""


def recovery(
    design: Design, mode: str = "desk", ambient: float | None = None, power: float | None = None,
    rests: Sequence[float] = RESTS, *, durations: Sequence[float] = (2.0, 5.0, 10.0, 20.0),
    rest_power: float | Mapping[str, float] | None = None, start: Any = "idle",
    split: Mapping[str, float] | None = None, progress: bool = False,
) -> Study:  # fmt: skip
    """How long a second burst lasts after a rest, and how often a burst can be repeated for ever.

    Parameters
    ----------
    design, mode, ambient, start, split, progress
        As for :func:`burst_budget`.
    power : float, optional
        Total chip power of the burst, W; the mode's burst limit (of all chips in the split) if left out.
    rests : sequence of s
        Between a first burst, held until its first limit, and a second.
    durations : sequence of s
        Bursts to be repeated for ever.
    rest_power : float or mapping of chip to W, optional
        Chip power while resting, in all (shared as the burst is) or by chip; idle if left out.

    Returns
    -------
    Study
        Table ``rest_s``, ``first_s``, ``second_s``, ``recovered_percent``, ``binds``, ``governor_s`` (how long the
        mode's own averaging would let the second burst run).  Table ``repetition``: ``duration_s``, ``rest_s``
        (shortest that can go on for ever), ``duty_percent``, ``mean_power_W``, ``binds``.

    Raises
    ------
    ValueError
        Times that are not above 0, a power that is never held or has no limit, a rest that itself passes a limit.
    """
    import pandas as pd

    waits, bursts = _times(rests, "rests"), _times(durations, "durations")
    held = HeldPower.of(design, mode, ambient, start, split)
    if power is None:
        power = float(sum(design.modes[mode].chips[name].burst_limit for name in held.split))
    if not (np.isfinite(power) and power > 0):
        raise ValueError(f"power {power!r} W; expected a finite power above 0 W")
    loads = _Loads(held, float(power), rest_power)
    sustained, _ = highest_power(held.steady_excess, 30.0)
    if float(np.max(loads.steady_rest())) >= 0:
        raise ValueError("a limit is passed while resting; expected a rest that can be held for ever")
    first, first_binds = loads.first_limit(loads.run([(loads.burst, LONGEST)]), 0.0, LONGEST)
    if first == 0.0:
        raise ValueError(
            f"{power:g} W is past {first_binds} from the start; expected a power that can be held a while"
        )
    if not np.isfinite(first):
        raise ValueError(
            f"{power:g} W meets no limit within {LONGEST:g} s (sustained {sustained:.1f} W); expected a burst above that"
        )
    steps: Any = waits
    if progress:
        from tqdm.auto import tqdm

        steps = tqdm(waits, desc="recovery", unit="rest", leave=False)
    period = held.plant.period
    used = max(1.0, math.floor(first / period + 1e-9)) * period
    rows = []
    for rest in steps:
        rest_used = max(1.0, round(rest / period)) * period
        run = loads.run([(loads.burst, used), (loads.rest, rest_used), (loads.burst, LONGEST)])
        second, binds = loads.first_limit(run, used + rest_used, LONGEST)
        rows.append((rest, first, second, 100.0 * second / first, binds, loads.governor(used, rest_used)))
    columns = ["rest_s", "first_s", "second_s", "recovered_percent", "binds", "governor_s"]
    table = pd.DataFrame(rows, columns=columns)
    repeated = [loads.shortest_rest(b, sustained) for b in bursts]
    cycles = pd.DataFrame(repeated, columns=["duration_s", "rest_s", "duty_percent", "mean_power_W", "binds"])
    facts: dict[str, Any] = {
        "first burst": (first, "s"), "ended by": first_binds, "sustained power": (sustained, "W"),
        f"{100 * FULL:.0f} % back after": (_rest_for(table, 100.0 * FULL), "s"),
    }  # fmt: skip
    for duration, rest, duty, *_ in repeated:
        how = f"every {duration + rest:.3g} s, duty {duty:.0f} %" if np.isfinite(rest) else "not at any rest"
        facts[f"{duration:g} s bursts for ever"] = how
    return Study(
        name="recovery", title=f"Recovery of {design.name} from {power:g} W, mode {mode}, {held.ambient:g} °C",
        question="How soon, and how often, can a burst be repeated?",
        table=table, tables={"repetition": cycles}, facts=facts,
        assumptions=(
            "Constant total chip power in a burst, leakage included; the mode's fans act, its power limits do not.",
            "The first burst runs to its first limit; the rest begins in the control sample before.",
            "Repetition: judged once the cycles repeat themselves, from a soak at their mean power.",
            f"Chip power while resting {loads.rest_total:.3g} W.",
            f"{design.note or 'No note on the origin of the design data.'}",
        ),
        caution=CAUTION,
        provenance=provenance(design, mode=mode, ambient=held.ambient, start=_word(start), power_W=power,
                              rest_power_W=loads.rest_total, split=split,
                              solver={"method": "closed loop, exponential", "period_s": period}),
    )  # fmt: skip


class _Loads:
    """Burst and rest of one machine as demands by chip, and what they lead to."""

    def __init__(self, held: HeldPower, power: float, rest_power: Any) -> None:
        self.held = held
        self.names = [chip.name for chip in held.plant.machine.chips]
        self.burst = held.demand(power)
        idle = held.plant.machine.idle_power
        if rest_power is None:
            rest = [idle.get(name, 2.0) for name in self.names]
        elif isinstance(rest_power, Mapping):
            unknown = [name for name in rest_power if name not in self.names]
            if unknown:
                raise ValueError(f"rest_power of {unknown[0]!r}; expected chips: {', '.join(self.names)}")
            rest = [float(rest_power.get(name, idle.get(name, 2.0))) for name in self.names]
        else:
            rest = held.demand(float(rest_power)).tolist()
        if any(not (np.isfinite(w) and w >= 0) for w in rest):
            raise ValueError(f"rest_power {rest_power!r}; expected finite powers of 0 W or more")
        self.rest = np.array(rest)
        self.rest_total = float(self.rest.sum())

    def steady_rest(self) -> Array:
        """Excess over every limit when resting for ever."""
        soak = self.held.soak_at(self._by_chip(self.rest))
        return self.held._excess(soak.everything, self.held.plant.level(soak.indices.tolist()))

    def run(self, pieces: Sequence[tuple[Array, float]], start: Any = None) -> Run:
        """Demands held one after another."""
        ends = np.cumsum([length for _, length in pieces])
        times = np.concatenate([[0.0], ends[:-1]])
        watts = {name: np.array([demand[c] for demand, _ in pieces]) for c, name in enumerate(self.names)}
        load = Workload(name="burst and rest", times=times, watts=watts, duration=float(ends[-1]))
        begin = self.held.start if start is None else start
        return simulate(self.held.plant, self.held.mode, load, duration=float(ends[-1]), start=begin)

    def excess(self, run: Run) -> Array:
        """Excess over every limit through a run, (times, limits) K or W."""
        names, heat = run.link_heat if any(q.link for q in self.held.limits) else ((), np.zeros((0, 0)))
        compiled = self.held.plant.compiled(0)
        labels = (*compiled.nodes, *compiled.boundaries)
        result = np.empty((len(run.time), len(self.held.limits)))
        for q, limit in enumerate(self.held.limits):
            if limit.node:
                result[:, q] = run.temperature(limit.node) - limit.value
                continue
            k = compiled.law_names.index(limit.link)
            a, b = (labels[row] for row in compiled.law_ends[k])
            allowed = dry_out_limit(compiled.law_parameters[k], run.temperature(a), run.temperature(b))
            result[:, q] = np.abs(heat[:, names.index(limit.link)]) - allowed
        return result

    def first_limit(self, run: Run, begin: float, length: float) -> tuple[float, str]:
        """Time in s from ``begin`` to the first limit (nan: none within ``length``), and its name.

        Linear within a control sample.
        """
        times, excess = run.time, self.excess(run)
        inside = (times >= begin - 1e-9) & (times <= begin + length + 1e-9)
        t, values = times[inside] - begin, excess[inside]
        best, name = float("nan"), "none"
        for q, limit in enumerate(self.held.limits):
            above = np.flatnonzero(values[:, q] >= 0)
            if not above.size:
                continue
            k = int(above[0])
            at = 0.0
            if k > 0:
                low, high = values[k - 1, q], values[k, q]
                at = float(t[k - 1] + (t[k] - t[k - 1]) * (-low / (high - low)))
            if not at >= best:
                best, name = at, limit.name
        return best, name

    def governor(self, first: float, rest: float) -> float:
        """Time in s that the mode's running average lets a second burst run (inf: for ever; exact, first order).

        The strictest chip decides; the first burst is cut to the sustained limit where the average says so.
        """
        design, result = self.held.design, float("inf")
        for c, name in enumerate(self.names):
            control = design.modes[self.held.mode_name].chips[name]
            before = float(self.held.loop(0.0).state.average[c])
            asked = min(float(self.burst[c]), control.burst_limit)
            average = min(_averaged(before, asked, first, control), max(control.sustained_limit, before))
            average = _averaged(average, float(self.rest[c]), rest, control)
            if asked > control.sustained_limit:
                ratio = (asked - average) / (asked - control.sustained_limit)
                result = min(result, control.averaging_time * math.log(max(ratio, 1.0)))
        return result

    def shortest_rest(self, duration: float, sustained: float) -> tuple[float, float, float, float, str]:
        """Shortest rest with which a burst can be repeated for ever, its duty, mean power, and what holds it."""
        total = float(self.burst.sum())
        if total <= sustained:
            return duration, 0.0, 100.0, total, "none"
        period = self.held.plant.period
        ticks = max(1, round(duration / period))
        alone = self.run([(self.rest, period), (self.burst, ticks * period)], self._by_chip(self.rest))
        worst = self.excess(alone).max(axis=0)
        if float(worst.max()) >= 0:
            return (
                duration,
                float("nan"),
                float("nan"),
                float("nan"),
                self.held.limits[int(np.argmax(worst))].name,
            )
        low, high, binds = 0, ticks, "none"
        while True:
            bad, name = self._cycle(ticks, high)
            if not bad:
                break
            low, high, binds = high, 2 * high, name
            if high * period > 24 * 3600.0:
                return duration, float("nan"), float("nan"), float("nan"), binds
        while high - low > max(1, round(0.005 * high)):
            middle = (low + high) // 2
            bad, name = self._cycle(ticks, middle)
            if bad:
                low, binds = middle, name
            else:
                high = middle
        share = ticks / (ticks + high)
        mean = share * total + (1.0 - share) * self.rest_total
        return duration, high * period, 100.0 * share, mean, binds

    def _cycle(self, burst: int, rest: int) -> tuple[bool, str]:
        """Whether repetition for ever passes a limit, and which one is nearest."""
        if rest == 0:
            return True, "sustained"
        period = self.held.plant.period
        mean = (burst * self.burst + rest * self.rest) / (burst + rest)
        count = max(4, math.ceil(SETTLING / ((burst + rest) * period)))
        pieces = [(self.rest, rest * period), (self.burst, burst * period)] * count
        run = self.run(pieces, self._by_chip(mean))
        late = run.time >= (count - max(2, count // 10)) * (burst + rest) * period
        worst = self.excess(run)[late].max(axis=0)
        return bool(worst.max() >= 0), self.held.limits[int(np.argmax(worst))].name

    def _by_chip(self, watts: Array) -> dict[str, float]:
        return {name: float(w) for name, w in zip(self.names, watts, strict=True)}


def _averaged(average: float, power: float, duration: float, control: ChipControl) -> float:
    """Running average after a constant power, W (first order, exact)."""
    return power + (average - power) * math.exp(-duration / control.averaging_time)


def _rest_for(table: Any, percent: float) -> float:
    """Rest in s after which so much is back, linear between rests; nan if none is long enough."""
    rests, back = table["rest_s"].to_numpy(float), table["recovered_percent"].to_numpy(float)
    back = np.where(np.isnan(back), np.inf, back)
    for k in range(len(rests)):
        if back[k] >= percent:
            if k == 0 or not np.isfinite(back[k]):
                return float(rests[k])
            share = (percent - back[k - 1]) / (back[k] - back[k - 1])
            return float(rests[k - 1] + share * (rests[k] - rests[k - 1]))
    return float("nan")


def _times(values: Sequence[float], what: str) -> list[float]:
    found = sorted({float(v) for v in values})
    if not found or any(not (np.isfinite(v) and v > 0) for v in found):
        raise ValueError(f"{what} {values!r}; expected finite times above 0 s")
    return found


__all__ = ["recovery"]
