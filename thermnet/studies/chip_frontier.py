"""Several chips under one cooling stack: how much one may draw while another draws so much."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.studies.burst_budget import CAUTION, _word
from thermnet.studies.held_power import HeldPower, highest_power, samples_of
from thermnet.studies.steady_machine import check_limits
from thermnet.studies.study import Study, provenance

SHARES = tuple(np.linspace(0.0, 1.0, 21))
"""Share of the power that the first chip takes."""

EVER = "for ever"

ROUNDS = 4
"""Halvings of the share around the best one."""


def chip_frontier(
    design: Design, mode: str = "desk", ambient: float | None = None, chips: Sequence[str] | None = None,
    durations: Sequence[float] = (), *, shares: Sequence[float] = SHARES, start: Any = "idle",
    progress: bool = False,
) -> Study:  # fmt: skip
    """Highest combined power of two chips at constant limits, for every way of sharing it.

    Parameters
    ----------
    design, mode, ambient, start, progress
        As for :func:`burst_budget`; the mode's fans act, its power limits do not.
    chips : pair of names, optional
        The first two of the design if left out; further chips stay at idle.
    durations : sequence of s
        For bursts beside the sustained frontier.
    shares : sequence
        Share of the power that the first chip takes, 0 to 1.

    Returns
    -------
    Study
        Table ``held`` ("for ever", "60 s"), ``share``, ``<first>_W``, ``<second>_W``, ``total_W``, ``binds``,
        ``exchange`` (W that the second gains per W that the first gives up, along the frontier).

    Raises
    ------
    ValueError, NetworkError
        Fewer than two chips, unknown names, shares outside 0 to 1, impossible durations.
    """
    import pandas as pd

    names = [chip.name for chip in design.machine(ambient).chips]
    pair = tuple(names[:2] if chips is None else chips)
    if len(names) < 2:
        raise ValueError(f"{design.name} has one chip ({names[0]}); expected a design with two or more")
    if len(set(pair)) != 2 or set(pair) - set(names):
        raise ValueError(f"chips {', '.join(map(repr, pair))}; expected two of {', '.join(names)}")
    parts = sorted({float(s) for s in shares})
    if len(parts) < 2 or any(not 0.0 <= s <= 1.0 for s in parts):
        raise ValueError("shares: expected at least two numbers from 0 to 1")
    held = HeldPower.of(design, mode, ambient, start, {pair[0]: 0.5, pair[1]: 0.5})
    check_limits(held.limits, held.ambient)
    lengths = [float("inf"), *sorted({float(d) for d in durations})]
    if durations:
        samples_of(durations, held.plant.period)
    work: Any = [(d, s) for d in lengths for s in parts]
    if progress:
        from tqdm.auto import tqdm

        work = tqdm(work, desc="chip frontier", unit="point", leave=False)
    rows, guess = [], 30.0
    for duration, share in work:
        power, binds = _highest(held, pair, share, duration, guess)
        guess = max(power, 1.0)
        rows.append((duration, share, share * power, (1.0 - share) * power, power, binds))
    rows += _corner(held, pair, rows[: len(parts)])
    rows.sort(key=lambda row: (np.isfinite(row[0]), row[0], row[1]))
    columns = ["duration_s", "share", f"{pair[0]}_W", f"{pair[1]}_W", "total_W", "binds"]
    table = pd.DataFrame(rows, columns=columns)
    table["exchange"] = np.concatenate([_exchange(table[table["duration_s"] == d], pair) for d in lengths])
    table.insert(0, "held", [_length(d) for d in table.pop("duration_s")])
    for_ever = table[table["held"] == EVER]
    best = for_ever.sort_values("total_W").iloc[-1]
    control = held.design.modes[mode]
    limits = {name: control.chips[name].sustained_limit for name in pair}
    ordered = _highest(held, pair, limits[pair[0]] / sum(limits.values()), float("inf"), guess)
    facts: dict[str, Any] = {
        "most in all, for ever": (float(best["total_W"]), "W"),
        "shared as": f"{pair[0]} {best[columns[2]]:.0f} W, {pair[1]} {best[columns[3]]:.0f} W",
        "held by": str(best["binds"]),
        f"{pair[0]} alone": (float(for_ever[columns[2]].iloc[-1]), "W"),
        f"{pair[1]} alone": (float(for_ever[columns[3]].iloc[0]), "W"),
        "mode's sustained limits together": (float(sum(limits.values())), "W"),
        "room for them in that share": (ordered[0], "W"),
    }
    if control.shared_budget is not None:
        facts["mode's shared budget"] = (control.shared_budget, "W")
    return Study(
        name="chip_frontier",
        title=f"Combined power of {pair[0]} and {pair[1]} in {design.name}, mode {mode}, {held.ambient:g} °C",
        question="How much may one chip draw while the other draws so much?",
        table=table, facts=facts,
        assumptions=(
            "Constant chip powers, leakage included; the mode's fans act, its power limits and throttles do not.",
            *([f"Idle meanwhile: {', '.join(n for n in names if n not in pair)}."] if len(names) > 2 else []),
            f"A chip with a share of 0 draws nothing. Power found to {0.005:g} W.",
            f"{design.note or 'No note on the origin of the design data.'}",
        ),
        caution=CAUTION,
        provenance=provenance(design, mode=mode, ambient=held.ambient, start=_word(start), chips=list(pair),
                              solver={"method": "closed loop, exponential", "period_s": held.plant.period}),
    )  # fmt: skip


def _corner(held: HeldPower, pair: Sequence[str], rows: Sequence[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """Points closer and closer around the share that gives most in all for ever, where the binding limit changes."""
    known = {row[1]: row[4] for row in rows}
    added: list[tuple[Any, ...]] = []
    for _ in range(ROUNDS):
        order = sorted(known)
        best = max(range(len(order)), key=lambda k: known[order[k]])
        for low, high in ((best - 1, best), (best, best + 1)):
            if 0 <= low and high < len(order):
                share = 0.5 * (order[low] + order[high])
                power, binds = _highest(held, pair, share, float("inf"), known[order[best]])
                known[share] = power
                added.append((float("inf"), share, share * power, (1.0 - share) * power, power, binds))
    return added


def _length(duration: float) -> str:
    return EVER if np.isinf(duration) else f"{duration:g} s"


def _highest(
    held: HeldPower, pair: Sequence[str], share: float, duration: float, guess: float
) -> tuple[float, str]:
    """Highest power in all at one share, and what holds it."""
    split: Mapping[str, float] = {pair[0]: share, pair[1]: 1.0 - share}
    one = dataclasses.replace(held, split=split)
    if np.isinf(duration):
        power, q = highest_power(one.steady_excess, guess)
    else:
        last = samples_of([duration], held.plant.period)[0]
        power, q = highest_power(lambda p: one.excess(p, [last])[0], guess)
    return power, held.limits[q].name if q >= 0 else "none"


def _exchange(rows: Any, pair: Sequence[str]) -> Any:
    """W that the second chip gains per W that the first gives up, by differences along the frontier."""
    first, second = rows[f"{pair[0]}_W"].to_numpy(float), rows[f"{pair[1]}_W"].to_numpy(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return -np.gradient(second) / np.gradient(first)
