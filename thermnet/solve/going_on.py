"""Where a run ended, and how another one goes on from there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network.laws import DRY_OUT
from thermnet.solve import kernel
from thermnet.solve.pack import fresh_state
from thermnet.solve.plant import Plant

if TYPE_CHECKING:
    from thermnet.solve.closed_loop import Loop

Array = NDArray[np.float64]
OWN_TO_A_RUN = frozenset({"work", "tally", "account", "count"})
"""Sums and counters, which every run begins anew."""


@dataclass(frozen=True)
class SensorMemory:
    """What a sensor shows, its lagged value and the values still on their way (oldest first), degC."""

    reading: float
    lagged: float
    on_their_way: tuple[float, ...]


@dataclass(frozen=True)
class FinalState:
    """What a later run needs to go on.

    Attributes
    ----------
    temperature : degC by node
    power, average : W by chip, over the last control sample and as running average
    fan : rpm by fan
    sensors : memory by sensor
    dry : whether each link with a dry-out law has dried out
    signature : of machine, mode and control period; where they are the same, ``loops`` hold
    loops : every changing array of the kernel by name, with times counted from the end of the run
    """

    temperature: Mapping[str, float]
    power: Mapping[str, float]
    average: Mapping[str, float]
    fan: Mapping[str, float]
    sensors: Mapping[str, SensorMemory]
    dry: Mapping[str, bool]
    signature: str
    loops: Mapping[str, Any]


def signature(plant: Plant, senses: kernel.Senses, rules: kernel.Rules) -> str:
    """Fingerprint of everything that gives the firmware's state its meaning."""
    held = [repr((plant.period, plant.nodes, plant.law_names))]
    held += [np.asarray(part).tobytes().hex() for part in (*senses, *rules, plant.law_value, plant.boundary)]
    return sha256("|".join(held).encode()).hexdigest()


def final_state(loop: Loop, temperatures: Array) -> FinalState:
    """Keep where a loop stands; ``temperatures`` (n,) of all nodes, degC."""
    plant, state, senses = loop.plant, loop.state, loop.senses
    machine, done = plant.machine, int(state.count[0])
    chips = [chip.name for chip in machine.chips]
    rings = [_oldest_first(state.sensor_ring[s], int(senses.delay[s]), _polls(done, int(senses.ticks[s])))
             for s in range(senses.offset.size)]  # fmt: skip
    ring = np.array(state.sensor_ring)
    for s, values in enumerate(rings):
        ring[s, 1 : 1 + len(values)] = values
    loops = {name: np.array(part) for name, part in state._asdict().items() if name not in OWN_TO_A_RUN}
    loops |= {"sensor_ring": ring, "table_since": state.table_since - done, "refresh": state.count[3:5]}
    dries = plant.law_index[:, kernel.CODE] == DRY_OUT
    return FinalState(
        dict(zip(plant.nodes, temperatures.tolist(), strict=False)),
        dict(zip(chips, state.power.tolist(), strict=True)), dict(zip(chips, state.average.tolist(), strict=True)),
        {fan.name: float(index * fan.grid) for fan, index in zip(machine.fans, state.fan_index, strict=True)},
        {name: SensorMemory(float(state.sensor[s]), float(state.sensor_lagged[s]), tuple(rings[s]))
         for s, name in enumerate(loop.sensors.names)},
        {plant.law_names[k]: bool(state.law_state[k, kernel.DRY]) for k in np.flatnonzero(dries)},
        signature(plant, senses, loop.rules), {name: part.tolist() for name, part in loops.items()},
    )  # fmt: skip


def continued(
    plant: Plant, names: tuple[str, ...], senses: kernel.Senses, rules: kernel.Rules, final: FinalState, slow: int
) -> kernel.State:
    """State that goes on from where another run ended.

    The same machine in the same mode goes on as if it had never stopped (exactly so where the run ended on a multiple
    of every loop's period).  After a change of mode or parts, temperatures, running averages, fan speeds and what the
    sensors still have in them are kept; throttles and tables begin anew.

    Raises
    ------
    NetworkError
        A node, chip or fan of this machine that the other one did not have.
    """
    machine = plant.machine
    chips, fans = [chip.name for chip in machine.chips], machine.fans
    strangers = [plant.nodes[row] for row in plant.active if plant.nodes[row] not in final.temperature]
    if strangers:
        raise NetworkError(f"the run to start from has no node {strangers[0]!r}; it is of another design")
    strangers = [name for name in chips if name not in final.average] + [f.name for f in fans if f.name not in final.fan]
    if strangers:
        raise NetworkError(f"the run to start from has no {strangers[0]!r}; it is of another design")
    x = plant.states(np.array([final.temperature[plant.nodes[row]] for row in plant.active]))
    indices = np.array([round(final.fan[fan.name] / fan.grid) for fan in fans], dtype=np.int64)
    state = fresh_state(plant, rules, senses, x, average=np.array([final.average[c] for c in chips]), indices=indices,
                        slow_limit=slow)  # fmt: skip
    if final.signature == signature(plant, senses, rules):
        for name, part in final.loops.items():
            target = state.count[3:5] if name == "refresh" else getattr(state, name)
            target[...] = np.reshape(part, target.shape)  # an empty list forgets how wide it was
        return state
    state.power[:] = [final.power[c] for c in chips]
    for s, name in enumerate(names):
        memory = final.sensors.get(name)
        if memory is not None and len(memory.on_their_way) == int(senses.delay[s]):
            state.sensor[s], state.sensor_lagged[s] = memory.reading, memory.lagged
            state.sensor_ring[s, 1 : 1 + len(memory.on_their_way)] = memory.on_their_way
    for k in np.flatnonzero(plant.law_index[:, kernel.CODE] == DRY_OUT):
        state.law_state[k, kernel.DRY] = final.dry.get(plant.law_names[k], False)
    return state


def _polls(done: int, period: int) -> int:
    """Polls of a loop in the first ``done`` samples, the first of them at 0."""
    return -(-done // period)


def _oldest_first(ring: Array, delay: int, polls: int) -> list[float]:
    """Values of the last ``delay`` polls: what a ring written at ``poll % (delay + 1)`` still holds back."""
    return [float(ring[poll % (delay + 1)]) for poll in range(polls - delay, polls)]
