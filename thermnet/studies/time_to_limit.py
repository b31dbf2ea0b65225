"""How long a power can be held before the first limit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.run import Run
from thermnet.studies.burst_budget import CAUTION, _word
from thermnet.studies.held_power import HeldPower
from thermnet.studies.study import Study, provenance


def time_to_limit(
    design: Design, mode: str = "desk", ambient: float | None = None, powers: Sequence[float] = (28.0, 45.0, 64.0),
    starts: Sequence[Any] = ("idle",), *, duration: float = 3600.0, split: Mapping[str, float] | None = None,
    uncertainty: bool = False, progress: bool = False,
) -> Study:  # fmt: skip
    """Time until the first limit is reached when a constant chip power is held, and which limit it is.

    Crossing times are found by root finding between control samples.

    Parameters
    ----------
    powers : sequence of W
    starts : sequence of start states
    duration : float
        s; longest time looked at; a limit not met by then is reported as nan.
    uncertainty : bool
        Also tell the 5 to 95 % band of the time over units that differ by the design's declared tolerances.
    design, mode, ambient, split, progress
        As for :func:`burst_budget`.

    Returns
    -------
    Study
        Table columns ``start``, ``power_W``, ``time_s`` (nan: never within ``duration``), ``binds``, and
        ``first_s.<limit>`` for every limit.
    """
    import pandas as pd

    values = [float(p) for p in powers]
    if not values or any(not np.isfinite(p) or p < 0 for p in values):
        raise ValueError(f"powers {powers!r}; expected finite powers of 0 W or more")
    rows: list[dict[str, Any]] = []
    pairs: Any = [(s, p) for s in starts for p in values]
    if progress:
        from tqdm.auto import tqdm

        pairs = tqdm(pairs, desc="time to limit", unit="run", leave=False)
    held: dict[int, HeldPower] = {}
    for start, power in pairs:
        if id(start) not in held:
            held[id(start)] = HeldPower.of(design, mode, ambient, start, split)
        now = held[id(start)]
        times = first_crossings(now.run(power, duration), now)
        known = {name: t for name, t in times.items() if np.isfinite(t)}
        first = min(known, key=lambda name: known[name]) if known else "none"
        rows.append(
            {"start": _word(start), "power_W": power, "time_s": known.get(first, np.nan), "binds": first}
            | {f"first_{name.replace('.', '_')}_s": t for name, t in times.items()}
        )
    one = next(iter(held.values()))
    facts: dict[str, Any] = {}
    notes: tuple[str, ...] = ()
    if uncertainty:
        from thermnet.studies import band as bands

        spreads = [
            bands.time_band(design, bands.Question(mode, one.ambient, s, one.split), values, duration, progress=progress) for s in starts
        ]
        ends = np.hstack([np.array(spread.ends) for spread in spreads])
        for row, low, high in zip(rows, *ends, strict=True):
            row.update(time_p05_s=float(low), time_p95_s=float(high))
        facts, notes = bands.source_facts(*spreads), (bands.assumption(),)
    return Study(
        name="time_to_limit", title=f"Time to limit of {design.name}, mode {mode}, {one.ambient:g} °C",
        question="How long can a power be held before the first limit, and which one is it?",
        table=pd.DataFrame(rows), facts={"longest time looked at": (duration, "s"), **facts},
        assumptions=(
            "Constant total chip power, leakage included; the mode's fans act, its power limits and throttles do not.",
            "A limit that is met and left again within one control sample is not seen.",
            f"{design.note or 'No note on the origin of the design data.'}",
            *notes,
        ),
        caution=CAUTION,
        provenance=provenance(design, mode=mode, ambient=one.ambient,
                              solver={"method": "closed loop, exponential", "period_s": one.plant.period}),
    )  # fmt: skip


def first_crossings(run: Run, held: HeldPower) -> dict[str, float]:
    """First time in s at which each limit is reached; nan if never."""
    times = {limit.name: run.time_to(limit.node, limit.value) for limit in run.limits if limit.node}
    heat_limits = [limit for limit in run.limits if limit.link]
    if heat_limits:
        names, heat = run.link_heat
        compiled = held.plant.compiled(0)
        for limit in heat_limits:
            from thermnet.network.laws import dry_out_limit

            k = compiled.law_names.index(limit.link)
            ends = [(*compiled.nodes, *compiled.boundaries)[row] for row in compiled.law_ends[k]]
            allowed = dry_out_limit(compiled.law_parameters[k], run.temperature(ends[0]), run.temperature(ends[1]))
            times[limit.name] = _rising_zero(run.time, np.abs(heat[:, names.index(limit.link)]) - allowed)
    return times


def _rising_zero(time: Any, values: Any) -> float:
    above = np.flatnonzero(values >= 0)
    if not above.size:
        return float("nan")
    k = int(above[0])
    if k == 0:
        return float(time[0])
    share = -values[k - 1] / (values[k] - values[k - 1])
    return float(time[k - 1] + share * (time[k] - time[k - 1]))
