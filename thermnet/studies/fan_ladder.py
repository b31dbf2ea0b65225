"""The quietest fan table that keeps every limit: steps of equal decibels, thresholds from steady states."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.firmware.mode import FanControl, FanTable
from thermnet.firmware.sensor import Sensor
from thermnet.parts.fan import Fan
from thermnet.studies.steady_level import Margins, Point
from thermnet.studies.steady_machine import SteadyMachine

Array = NDArray[np.float64]
SMALLEST_GAP = 3.0
"""K between thresholds (common practice, no source)."""

COOLEST = 3.0
"""K above the room: lowest threshold that a machine at rest does not reach anyway (common practice, no source)."""


@dataclass(frozen=True)
class Ladder:
    """A fan table for all fans of a machine, and what it is made of.

    Attributes
    ----------
    sensor : str
        Sensor that every table reads.
    speeds : mapping of fan to (steps,) rpm
    thresholds : (steps,) degC
    hysteresis : float
        K
    standstill : float
        K; hysteresis of the first step where it starts fans that stand still: as wide as the reading falls when they
        start, so that they do not stop again at the same power.  0 where the fans turn at idle.
    idle : mapping of fan to rpm
    allowed : (steps + 1,) W
        Highest power that keeps every limit at idle speed and at each step.
    """

    sensor: str
    speeds: Mapping[str, tuple[float, ...]]
    thresholds: tuple[float, ...]
    hysteresis: float
    standstill: float
    idle: Mapping[str, float]
    allowed: tuple[float, ...]

    def controls(self, before: Mapping[str, FanControl], caps: Mapping[str, float]) -> dict[str, FanControl]:
        """Fan controls with this table; rates, dwell and idle speed stay those of ``before``."""
        found = {}
        for fan, speeds in self.speeds.items():
            old = before.get(fan, FanControl())
            steps = tuple(zip(self.thresholds, speeds, strict=True))
            parts = [(steps, self.hysteresis)]
            if self.standstill:
                parts = [(steps[:1], self.standstill)] + ([(steps[1:], self.hysteresis)] if steps[1:] else [])
            tables = tuple(
                FanTable(sensor=self.sensor, steps=rows, hysteresis=width) for rows, width in parts
            )
            found[fan] = FanControl(
                tables=tables, idle_speed=self.idle[fan], speed_cap=caps[fan] or None, rise=old.rise, fall=old.fall,
                dwell=old.dwell, period=old.period,
            )  # fmt: skip
        return found


def fan_ladder(
    design: Design, machine: SteadyMachine, margins: Margins, *, steps: int = 5, cooler: float = 0.0
) -> Ladder | None:
    """Find the quietest table.

    Steps are equal in decibels from the fans' slowest speed to their caps.  The threshold of a step is the reading at
    which the step below has reached its highest power, less the sensor's resolution; where thresholds would come closer
    than 3 K (a machine held by its junction reaches the same reading at every speed) the lower ones are moved down, so
    that every threshold is the highest that all conditions allow.  The hysteresis keeps a step, once taken, from
    being left again at the same power.

    Parameters
    ----------
    design, machine : Design, SteadyMachine
    margins : Margins
        Kept below the limits.
    steps : int
        Most steps wanted; fewer where the fans' speed grid has no more.
    cooler : float
        K by which all thresholds are moved down.

    Returns
    -------
    Ladder or None
        None without fans, or where the cap does not let them turn.
    """
    caps = machine.cap()
    if not caps:
        return None
    ladder = _speeds(design, machine, caps, steps)
    if not ladder:
        return None
    idle = {name: min(_idle(machine, name), caps[name]) for name in caps}
    name, sensor = fan_sensor(machine)
    best = [machine.highest(level, margins) for level in (idle, *ladder)]
    rest = sum(machine.machine.idle_power.get(chip, 2.0) for chip in machine.shares)
    while len(ladder) > 1 and best[0].power < rest:
        # Where even the idling machine needs air, the first speeds become the idle speed.
        idle, ladder, best = ladder[0], ladder[1:], best[1:]
    levels = [idle, *ladder]
    resolution = sensor.resolution
    bounds = [reading(point, sensor) - resolution - cooler for point in best[:-1]]
    thresholds = highest_rising(bounds, lowest=machine.ambient + COOLEST)
    drops = [_drop(machine, sensor, levels[i], levels[i + 1], on) for i, on in enumerate(thresholds)]
    still = all(speed == 0.0 for speed in idle.values())
    hysteresis = _wider(max(drops[1:] if still else drops, default=2.0), resolution)
    return Ladder(
        sensor=name, speeds={fan: tuple(level[fan] for level in ladder) for fan in caps}, thresholds=tuple(thresholds),
        hysteresis=hysteresis, standstill=_wider(drops[0], resolution) if still else 0.0, idle=idle,
        allowed=tuple(point.power for point in best),
    )  # fmt: skip


def _wider(drop: float, resolution: float) -> float:
    """Hysteresis in K, in half kelvins, that a drop of the reading does not cross."""
    return float(np.ceil(2.0 * (drop + max(resolution, 0.5))) / 2.0)


def highest_rising(
    bounds: Sequence[float], gap: float = SMALLEST_GAP, lowest: float = -np.inf
) -> list[float]:
    """Highest whole-kelvin thresholds under their bounds that rise by at least ``gap``.

    The maximum of ``sum(on)`` subject to ``on[i] <= bounds[i]`` and ``on[i+1] - on[i] >= gap``; taking each as high as
    possible from the last one down solves it exactly.
    """
    found: list[float] = []
    above, least = np.inf, float(np.ceil(lowest))
    for bound in reversed(bounds):
        above = max(float(np.floor(min(bound, above - gap) + 1e-9)), least)
        found.append(above)
    found.reverse()
    # At the lowest they still have to rise.
    for i in range(1, len(found)):
        found[i] = max(found[i], found[i - 1] + 1.0)
    return found


def fan_sensor(machine: SteadyMachine) -> tuple[str, Sensor]:
    """Sensor for the tables: the one that the mode's tables read at a hot spot, else the hottest chip's own."""
    main = max(machine.shares, key=lambda chip: machine.shares[chip])
    spot = next(chip.hot_spot for chip in machine.machine.chips if chip.name == main)
    named = [table.sensor for control in machine.mode.fans.values() for table in control.tables]
    for name in named:
        if name in machine.machine.sensors and machine.machine.sensors[name].reads == (spot,):
            return name, machine.machine.sensors[name]
    return spot, machine.machine.sensors.get(spot, Sensor(reads=(spot,), period=machine.mode.period))


def reading(point: Point, sensor: Sensor) -> float:
    """Steady reading of a sensor, not rounded to its resolution, degC."""
    rows = [point.level.compiled.row(node) for node in sensor.reads]
    return float(np.mean(point.temperature[rows])) + sensor.offset


def power_at(machine: SteadyMachine, sensor: Sensor, speeds: Mapping[str, float], wanted: float) -> float:
    """Power in W at which a sensor reads ``wanted`` degC in steady state, fans fixed; 0 if it does so without any."""
    level, power = machine.level(speeds), 15.0
    rows = [level.compiled.row(node) for node in sensor.reads]
    for _ in range(30):
        temperature = level.temperatures(machine.demand(power))
        miss = float(np.mean(temperature[rows])) + sensor.offset - wanted
        slope = float(np.mean(level.response(machine.demand(power), temperature, machine.split)[rows]))
        new = max(power - miss / slope, 0.0)
        if abs(new - power) < 1e-6:
            return new
        power = new
    return power


def _drop(
    machine: SteadyMachine,
    sensor: Sensor,
    slower: Mapping[str, float],
    faster: Mapping[str, float],
    on: float,
) -> float:
    """Fall of the reading in K when the fans take a step at its threshold and the power stays."""
    power = power_at(machine, sensor, slower, on)
    return on - reading(machine.at(power, faster), sensor) if power > 0 else 0.0


def _idle(machine: SteadyMachine, fan: str) -> float:
    control = machine.mode.fans.get(fan)
    return 0.0 if control is None else control.idle_speed


def _speeds(
    design: Design, machine: SteadyMachine, caps: Mapping[str, float], steps: int
) -> list[dict[str, float]]:
    """Speeds of all fans at each step, rpm: equal ratios from the slowest (or idle) to the caps, on the speed grids."""
    slowest = {}
    for fan in machine.machine.fans:
        part = design.parts[fan.name]
        least = (
            float(np.ceil(float(part.minimum_speed) / fan.grid - 1e-9) * fan.grid)
            if isinstance(part, Fan)
            else fan.grid
        )
        slowest[fan.name] = max(least, _idle(machine, fan.name))
    if any(caps[name] < slowest[name] for name in caps):
        return []
    grid = {fan.name: fan.grid for fan in machine.machine.fans}
    found: list[dict[str, float]] = []
    for share in np.linspace(0.0, 1.0, max(steps, 1)) if steps > 1 else [1.0]:
        level = {
            name: float(
                np.floor(slowest[name] * (caps[name] / slowest[name]) ** share / grid[name] + 0.5)
                * grid[name]
            )
            for name in caps
        }
        above_idle = any(level[name] > _idle(machine, name) for name in caps)
        if above_idle and (not found or level != found[-1]):
            found.append(level)
    return found


__all__ = ["Ladder", "fan_ladder", "highest_rising", "power_at"]
