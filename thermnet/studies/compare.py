"""Any designs side by side under the same conditions: who wins where, and by how much."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.design.stack_variants import CAUTION as STACK_CAUTION
from thermnet.design.stack_variants import stack_variants
from thermnet.solve.pack import mode_of
from thermnet.studies.band import assumption
from thermnet.studies.burst_budget import CAUTION, _word
from thermnet.studies.compare_words import Said, headlines, verdict
from thermnet.studies.held_power import samples_of
from thermnet.studies.side_by_side import (
    SAME_WITHIN,
    Candidate,
    Conditions,
    crossing,
    has_two_phase,
    heat_limit_rows,
    tilted,
    unique_labels,
)
from thermnet.studies.steady_band import apart_in_words, with_bands
from thermnet.studies.steady_machine import check_limits
from thermnet.studies.study import Study, design_hash, provenance

DURATIONS = (1.0, 2.0, 5.0, 10.0, 20.0, 40.0, 60.0, 120.0, 300.0, 600.0, 1800.0)
TILTS = (0.0, 15.0, 30.0, 45.0, 90.0)
SHOWN = (10.0, 60.0)
"""s; durations with a column of their own in the main table."""


def compare(
    designs: Any, mode: str = "desk", ambient: float | None = None, *, family: bool = False,
    noise: float | None = None, power: float | None = None, durations: Sequence[float] = DURATIONS,
    tilts: Sequence[float] = TILTS, ambients: Sequence[float] | None = None,
    costs: Mapping[str, float] | None = None, split: Mapping[str, float] | None = None, start: Any = "idle",
    uncertainty: bool = False, progress: bool = False,
) -> Study:  # fmt: skip
    """Put designs side by side: bursts, sustained power, skins, noise, dry-out over tilt, mass, thickness.

    Parameters
    ----------
    designs : Design, sequence of Design, or mapping of label to Design
        The first is the reference that the others are measured against.
    mode : str
        Every design runs in its own mode of this name.
    ambient : float, optional
        degC; the first design's own if left out.
    family : bool
        Add to every design the same machine with other stacks (:func:`stack_variants`).
    noise : float, optional
        dBA, common cap; that of the first design's mode if left out.
    power : float, optional
        W, at which noise, junction, skins and dry-out margin are compared; the sustained limits of the first
        design's mode if left out.
    durations : sequence of s
        Points of the burst curves; 10 and 60 s are added where they lie inside.
    tilts : sequence of degrees
        Evaporators above condensers.
    ambients : sequence of degC, optional
        For the dry-out margins; ``ambient`` and 10 K more if left out.
    costs : mapping, optional
        Cost by part name or kind; a pipe's is that of one pipe.
    split : mapping of chip to share, optional
        How chips share the power; as the mode's sustained limits if left out.
    start : start state of the bursts
    uncertainty : bool
        Also tell the 5 to 95 % bands of sustained power and of bursts of 10 and 60 s over units that differ by the
        declared tolerances, and whether each design differs from the first by more than that; parameters that two
        designs have in common differ in the same way in both.
    progress : bool

    Returns
    -------
    Study
        One row per design.  Further tables: ``in words``, ``bursts``, ``crossings``, ``noise``, ``tilt``,
        ``skin zones``, ``heat limits``, ``stacks``, ``differences`` (against the first design), and with
        ``uncertainty`` ``told apart`` (see :func:`thermnet.studies.steady_band.told_apart`).

    Raises
    ------
    ValueError, NetworkError
        Fewer than two designs, a mode one of them does not have, or numbers out of range.
    """
    import pandas as pd

    chosen = _candidates_of(designs, family)
    names = list(chosen)
    first = chosen[names[0]]
    own = mode_of(first.modes, mode)
    room = first.ambient if ambient is None else float(ambient)
    shares = _shares(own.chips) if split is None else split
    given = Conditions(mode, float(room), own.noise_cap if noise is None else float(noise), start, shares)
    watts = float(sum(c.sustained_limit for n, c in own.chips.items() if n in shares))
    level = watts if power is None else float(power)
    if not (np.isfinite(level) and level >= 0):
        raise ValueError(f"power {power!r} W; expected a finite power of 0 W or more")
    times = _times(durations)
    samples_of(times, own.period)
    rooms = (given.ambient, given.ambient + 10.0) if ambients is None else tuple(map(float, ambients))
    steps: Any = chosen.items()
    if progress:
        from tqdm.auto import tqdm

        steps = tqdm(steps, desc="compare", unit="design", leave=False)
    candidates: dict[str, Candidate] = {}
    rows, bursts, quiet, leaning, zones, limits, stacks = [], [], [], [], [], [], []
    for label, design in steps:
        one = candidates[label] = Candidate.of(label, design, given)
        check_limits(one.held.limits, given.ambient)
        curve = _curve(one, times)
        bursts += curve
        rows.append(_row(one, level, curve, costs))
        quiet += _noise_rows(one, given)
        leaning += _tilt_rows(label, design, given, level, tilts, rooms)
        zones += _zone_rows(one, level)
        limits += heat_limit_rows(label, design)
        stacks.append(_stack_row(one))
    table = pd.DataFrame(rows)
    tables = {
        "bursts": pd.DataFrame(bursts),
        "crossings": pd.DataFrame(
            _crossings(candidates, bursts), columns=["leads_before", "leads_after", "duration_s", "power_W"]
        ),
        "noise": pd.DataFrame(quiet, columns=["design", "noise_dBA", "power_W", "binds"]),
        "tilt": pd.DataFrame(leaning, columns=list(_TILT_COLUMNS)),
        "skin zones": pd.DataFrame(zones),
        "heat limits": pd.DataFrame(limits, columns=list(_LIMIT_COLUMNS)),
        "stacks": pd.DataFrame(stacks),
        "differences": _differences(table),
    }
    lines = verdict(table, tables, level, given, tuple(t for t in SHOWN if t in times))
    notes: tuple[str, ...] = ()
    if uncertainty:
        table, apart = with_bands(table, candidates, bursts, mode, start, [t for t in SHOWN if t in times], progress=progress)
        lines += [Said(*row) for row in apart_in_words(apart)]
        tables["told apart"] = apart
        notes = (assumption(), "Parameters of equal key, value and tolerance are one part common to both designs.")
    words = pd.DataFrame([(line.where, line.full) for line in lines], columns=["where", "verdict"])
    tables = {"in words": words, **tables}
    return Study(
        name="compare", title=f"{_title(names, first, family)}, mode {mode}, {given.ambient:g} °C",
        question="Which design wins where, and by how much?",
        table=table, tables={k: t for k, t in tables.items() if len(t)}, facts=headlines(lines, names[0]),
        assumptions=(
            f"Every design in its own mode {mode}"
            + (f", none louder than {given.noise:g} dBA." if given.noise is not None else "; no noise cap."),
            "Sustained power: fans at the noise cap, or slower where a warmer pipe or chamber then carries more.",
            "Bursts: the mode's fans act; power limits and throttles do not.",
            f"Compared at equal power: {level:g} W held for ever, fans at the noise cap.",
            "A heat limit counts as passed as soon as the heat passes it; the water in a wick carries a few J more.",
            *([f"Chips share the power: {', '.join(f'{n} {100 * s:.0f} %' for n, s in shares.items())}."]
              if len(shares) > 1 else []),
            *(_FAMILY_WORDS if family else ()), *notes,
            *dict.fromkeys(f"{d.note}" for d in chosen.values() if d.note),
        ),
        caution=f"{CAUTION} {STACK_CAUTION}" if any(map(has_two_phase, chosen.values())) else CAUTION,
        provenance=provenance(
            first, designs={name: design_hash(d) for name, d in chosen.items()}, mode=mode, ambient=given.ambient,
            noise_cap_dBA=given.noise, power_W=level, start=_word(start),
            split=shares if len(shares) > 1 else None, costs=costs,
            solver={"method": "closed loop, exponential", "period_s": own.period},
        ),
    )  # fmt: skip


_TILT_COLUMNS = ("design", "ambient_degC", "tilt_deg", "sustained_W", "binds", "margin_W", "nearest")
_LIMIT_COLUMNS = ("design", "part", "kind", "resistance_K_per_W", "with_joints_K_per_W", "limit_W", "governed_by", "if_cooled_evenly_W", "way_mm")
_FAMILY_WORDS = (
    "Family: solder keeps its area resistance; pipes keep flattened thickness, length and bends.",
    "A chamber in place of plate and pipes is as wide as the fins, runs the pipes' way to them, faces the skins with "
    "its whole area, and gives half the height it saves to each air gap; 200 mesh below 0.8 mm, sintered above.",
    "A hybrid's chamber takes the plate's place under the same pipes.",
)


def _candidates_of(designs: Any, family: bool) -> dict[str, Design]:
    found = unique_labels(designs)
    if family:
        many = len(found) > 1
        found = {
            f"{name}: {label}" if many else label: design
            for name, own in found.items()
            for label, design in stack_variants(own).items()
        }
    if len(found) < 2:
        raise ValueError(
            "one design; expected at least two to compare, or family=True for its cooling stacks"
        )
    return found


def _title(names: Sequence[str], first: Design, family: bool) -> str:
    if family:
        return f"Cooling stacks for {first.name}"
    return " against ".join(names) if len(names) < 4 else f"{len(names)} designs against {names[0]}"


def _shares(chips: Mapping[str, Any]) -> dict[str, float]:
    """Share of the power that each chip takes: that of the mode's sustained limits."""
    total = sum(control.sustained_limit for control in chips.values())
    return {name: float(control.sustained_limit / total) for name, control in chips.items()}


def _times(durations: Sequence[float]) -> tuple[float, ...]:
    values = sorted({float(d) for d in durations})
    if not values:
        raise ValueError("no durations; expected at least one, in s")
    return tuple(sorted({*values, *(t for t in SHOWN if values[0] <= t <= values[-1])}))


def _curve(one: Candidate, times: Sequence[float]) -> list[dict[str, Any]]:
    """Burst curve, from the longest duration (each answer a lower bound for the next) to the shortest."""
    found, guess = [], 30.0
    for duration in reversed(times):
        power, binds = one.burst(duration, guess)
        found.append({"design": one.label, "duration_s": duration, "power_W": power, "binds": binds})
        guess = max(power, 1.0) * 1.02
    return found[::-1]


def _row(one: Candidate, level: float, curve: Sequence[Mapping[str, Any]], costs: Any) -> dict[str, Any]:
    sustained, binds = one.sustained()
    at = one.temperatures(level)
    skins = {n: m for n, m in one.margins(level, "skin").items()}
    nearest = min(skins, key=lambda n: skins[n]) if skins else ""
    junctions = [at[q.name] for q in one.held.limits if q.kind == "junction"]
    dry = one.margins(level, "dry_out")
    over, _ = one.heights
    row: dict[str, Any] = {"design": one.label, "sustained_W": sustained, "held_by": binds}
    for point in curve:
        if point["duration_s"] in SHOWN:
            row[f"power_{point['duration_s']:g}_s_W"] = point["power_W"]
    row |= {
        "noise_dBA": one.noise_needed(level), "junction_degC": max(junctions),
        "skin_degC": at[nearest] if nearest else float("nan"),
        "dry_out_margin_W": min(dry.values()) if dry else float("nan"),
        "mass_g": 1e3 * one.mass, "height_mm": 1e3 * over,
    }  # fmt: skip
    if costs:
        row["cost"] = one.cost(costs)
    return row


def _noise_rows(one: Candidate, given: Conditions) -> list[tuple[str, float, float, str]]:
    """Sustained power over noise, from the fans' slowest speed to their highest."""
    machine = one.held.plant.machine
    if not machine.fans:
        return []
    shares = np.linspace(0.36, 1.0, 9)
    levels = [float(machine.noise({f.name: s * f.maximum for f in machine.fans})) for s in shares]
    rows, guess = [], 30.0
    for level in levels:
        power, binds = one.sustained(level, guess)
        guess = max(power, 1.0)
        rows.append((one.label, level, power, binds))
    return rows


def _tilt_rows(
    label: str, design: Design, given: Conditions, level: float, tilts: Sequence[float], rooms: Sequence[float]
) -> list[tuple[Any, ...]]:  # fmt: skip
    if not has_two_phase(design):
        return []
    bad = [tilt for tilt in tilts if not -90.0 <= tilt <= 90.0]
    if bad:
        raise ValueError(f"tilt {bad[0]!r} degrees; expected -90 to 90")
    rows: list[tuple[Any, ...]] = []
    for room in rooms:
        there = Conditions(given.mode, room, given.noise, "cold", given.split)
        flat = Candidate.of(label, design, there)
        power, binds = flat.sustained()
        for tilt in tilts:
            one = Candidate.of(label, tilted(design, float(tilt)), there) if tilt else flat
            margins = one.margins(level, "dry_out")
            nearest = min(margins, key=lambda n: margins[n])
            # Leaning moves nothing but the heat limits: where they are far, the answer is that of the level machine.
            near = min(one.margins(power, "dry_out").values()) < 0.15 * power
            held, by = one.sustained(guess=max(power, 1.0)) if near else (power, binds)
            rows.append((label, room, float(tilt), held, by, margins[nearest], nearest))
    return rows


def _stack_row(one: Candidate) -> dict[str, Any]:
    over, at_fins = one.heights
    return {
        "design": one.label, "parts": ", ".join(one.stack), "mass_g": 1e3 * one.mass,
        "height_over_chip_mm": 1e3 * over, "height_at_fins_mm": 1e3 * at_fins,
    }  # fmt: skip


def _zone_rows(one: Candidate, level: float) -> list[dict[str, Any]]:
    at = one.temperatures(level)
    return [
        {
            "design": one.label, "zone": limit.name, "temperature_degC": at[limit.name],
            "limit_degC": float(limit.value), "margin_K": float(limit.value) - at[limit.name],
        }
        for limit in one.held.limits if limit.kind == "skin"
    ]  # fmt: skip


def _crossings(
    candidates: Mapping[str, Candidate], bursts: Sequence[Mapping[str, Any]]
) -> list[tuple[Any, ...]]:
    """Every place where two burst curves change order (differences below 1 % do not count)."""
    curves = {
        name: [(p["duration_s"], p["power_W"]) for p in bursts if p["design"] == name] for name in candidates
    }
    names, rows = list(candidates), []
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            points = [
                (t, p, q)
                for (t, p), (_, q) in zip(curves[a], curves[b], strict=True)
                if abs(p - q) > SAME_WITHIN * max(p, q)
            ]
            for low, high in pairwise(points):
                if (low[1] > low[2]) == (high[1] > high[2]):
                    continue
                duration, power = crossing(candidates[a], candidates[b], low, high)
                before, after = (a, b) if low[1] > low[2] else (b, a)
                rows.append((before, after, duration, power))
    return sorted(rows, key=lambda row: row[2])


def _differences(table: Any) -> Any:
    """Every number of the main table less that of the first design (temperatures and noise as K and dB)."""
    import pandas as pd

    numbers = [c for c in table.columns if pd.api.types.is_numeric_dtype(table[c])]
    moved = table[numbers] - table[numbers].iloc[0]
    moved.columns = [c.replace("_degC", "_K").replace("noise_dBA", "noise_dB") for c in numbers]
    moved.insert(0, "design", table["design"])
    return moved.iloc[1:].reset_index(drop=True)
