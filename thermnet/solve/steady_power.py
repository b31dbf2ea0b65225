"""Highest power that many machines sustain: steady states of all samples at once, fans settled, root by bisection."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.network.laws import dry_out_limit
from thermnet.solve import batch
from thermnet.solve.ensemble import Packed, Task, settle_samples
from thermnet.solve.stack import Stack, subset

Array = NDArray[np.float64]
HIGHEST_POWER = 1000.0


def sustained_powers(
    task: Task, chunk: slice, split: Array, *, accuracy: float = 0.01
) -> tuple[Array, NDArray[np.int64]]:
    """Highest total chip power that every sample of a slice sustains, and the index of the limit that binds.

    Parameters
    ----------
    split : (chips,)
        Share of the power on each chip (chips with share 0 stay at idle power).
    accuracy : float
        W.

    Returns
    -------
    power : (samples,) W; binds : (samples,) index into the machine's limits, -1 where none is met up to 1000 W.
    """
    count = chunk.stop - chunk.start
    machine = task.machines(chunk)
    stack = Stack(task.template, machine, count)
    packed = Packed(task, stack, machine, chunk, 1)
    low, high = np.zeros(count), np.full(count, 60.0)
    binds = np.full(count, -1, dtype=np.int64)
    worst, which = _worst(task, stack, packed, split, high)
    for _ in range(8):
        short = worst < 0
        if not short.any() or np.all(high[short] >= HIGHEST_POWER):
            break
        low[short] = high[short]
        high[short] = np.minimum(high[short] * 1.8, HIGHEST_POWER)
        worst, which = _worst(task, stack, packed, split, high)
    endless = worst < 0
    binds[~endless] = which[~endless]
    while float(np.max(high - low, where=~endless, initial=0.0)) > accuracy:
        middle = 0.5 * (low + high)
        worst, which = _worst(task, stack, packed, split, middle)
        over = worst >= 0
        high, low = np.where(over, middle, high), np.where(over, low, middle)
        binds = np.where(over & ~endless, which, binds)
    return np.where(endless, HIGHEST_POWER, low), binds


def steady_excess(task: Task, stack: Stack, packed: Packed, powers: Array) -> tuple[Array, Array]:
    """Excess over every limit (samples, limits) and node temperatures (n, samples) at chip powers (samples, chips)."""
    everything, indices = settle_samples(task, stack, packed, powers)
    template = task.template
    limits = template.machine.limits
    excess = np.empty((stack.samples, len(limits)))
    levels = np.array([template.level(row.tolist()) for row in indices])
    names = template.compiled(template.levels - 1).law_names
    for q, limit in enumerate(limits):
        if limit.node:
            excess[:, q] = everything[template.nodes.index(limit.node)] - packed.limits[:, q]
            continue
        k = names.index(limit.link)
        for level in np.unique(levels):
            rows = np.flatnonzero(levels == level)
            compiled = subset(stack.compiled(int(level)), rows)
            full = np.vstack([everything[:, rows], batch.boundary_temperatures(compiled).T])
            a, b = compiled.law_ends[k]
            heat = np.abs(batch.law_conductances(compiled, full)[k] * (full[a] - full[b]))
            excess[rows, q] = heat - dry_out_limit(compiled.law_parameters[k], full[a], full[b])
    return excess, everything


def _worst(task: Task, stack: Stack, packed: Packed, split: Array, power: Array) -> tuple[Array, Any]:
    idle = np.array([task.template.machine.idle_power.get(c.name, 2.0) for c in task.template.machine.chips])
    powers = np.where(split > 0, power[:, None] * split, idle)
    excess, _ = steady_excess(task, stack, packed, powers)
    return excess.max(axis=1), excess.argmax(axis=1)
