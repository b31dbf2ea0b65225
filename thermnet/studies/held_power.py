"""How far a machine is from its limits when a power is held: the engine behind the budget studies.

The mode's fans, noise cap and control period stay; its power limits and throttles are taken away, because the
question is what the machine can take, not what the firmware would allow.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.firmware.mode import ChipControl, Mode
from thermnet.firmware.workload import Workload
from thermnet.network.laws import CODED, dry_out_limit
from thermnet.run import Run, RunLimit
from thermnet.solve import kernel
from thermnet.solve.closed_loop import Loop, prepare, simulate
from thermnet.solve.pack import mode_of, pack_watch, ticks
from thermnet.solve.plant import Plant
from thermnet.solve.start import Soak, settle

Array = NDArray[np.float64]
HIGHEST_POWER = 1000.0
"""W: no notebook chip is asked for more."""

TOLERANCE = 1e-6
"""K to which each control sample is worked out: where a two-phase part nears its limit within a sample, 0.01 K at every
sample would move the highest power by 0.013 W (tern-14, 2.4 s; now by less than 0.001 W)."""

NEAR = 3.0
"""K or W over a limit from which the search for the highest power comes down in small steps."""

FREE = ChipControl(burst_limit=10 * HIGHEST_POWER, sustained_limit=10 * HIGHEST_POWER, floor=0.0,
                   proportional_gain=0.0, integral_gain=0.0)  # fmt: skip


def ungoverned(mode: Mode, chips: Sequence[str]) -> Mode:
    """Copy a mode without its power limits and throttles; fans, charger and period stay."""
    return replace(mode, chips={name: FREE for name in chips}, skin_limits=(), shared_budget=None)


@dataclass
class HeldPower:
    """A machine in a mode, asked about powers held from one start state.

    Attributes
    ----------
    design, mode_name, ambient, start : what was asked
    split : share of the power that each chip takes, adding up to 1; chips left out stay at idle
    """

    design: Design
    mode_name: str
    ambient: float
    start: Any
    split: Mapping[str, float]
    plant: Plant
    mode: Mode
    limits: tuple[RunLimit, ...]
    _loop: Loop
    _fresh: kernel.State

    @classmethod
    def of(
        cls, design: Design, mode: str, ambient: float | None, start: Any = "idle", split: Mapping[str, float] | None = None
    ) -> HeldPower:
        """Prepare for one start state.

        Raises
        ------
        NetworkError, ValueError
            Unknown mode or chip, shares that do not add up to 1, an impossible start.
        """
        chosen = mode_of(design.modes, mode)
        plant = design.plant(ambient, chosen.period)
        names = [chip.name for chip in plant.machine.chips]
        shares = {names[0]: 1.0} if split is None else dict(split)
        if set(shares) - set(names) or abs(sum(shares.values()) - 1.0) > 1e-9 or min(shares.values()) < 0:
            raise ValueError(f"split {split!r}; expected shares of {', '.join(names)} that add up to 1")
        free = ungoverned(chosen, names)
        load = Workload(name="held", watts={name: np.zeros(1) for name in names})
        loop = prepare(plant, free, load, 1, start=start, keep=False, tolerance=TOLERANCE)
        return cls(design, mode, plant.machine.ambient, start, shares, plant, free, plant.machine.limits, loop, _copied(loop.state))

    def demand(self, power: float) -> Array:
        """Chip powers in W when ``power`` W are held in all (chips outside the split stay at idle)."""
        machine = self.plant.machine
        return np.array(
            [self.split[c.name] * power if c.name in self.split else machine.idle_power.get(c.name, 2.0) for c in machine.chips]
        )

    def loop(self, power: float, marks: Sequence[int] | NDArray[np.int64] = ()) -> Loop:
        """A loop at the start state with ``power`` W held; ``marks`` as the kernel's watch takes them."""
        silicon = self._loop.silicon._replace(demand=np.ascontiguousarray(self.demand(power)[:, None]))
        watch = pack_watch(self.plant, self.limits, marks=marks)
        return replace(self._loop, silicon=silicon, state=_copied(self._fresh), watch=watch)

    def excess(self, power: float, samples: Sequence[int]) -> Array:
        """Highest excess over every limit up to each of the ``samples`` (rising): (samples, limits) K or W."""
        marks, place = np.unique(np.asarray(samples, dtype=np.int64), return_inverse=True)
        loop = self.loop(power, marks)
        if loop.run(int(marks[-1])) == kernel.RUNAWAY:
            # What was not reached is beyond every limit.
            loop.watch.marked[marks > loop.state.count[0]] = np.maximum(loop.watch.worst, 1e3)
        found: Array = np.maximum(loop.watch.marked[place], self.excess_at_start[None, :])
        return found

    @cached_property
    def excess_at_start(self) -> Array:
        """Excess over every limit before anything is asked, K or W."""
        level = self.plant.level(self._fresh.fan_index.tolist())
        self.plant.provide(level)
        everything = np.full(len(self.plant.nodes), np.nan)
        everything[self.plant.active] = self.plant.temperatures(self._fresh.x)
        return self._excess(everything, level)

    def steady_excess(self, power: float, fans: Sequence[int] | None = None) -> Array:
        """Excess over every limit when ``power`` W are held for ever, K or W; ``fans`` as for :meth:`soak`."""
        soak = self.soak(power, fans)
        return self._excess(soak.everything, self.plant.level(soak.indices.tolist()))

    def soak(self, power: float, fans: Sequence[int] | None = None) -> Soak:
        """Steady state with ``power`` W held: fans settled, or held at positions on their speed grids."""
        loop = self._loop
        fixed = None if fans is None else np.array(fans, dtype=np.int64)
        return settle(self.plant, loop.silicon, loop.senses, loop.rules, self.demand(power), fixed_fans=fixed)

    def soak_at(self, power: float | Mapping[str, float]) -> Soak:
        """Steady state at a power in all, or at powers by chip (others at idle), fans settled."""
        if not isinstance(power, Mapping):
            return self.soak(float(power))
        names = [chip.name for chip in self.plant.machine.chips]
        unknown = [name for name in power if name not in names]
        if unknown or any(not (np.isfinite(w) and w >= 0) for w in power.values()):
            raise ValueError(f"power {dict(power)!r}; expected W of 0 or more by chip ({', '.join(names)})")
        idle = self.plant.machine.idle_power
        watts = np.array([float(power.get(name, idle.get(name, 2.0))) for name in names])
        loop = self._loop
        return settle(self.plant, loop.silicon, loop.senses, loop.rules, watts)

    @property
    def silicon(self) -> kernel.Silicon:
        """The chips as packed arrays."""
        return self._loop.silicon

    def _excess(self, everything: Array, level: int) -> Array:
        compiled = self.plant.compiled(level)
        full = np.concatenate([everything, self.plant.boundary])
        result = np.empty(len(self.limits))
        for q, limit in enumerate(self.limits):
            if limit.node:
                result[q] = full[compiled.row(limit.node)] - limit.value
            else:
                k = compiled.law_names.index(limit.link)
                a, b = compiled.law_ends[k]
                law = compiled.law_parameters[k]
                heat = float(CODED[int(compiled.law_code[k])](law, full[a], full[b])) * abs(full[a] - full[b])
                result[q] = heat - float(dry_out_limit(law, full[a], full[b]))
        return result

    def run(self, power: float, duration: float) -> Run:
        """Full history with ``power`` W held."""
        names = [chip.name for chip in self.plant.machine.chips]
        load = Workload(
            name=f"{power:g} W held", watts={n: np.array([w]) for n, w in zip(names, self.demand(power), strict=True)},
            duration=duration,
        )  # fmt: skip
        return simulate(self.plant, self.mode, load, duration=duration, start=self.start)


def _copied(state: kernel.State) -> kernel.State:
    return kernel.State(*(array.copy() for array in state))


def highest_power(excess: Callable[[float], Array], guess: float, *, accuracy: float = 0.005) -> tuple[float, int]:
    """Highest power at which no limit is exceeded, and the index of the limit that binds (-1: none up to the top).

    ``excess(power)`` gives the excess over each limit.  Returns 0 W where a limit is exceeded without any power.

    Brackets from the guess, then bisection guarded secant (Illinois) to ``accuracy`` W.  Where fan tables let more
    power run cooler, powers below the answer may exceed a limit again; near the limits the search therefore comes
    down in small steps, so as not to pass the highest power that holds.
    """
    def worst(power: float) -> tuple[float, int]:
        values = excess(power)
        q = int(np.argmax(values))
        return float(values[q]), q

    low, (low_value, low_q) = 0.0, (np.nan, -1)
    high = max(guess, 1.0)
    high_value, high_q = worst(high)
    if high_value < 0:
        while high_value < 0:
            low, low_value, low_q = high, high_value, high_q
            if high >= HIGHEST_POWER:
                return HIGHEST_POWER, -1
            high = min(high * 1.6, HIGHEST_POWER)
            high_value, high_q = worst(high)
    else:
        while True:
            low = 0.0 if high < 1.0 else high / (1.6 if high_value > NEAR else 1.1)
            low_value, low_q = worst(low)
            if low_value < 0:
                break
            if low == 0.0:
                return 0.0, low_q
            high, high_value, high_q = low, low_value, low_q
    side = 0
    for _ in range(80):
        if high - low < accuracy:
            break
        middle = (low * high_value - high * low_value) / (high_value - low_value)
        if not low < middle < high:
            middle = 0.5 * (low + high)
        # Stay inside the bracket by a little, so that both ends close in.
        middle = min(max(middle, low + 0.25 * accuracy), high - 0.25 * accuracy)
        value, q = worst(middle)
        if value >= 0:
            high, high_value, high_q = middle, value, q
            low_value = 0.5 * low_value if side == 1 else low_value
            side = 1
        else:
            low, low_value, low_q = middle, value, q
            high_value = 0.5 * high_value if side == -1 else high_value
            side = -1
    return low, high_q


def samples_of(durations: Sequence[float], period: float) -> list[int]:
    """Control samples of each duration, refusing what does not fit.

    Raises
    ------
    ValueError
        Durations that are not finite, not above 0, or shorter than one control sample.
    """
    values = [float(d) for d in durations]
    if not values or any(not np.isfinite(d) or d < period for d in values):
        raise ValueError(f"durations {durations!r}; expected times in s of at least one control sample ({period:g} s)")
    return [ticks(d, period) for d in values]


__all__ = ["HeldPower", "highest_power", "samples_of", "ungoverned"]
