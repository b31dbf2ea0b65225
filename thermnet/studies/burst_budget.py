"""How many watts for how long, from which start state, and which limit binds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.firmware.mode import Mode
from thermnet.studies.budget_curve import budget_curve
from thermnet.studies.held_power import NEAR, HeldPower, highest_power, samples_of
from thermnet.studies.study import Study, provenance

DURATIONS = (1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0, 300.0, 600.0)

CAUTION = (
    "A model result for design decisions, not a safety test. Touch temperatures are judged at 25 °C by the standard that "
    "applies and a licensed laboratory; battery limits by the cell maker. Values marked illustrative must be replaced by "
    "your suppliers' data."
)


def burst_budget(
    design: Design, mode: str = "desk", ambient: float | None = None, durations: Sequence[float] = DURATIONS,
    start: Any = "idle", *, other_starts: Sequence[Any] = (), split: Mapping[str, float] | None = None,
    uncertainty: bool = False, progress: bool = False,
) -> Study:  # fmt: skip
    """Highest constant chip power that keeps every limit for each duration, and the limit that binds.

    The mode's fan control and noise cap act; its power limits and throttles do not.  For comparison the study also
    tells what the mode's own averaging governor would let through.

    Parameters
    ----------
    design : Design
    mode : str
    ambient : float, optional
        degC; the design's own if left out.
    durations : sequence of s
        At least one control sample each; rounded to whole control samples.
    start : "idle", "cold", W, mapping of chip to W, or Run
    other_starts : sequence
        Further start states, for comparison.
    split : mapping of chip to share, optional
        How several chips share the power; the first chip takes all if left out.
    uncertainty : bool
        Also tell the 5 to 95 % band over units that differ by the design's declared tolerances (some ten seconds).
    progress : bool
        Show a progress bar.

    Returns
    -------
    Study
        Table columns ``duration_s``, ``power_W``, ``binds`` (name of the limit, or "none"); with ``uncertainty`` also
        ``power_p05_W`` and ``power_p95_W``.
    """
    import pandas as pd

    held = HeldPower.of(design, mode, ambient, start, split)
    sustained, q = highest_power(held.steady_excess, 30.0)
    table = _budget(held, durations, progress, 1.01 * sustained)
    tables = {}
    if other_starts:
        rows = [
            _budget(HeldPower.of(design, mode, ambient, s, split), durations, progress, 1.01 * sustained).assign(start=_word(s))
            for s in other_starts
        ]  # fmt: skip
        tables["start states"] = pd.concat([table.assign(start=_word(start)), *rows], ignore_index=True)
    chosen: Mode = design.modes[mode]
    chip = max(held.split, key=lambda name: held.split[name])
    control = chosen.chips[chip]
    before = float(held.loop(0.0).state.average[[c.name for c in held.plant.machine.chips].index(chip)])
    ends = table["duration_s"].min(), table["duration_s"].max()
    grid = np.unique(np.concatenate([np.geomspace(*ends, 60), table["duration_s"]]))
    allowed = governor_power(grid, control.sustained_limit, control.averaging_time, before)
    tables["governor"] = pd.DataFrame({"duration_s": grid, "power_W": np.minimum(allowed, control.burst_limit)})
    facts: dict[str, Any] = {}
    notes: tuple[str, ...] = ()
    slow = hotter_below(held, sustained)
    if slow is not None:
        power, name, over = slow
        unit = "K" if next(limit for limit in held.limits if limit.name == name).node else "W"
        facts["less power can run hotter"] = f"{name} passed by {over:.2f} {unit} at {power:.1f} W"
        notes = (
            f"Powers below the sustained one are not all safe for ever: at {power:.1f} W the fan tables leave the fans so slow "
            f"that {name} is passed by {over:.2f} {unit}.",
        )
    if uncertainty:
        from thermnet.studies import band as bands

        asked = bands.Question(mode, held.ambient, start, held.split)
        spread = bands.power_band(design, asked, table["duration_s"].tolist(), table["power_W"].tolist(), progress=progress)
        table = bands.with_powers(table, spread)
        low, high = np.quantile(spread.sustained, bands.ENDS)
        facts |= {"5 to 95 % of units sustain": f"{low:.1f} to {high:.1f} W", **bands.source_facts(spread)}
        notes = (*notes, bands.assumption())
    return Study(
        name="burst_budget", title=f"Burst power budget of {design.name}, mode {mode}, {held.ambient:g} °C",
        question="How many watts can the chip draw, for how long, before which limit?",
        table=table, tables=tables,
        facts={
            "sustained power": (sustained, "W"), "sustained power is held by": held.limits[q].name if q >= 0 else "none",
            "start state": _word(start), "power before the burst": (before, "W"),
            "mode's burst limit": (control.burst_limit, "W"), "mode's sustained limit": (control.sustained_limit, "W"),
            **facts,
        },
        assumptions=(
            "Constant total chip power, leakage included; the mode's fans act, its power limits and throttles do not.",
            f"{design.note or 'No note on the origin of the design data.'}",
            f"Control sample {chosen.period * 1000:g} ms; durations are whole samples; power found to 0.005 W.",
            "Limits watched: " + ", ".join(f"{limit.name}" for limit in held.limits) + ".",
            *notes,
        ),
        caution=CAUTION,
        provenance=provenance(design, mode=mode, ambient=held.ambient, start=_word(start),
                              solver={"method": "closed loop, exponential", "period_s": chosen.period}),
    )  # fmt: skip


def hotter_below(held: HeldPower, sustained: float, points: int = 12) -> tuple[float, str, float] | None:
    """Find a power below the sustained one that passes a limit for ever, because the fan tables leave the fans slow.

    Looks at ``points`` powers evenly spaced, then as many around the worst of them if that is near a limit.

    Returns
    -------
    (power in W, name of the limit, excess in K or W) of the worst found, or None.
    """
    if sustained < 1.0 or not held.plant.machine.fans:
        return None
    stride = sustained / (points + 1)
    found = [(float(np.max(held.steady_excess(float(p)))), float(p)) for p in stride * np.arange(1, points + 1)]
    over, worst = max(found)
    if over < -NEAR:  # nowhere near a limit
        return None
    near = np.linspace(max(worst - stride, 0.0), min(worst + stride, sustained - 0.01), points)
    over, power = max([*found, *((float(np.max(held.steady_excess(float(p)))), float(p)) for p in near)])
    if over <= 1e-2:
        return None
    return power, held.limits[int(np.argmax(held.steady_excess(power)))].name, over


def governor_power(duration: Any, sustained: float, averaging_time: float, before: float) -> Any:
    """Power that a running-average governor lets through for ``duration`` s, W.

    Inverse of ``t = tau ln((P - P0)/(P - Ps))`` (first-order running average; exact).
    """
    fading = np.exp(-np.asarray(duration, dtype=float) / averaging_time)
    return (sustained - before * fading) / (1.0 - fading)


def _budget(held: HeldPower, durations: Sequence[float], progress: bool, guess: float) -> Any:
    import pandas as pd

    samples = samples_of(durations, held.plant.period)

    def steps(work: Any) -> Any:
        if not progress:
            return work
        from tqdm.auto import tqdm

        return tqdm(work, desc=f"burst budget from {_word(held.start)}", unit="duration", leave=False)

    power, limits = budget_curve(held.excess, samples, guess, steps=steps)
    binds = [held.limits[q].name if q >= 0 else "none" for q in limits]
    return pd.DataFrame({"duration_s": [s * held.plant.period for s in samples], "power_W": power, "binds": binds})


def _word(start: Any) -> str:
    if isinstance(start, str):
        return start
    if isinstance(start, int | float):
        return f"{start:g} W"
    if isinstance(start, Mapping):
        return ", ".join(f"{k} {v:g} W" for k, v in start.items())
    return "the end of another run"
