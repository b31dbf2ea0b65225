"""Sustained watts and work done against noise: what every decibel costs, and which limit holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.firmware.mode import Mode
from thermnet.firmware.workload import Workload
from thermnet.parts.fan import Fan
from thermnet.physics.acoustics import sones
from thermnet.solve.pack import speed_cap
from thermnet.studies.band import ENDS, Band, assumption, source_facts
from thermnet.studies.steady_band import Drawn, at_noise, units_at_rest
from thermnet.studies.steady_machine import SteadyMachine, several
from thermnet.studies.study import Study, provenance
from thermnet.studies.sustained_power import CAUTION, bar, judged_at, single

LESS_LOUD = 0.30
"""Share of loudness that a quiet mode commonly takes off (common practice, no source)."""


def noise_frontier(
    design: Design, mode: str | Sequence[str] | None = None, ambient: float | Sequence[float] | None = None,
    noises: Sequence[float] | None = None, *, load: float | None = None, duration: float = 3600.0, points: int = 24,
    posture: str | None = None, skins_judged_at: float | None = None, split: Mapping[str, float] | None = None,
    uncertainty: bool = False, progress: bool = False,
) -> Study:  # fmt: skip
    """Sweep the fans and find the power that can be held for ever, the work it does, and what holds it.

    All fans turn at the same share of their highest speeds.  The frontier belongs to the machine; the modes are points
    on or under it: their noise caps, and what an hour of their firmware under the load really does.

    Parameters
    ----------
    design : Design
    mode : one or several, optional
        Modes to place; all if left out.
    ambient : one or several, optional
        degC; the design's own if left out.
    noises : sequence of dBA, optional
        Levels to find the power at; if left out, ``points`` speeds from the fans' slowest to their highest.
    load : float, optional
        W that the flat load draws at full frequency; if left out, half as much again as the machine can hold at the
        lowest ambient with its fans at full speed, in whole tens, so that work follows power.
    duration : float
        s of the closed-loop run of each mode, from idle.
    points : int
    posture : str, optional
    skins_judged_at : float, optional
        degC at which the skin limits are meant; at another ambient they move with it.  Left out: they stand.
    split : mapping of chip to share, optional
        How several chips share the power.
    uncertainty : bool
        Also tell the 5 to 95 % band, at each noise, over units that differ by the design's declared tolerances.
    progress : bool

    Returns
    -------
    Study
        Table columns ``ambient_degC``, ``noise_dBA``, ``<fan>_rpm``, ``power_W`` (with ``uncertainty`` also
        ``power_p05_W`` and ``power_p95_W``), ``binds``, ``work_per_hour_s``
        (seconds at full frequency per hour).  Tables: ``modes`` (cap, sustained watts at it, the closed-loop hour) and
        ``quieter`` (what 3 dB, 6 dB and a loudness less by 30 % cost each mode).

    Raises
    ------
    ValueError
        A design without fans, a level below the noise of the slowest or above that of the fastest fans, an ambient
        that is not below every temperature limit.
    """
    import pandas as pd

    own = design if posture is None else design.replace(posture=posture)
    modes = several(mode, list(design.modes), "modes")
    ambients = [float(a) for a in several(ambient, [design.ambient], "ambients")]
    if not any(isinstance(part, Fan) for part in design.parts.values()):
        raise ValueError(f"{design.name} has no fans: there is no noise to trade for power")
    if load is None:
        machine = SteadyMachine(own, modes[0], min(ambients), split)
        load = 10.0 * np.ceil(0.15 * machine.highest(speed_range(own, machine)[1]).power)
    if not (np.isfinite(load) and load > 0):
        raise ValueError(f"load {load!r} W; expected more than 0")
    frontier: list[dict[str, Any]] = []
    places: list[dict[str, Any]] = []
    costs: list[dict[str, Any]] = []
    still: dict[str, tuple[float, str]] = {}
    drawn = Drawn.of(own) if uncertainty else None
    answers: list[Any] = []
    for a in bar(ambients, "noise frontier", "ambient", progress):
        here = judged_at(own, a, skins_judged_at)
        machines = {m: SteadyMachine(here, m, a, split) for m in modes}
        any_machine = machines[modes[0]]
        slow, fast = speed_range(here, any_machine)
        levels = levels_wanted(any_machine, slow, fast, noises, points)
        guess = 20.0
        units = None
        if drawn is not None:
            many = judged_at(drawn.design, a, skins_judged_at)
            units = units_at_rest(many, modes[0], a, any_machine.chips, any_machine.shares)
        for level in levels:
            speeds = speeds_at(any_machine, level, fast)
            point = any_machine.highest(speeds, guess=guess)
            guess = max(point.power, 1.0)
            spread: dict[str, float] = {}
            if units is not None:
                answers.append(at_noise(units, any_machine.noise(speeds), guess))
                spread = dict(zip(("power_p05_W", "power_p95_W"), np.quantile(answers[-1], ENDS).tolist(), strict=True))
            frontier.append(
                {"ambient_degC": a, "noise_dBA": any_machine.noise(speeds)}
                | {f"{fan}_rpm": speed for fan, speed in speeds.items()}
                | {"power_W": point.power} | spread
                | {"binds": point.held_by,
                   "work_per_hour_s": 3600.0 * any_machine.work_rate(point, load)}
            )  # fmt: skip
        quiet = any_machine.highest(dict.fromkeys(fast, 0.0))
        still[f"fans still, {a:g} °C"] = (quiet.power, "W")
        for m, machine in machines.items():
            places.append({"mode": m, "ambient_degC": a} | mode_hour(here, machine, load, duration))
            costs += [{"mode": m, "ambient_degC": a} | row for row in quieter(machine, slow, fast)]
    table = pd.DataFrame(frontier)
    facts: dict[str, Any] = dict(still)
    main = "desk" if "desk" in modes else modes[0]
    for row in costs:
        if row["mode"] == main and row["ambient_degC"] == ambients[0]:
            facts[f"{main}, {row['change']}: costs"] = (row["cost_W"], "W")
    if drawn is not None:
        facts |= source_facts(Band(drawn.parameters, np.array(answers)))
    return Study(
        name="noise_frontier", title=f"Watts against noise of {design.name}",
        question="How many watts for ever, and how much work, at which noise, and which limit holds them?",
        table=table, tables={"modes": pd.DataFrame(places), "quieter": pd.DataFrame(costs)}, facts=facts,
        assumptions=(
            "Steady state at constant total chip power, leakage included, all fans at the same share of their highest "
            "speeds; other parts at their nominal heat.",
            f"Work: a flat load of {load:g} W at full frequency, counted in seconds at full frequency.",
            f"Modes: {duration / 60:g} min from idle with the whole firmware; mean noise is the mean of sound energy.",
            "Skin limits as they stand at every ambient." if skins_judged_at is None
            else f"Skin limits are meant at {skins_judged_at:g} °C and move with the ambient.",
            *((assumption(), "Units at equal noise: louder ones turn their fans slower.") if uncertainty else ()),
            "Loudness in sone, dBA standing for phon, which is rough; 30 % less loud is common practice, no source.",
            design.note or "No note on the origin of the design data.",
        ),
        caution=CAUTION,
        provenance=provenance(design, mode=single(modes), ambient=single(ambients), load_W=load, posture=own.posture),
    )  # fmt: skip


def speed_range(design: Design, machine: SteadyMachine) -> tuple[dict[str, float], dict[str, float]]:
    """Slowest and highest speeds in rpm of all fans at a common share, each fan turning."""
    parts = {name: part for name, part in design.parts.items() if isinstance(part, Fan)}
    fast = {fan.name: float(fan.maximum) for fan in machine.machine.fans}
    share = max(float(parts[name].minimum_speed) / fast[name] for name in fast)
    return {name: share * value for name, value in fast.items()}, fast


def levels_wanted(
    machine: SteadyMachine, slow: Mapping[str, float], fast: Mapping[str, float], noises: Sequence[float] | None,
    points: int,
) -> list[float]:  # fmt: skip
    """Noise levels in dBA to look at, rising."""
    quietest, loudest = machine.noise(slow), machine.noise(fast)
    if noises is None:
        share = np.linspace(next(iter(slow.values())) / next(iter(fast.values())), 1.0, max(int(points), 2))
        return [machine.noise({name: s * value for name, value in fast.items()}) for s in share]
    wanted = sorted(float(level) for level in noises)
    if not wanted or not all(np.isfinite(wanted)):
        raise ValueError(f"noises {noises!r}; expected finite levels in dBA")
    if wanted[0] < quietest - 1e-9:
        raise ValueError(
            f"noise {wanted[0]:g} dBA; expected at least {quietest:.1f} dBA, which the fans make at their slowest "
            f"speed ({', '.join(f'{name} {speed:.0f} rpm' for name, speed in slow.items())})"
        )
    if wanted[-1] > loudest + 1e-9:
        raise ValueError(
            f"noise {wanted[-1]:g} dBA; expected at most {loudest:.1f} dBA, which the fans make at full speed"
        )
    return wanted


def speeds_at(machine: SteadyMachine, noise: float, fast: Mapping[str, float]) -> dict[str, float]:
    """Speeds in rpm at which all fans at a common share make ``noise`` dBA."""
    capped = Mode(noise_cap=max(noise, 1e-3))
    return {name: float(speed_cap(machine.machine, capped, name)) for name in fast}


def quieter(
    machine: SteadyMachine, slow: Mapping[str, float], fast: Mapping[str, float]
) -> list[dict[str, Any]]:
    """Find what less noise costs a mode: sustained power at its cap and at quieter levels."""
    cap = machine.cap(exact=True)
    noise = machine.noise(cap)
    before = machine.highest(cap)
    rows = []
    for change, level in (
        ("3 dB quieter", noise - 3.0),
        ("6 dB quieter", noise - 6.0),
        ("30 % less loud", less_loud(noise)),
    ):
        if level < machine.noise(slow):
            continue
        after = machine.highest(speeds_at(machine, level, fast), guess=max(before.power, 1.0))
        rows.append({
            "change": change, "from_dBA": noise, "to_dBA": level, "from_W": before.power, "to_W": after.power,
            "cost_W": before.power - after.power, "cost_percent": 100.0 * (1.0 - after.power / max(before.power, 1e-9)),
            "binds": after.held_by,
        })  # fmt: skip
    return rows


def less_loud(noise: float, share: float = LESS_LOUD) -> float:
    """Level in dBA that is less loud by a share (in sone, dBA standing for phon)."""
    from scipy.optimize import brentq

    wanted = (1.0 - share) * float(sones(noise))
    return float(brentq(lambda level: float(sones(level)) - wanted, 0.0, noise))


def mode_hour(design: Design, machine: SteadyMachine, load: float, duration: float) -> dict[str, Any]:
    """Tell what a mode allows on the frontier, and what its firmware does under the load from idle."""
    mode = machine.mode
    cap = machine.cap()
    allowed = machine.highest(cap)
    shares = {name: np.array([share * load]) for name, share in machine.shares.items()}
    work = Workload(name=f"{load:g} W flat", watts=shares, holds="frequency", duration=duration)
    run = design.simulate(work, machine.mode_name, machine.ambient, duration)
    seconds = np.diff(run.time)
    noise = run.channel("noise")[:-1, 0]
    skins = [q.node for q in machine.limits if q.kind == "skin"]
    shares_bound = run.residency()
    main = max(machine.shares, key=lambda name: machine.shares[name])
    binds = max(shares_bound[main], key=lambda flag: shares_bound[main][flag])
    limit = sum(control.sustained_limit for name, control in mode.chips.items() if name in machine.shares)
    return {
        "cap_dBA": np.nan if mode.noise_cap is None else mode.noise_cap, "noise_dBA": machine.noise(cap),
        "power_W": allowed.power, "binds": allowed.held_by, "sustained_limit_W": limit,
        "mean_power_W": float(sum(np.average(run.channel("power", c)[:-1], weights=seconds) for c in machine.shares)),
        "work_per_hour_s": float(sum(
            machine.shares[c] * run.channel("work", c)[-1] for c in machine.shares) * 3600.0 / run.time[-1]),
        "mean_noise_dBA": float(10.0 * np.log10(np.average(10.0 ** (noise / 10.0), weights=seconds))),
        "peak_noise_dBA": float(noise.max()),
        "hottest_skin_degC": max((float(run.temperature(node).max()) for node in skins), default=np.nan),
        "hot_spot_degC": max(float(run.temperature(chip.hot_spot).max()) for chip in machine.machine.chips),
        "mostly_bound_by": binds,
    }  # fmt: skip


__all__ = ["less_loud", "noise_frontier"]
