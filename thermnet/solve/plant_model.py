"""A whole machine linearised: chip powers, other heat, fan speeds and room in, temperatures out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.solve import kernel
from thermnet.solve.linear_model import LinearModel, linearised
from thermnet.solve.plant import Plant
from thermnet.solve.start import Soak, kernel_leak

Array = NDArray[np.float64]
STEP = 1e-4
"""Step of the differences (K and W) by which the silicon's heat is derived; it is smooth."""


def plant_model(
    plant: Plant, silicon: kernel.Silicon, soak: Soak, facts: Mapping[str, Any] | None = None,
    rooms: tuple[Plant, Plant] | None = None,
) -> LinearModel:  # fmt: skip
    """Linearise a plant where it is soaked.

    Inputs are ``power.<chip>`` (W, leakage included, with the regulators' losses that follow it),
    ``heat.<part>`` (W) of every other source, ``fan_speed.<fan>`` (rpm) and the boundaries (degC); outputs all
    nodes.  A fan's column is the difference over one step of its speed grid either way.  ``rooms`` are the same
    machine in a slightly cooler and a slightly warmer room: with them the column of ``ambient`` counts what the
    room does to the air (density, flow, films) beside its temperature.
    """
    level = plant.level(soak.indices.tolist())
    compiled = plant.compiled(level)
    temperature, boundary = np.array(soak.everything), plant.boundary
    machine = plant.machine
    columns: dict[str, tuple[Array, float, str]] = {}
    for c, chip in enumerate(machine.chips):
        high, low = soak.power.copy(), soak.power.copy()
        high[c] += STEP
        low[c] = max(low[c] - STEP, 0.0)
        rise = chip_heat(plant, silicon, high, soak.x) - chip_heat(plant, silicon, low, soak.x)
        columns[f"power.{chip.name}"] = (
            _at_nodes(plant, rise / (high[c] - low[c])),
            float(soak.power[c]),
            "W",
        )
    for name, (nodes, watts) in machine.sources.items():
        column = np.zeros(compiled.size)
        for node, share in nodes.items():
            column[compiled.row(node)] += float(share)
        columns[f"heat.{name}"] = (column, float(watts), "W")
    for f, fan in enumerate(machine.fans):
        at = int(soak.indices[f])
        low_at, high_at = max(at - 1, 0), min(at + 1, plant.counts[f] - 1)
        ends = []
        for position in (low_at, high_at):
            indices = soak.indices.copy()
            indices[f] = position
            other = plant.compiled(plant.level(indices.tolist()))
            ends.append(_net_heat(other, temperature, boundary))
        columns[f"fan_speed.{fan.name}"] = (
            (ends[1] - ends[0]) / ((high_at - low_at) * fan.grid),
            at * fan.grid,
            "rpm",
        )
    if rooms is not None:
        (low_room, cool), (high_room, warm) = ((p.machine.ambient, p) for p in rooms)
        ends = [_net_heat(p.compiled(level), temperature, p.boundary) for p in (cool, warm)]
        columns["ambient"] = ((ends[1] - ends[0]) / (high_room - low_room), float(machine.ambient), "degC")
    return linearised(
        compiled, temperature, boundary, columns, more_slope=_leak_slope(plant, silicon, soak), facts=facts
    )


def chip_heat(plant: Plant, silicon: kernel.Silicon, power: Array, x: Array) -> Array:
    """Heat in W of all chips at the plant's heat inputs, for total chip powers (leakage at full voltage included).

    As :func:`thermnet.solve.start.soaked` places it: the leakage of a chip appears where it arises, the rest of the
    power by its shares.
    """
    heat = np.zeros(len(plant.heat_rows))
    quick = silicon.share.shape[1]
    heat[:quick] = silicon.follow.T @ power
    states = silicon.leak_index[:, kernel.STATE]
    leaks = np.array([kernel_leak(silicon, e, x[state]) for e, state in enumerate(states)])
    for c, watts in enumerate(power):
        own = silicon.leak_index[:, kernel.CHIP] == c
        total = float(leaks[own].sum())
        scale = min(1.0, watts / total) if total > 0 else 0.0
        heat[:quick] += silicon.share[c] * (watts - scale * total)
        np.add.at(heat, silicon.leak_index[own, kernel.INPUT], scale * leaks[own])
    return heat


def _leak_slope(plant: Plant, silicon: kernel.Silicon, soak: Soak) -> Array:
    """Derive the chips' heat by the node temperatures, (n, n) W/K."""
    n = len(plant.nodes)
    slope = np.zeros((n, n))
    for state in np.unique(silicon.leak_index[:, kernel.STATE]):
        high, low = soak.x.copy(), soak.x.copy()
        high[state] += STEP
        low[state] -= STEP
        rise = chip_heat(plant, silicon, soak.power, high) - chip_heat(plant, silicon, soak.power, low)
        slope[:, plant.state_rows[state]] += _at_nodes(plant, rise / (2.0 * STEP))
    return slope


def _at_nodes(plant: Plant, inputs: Array) -> Array:
    nodes = np.zeros(len(plant.nodes))
    np.add.at(nodes, plant.heat_rows, inputs)
    return nodes


def _net_heat(compiled: Any, temperature: Array, boundary: Array) -> Array:
    from thermnet.solve.equations import HeatBalance

    net: Array = HeatBalance(compiled).residual(temperature, boundary, np.zeros(compiled.size))
    return net
