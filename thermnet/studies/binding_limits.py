"""Which limit binds at each moment of a run or a log, and the episodes of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.firmware.limit_log import LimitLog
from thermnet.run import Run
from thermnet.solve.pack import fan_caps, mode_of
from thermnet.studies.loop_measures import chip_named

Array = NDArray[np.float64]

NONE, POWER, JUNCTION, SKIN, NOISE_JUNCTION, NOISE_SKIN, NOISE = range(7)
NAMES = (
    "none", "power", "junction", "skin", "junction at the noise cap", "skin at the noise cap", "noise",
)  # fmt: skip
"""Limits by code.  Where a throttle binds while the noise cap holds the fans, the cap is part of what binds."""

_LEAKAGE = "only the leakage it saves"
HELPS = ("no", _LEAKAGE, "yes", _LEAKAGE, "yes", _LEAKAGE, "not by itself")
"""Whether a better interface does more work while each limit binds."""

JUNCTION_KINDS = (JUNCTION, NOISE_JUNCTION)
_CODES = {"demand": NONE, "junction": JUNCTION, "skin": SKIN}
NEAR_JUNCTION = 3.0
"""K below the junction limit from which a log without flags counts as held by it."""
NEAR_POWER = 0.03
"""Relative distance from a power limit within which a log without flags counts as held by it."""
NEAR_CAP = 0.02
"""Relative distance from the speed cap within which a fan counts as held by it."""


@dataclass(frozen=True)
class Held:
    """What held a chip over time; every sample holds until the next.

    Attributes
    ----------
    time : (n,) s
    code : (n - 1,) index into :data:`NAMES`
    power, temperature, speed : (n,) W, degC, rpm (nan where unknown)
    notes : what was assumed
    """

    time: Array
    code: NDArray[np.int64]
    power: Array
    temperature: Array
    speed: Array
    notes: tuple[str, ...] = ()

    @property
    def lengths(self) -> Array:
        """Length of every sample, s."""
        return np.diff(self.time)

    def share(self, *codes: int) -> float:
        """Share of the time in which one of some limits binds."""
        return float(np.sum(self.lengths * np.isin(self.code, codes)) / (self.time[-1] - self.time[0]))

    def episodes(self) -> Any:
        """One row per unbroken stretch: ``limit``, ``start_s``, ``end_s``, ``duration_s`` (a DataFrame)."""
        import pandas as pd

        edges = np.concatenate([[0], np.flatnonzero(np.diff(self.code)) + 1, [self.code.size]])
        starts, ends = self.time[edges[:-1]], self.time[edges[1:]]
        return pd.DataFrame({
            "limit": [NAMES[k] for k in self.code[edges[:-1]]], "start_s": starts, "end_s": ends, "duration_s": ends - starts,
        })  # fmt: skip


def held_in_run(run: Run, chip: str, design: Design | None, mode: str) -> Held:
    """Read what held a chip in a run; with its design also whether the noise cap held the fans.

    Raises
    ------
    ValueError
        The run knows of no limits (a bare network), or has no such chip.
    """
    if "limit" not in run.channels:
        raise ValueError("this run has no firmware in it; expected one of Design.simulate, or a log")
    channel = run.channels["limit"]
    if chip not in channel.labels:
        raise ValueError(f"the run has no chip {chip!r}; it has {', '.join(channel.labels)}")
    meaning = np.array([_CODES.get(flag, POWER) for flag in channel.flags], dtype=np.int64)
    code = meaning[run.channel("limit", chip)[:-1].astype(np.int64)]
    notes: list[str] = []
    speed = np.full(run.time.size, np.nan)
    if "fan_speed" in run.channels:
        speed = run.channels["fan_speed"].values.max(axis=1)
        if design is None:
            notes.append(
                "Without the design the noise cap is not known: a throttle at the cap counts as the throttle's."
            )
        else:
            capped = _at_noise_cap(run, design, mode)[:-1]
            code = np.where(capped & (code == JUNCTION), NOISE_JUNCTION, code)
            code = np.where(capped & (code == SKIN), NOISE_SKIN, code)
    spot = _hot_spot(run, chip, design)
    return Held(
        run.time, code, run.channel("power", chip).astype(float), run.temperature(spot), speed, tuple(notes)
    )


def held_in_log(
    log: LimitLog, junction_limit: float | None, power_limits: Sequence[float], speed_cap: float | None
) -> Held:
    """Read what held the chip in a log: by its flags, or where it has none by how near its readings are to the limits.

    Raises
    ------
    ValueError
        Neither flags nor limits to compare with.
    """
    notes = list(log.notes)
    temperature = _filled(log.time, log.temperature)
    at_cap = np.zeros(log.time.size, dtype=bool)
    if speed_cap is not None and np.isfinite(log.speed).any():
        at_cap = _filled(log.time, log.speed) >= (1.0 - NEAR_CAP) * speed_cap
    if log.limit is not None:
        words = {"none": NONE, "power": POWER, "junction": JUNCTION, "skin": SKIN, "noise": NOISE}
        code = np.array([words[word] for word in log.limit], dtype=np.int64)
    else:
        if junction_limit is None and not power_limits:
            raise ValueError(
                "the log has no limit flags; expected a design, or junction_limit (degC) and power_limits (W) to compare with"
            )
        code = np.full(log.time.size, NONE, dtype=np.int64)
        for limit in power_limits:
            code[np.abs(log.power - limit) <= NEAR_POWER * limit] = POWER
        if junction_limit is not None and np.isfinite(temperature).any():
            code[temperature >= junction_limit - NEAR_JUNCTION] = JUNCTION
        notes.append(
            f"No limit flags in the log: junction within {NEAR_JUNCTION:g} K of its limit, power within {NEAR_POWER:.0%} of a "
            "power limit; a skin limit cannot be seen."
        )
    code = np.where(at_cap & (code == JUNCTION), NOISE_JUNCTION, code)
    code = np.where(at_cap & (code == SKIN), NOISE_SKIN, code)
    return Held(log.time, code[:-1], log.power, temperature, log.speed, tuple(notes))


def limit_table(held: Held) -> Any:
    """One row per limit that binds at all, most time first (a DataFrame)."""
    import pandas as pd

    episodes, dt = held.episodes(), held.lengths
    rows = []
    for code in np.unique(held.code):
        own = held.code == code
        mine = episodes[episodes["limit"] == NAMES[code]]
        weight = np.where(own, dt, 0.0)
        rows.append({
            "limit": NAMES[code], "time_s": float(weight.sum()), "share_percent": 100.0 * held.share(int(code)),
            "episodes": len(mine), "longest_s": float(mine["duration_s"].max()),
            "power_W": float(np.sum(weight * held.power[:-1]) / weight.sum()),
            "die_degC": float(np.sum(weight * held.temperature[:-1]) / weight.sum()),
            "better_interface_helps": HELPS[code],
        })  # fmt: skip
    return pd.DataFrame(rows).sort_values("time_s", ascending=False, ignore_index=True)


def ribbon(held: Held, most: int = 1200) -> Any:
    """Episodes for a figure: all of them, or in equal stretches of time the limit that binds longest in each."""
    import pandas as pd

    episodes = held.episodes()
    if len(episodes) <= most:
        return episodes
    edges = np.linspace(held.time[0], held.time[-1], most + 1)
    weight = np.zeros((most, len(NAMES)))
    place = np.clip(np.searchsorted(edges, held.time[:-1], side="right") - 1, 0, most - 1)
    np.add.at(weight, (place, held.code), held.lengths)
    return pd.DataFrame({
        "limit": [NAMES[k] for k in weight.argmax(axis=1)], "start_s": edges[:-1], "end_s": edges[1:],
        "duration_s": np.diff(edges),
    })  # fmt: skip


def trace(held: Held, most: int = 1500) -> Any:
    """Power, die temperature and fan speed over time, thinned to lowest and highest of equal stretches (a DataFrame)."""
    import pandas as pd

    n = held.time.size
    keep = np.arange(n)
    if n > most:
        edges = np.linspace(0, n, most // 4 + 1).astype(int)
        found = {0, n - 1}
        for values in (held.power, held.temperature):
            for a, b in pairwise(edges.tolist()):
                part = np.where(np.isnan(values[a:b]), 0.0, values[a:b])
                found |= {a + int(part.argmin()), a + int(part.argmax())}
        keep = np.array(sorted(found))
    return pd.DataFrame({
        "time_s": held.time[keep], "power_W": held.power[keep], "die_degC": held.temperature[keep],
        "fan_rpm": held.speed[keep],
    })  # fmt: skip


def noise_speed_cap(design: Design, mode: str) -> float | None:
    """Speed in rpm at which a mode's noise cap holds the fastest fan; None where it holds none below its maximum."""
    machine, chosen = design.machine(), mode_of(design.modes, mode)
    if chosen.noise_cap is None or not machine.fans:
        return None
    caps = fan_caps(machine, chosen)
    own = np.array([fan.maximum for fan in machine.fans])
    return float(caps.max()) if np.any(caps < own - 0.5) else None


def _at_noise_cap(run: Run, design: Design, mode: str) -> NDArray[np.bool_]:
    """Whether all fans turn at the speed that the noise cap allows them, and could turn faster without it."""
    if noise_speed_cap(design, mode) is None:
        return np.zeros(run.time.size, dtype=bool)
    machine = design.machine()
    caps = fan_caps(machine, mode_of(design.modes, mode))
    speeds = run.channels["fan_speed"].values
    grid = np.array([fan.grid for fan in machine.fans])
    return np.asarray(np.all(speeds >= caps - 0.5 * grid, axis=1))


def _hot_spot(run: Run, chip: str, design: Design | None) -> str:
    if design is not None:
        return chip_named(design.machine(), chip).hot_spot
    named = [limit.node for limit in run.limits if limit.name == f"{chip}.junction" and limit.node]
    return named[0] if named else f"{chip}.hot_spot"


def _filled(time: Array, values: Array) -> Array:
    """Missing readings on the line between their neighbours."""
    known = np.isfinite(values)
    return np.interp(time, time[known], values[known]) if known.any() else values
