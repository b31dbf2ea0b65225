"""Loads under a mode's governor alone: whether it keeps every limit, and how much it lets through.

The fans act as the mode says; throttles and skin limiters do not, because what is asked is whether the power limits
alone keep the machine safe.  Each load is prepared once; a candidate only changes its limits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from thermnet.firmware.mode import Mode
from thermnet.firmware.workload import Workload
from thermnet.solve import kernel
from thermnet.solve.closed_loop import Loop, prepare
from thermnet.solve.pack import ticks
from thermnet.solve.plant import Plant
from thermnet.studies.held_power import ungoverned
from thermnet.studies.steady_level import Margins

Array = NDArray[np.float64]
SOAK = 900.0
"""s of everything asked before the repeated bursts."""

RESTS = (0.5, 1.0, 2.0, 4.0)
"""Lengths of the rests between repeated bursts, in averaging time constants."""


@dataclass(frozen=True)
class Limits:
    """A candidate: total power limits, W, and the averaging time constant, s."""

    sustained: float
    burst: float
    averaging: float


@dataclass
class GovernedLoads:
    """A machine in a mode with the loads that a candidate must bear.

    Attributes
    ----------
    loops : one prepared loop per load
    samples : control samples of each
    margins : added to every excess, K or W (limits,)
    shares : share of the limits on each chip, (chips,)
    demanding : loads found to ask more of the limits than the proof does; they are required beside it
    solves : closed-loop runs made so far
    """

    plant: Plant
    loops: tuple[Loop, ...]
    samples: tuple[int, ...]
    margins: Array
    shares: Array
    most: float
    proof: Loop
    names: tuple[str, ...] = ()
    demanding: list[int] = field(default_factory=list)
    solves: int = field(default=0)

    @classmethod
    def of(
        cls, plant: Plant, mode: Mode, loads: Sequence[Workload], margins: Margins, shares: Mapping[str, float],
        most: float, duration: float,
    ) -> GovernedLoads:  # fmt: skip
        """Prepare at most ``duration`` s of every load, and the proof, in which ``most`` W are asked again and again."""
        chips = [chip.name for chip in plant.machine.chips]
        free = ungoverned(mode, chips)
        samples = tuple(ticks(min(load.duration, duration), plant.period) for load in loads)
        loops = tuple(
            prepare(plant, free, load, count, start="idle", keep=False)
            for load, count in zip(loads, samples, strict=True)
        )
        proof = prepare(
            plant,
            free,
            Workload(name="proof", watts={c: np.zeros(1) for c in chips}),
            1,
            start="idle",
            keep=False,
        )
        limits = plant.machine.limits
        added = np.array([margins.temperature if q.node else margins.heat * q.value for q in limits])
        split = np.array([shares.get(name, 0.0) for name in chips])
        return cls(plant, loops, samples, added, split, most, proof, tuple(load.name for load in loads))

    def proven(self, limits: Limits, longest: float = 1800.0) -> tuple[float, int]:
        """Worst excess over any limit, margins counted, and which, when everything is asked again and again.

        From idle everything is asked for a quarter of an hour; then bursts follow rests of half, one, two and four
        averaging time constants, which give the governor its budget back while the machine is still hot.
        """
        period, tau = self.plant.period, limits.averaging
        on = max(1.5 * tau, 5.0)
        pieces: list[tuple[float, float]] = [(SOAK, self.most)]
        for rest in RESTS:
            pieces += [(rest * tau, 0.0), (on, self.most)]
        demand = np.concatenate([np.full(ticks(length, period), watts) for length, watts in pieces])
        demand = demand[: ticks(longest, period)]
        idle = np.array(
            [self.plant.machine.idle_power.get(chip.name, 2.0) for chip in self.plant.machine.chips]
        )
        asked = np.maximum(self.shares[:, None] * demand[None, :], idle[:, None])
        loop = self._loop(self.proof, limits)
        loop = replace(loop, silicon=loop.silicon._replace(demand=np.ascontiguousarray(asked)))
        return self._worst(loop, demand.size)

    def required(self, limits: Limits) -> tuple[float, int]:
        """Worst excess over any limit, and which, in the proof and under the demanding loads."""
        worst = self.proven(limits)
        for k in self.demanding:
            loop = self._loop(self.loops[k], limits)
            worst = max(worst, self._worst(loop, self.samples[k]), key=lambda pair: pair[0])
        return worst

    def borne(self, limits: Limits) -> list[tuple[float, float, int]]:
        """For each load the mean power in W that it gets, its worst excess over any limit, and which limit."""
        found = []
        for base, count in zip(self.loops, self.samples, strict=True):
            loop = self._loop(base, limits)
            excess, q = self._worst(loop, count)
            found.append((float(loop.state.tally[:, kernel.POWER_SUM].sum()) / count, excess, q))
        return found

    def _loop(self, base: Loop, limits: Limits) -> Loop:
        chips = self.shares.size
        burst, sustained = limits.burst * self.shares, limits.sustained * self.shares
        # Chips without a share stay at idle whatever is asked of them.
        idle = np.array([self.plant.machine.idle_power.get(c.name, 2.0) for c in self.plant.machine.chips])
        burst, sustained = np.maximum(burst, idle), np.maximum(sustained, idle)
        rules = base.rules._replace(
            burst=burst, sustained=sustained,
            alpha=np.full(chips, -np.expm1(-self.plant.period / limits.averaging)),
        )  # fmt: skip
        state = kernel.State(*(array.copy() for array in base.state))
        top = np.minimum(burst, rules.peak)
        state.throttle[:], state.throttle_integral[:] = top, top
        watch = kernel.Watch(*(array.copy() for array in base.watch))
        return replace(base, rules=rules, state=state, watch=watch)

    def _worst(self, loop: Loop, samples: int) -> tuple[float, int]:
        self.solves += 1
        reason = loop.run(samples)
        excess = np.asarray(loop.watch.worst) + self.margins
        q = int(np.argmax(excess))
        return (1e3 if reason == kernel.RUNAWAY else float(excess[q])), q


def highest_feasible(excess: Callable[[float], float], low: float, high: float, accuracy: float) -> float:
    """Highest value in ``[low, high]`` at which a rising ``excess`` is not above 0; ``low`` where even that is.

    Brent's method (scipy), then a step down by its accuracy, so that what is returned was feasible.
    """
    from scipy.optimize import brentq

    if excess(high) <= 0.0:
        return high
    if excess(low) > 0.0:
        return low
    known: dict[float, float] = {}

    def miss(value: float) -> float:
        known[value] = excess(value)
        return known[value]

    brentq(miss, low, high, xtol=accuracy, rtol=1e-10)
    return max([value for value, over in known.items() if over <= 0.0], default=low)


__all__ = ["GovernedLoads", "Limits", "highest_feasible"]
