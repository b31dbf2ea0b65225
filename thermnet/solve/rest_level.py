"""Many machines of one structure at rest with their fans at given speeds: temperatures, and how they answer to power.

The balance of :func:`thermnet.solve.start.soaked`, for all machines at once.  With the laws held at a reference, a
network at rest is linear; its answers to base heat, to every chip's power, to every law's departure from that
reference and to every leaking place are worked out once.  What is left for Newton's method are those departures and
leaks, a handful per machine.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import ConvergenceError
from thermnet.network.compiled import CompiledNetwork
from thermnet.network.laws import CODED, DRY_OUT, MAXIMUM_EXPONENT, dry_out_limit
from thermnet.solve import batch

Array = NDArray[np.float64]
Rows = NDArray[np.int64]
WARMER = 20.0
"""K above the boundaries, at which laws are held for the linear answers; no result depends on it."""

SETTLED = 1e-7
"""K: last Newton step of a steady state; the steps square the error, so what is left is rounding."""


@dataclass(frozen=True)
class Heat:
    """Where heat goes, over the rows of a network of ``n`` nodes, for ``s`` machines.

    Attributes
    ----------
    base : (s, n) W of the other parts
    share, follow : (s, chips, n) per W of chip power
    leak_chip, leak_into, leak_at : (l,) chip, row that the heat enters, row whose temperature counts
    leaks : (s, l, 3) W at full voltage, degC, 1/K
    """

    base: Array
    share: Array
    follow: Array
    leak_chip: Rows
    leak_into: Rows
    leak_at: Rows
    leaks: Array


class RestLevel:
    """Machines with their fans at given speeds (which may differ from machine to machine)."""

    def __init__(self, compiled: CompiledNetwork, heat: Heat) -> None:
        self.compiled, self.heat = compiled, heat
        n, samples = compiled.size, heat.base.shape[0]
        self.boundary = batch.boundary_temperatures(compiled)
        self.ends, self.parameters = compiled.law_ends, np.moveaxis(compiled.law_parameters, -1, 0)
        self._groups = [(code, np.flatnonzero(compiled.law_code == code)) for code in CODED]
        self._groups = [(code, which) for code, which in self._groups if which.size]
        laws = len(self.ends)
        cold = np.full((samples, laws), float(self.boundary.mean()))
        # Wet pipes are the rule; one that dries out departs from that.
        warmer = np.where(compiled.law_code == DRY_OUT, 1e-3, WARMER)
        self.reference = self._conductance(slice(None), cold + warmer, cold)
        full = batch.transports(compiled, self.reference.T)
        self._steps = np.zeros((laws, n + len(compiled.boundaries)))
        self._steps[np.arange(laws), self.ends[:, 0]] -= 1.0
        self._steps[np.arange(laws), self.ends[:, 1]] += 1.0
        places, chips = heat.leak_chip.size, heat.share.shape[1]
        columns = np.empty((samples, n, 1 + chips + laws + places))
        columns[:, :, 0] = -np.einsum("snb,sb->sn", full[:, :, n:], self.boundary) + heat.base
        columns[:, :, 1 : 1 + chips] = np.swapaxes(heat.share + heat.follow, 1, 2)
        columns[:, :, 1 + chips : 1 + chips + laws] = self._steps[:, :n].T
        # A chip's power is held: what leaks is taken from where the rest of it appears.
        columns[:, :, 1 + chips + laws :] = -np.swapaxes(heat.share[:, heat.leak_chip], 1, 2)
        columns[:, heat.leak_into, np.arange(1 + chips + laws, columns.shape[2])] += 1.0
        answers = np.linalg.solve(full[:, :, :n], columns)
        self.still, self.by_power = answers[:, :, 0], answers[:, :, 1 : 1 + chips]
        self.by_departure = answers[:, :, 1 + chips :]

    def _conductance(self, rows: slice | Rows, hot: Array, cold: Array) -> Array:
        result = np.empty(hot.shape)
        for code, which in self._groups:
            numbers = np.moveaxis(self.parameters[rows][:, which], -1, 0)
            result[:, which] = CODED[code](numbers, hot[:, which], cold[:, which])
        return result

    def full(self, rows: Rows, temperature: Array) -> Array:
        """Temperatures of nodes and boundaries, (r, n + b)."""
        return np.concatenate([temperature, self.boundary[rows]], axis=1)

    def law_heat(self, rows: Rows, full: Array) -> Array:
        """Heat along every law from its first to its second end, (r, k) W."""
        hot, cold = full[:, self.ends[:, 0]], full[:, self.ends[:, 1]]
        heat: Array = self._conductance(rows, hot, cold) * (hot - cold)
        return heat

    def _departures(self, rows: Rows, temperature: Array, power: Array) -> tuple[Array, Array]:
        """Heat of laws beyond their reference and of leaks, (r, m) W, and its derivative by temperatures (r, m, n)."""
        full, step = self.full(rows, temperature), 1e-5
        hot, cold = full[:, self.ends[:, 0]], full[:, self.ends[:, 1]]
        reference = self.reference[rows]
        heat = (self._conductance(rows, hot, cold) - reference) * (hot - cold)
        by_hot = ((self._conductance(rows, hot + step, cold) - reference) * (hot + step - cold) - heat) / step
        by_cold = ((self._conductance(rows, hot, cold + step) - reference) * (hot - cold - step) - heat) / step
        n, laws = temperature.shape[1], len(self.ends)
        slope = np.zeros((rows.size, laws + self.heat.leak_chip.size, n + self.boundary.shape[1]))
        slope[:, np.arange(laws), self.ends[:, 0]] += by_hot
        slope[:, np.arange(laws), self.ends[:, 1]] += by_cold
        leaks, growth = self._leaks(rows, temperature, power)
        slope[:, laws + np.arange(leaks.shape[1]), self.heat.leak_at] += growth
        return np.concatenate([heat, leaks], axis=1), slope[:, :, :n]

    def _leaks(self, rows: Rows, temperature: Array, power: Array) -> tuple[Array, Array]:
        rated, reference, slope = np.moveaxis(self.heat.leaks[rows], -1, 0)
        exponent = slope * (temperature[:, self.heat.leak_at] - reference)
        leaks = rated * np.exp(np.minimum(exponent, MAXIMUM_EXPONENT))
        growth = np.where(exponent < MAXIMUM_EXPONENT, slope * leaks, 0.0)
        for c in np.unique(self.heat.leak_chip):
            own = self.heat.leak_chip == c
            total = leaks[:, own].sum(axis=1)
            # A chip cannot leak more than it draws: its voltage is down then.
            scale = np.minimum(1.0, power[:, c] / np.where(total > 0, total, 1.0))[:, None]
            leaks[:, own] *= scale
            growth[:, own] = np.where(scale < 1.0, 0.0, growth[:, own])
        return leaks, growth

    def temperatures(self, rows: Rows, power: Array, guess: Array | None = None) -> tuple[Array, Array]:
        """Steady node temperatures (r, n) of some machines at chip powers (r, chips), and their change per W of each.

        Returns
        -------
        temperature : (r, n) degC; response : (r, n, chips) K/W

        Raises
        ------
        ConvergenceError
            A machine that does not settle.
        """
        linear = self.still[rows] + np.einsum("rnc,rc->rn", self.by_power[rows], power)
        temperature = linear.copy() if guess is None else guess.copy()
        response = np.empty((rows.size, temperature.shape[1], power.shape[1]))
        moving, before = np.arange(rows.size), np.full(rows.size, np.inf)
        for _ in range(80):
            own = rows[moving]
            by = self.by_departure[own]
            heat, slope = self._departures(own, temperature[moving], power[moving])
            # T = linear + by heat(T):  (1 - heat' by) change of heat = heat' (gap in T).
            gap = linear[moving] + np.einsum("rnm,rm->rn", by, heat) - temperature[moving]
            small = np.eye(heat.shape[1]) - slope @ by
            push = np.concatenate([gap[:, :, None], self.by_power[own]], axis=2)
            answer = push + by @ np.linalg.solve(small, slope @ push)
            step = answer[:, :, 0]
            size = np.max(np.abs(step), axis=1)
            # Across the bend of a drying pipe full steps may go to and fro for ever; half ones do not.
            damped = np.where(size > 0.5 * before[moving], 0.5, 1.0)
            temperature[moving] += step * np.minimum(damped, 150.0 / np.maximum(size, 1e-300))[:, None]
            response[moving], before[moving] = answer[:, :, 1:], size
            moving = moving[~(size < SETTLED)]
            if not moving.size:
                return temperature, response
        raise ConvergenceError(
            f"unit {int(rows[moving[0]])} at {float(power[moving[0]].sum()):g} W: no steady state after 80 iterations"
        )

    def excess(self, rows: Rows, temperature: Array, limits: Array, nodes: Rows, laws: Rows, margins: tuple[float, float]) -> Array:
        """Excess over every limit, (r, limits) K or W.

        Parameters
        ----------
        limits : (s, limits) degC; nodes : row under each limit (-1: a heat limit); laws : law under each heat limit
        margins : K below temperature limits, and share below heat limits
        """
        full = self.full(rows, temperature)
        result = np.empty((rows.size, nodes.size))
        at = nodes >= 0
        result[:, at] = full[:, nodes[at]] - limits[rows][:, at] + margins[0]
        if not at.all():
            heat = np.abs(self.law_heat(rows, full))
            for q in np.flatnonzero(~at):
                a, b = self.ends[laws[q]]
                allowed = dry_out_limit(self.parameters[rows, laws[q]].T, full[:, a], full[:, b])
                result[:, q] = heat[:, laws[q]] - (1.0 - margins[1]) * allowed
        return result


__all__ = ["Heat", "RestLevel"]
