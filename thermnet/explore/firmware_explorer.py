"""The firmware explorer: fan table and limits edited, and what the closed loop makes of them: power, noise, hunting."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.explore import machine as shared
from thermnet.explore.burst_explorer import levels_of
from thermnet.explore.controls import Control, choice, of_parameter
from thermnet.explore.session import Explorer, Fact, Kept, State, in_words
from thermnet.firmware.mode import FanControl, FanTable, Mode
from thermnet.solve.closed_loop import simulate
from thermnet.solve.trouble import RAMPS_PER_MINUTE, ramps_per_minute
from thermnet.studies.burst_budget import CAUTION

Array = NDArray[np.float64]
ROWS = 6
"""Rows of a fan table that can be edited."""

TABLE, DRIVE, LIMITS = "Fan table", "Fan drive", "Limits"
"""Headings of the groups of controls."""

SHOWN_FLAGS = ("demand", "burst limit", "sustained limit", "peak limit", "shared budget", "junction", "skin")
"""Rows of the strip that tells which limit binds; only those the mode has."""

WARMEST, APART = 110.0, 1.0
"""degC at which the last step may be taken at most, K from step to step at least."""

DRIVEN = ("idle_speed", "rise", "fall", "dwell")
"""Fields of a fan's drive that have a control of the same name."""


@dataclass(frozen=True)
class FirmwarePicture:
    """What the firmware explorer shows.

    Attributes
    ----------
    time : (t,) s
    power, die : (t, chips) W and degC (hot spots); ``die_aim`` (chips,) degC, where the throttles set in
    skin : (t,) degC, what the skin limiter reads, or the hottest zone without one; ``skin_limit`` degC or None
    fan : (t, fans) rpm; ``noise`` (t,) dBA, ``noise_cap`` dBA or None
    bound : (t, chips) code of the limit that holds each chip, into ``flags``; ``rows`` those the mode can show
    sensor : name of what the table reads, "" without a table; ``reading`` (t,) degC
    steps : rows of the table, (degC, rpm); ``hysteresis`` K; ``idle_speed`` rpm
    ramps : fan to changes of direction per minute
    trouble : signs of trouble of the run
    """

    chips: tuple[str, ...]
    fans: tuple[str, ...]
    time: Array
    power: Array
    die: Array
    die_aim: Array
    skin_name: str
    skin: Array
    skin_limit: float | None
    skin_excess: Mapping[str, tuple[float, float]]
    fan: Array
    noise: Array
    noise_cap: float | None
    bound: NDArray[np.int64]
    flags: tuple[str, ...]
    rows: tuple[str, ...]
    sensor: str
    reading: Array
    steps: tuple[tuple[float, float], ...]
    hysteresis: float
    idle_speed: float
    ramps: Mapping[str, float]
    trouble: tuple[str, ...]


class FirmwareExplorer(Explorer):
    """Fan table, power limits and throttles of one mode against a load."""

    name = "firmware"
    title = "Firmware in the loop"
    question = "What do the fan table and the limits make of a load: power, noise, hunting?"
    scene = "thermnet.explore.firmware_scene:FirmwareScene"

    def controls(self) -> tuple[Control, ...]:
        """Mode and table first, because they bring the others along."""
        design, mode = self.design, shared.mode_control(self.design)
        own, chip = design.modes[mode.value], shared.chips_of(design)[0]
        load = dataclasses.replace(shared.load_control(design), value="compile")
        minutes = choice("minutes", "Time shown", shared.ROOM, [("10 min", 10), ("30 min", 30), ("60 min", 60)], 10, "length of the run")
        margin = of_parameter(design, f"modes.{mode.value}.chips.{chip}.throttle_margin", "throttle_margin", "Throttle below its limit", LIMITS)
        skin = (of_parameter(design, f"modes.{mode.value}.skin_limits.0.limit", "skin_limit", "Skin limiter holds", LIMITS),) if own.skin_limits else ()
        return (
            mode, load, *shared.room_controls(design)[:1], minutes, *self._fan_controls(mode.value),
            *shared.limit_controls(design, mode.value), margin, *skin,
        )  # fmt: skip

    def follow(self, state: State, name: str) -> Mapping[str, Any]:
        """Let a mode bring its limits, drive and table, the choice of a table its rows; rows in the way move along."""
        if name == "table":
            return self._table_values(state["mode"], state["table"])
        if name.startswith(("on_", "speed_")):
            return _pushed(state, name)
        if name != "mode":
            return {}
        mode = self.design.modes[state["mode"]]
        found: dict[str, Any] = dict(shared.limits_follow(self.design, state["mode"]))
        found["throttle_margin"] = float(next(iter(mode.chips.values())).throttle_margin)
        if mode.skin_limits and "skin_limit" in state:
            found["skin_limit"] = float(mode.skin_limits[0].limit)
        if mode.fans and "idle_speed" in state:
            fan = next(iter(mode.fans.values()))
            found |= {field: float(getattr(fan, field)) for field in DRIVEN}
            table = state["table"] if _table_of(fan, state["table"]) is not None else fan.tables[0].sensor
            found |= {"table": table, **self._table_values(state["mode"], table)}
        return found

    def asleep(self, state: State) -> frozenset[str]:
        """Rows past the last one, a table or limiter that the mode does not have."""
        mode, idle = self.design.modes[state["mode"]], set()
        if "steps" in state:
            count = state["steps"] if self._edited(mode, state) else 0
            idle |= {f"{word}_{k}" for k in range(count + 1, ROWS + 1) for word in ("on", "speed")}
            idle |= set() if count else {"steps", "hysteresis"}
        if not mode.skin_limits:
            idle.add("skin_limit")
        return frozenset(idle)

    def design_at(self, state: State) -> Design:
        """Design with the mode and room of the state."""
        changed = dataclasses.replace(self.design, modes={**self.design.modes, state["mode"]: self.mode_at(state)})
        return shared.with_settings(changed, state)

    def mode_at(self, state: State) -> Mode:
        """Mode of a state.

        Raises
        ------
        ValueError
            The table does not rise.
        """
        mode = shared.mode_at(self.design, state)
        chips = {
            name: dataclasses.replace(chip, throttle_margin=state["throttle_margin"])
            if chip.throttle_margin != state["throttle_margin"] else chip
            for name, chip in mode.chips.items()
        }  # fmt: skip
        skins = mode.skin_limits
        if skins and "skin_limit" in state:
            skins = (dataclasses.replace(skins[0], limit=state["skin_limit"]), *skins[1:])
        fans = dict(mode.fans)
        if fans and "idle_speed" in state:
            fans = {name: self._fan_at(mode, fan, state) for name, fan in fans.items()}
        return dataclasses.replace(mode, chips=chips, skin_limits=skins, fans=fans)

    def pictures(self, state: State, kept: Kept) -> Iterator[FirmwarePicture]:
        """One run; the network is that of the design, which no change of the firmware builds again."""
        yield kept.get(("run", *state.items()), lambda: self._run(state, kept))

    def facts(self, state: State, picture: FirmwarePicture) -> tuple[Fact, ...]:
        """Power, work of the limits, temperatures, noise and how often the fans turn round."""
        mean = float(np.mean(picture.power.sum(axis=1)[:-1]))
        found = [Fact("mean power", f"{mean:.1f} W", mean)]
        for k, chip in enumerate(picture.chips):
            top = float(picture.die[:, k].max())
            found.append(Fact(f"hottest {chip}" if len(picture.chips) > 1 else "hottest die", f"{top:.1f} °C", top))
        top = float(picture.skin.max())
        found.append(Fact(f"highest {picture.skin_name}", f"{top:.1f} °C", top))
        if np.isfinite(picture.noise).any():
            loud = float(np.nanmax(picture.noise))
            energy = 10.0 * float(np.log10(np.nanmean(10.0 ** (picture.noise / 10.0))))
            found += [Fact("loudest", f"{loud:.1f} dBA", loud), Fact("noise, mean energy", f"{energy:.1f} dBA", energy)]
        for fan, ramps in picture.ramps.items():
            word = "hunting" if ramps > RAMPS_PER_MINUTE else "calm"
            found.append(Fact(f"{in_words(fan)} speed reversals", f"{ramps:.1f} a minute, {word}", ramps))
        return tuple(found)

    def describe(self, state: State, picture: FirmwarePicture) -> str:
        """Run in a few sentences."""
        said = [f"{self.design.name}, mode {state['mode']}, load {state['load']}, {state['ambient']:g} °C, {state['minutes']} min."]
        said += [f"{fact.label}: {fact.text}." for fact in self.facts(state, picture)]
        for k, chip in enumerate(picture.chips):
            shares = [f"{flag} {100 * part:.0f} %" for flag in picture.rows if (part := held_share(picture, k, flag)) > 0]
            said.append(f"{chip} held by {', '.join(shares)}.")
        return " ".join(said)

    def cautions(self, state: State, picture: FirmwarePicture) -> tuple[str, ...]:
        """Signs of trouble in the run, hot skins, and that this is a model."""
        trouble = (f"Signs of trouble: {'; '.join(picture.trouble)}.",) if picture.trouble else ()
        return (*trouble, *shared.skin_cautions(picture.skin_excess), CAUTION)

    # -- inside --------------------------------------------------------------------------------------------

    def _fan_controls(self, mode: str) -> tuple[Control, ...]:
        design = self.design
        own = design.modes[mode]
        if not own.fans or not next(iter(own.fans.values())).tables:
            return ()
        name, fan = next(iter(own.fans.items()))
        sensors = [table.sensor for one in design.modes.values() for f in one.fans.values() for table in f.tables]
        values = self._table_values(mode, fan.tables[0].sensor)
        top = float(np.ceil(float(np.mean(design.parts[name].maximum_speed)) / 100.0) * 100.0)  # type: ignore[attr-defined]
        rows: list[Control] = []
        for k in range(1, ROWS + 1):
            rows += [
                Control(name=f"on_{k}", label=f"Step {k} from", group=TABLE, kind="number", value=values[f"on_{k}"], unit="degC",
                        low=30.0 + (k - 1) * APART, high=WARMEST - (ROWS - k) * APART, step=1.0,
                        doc="sensor reading at which this step is taken; steps in the way move along"),
                Control(name=f"speed_{k}", label=f"Step {k} speed", group=TABLE, kind="number", value=values[f"speed_{k}"], unit="rpm",
                        low=0.0, high=top, step=100.0, doc="speed asked of the first fan; further fans keep their distance to it, steps in the way move along"),
            ]  # fmt: skip
        key = f"modes.{mode}.fans.{name}"
        drives = {"idle_speed": "Idle speed", "rise": "Fastest rise", "fall": "Fastest fall", "dwell": "Dwell before a step down"}
        return (
            choice("table", "Table edited", TABLE, list(dict.fromkeys(sensors)), fan.tables[0].sensor,
                   "sensor of the table that is edited; the mode's other tables stay as they are"),
            Control(name="steps", label="Steps", group=TABLE, kind="count", value=values["steps"], low=1, high=ROWS, step=1,
                    doc="rows of the table in use"),
            *rows, of_parameter(design, f"{key}.tables.0.hysteresis", "hysteresis", "Hysteresis", TABLE),
            *(self._drive_control(f"{key}.{field}", field, label) for field, label in drives.items()),
        )  # fmt: skip

    def _drive_control(self, key: str, field: str, label: str) -> Control:
        control = of_parameter(self.design, key, field, label, DRIVE)
        # Speeds are commanded on a grid: a finer step of a slope would often change nothing.
        return dataclasses.replace(control, step=50.0) if field in ("rise", "fall") else control

    def _table_values(self, mode: str, sensor: str) -> dict[str, Any]:
        """Values of the table's controls in a mode; rows past its last one go on 8 K and 400 rpm higher."""
        fan = next(iter(self.design.modes[mode].fans.values()))
        table = _table_of(fan, sensor)
        if table is None:
            return {}
        top = float(np.mean(self.design.parts[next(iter(self.design.modes[mode].fans))].maximum_speed))  # type: ignore[attr-defined]
        rows = [(float(on), float(speed)) for on, speed in table.steps][:ROWS]
        found: dict[str, Any] = {"steps": len(rows), "hysteresis": float(table.hysteresis)}
        while len(rows) < ROWS:
            on, speed = rows[-1]
            rows.append((min(on + 8.0, WARMEST - (ROWS - 1 - len(rows)) * APART), max(speed, min(speed + 400.0, float(np.floor(top / 100.0) * 100.0)))))
        for k, (on, speed) in enumerate(rows, 1):
            found |= {f"on_{k}": on, f"speed_{k}": speed}
        return found

    def _edited(self, mode: Mode, state: State) -> bool:
        return bool(mode.fans) and _table_of(next(iter(mode.fans.values())), state["table"]) is not None

    def _fan_at(self, mode: Mode, fan: FanControl, state: State) -> FanControl:
        """Drive and table of a state on one fan; its speeds keep their distance to those of the first fan."""
        first = next(iter(mode.fans.values()))
        drive = {field: state[field] for field in DRIVEN if field != "idle_speed"}
        drive["idle_speed"] = max(0.0, state["idle_speed"] + fan.idle_speed - first.idle_speed)
        own, lead = _table_of(fan, state["table"]), _table_of(first, state["table"])
        tables = fan.tables
        if own is not None and lead is not None:
            rows = []
            for k in range(state["steps"]):
                apart = own.steps[min(k, len(own.steps) - 1)][1] - lead.steps[min(k, len(lead.steps) - 1)][1]
                rows.append((state[f"on_{k + 1}"], max(0.0, state[f"speed_{k + 1}"] + apart)))
            made = dataclasses.replace(own, steps=tuple(rows), hysteresis=state["hysteresis"])
            tables = tuple(made if table is own else table for table in tables)
        return dataclasses.replace(fan, tables=tables, **drive)

    def _run(self, state: State, kept: Kept) -> FirmwarePicture:
        design, mode = self.design, self.mode_at(state)
        plant = design.plant(state["ambient"], mode.period)
        met = kept.get("fan levels met", list[int])
        plant.expect(level for level in met if level < plant.levels)
        load = kept.get(("load", state["load"]), lambda: shared.load_of(design, state["load"]))
        run = simulate(plant, mode, load, duration=60.0 * state["minutes"])
        met[:] = levels_of(run, plant)
        chips, fans = tuple(run.channels["power"].labels), tuple(mode.fans)
        hot = [next(c.hot_spot for c in plant.machine.chips if c.name == chip) for chip in chips]
        junction = {limit.node: float(limit.value) for limit in run.limits if limit.kind == "junction"}
        skins = {limit.node: float(limit.value) for limit in run.limits if limit.kind == "skin" and limit.node}
        tops = {node: (float(run.temperature(node).max()), value) for node, value in skins.items()}
        nearest = max(tops, key=lambda node: tops[node][0] - tops[node][1], default="")
        limiter = mode.skin_limits[0] if mode.skin_limits else None
        first = next(iter(mode.fans.values())) if mode.fans else None
        table = _table_of(first, state["table"]) if first is not None and "table" in state else None
        empty = np.full(run.time.size, np.nan)
        has = {"peak limit": any(c.peak_limit is not None for c in mode.chips.values()), "skin": bool(mode.skin_limits),
               "shared budget": mode.shared_budget is not None}  # fmt: skip
        return FirmwarePicture(
            chips=chips, fans=fans, time=run.time, power=np.asarray(run.channels["power"].values),
            die=np.stack([run.temperature(node) for node in hot], axis=1),
            die_aim=np.array([junction[node] - mode.chips[chip].throttle_margin for node, chip in zip(hot, chips, strict=True)]),
            skin_name=in_words(limiter.sensor if limiter else nearest),
            skin=run.channel("reading", limiter.sensor) if limiter else run.temperature(nearest),
            skin_limit=float(limiter.limit) if limiter else None, skin_excess={in_words(node): pair for node, pair in tops.items()},
            fan=np.asarray(run.channels["fan_speed"].values) if fans else np.zeros((run.time.size, 0)),
            noise=np.asarray(run.channels["noise"].values[:, 0]) if "noise" in run.channels else empty, noise_cap=mode.noise_cap,
            bound=np.asarray(run.channels["limit"].values), flags=run.channels["limit"].flags,
            rows=tuple(flag for flag in SHOWN_FLAGS if has.get(flag, True)), sensor=table.sensor if table else "",
            reading=run.channel("reading", table.sensor) if table else empty, steps=table.steps if table else (),
            hysteresis=float(table.hysteresis) if table else 0.0, idle_speed=float(first.idle_speed) if first else 0.0,
            ramps=ramps_per_minute(run), trouble=tuple(text for _, text in run.events),
        )  # fmt: skip


def _pushed(state: State, name: str) -> dict[str, float]:
    """Rows that have to move so that thresholds rise and speeds do not fall, when one of them has been moved."""
    word, number = name.split("_")
    gap, found, own = APART if word == "on" else 0.0, {}, int(number)
    for way, last in ((1, ROWS), (-1, 1)):
        edge = state[name]
        for k in range(own + way, last + way, way):
            value = state[f"{word}_{k}"]
            inside = way * (value - edge)
            if inside > 0.0 or inside == gap == 0.0:
                break
            edge += way * gap
            found[f"{word}_{k}"] = edge
    return found


def held_share(picture: FirmwarePicture, chip: int, flag: str) -> float:
    """Share of the time that a limit holds a chip."""
    return float(np.mean(picture.bound[:-1, chip] == picture.flags.index(flag)))


def _table_of(fan: FanControl, sensor: str) -> FanTable | None:
    return next((table for table in fan.tables if table.sensor == sensor), None)
