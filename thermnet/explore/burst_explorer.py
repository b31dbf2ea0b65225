"""The burst explorer: how many watts for how long, and which limit binds, while sliders move."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.explore import machine as shared
from thermnet.explore.controls import Control
from thermnet.explore.session import Explorer, Fact, Kept, State, in_words
from thermnet.run import Run
from thermnet.solve.closed_loop import simulate
from thermnet.solve.plant import Plant
from thermnet.studies.budget_curve import budget_curve
from thermnet.studies.burst_budget import CAUTION, DURATIONS, governor_power
from thermnet.studies.held_power import HeldPower, highest_power, samples_of

Array = NDArray[np.float64]
HORIZON = 600.0
"""s shown of the run: long enough for the fastest skins to show, short enough to see the burst."""

ACCURACY = 0.02
"""W to which the highest powers are found: a fifth of what is written."""

HELD = 0.97
"""Share of the burst power from which the burst counts as held."""

SHOWN_FLAGS = ("demand", "burst limit", "sustained limit", "peak limit", "shared budget", "junction", "skin")
"""Rows of the strip that tells which limit binds, from the least to the most telling; only those the mode has."""


@dataclass(frozen=True)
class Curve:
    """Highest power for each duration, and the sustained level it comes down to (nan while it is being worked out)."""

    duration: Array
    power: Array
    binds: tuple[str, ...]
    sustained: float
    held_by: str


@dataclass(frozen=True)
class BurstPicture:
    """What the burst explorer shows.

    Attributes
    ----------
    time : (t,) s
    power, average : (t, chips) W
    die : (t, chips) degC, hot spots; ``die_limit`` (chips,)
    skin : zone to (t,) degC; ``skin_limit`` zone to degC
    bound : (t, chips) code of the limit that holds each chip, into ``flags``
    rows : flags that the mode can show
    noise : (t,) dBA
    point : (s, W) how long the burst power was held, or None where the load never asks for it
    governor : (durations in s, W) that the averaging governor lets through
    curve : Curve or None while it is being worked out
    """

    chips: tuple[str, ...]
    time: Array
    power: Array
    average: Array
    die: Array
    die_limit: Array
    skin: Mapping[str, Array]
    skin_limit: Mapping[str, float]
    bound: NDArray[np.int64]
    flags: tuple[str, ...]
    rows: tuple[str, ...]
    noise: Array
    burst: float
    sustained: float
    point: tuple[float, float] | None
    governor: tuple[Array, Array]
    curve: Curve | None = None


class BurstExplorer(Explorer):
    """Burst and sustained limits against what the machine can take."""

    name = "burst"
    title = "Burst power"
    question = "How many watts for how long, and which limit binds?"
    scene = "thermnet.explore.burst_scene:BurstScene"

    def controls(self) -> tuple[Control, ...]:
        """Mode first, because it brings the limits along."""
        mode = shared.mode_control(self.design)
        return (
            mode, *shared.limit_controls(self.design, mode.value), shared.load_control(self.design),
            *shared.room_controls(self.design), *shared.stack_controls(self.design), *shared.interface_controls(self.design),
        )  # fmt: skip

    def follow(self, state: State, name: str) -> Mapping[str, Any]:
        """Let a mode bring its limits, and a material its bond line."""
        if name == "mode":
            return shared.limits_follow(self.design, state["mode"])
        return shared.interface_follows(self.design, state) if name == "interface" else {}

    def asleep(self, state: State) -> frozenset[str]:
        """Sizes of the stack not chosen, the soak power without a soak, the bond line of a pad."""
        idle = set(shared.stack_asleep(state))
        if state["start"] != "soaked":
            idle.add("soak_power")
        if shared.bond_line_asleep(state):
            idle.add("bond_line_um")
        return frozenset(idle)

    def design_at(self, state: State) -> Design:
        """Design with stack, interface, room and limits of the state."""
        return shared.with_settings(shared.machine_at(self.design, state, Kept()), state)

    def pictures(self, state: State, kept: Kept) -> Iterator[BurstPicture]:
        """Strips first; the power-duration curve, which no power limit moves, after them where it is not known yet."""
        machine = shared.machine_at(self.design, state, kept)
        start = shared.start_of(self.design, state)
        picture = strips_of(self.design, machine, state, start, kept)
        if curve_key(state, start) not in kept:
            yield picture
        split = shared.shares(self.design, state["mode"])
        for curve in curves_of(machine, state, start, split, kept):
            yield replace(picture, curve=curve)

    def facts(self, state: State, picture: BurstPicture) -> tuple[Fact, ...]:
        """Burst held, what holds it after, hottest die and skin, mean power, noise."""
        hottest = max(
            picture.skin,
            key=lambda zone: float(picture.skin[zone].max() - picture.skin_limit[zone]),
            default="",
        )
        found = []
        if picture.point is not None:
            seconds = picture.point[0]
            text = f"{seconds:.1f} s" if seconds < HORIZON - 0.2 else f"{HORIZON:.0f} s and more"
            found.append(Fact("burst power held for", text, seconds))
        found.append(Fact("then held by", _after(picture)))
        mean = float(np.mean(picture.power.sum(axis=1)[:-1]))
        found.append(Fact(f"mean power over {HORIZON / 60:.0f} min", f"{mean:.1f} W", mean))
        for k, chip in enumerate(picture.chips):
            top = float(picture.die[:, k].max())
            found.append(
                Fact(f"hottest {chip}" if len(picture.chips) > 1 else "hottest die", f"{top:.1f} °C", top)
            )
        if hottest:
            top = float(picture.skin[hottest].max())
            found.append(Fact("hottest skin", f"{top:.1f} °C, {in_words(hottest)}", top))
        if np.isfinite(picture.noise).any():
            loud = float(np.nanmax(picture.noise))
            found.append(Fact("loudest", f"{loud:.1f} dBA", loud))
        if picture.curve is not None and np.isfinite(picture.curve.sustained):
            level = picture.curve.sustained
            found.append(Fact("machine sustains", f"{level:.1f} W, held by {in_words(picture.curve.held_by)}", level))
        return tuple(found)

    def describe(self, state: State, picture: BurstPicture) -> str:
        """Strips and curve in a few sentences."""
        said = [f"{self.design.name}, mode {state['mode']}, {state['ambient']:g} °C, over {HORIZON:.0f} s."]
        said += [f"{fact.label}: {fact.text}." for fact in self.facts(state, picture)]
        if picture.curve is not None:
            points = ", ".join(
                f"{power:.1f} W for {duration:g} s ({in_words(binds)})"
                for duration, power, binds in zip(
                    picture.curve.duration, picture.curve.power, picture.curve.binds, strict=True
                )
            )
            said.append(f"The machine can take {points}.")
        return " ".join(said)

    def cautions(self, state: State, picture: BurstPicture) -> tuple[str, ...]:
        """Hot skins, risky interface materials, and that this is a model."""
        excess = {
            in_words(zone): (float(values.max()), picture.skin_limit[zone])
            for zone, values in picture.skin.items()
        }
        return (*shared.skin_cautions(excess), *shared.material_cautions(state), CAUTION)


def strips_of(design: Design, machine: Design, state: State, start: Any, kept: Kept) -> BurstPicture:
    """Run of a machine under the limits of a state, as the strips show it; the curve is left out."""
    mode = shared.mode_at(design, state)
    plant = machine.plant(state["ambient"], mode.period)
    met = kept.get("fan levels met", list[int])
    plant.expect(level for level in met if level < plant.levels)
    load = kept.get(("load", state["load"]), lambda: shared.load_of(design, state["load"]))
    run = simulate(plant, mode, load, duration=HORIZON, start=start)
    met[:] = levels_of(run, plant)
    chips = run.channels["power"].labels
    limits = {limit.node: limit for limit in run.limits if limit.kind in ("junction", "skin") and limit.node}
    hot = {chip: next(c.hot_spot for c in plant.machine.chips if c.name == chip) for chip in chips}
    skins = {limit.node: float(limit.value) for limit in run.limits if limit.kind == "skin" and limit.node}
    power = np.asarray(run.channels["power"].values)
    burst = sum(mode.chips[chip].burst_limit for chip in chips)
    sustained = sum(mode.chips[chip].sustained_limit for chip in chips)
    before = np.asarray(run.channels["average_power"].values)[0]
    grid = np.geomspace(1.0, HORIZON, 60)
    allowed = sum(
        np.minimum(
            governor_power(grid, mode.chips[chip].sustained_limit, mode.chips[chip].averaging_time, float(before[k])),
            mode.chips[chip].burst_limit,
        )
        for k, chip in enumerate(chips)
    )  # fmt: skip
    flags = run.channels["limit"].flags
    has = {
        "peak limit": any(c.peak_limit is not None for c in mode.chips.values()), "skin": bool(mode.skin_limits),
        "shared budget": mode.shared_budget is not None,
    }  # fmt: skip
    return BurstPicture(
        chips=tuple(chips), time=run.time, power=power, average=np.asarray(run.channels["average_power"].values),
        die=np.stack([run.temperature(hot[chip]) for chip in chips], axis=1),
        die_limit=np.array([float(limits[hot[chip]].value) for chip in chips]),
        skin={zone: run.temperature(zone) for zone in skins}, skin_limit=skins,
        bound=np.asarray(run.channels["limit"].values), flags=flags,
        rows=tuple(flag for flag in SHOWN_FLAGS if has.get(flag, True)),
        noise=_noise(run), burst=burst, sustained=sustained,
        point=_held(run.time, power.sum(axis=1), burst), governor=(grid, np.asarray(allowed)),
    )  # fmt: skip


def levels_of(run: Run, plant: Plant) -> list[int]:
    """Fan levels that a run has come to: those of the next machine, which differs little, are built in one go."""
    if "fan_speed" not in run.channels:
        return []
    grids = [fan.grid for fan in plant.machine.fans]
    places = np.rint(np.asarray(run.channels["fan_speed"].values) / grids).astype(int)
    return [int(level) for level in np.unique(places @ np.array(plant.strides))]


def _noise(run: Run) -> Array:
    return (
        np.asarray(run.channels["noise"].values)[:, 0]
        if "noise" in run.channels
        else np.full(run.time.size, np.nan)
    )


def _held(time: Array, power: Array, burst: float) -> tuple[float, float] | None:
    """Longest stretch with the burst power on, s, and that power; None where the load never asks for it."""
    full = power[:-1] >= HELD * burst
    if not full.any():
        return None
    edges = np.flatnonzero(np.diff(np.concatenate([[False], full, [False]]).astype(int)))
    return float(np.max(time[edges[1::2]] - time[edges[::2]])), burst


def curve_key(state: State, start: Any) -> tuple[Any, ...]:
    """What a power-duration curve depends on, to keep it by."""
    return ("curve", *shared.machine_key(state), state["ambient"], state["mode"], repr(start))


def curves_of(
    machine: Design, state: State, start: Any, split: Mapping[str, float], kept: Kept
) -> Iterator[Curve]:
    """Power-duration curve of a machine in the room and mode of a state: the curve first, then with its sustained level."""
    key = curve_key(state, start)
    if key in kept:
        yield kept.get(key, lambda: None)
        return
    held = HeldPower.of(machine, state["mode"], state["ambient"], start, split)
    names = [limit.name for limit in held.limits]
    samples = samples_of(DURATIONS, held.plant.period)
    guess = sum(control.sustained_limit for control in machine.modes[state["mode"]].chips.values())
    power, limits = budget_curve(held.excess, samples, max(1.2 * guess, 1.0), accuracy=ACCURACY)
    curve = Curve(
        np.array(DURATIONS), power, tuple(names[i] if i >= 0 else "none" for i in limits), float("nan"), ""
    )
    yield curve
    # What holds for ever is at most what holds for ten minutes.
    level, q = highest_power(held.steady_excess, max(float(power[-1]), 1.0), accuracy=ACCURACY)
    whole = replace(curve, sustained=level, held_by=names[q] if q >= 0 else "none")
    yield kept.get(key, lambda: whole)


def _after(picture: BurstPicture) -> str:
    """Which limit holds the power for most of the time after the burst, by chip where there are several."""
    from_ = int(np.searchsorted(picture.time, picture.point[0])) if picture.point is not None else 0
    rest = picture.bound[from_:-1] if from_ < picture.time.size - 2 else picture.bound[-2:-1]
    said = []
    for k, chip in enumerate(picture.chips):
        flag = picture.flags[int(np.bincount(rest[:, k]).argmax())]
        word = "nothing but the load" if flag == "demand" else flag
        said.append(f"{chip} {word}" if len(picture.chips) > 1 else word)
    return ", ".join(said)
