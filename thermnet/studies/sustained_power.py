"""How many watts for ever, in which mode, room and posture, and which limit holds them."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np

from thermnet.design.design import Design
from thermnet.parts.skin import Skin
from thermnet.studies.band import ENDS, Band, assumption, source_facts
from thermnet.studies.steady_band import Drawn, units_at_rest
from thermnet.studies.steady_machine import Margins, Point, SteadyMachine, several
from thermnet.studies.study import Study, provenance

CAUTION = (
    "A model result for design decisions, not a safety test. Touch temperatures are judged by the standard that "
    "applies, measured by a licensed laboratory; battery limits by the cell maker. Values marked illustrative must be "
    "replaced by your suppliers' data."
)

Item = TypeVar("Item")


def sustained_power(
    design: Design, mode: str | Sequence[str] | None = None, ambient: float | Sequence[float] | None = None,
    posture: str | Sequence[str] | None = None, *, margin: float = 0.0, heat_margin: float = 0.0,
    skins_judged_at: float | None = None, split: Mapping[str, float] | None = None, uncertainty: bool = False,
    progress: bool = False,
) -> Study:  # fmt: skip
    """Highest steady chip power that keeps every limit, for every mode, ambient and posture asked for.

    The mode's fan tables and noise cap act; its power limits and throttles do not.

    Parameters
    ----------
    design : Design
    mode, ambient, posture : one or several
        All modes, the design's ambient (degC) and the design's posture if left out.
    margin : float
        K kept below every temperature limit.
    heat_margin : float
        Share kept below every dry-out limit.
    skins_judged_at : float, optional
        degC at which the skin limits are meant; at another ambient they move with it.  Left out: they stand.
    split : mapping of chip to share, optional
        How several chips share the power; the first takes all if left out.
    uncertainty : bool
        Also tell the 5 to 95 % band over units that differ by the design's declared tolerances.
    progress : bool
        Show a progress bar.

    Returns
    -------
    Study
        Table columns ``mode``, ``ambient_degC``, ``posture``, ``power_W`` (with ``uncertainty`` also
        ``power_p05_W`` and ``power_p95_W``), ``binds``, ``next_limit`` and
        ``next_power_W`` (what would hold the power next, and where), ``cap_power_W`` (with the fans at the mode's
        speed cap whatever the tables say), ``<fan>_rpm``, ``noise_dBA`` and the margin left to every limit
        (``margin_<limit>_K``, for heat limits ``_W``).  The table ``limits`` tells what each limit alone would allow.

    Raises
    ------
    ValueError
        An ambient that is not below every temperature limit, a noise cap below the noise of the idling fans.
    NetworkError, DesignError
        Unknown mode or posture.
    """
    import pandas as pd

    keep = Margins(margin, heat_margin)
    modes = several(mode, list(design.modes), "modes")
    ambients = several(ambient, [design.ambient], "ambients")
    postures = several(posture, [design.posture], "postures")
    held = {p: design if p == design.posture else design.replace(posture=p) for p in postures}
    cases = [(m, float(a), p) for p in postures for a in ambients for m in modes]
    rows: list[dict[str, Any]] = []
    ladder: list[dict[str, Any]] = []
    gaps: list[str] = []
    drawn = Drawn.of(design) if uncertainty else None
    answers: list[Any] = []
    for m, a, p in bar(cases, "sustained power", "case", progress):
        machine = SteadyMachine(judged_at(held[p], a, skins_judged_at), m, a, split)
        best = machine.sustained(keep)
        case = {"mode": m, "ambient_degC": a, "posture": p}
        alone = limits_alone(machine, best, keep)
        band: dict[str, float] = {}
        if drawn is not None:
            many = drawn.design if p == design.posture else drawn.design.replace(posture=p)
            units = units_at_rest(judged_at(many, a, skins_judged_at), m, a, machine.chips, machine.shares)
            answers.append(units.sustained((margin, heat_margin)).power)
            band = dict(zip(("power_p05_W", "power_p95_W"), np.quantile(answers[-1], ENDS).tolist(), strict=True))
        others = [(watts, name) for name, watts in alone.items() if name != best.held_by]
        further = min(others, default=(np.nan, "none"))
        rows.append(
            case | {"power_W": best.power} | band
            | {"binds": best.held_by, "next_limit": further[1], "next_power_W": further[0],
                    "cap_power_W": machine.highest(machine.cap(), keep).power}
            | {f"{fan}_rpm": speed for fan, speed in best.speeds.items()}
            | {"noise_dBA": machine.noise(best.speeds) if best.speeds else np.nan}
            | margins_left(best)
        )  # fmt: skip
        ladder += [case | {"limit": name, "power_W": watts} for name, watts in alone.items()]
        gaps += too_slow(machine, best, keep)
    table = pd.DataFrame(rows)
    first = table.iloc[int(table["power_W"].argmax())]
    facts: dict[str, Any] = {
        "most": (float(first["power_W"]), "W"), "in mode": str(first["mode"]), "held by": str(first["binds"]),
    }  # fmt: skip
    if gaps:
        facts["fan tables too slow"] = "; ".join(gaps)
    if drawn is not None:
        facts |= source_facts(Band(drawn.parameters, np.array(answers)))
    return Study(
        name="sustained_power", title=f"Sustained power of {design.name}",
        question="How many watts for ever, in which mode and room, and which limit holds them?",
        table=table, tables={"limits": pd.DataFrame(ladder)}, facts=facts,
        assumptions=(
            "Steady state at constant total chip power, leakage included; other parts at their nominal heat.",
            "The mode's fan tables settle step by step as in a slowly soaking machine; its power limits and throttles "
            "do not act.",
            f"Kept back: {margin:g} K below temperature limits, {heat_margin:.0%} below dry-out.",
            "Skin limits as they stand at every ambient." if skins_judged_at is None
            else f"Skin limits are meant at {skins_judged_at:g} °C and move with the ambient.",
            *((assumption(),) if uncertainty else ()),
            design.note or "No note on the origin of the design data.",
        ),
        caution=CAUTION,
        provenance=provenance(
            design, mode=single(modes), ambient=single(ambients), margin_K=margin, heat_margin=heat_margin,
        ),
    )  # fmt: skip


def limits_alone(machine: SteadyMachine, best: Point, margins: Margins) -> dict[str, float]:
    """Power in W that each limit alone would allow at the fan speeds of ``best``, lowest first.

    Limits that would allow more than about three times the power of ``best`` are left out.
    """
    near = best.power + machine.room(best, margins) < 3.0 * max(best.power, 5.0)
    found = {
        limit.name: machine.highest(best.speeds, margins, only=q, guess=max(best.power, 1.0)).power
        for q, limit in enumerate(machine.limits) if near[q]
    }  # fmt: skip
    return dict(sorted(found.items(), key=lambda item: item[1]))


def margins_left(point: Point) -> dict[str, float]:
    """Distance to every limit: K, or W for heat limits."""
    return {
        f"margin_{limit.name.replace('.', '_').replace(' ', '_')}_{'K' if limit.node else 'W'}": -float(value)
        for limit, value in zip(point.level.limits, point.excess, strict=True)
    }


def too_slow(machine: SteadyMachine, best: Point, margins: Margins, points: int = 10) -> list[str]:
    """Texts on powers below the sustained one at which the tables leave the fans so slow that a limit is passed."""
    if best.power < 1.0 or not machine.machine.fans:
        return []
    worst: dict[str, tuple[float, float]] = {}
    for power in np.linspace(0.1, 0.99, points) * best.power:
        state = machine.at(float(power))
        over = state.excess + margins.added(state.level, state.temperature)
        q = int(np.argmax(over))
        if over[q] > 1e-3:
            name = machine.limits[q].name
            before = worst.get(name, (0.0, 0.0))
            worst[name] = max(before, (float(over[q]), float(power)))
    return [
        f"mode {machine.mode_name}, {machine.ambient:g} degC: at {power:.1f} W {name} is passed by {over:.1f}"
        for name, (over, power) in worst.items()
    ]


def judged_at(design: Design, ambient: float, reference: float | None) -> Design:
    """Copy a design whose skin limits, meant at ``reference`` degC, have moved with the ambient; None leaves them."""
    if reference is None or ambient == reference:
        return design
    parts = {
        name: dataclasses.replace(
            part, limit=part.limit + ambient - reference, limit_rest=part.limit_rest + ambient - reference
        )
        if isinstance(part, Skin) else part
        for name, part in design.parts.items()
    }  # fmt: skip
    return dataclasses.replace(design, parts=parts)


def bar(items: Iterable[Item], text: str, unit: str, wanted: bool) -> Iterator[Item]:
    """Go through items, with a progress bar if one is wanted."""
    if not wanted:
        yield from items
        return
    from tqdm.auto import tqdm

    yield from tqdm(list(items), desc=text, unit=unit, leave=False)


def single(values: Sequence[Any]) -> Any:
    """Return the one value there is, or None where there are several."""
    return values[0] if len(values) == 1 else None
