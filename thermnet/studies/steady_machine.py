"""A design at one ambient and in one mode, asked about steady states: the engine behind the steady studies."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.errors import ConvergenceError
from thermnet.firmware.mode import Mode
from thermnet.network.compiled import CompiledNetwork
from thermnet.network.laws import MAXIMUM_EXPONENT
from thermnet.physics.silicon import frequency_at_power
from thermnet.run import RunLimit
from thermnet.solve.machine import Machine
from thermnet.solve.pack import fan_caps, mode_of, pack_rules, pack_sensors, sensor_set, speed_cap
from thermnet.solve.plant import Plant
from thermnet.solve.start import charger_steps, fan_request, fan_steps, settled_readings
from thermnet.studies.steady_level import NO_MARGINS, Margins, Point, SteadyLevel

Array = NDArray[np.float64]
HIGHEST_POWER = 1000.0
"""W: no notebook chip is asked for more."""


class SteadyMachine:
    """A design at one ambient and in one mode (its fans, tables and noise cap), ready for steady questions.

    Parameters
    ----------
    design : Design
    mode : str
    ambient : float, optional
        degC; the design's own if left out.
    split : mapping of chip to share, optional
        How several chips share the power; the first takes all if left out, chips left out stay at idle.

    Raises
    ------
    NetworkError, ValueError
        Unknown mode, shares that do not add up to 1, a limit below the ambient, a noise cap below the fans' idle.
    """

    def __init__(
        self,
        design: Design,
        mode: str,
        ambient: float | None = None,
        split: Mapping[str, float] | None = None,
    ) -> None:
        self.design, self.mode_name, self.mode = design, mode, mode_of(design.modes, mode)
        self.machine = design.machine(ambient)
        self.ambient = self.machine.ambient
        self.limits = self.machine.limits
        self.chips = [chip.name for chip in self.machine.chips]
        self.shares = shares_of(self.chips, split)
        self._levels: dict[tuple[float, ...], SteadyLevel] = {}
        self._plant: Plant | None = None
        check_limits(self.limits, self.ambient)
        check_noise(self.machine, self.mode, mode)

    def like(self, machine: Machine) -> SteadyMachine:
        """Take another machine of the same structure, fans and firmware, with other numbers."""
        check_limits(machine.limits, machine.ambient)
        if self.mode.charger is not None:
            _ = self._firmware  # made once, and copied along
        other = copy.copy(self)
        other.machine, other.ambient, other.limits = machine, machine.ambient, machine.limits
        other._levels, other._plant = {}, None
        return other

    # -- fans ----------------------------------------------------------------------------------------------

    def level(self, speeds: Mapping[str, float], eased: int = 0) -> SteadyLevel:
        """Take fans at fixed speeds in rpm, and the charger at one of the mode's back-off steps (0: full heat)."""
        key = tuple(float(speeds[fan.name]) for fan in self.machine.fans)
        if (*key, eased) not in self._levels:
            level = SteadyLevel(self.machine, self._compiled(key), self.limits)
            control = self.mode.charger
            if eased and control is not None:
                nodes, _ = self.machine.sources[control.charger]
                level.ease(next(iter(nodes)), control.steps[eased - 1][1])
            self._levels[(*key, eased)] = level
        return self._levels[(*key, eased)]

    def _compiled(self, speeds: Sequence[float]) -> CompiledNetwork:
        fans = self.machine.fans
        steps = [value / fan.grid for value, fan in zip(speeds, fans, strict=True)]
        if self._plant is not None and all(step == round(step) for step in steps):
            # The plant has assembled the speeds of the grid in one go.
            number = self._plant.level([round(step) for step in steps])
            if list(self._plant.speeds(number).values()) == list(speeds):
                return self._plant.compiled(number)
        return self.machine.assemble({fan.name: value for fan, value in zip(fans, speeds, strict=True)})

    def cap(self, exact: bool = False) -> dict[str, float]:
        """Speed cap of each fan in the mode, rpm: on the fans' speed grid, or exactly where the noise cap lies."""
        if exact:
            return {
                fan.name: float(speed_cap(self.machine, self.mode, fan.name)) for fan in self.machine.fans
            }
        caps = fan_caps(self.machine, self.mode)
        return {fan.name: float(cap) for fan, cap in zip(self.machine.fans, caps, strict=True)}

    def noise(self, speeds: Mapping[str, float]) -> float:
        """Level at the operator, dBA; nan without fans."""
        return float(self.machine.noise({name: max(value, 1.0) for name, value in speeds.items()}))

    # -- states --------------------------------------------------------------------------------------------

    def demand(self, power: float) -> Array:
        """Chip powers in W when ``power`` W are held in all."""
        idle = self.machine.idle_power
        return np.array(
            [self.shares[c] * power if c in self.shares else idle.get(c, 2.0) for c in self.chips]
        )

    @property
    def split(self) -> Array:
        """Share of each chip, (chips,)."""
        return np.array([self.shares.get(c, 0.0) for c in self.chips])

    def at(self, power: float, speeds: Mapping[str, float] | None = None) -> Point:
        """Steady state at ``power`` W; the fans where their tables settle them unless ``speeds`` are given.

        A charger that the mode governs backs off, one step after another, until its sensor asks for no more.
        """
        if speeds is None:
            return self._settled(power)
        eased = 0
        while True:
            point = self._point(power, speeds, eased)
            if self._charger_wants(point.temperature) <= eased:
                return point
            eased += 1

    def _point(self, power: float, speeds: Mapping[str, float], eased: int) -> Point:
        level = self.level(speeds, eased)
        temperature = level.temperatures(self.demand(power))
        return Point(power, -1, temperature, level.excess(temperature), dict(speeds), level)

    def _charger_wants(self, temperature: Array) -> int:
        """Back-off step of the charger that its sensor asks for in steady state."""
        if self.mode.charger is None:
            return 0
        active, senses, rules = self._firmware
        return charger_steps(rules, settled_readings(senses, temperature[active]))

    @cached_property
    def _firmware(self) -> tuple[Any, Any, Any]:
        plant = self._plant = self.design.plant(self.ambient, self.mode.period)
        sensors = sensor_set(self.machine, plant.period)
        return plant.active, pack_sensors(plant, sensors), pack_rules(plant, self.mode, sensors)

    def _settled(self, power: float) -> Point:
        """Fans start at rest and rise, one step of their tables after another, until these ask for no more.

        After the fans, which follow quicker sensors, the charger backs off in the same manner.
        """
        active, senses, rules = self._firmware
        tables, eased = np.zeros(rules.table_fan.size, dtype=np.int64), 0
        for _ in range(200):
            indices = fan_request(rules, tables)
            speeds = {f.name: float(i * f.grid) for f, i in zip(self.machine.fans, indices, strict=True)}
            point = self._point(power, speeds, eased)
            readings = settled_readings(senses, point.temperature[active])
            higher = np.maximum(tables, np.minimum(fan_steps(rules, readings), tables + 1))
            if not np.array_equal(higher, tables):
                tables = higher
            elif charger_steps(rules, readings) > eased:
                eased += 1
            else:
                break
        return point

    def highest(
        self, speeds: Mapping[str, float], margins: Margins = NO_MARGINS, *, only: int | None = None,
        guess: float = 20.0,
    ) -> Point:  # fmt: skip
        """Highest power at fixed fan speeds that keeps every limit (or one of them), and what binds.

        Newton's method on the power: each limit's excess is extended along its slope, the nearest zero is the next
        power.  0 W where a limit is passed without any.  A charger that the mode governs has backed off as far as its
        sensor asks for there.
        """
        eased = 0
        while True:
            point = self._highest(self.level(speeds, eased), speeds, margins, only, guess)
            if self._charger_wants(point.temperature) <= eased:
                return point
            eased, guess = eased + 1, max(point.power, 1.0)

    def _highest(
        self,
        level: SteadyLevel,
        speeds: Mapping[str, float],
        margins: Margins,
        only: int | None,
        guess: float,
    ) -> Point:
        split = self.split
        power, binds = guess, -1
        temperature = level.temperatures(self.demand(power))
        for _ in range(60):
            excess = level.excess(temperature) + margins.added(level, temperature)
            step = self._room(level, power, temperature, split, margins, excess)
            if only is not None:
                step = np.where(np.arange(step.size) == only, step, np.inf)
            binds = int(np.argmin(step)) if step.size and np.isfinite(step).any() else -1
            new = HIGHEST_POWER if binds < 0 else min(max(power + float(step[binds]), 0.0), HIGHEST_POWER)
            # Past dry-out the slope is another one; long steps are taken in two.
            new = min(new, 2.0 * power + 10.0)
            moved, power = abs(new - power), new
            temperature = level.temperatures(self.demand(power))
            if moved < 1e-9:
                break
        else:
            raise ConvergenceError(f"sustained power of {self.design.name}: not settled near {power:g} W")
        if power >= HIGHEST_POWER:
            binds = -1
        return Point(power, binds, temperature, level.excess(temperature), dict(speeds), level)

    def room(self, point: Point, margins: Margins = NO_MARGINS) -> Array:
        """Power in W that each limit alone still allows beyond a point, to first order; inf where it never binds."""
        excess = point.excess + margins.added(point.level, point.temperature)
        return self._room(point.level, point.power, point.temperature, self.split, margins, excess)

    def _room(
        self,
        level: SteadyLevel,
        power: float,
        temperature: Array,
        split: Array,
        margins: Margins,
        excess: Array,
    ) -> Array:
        response = level.response(self.demand(power), temperature, split)
        little = 1e-4 / max(float(np.max(np.abs(response))), 1e-9)
        moved = temperature + little * response
        slope = (level.excess(moved) + margins.added(level, moved) - excess) / little
        rising = slope > 1e-12
        return np.where(rising, -excess / np.where(rising, slope, 1.0), np.inf)

    def work_rate(self, point: Point, load: float) -> float:
        """Work per second at a point under a flat load of ``load`` W at full frequency: shares of full frequency.

        Each chip runs at the highest frequency that keeps it within its power at the temperatures of the point; chips
        are weighted by their shares of the power.
        """
        rate = 0.0
        for c, (chip, watts) in enumerate(zip(self.machine.chips, self.demand(point.power), strict=True)):
            share = self.shares.get(chip.name, 0.0)
            if share <= 0.0 or watts <= 0.0:
                continue
            sources = point.level.sources
            own = sources.leak_chip == c
            temperature = point.temperature[sources.leak_node[own]]
            exponent = sources.leak_slope[own] * (temperature - sources.leak_reference[own])
            leak = float(np.sum(sources.leak_power[own] * np.exp(np.minimum(exponent, MAXIMUM_EXPONENT))))
            switching = max(load * share - float(np.sum(sources.leak_power[own])), 1e-9)
            frequencies, voltages = zip(*chip.curve, strict=True)
            rate += share * float(
                frequency_at_power(
                    float(watts), 0.0, voltages=voltages, frequencies=frequencies, capacitance=switching, leakage=leak,
                    reference_temperature=0.0, reference_voltage=1.0, voltage_exponent=chip.leak_voltage_exponent,
                )
            )  # fmt: skip
        return rate

    def sustained(self, margins: Margins = NO_MARGINS) -> Point:
        """Highest power that keeps every limit with the fans where the mode's tables settle them.

        The tables ask for more air with more power, so the search comes down from the fans' caps: the highest power
        at a speed is allowed if the tables hold that speed there; else at the speed where they settle.
        """
        _ = self._firmware  # the plant it makes serves all speeds
        speeds, guess = self.cap(), 20.0
        for _ in range(200):
            best = self.highest(speeds, margins, guess=guess)
            guess = best.power
            settled = self._settled(best.power).speeds
            lower = {name: min(value, speeds[name]) for name, value in settled.items()}
            if lower == speeds:
                return best
            speeds = lower
        return best


def shares_of(chips: Sequence[str], split: Mapping[str, float] | None) -> dict[str, float]:
    """Shares of the power by chip: those given, or all for the first chip."""
    shares = {chips[0]: 1.0} if split is None else {name: float(value) for name, value in split.items()}
    if set(shares) - set(chips) or abs(sum(shares.values()) - 1.0) > 1e-9 or min(shares.values()) < 0:
        raise ValueError(f"split {split!r}; expected shares of {', '.join(chips)} that add up to 1")
    return shares


def check_limits(limits: Sequence[RunLimit], ambient: float) -> None:
    """Refuse an ambient at or above a temperature limit.

    Raises
    ------
    ValueError
        Lists every such limit.
    """
    bad = [f"{q.name} {q.value:g} degC" for q in limits if q.node and q.value <= ambient]
    if bad:
        raise ValueError(
            f"ambient {ambient:g} degC; expected it below every temperature limit, but {', '.join(bad)} "
            f"{'is' if len(bad) == 1 else 'are'} not above it: no power can be held"
        )


def check_noise(machine: Machine, mode: Mode, name: str) -> None:
    """Refuse a noise cap that the fans break at their idle speed already.

    Raises
    ------
    ValueError
        Tells the cap and the noise at idle.
    """
    idle = {fan.name: mode.fans[fan.name].idle_speed for fan in machine.fans if fan.name in mode.fans}
    turning = {fan.name: max(idle.get(fan.name, 0.0), 1.0) for fan in machine.fans}
    if mode.noise_cap is None or not any(value > 0 for value in idle.values()):
        return
    level = float(machine.noise(turning))
    if level > mode.noise_cap:
        speeds = ", ".join(f"{fan} {value:g} rpm" for fan, value in idle.items())
        raise ValueError(
            f"mode {name}: noise cap {mode.noise_cap:g} dBA; expected at least the {level:.1f} dBA that the fans make "
            f"at their idle speed ({speeds}): lower the idle speed or raise the cap"
        )


def several(value: Any, default: Sequence[Any], what: str) -> list[Any]:
    """Read one value or a sequence of them; the default if None.

    Raises
    ------
    ValueError
        An empty sequence.
    """
    if value is None:
        return list(default)
    found = [value] if isinstance(value, str) or np.ndim(value) == 0 else list(value)
    if not found:
        raise ValueError(f"{what}: none given; expected at least one")
    return found


__all__ = ["NO_MARGINS", "Margins", "Point", "SteadyLevel", "SteadyMachine", "several", "shares_of"]
