"""Signs of trouble in a closed-loop run: what a reviewer would want to be told before reading the curves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from thermnet.run import Run, Status
from thermnet.solve import kernel

if TYPE_CHECKING:
    from thermnet.solve.closed_loop import Loop

RAMPS_PER_MINUTE = 2.0
"""Changes of direction of a fan heard as hunting (common practice, no source)."""

LOOP_GAIN = 0.7
"""Leakage loop gain from which a run deserves a warning (common practice, no source)."""


def signs_of_trouble(run: Run, loop: Loop) -> tuple[tuple[float, str], ...]:
    """Return (time s, text) pairs, earliest first."""
    found: list[tuple[float, str]] = []
    if run.status is not Status.COMPLETE:
        found.append((float(run.time[-1]), run.status.value))
    if run.energy_residual > 1e-6:
        found.append((float(run.time[-1]), f"energy residual {run.energy_residual:.1e}: heat is not accounted for"))
    found += _hunting(run)
    found += _throttled_early(run)
    found += _limit_cycling(run)
    found += _dry_out(run, loop)
    found += _loop_gain(run, loop)
    found += _sensors(run, loop)
    if int(run.solver["kept_every"]) > 1 and run.time.size > 2:
        found.append((0.0, f"history thinned to every {run.solver['kept_every']} control samples"))
    return tuple(sorted(found))


def ramps_per_minute(run: Run) -> dict[str, float]:
    """Changes of direction of each fan's speed per minute of a run (of one minute at least)."""
    if "fan_speed" not in run.channels:
        return {}
    channel = run.channels["fan_speed"]
    minutes = max(float(run.time[-1]) / 60.0, 1.0)
    found = {}
    for i, fan in enumerate(channel.labels):
        moves = np.sign(np.diff(channel.values[:, i]))
        moves = moves[moves != 0]
        found[fan] = int(np.sum(moves[1:] != moves[:-1])) / minutes if moves.size else 0.0
    return found


def _hunting(run: Run) -> list[tuple[float, str]]:
    return [
        (float(run.time[-1]), f"{fan} hunts: {ramps:.1f} changes of direction per minute")
        for fan, ramps in ramps_per_minute(run).items()
        if ramps > RAMPS_PER_MINUTE
    ]


def _throttled_early(run: Run) -> list[tuple[float, str]]:
    channel = run.channels["limit"]
    early = run.time[:-1] < 1.0
    return [
        (float(run.time[:-1][early][np.argmax(hit)]), f"{chip} throttled at its junction within the first second")
        for i, chip in enumerate(channel.labels)
        if np.any(hit := channel.values[:-1][early][:, i] == kernel.JUNCTION)
    ]


def _limit_cycling(run: Run) -> list[tuple[float, str]]:
    """Power that swings to and fro by more than a tenth while the junction binds."""
    found = []
    for i, chip in enumerate(run.channels["limit"].labels):
        bound = run.channels["limit"].values[:, i] == kernel.JUNCTION
        if bound.sum() < 50:
            continue
        power = run.channels["power"].values[bound, i]
        moves = np.sign(np.diff(power))
        turns = float(np.mean(moves[1:] * moves[:-1] < 0)) if moves.size > 2 else 0.0
        swing = float(np.percentile(power, 95) - np.percentile(power, 5)) / max(float(power.mean()), 1e-9)
        if turns > 0.3 and swing > 0.1:
            found.append((float(run.time[np.argmax(bound)]), f"{chip} cycles at its junction limit: power swings by {swing:.0%}"))
    return found


def _dry_out(run: Run, loop: Loop) -> list[tuple[float, str]]:
    watch, found = loop.watch, []
    for q, limit in enumerate(run.limits):
        if limit.link and q < watch.first.size and watch.first[q] >= 0:
            over = float(watch.worst[q])
            found.append((float(watch.first[q] * loop.plant.period), f"{limit.name}: heat limit passed, by up to {over:.1f} W"))
    return found


def _loop_gain(run: Run, loop: Loop) -> list[tuple[float, str]]:
    """Leakage slope times the resistance from the die to the room, at the hottest moment."""
    silicon, plant, found = loop.silicon, loop.plant, []
    if not len(silicon.leak_index):
        return []
    names = list(plant.state_of)
    hottest = np.array([run.temperature(names[s]).max() for s in silicon.leak_index[:, kernel.STATE]])
    system = plant.system(plant.level(loop.state.fan_index.tolist()))
    for c, chip in enumerate(plant.machine.chips):
        own = np.flatnonzero(silicon.leak_index[:, kernel.CHIP] == c)
        if not own.size:
            continue
        gain = 0.0
        for e in own:
            rise = -np.linalg.solve(system.matrix, system.drive[:, silicon.leak_index[e, kernel.INPUT]])
            power, reference, slope = silicon.leak_value[e]
            growth = slope * power * np.exp(min(slope * (hottest[e] - reference), 6.0))
            gain += float(rise[silicon.leak_index[e, kernel.STATE]]) * growth
        if gain > LOOP_GAIN:
            found.append((float(run.time[-1]), f"{chip.name}: leakage loop gain {gain:.2f}; thermal runaway is near at 1"))
    return found


def _sensors(run: Run, loop: Loop) -> list[tuple[float, str]]:
    """A limiter whose sensor sits far from any temperature it should follow."""
    found: list[tuple[float, str]] = []
    skins: dict[str, Any] = {limit.node: limit for limit in run.limits if limit.kind == "skin"}
    if not skins:
        return []
    truth = np.max([run.temperature(node) for node in skins], axis=0)
    for control in loop.mode.skin_limits:
        reading = run.channel("reading", control.sensor)
        late = run.time > 0.5 * run.time[-1]
        if late.sum() < 5 or run.time[-1] < 300.0:
            continue
        off = float(np.mean(reading[late] - truth[late]))
        if abs(off) > 6.0:
            side = "above" if off > 0 else "below"
            found.append((0.5 * float(run.time[-1]), f"sensor {control.sensor} reads {abs(off):.1f} K {side} the hottest skin zone"))
    return found
