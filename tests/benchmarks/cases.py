"""The machines and loads that the benchmarks run: an hour of seeded bursts in 36,000 control samples."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "solve"))

import second_writing as second

from thermnet.design.load import load_design
from thermnet.firmware.workload import Workload
from thermnet.solve.closed_loop import prepare, simulate

PERIOD = 0.1
DIE, SKIN = 0.05, 0.01
"""K: errors that a contender may have to count as accurate."""

LEVELS = {"cpu": (2.0, 6.0, 12.0, 28.0, 45.0, 64.0, 80.0), "gpu": (1.0, 3.0, 30.0, 70.0, 100.0)}


def bursts(chips, samples, seed=1):
    """Demand by chip (samples,) W: levels held for about six seconds, with 4 % of jitter at every sample."""
    rng = np.random.default_rng(seed)
    demand = {}
    for chip in chips:
        lengths = np.round(rng.exponential(60.0, samples // 20 + 50)).astype(int) + 1
        levels = rng.choice(LEVELS.get(chip, LEVELS["cpu"]), lengths.size)
        demand[chip] = np.repeat(levels, lengths)[:samples] * (1.0 + 0.04 * rng.uniform(-1.0, 1.0, samples))
    return demand


def load_of(demand, *, holds="frequency"):
    """Workload with one piece for every control sample."""
    samples = len(next(iter(demand.values())))
    return Workload(name="bursts", times=np.arange(samples) * PERIOD, watts=demand, holds=holds, duration=samples * PERIOD)


@dataclass
class Case:
    """A machine in a mode under bursts, as the package sees it and as the second writing does."""

    name: str
    title: str
    design: object | None
    mode: object
    machine: object
    samples: int = 36_000
    seed: int = 1

    @classmethod
    def of_design(cls, name, mode="desk", samples=36_000, seed=1):
        design = load_design(name)
        machine = design.machine()
        return cls(name, f"{name}, {mode}", design, design.modes[mode], machine, samples, seed)

    @cached_property
    def demand(self):
        return bursts([chip.name for chip in self.machine.chips], self.samples, self.seed)

    @cached_property
    def load(self):
        return load_of(self.demand)

    @cached_property
    def plant(self):
        if self.design is not None:
            return self.design.plant(None, PERIOD)
        from thermnet.solve.plant import Plant

        return Plant(self.machine, PERIOD)

    def simulate(self):
        """Run the hour through the public surface, history kept, and read the die and the skins from it."""
        if self.design is not None:
            mode = next(name for name, mode in self.design.modes.items() if mode is self.mode)
            run = self.design.simulate(self.load, mode)
        else:
            run = simulate(self.plant, self.mode, self.load)
        for node in (*self.dies, *self.skins):
            run.temperature(node)
        return run

    def loop(self, keep=True):
        """A prepared loop for the hour."""
        return prepare(self.plant, self.mode, self.load, self.samples, keep=keep)

    @cached_property
    def dies(self):
        return [node for chip in self.machine.chips for node in chip.share]

    @cached_property
    def skins(self):
        return [limit.node for limit in self.machine.limits if limit.kind == "skin"]

    def second_loop(self, advance, samples):
        """Run the second writing over a prefix of the hour with an integrator; returns its trace and network."""
        network = second.PlainNetwork(self.machine)
        loop = self.loop(keep=False)
        firmware = second.Firmware(network, self.mode, second.start_of(loop), base_heat=self.load.other)
        demand = np.broadcast_to(loop.silicon.demand, (len(self.machine.chips), self.samples))[:, :samples]
        x = self.plant.temperatures(loop.state.x)
        return second.run(network, firmware, demand, x, advance), network

    def errors(self, trace, reference, network):
        """Largest difference at the dies and at the skins over the shorter of two traces, K."""
        n = min(len(trace.temperature), len(reference.temperature))
        difference = np.abs(trace.temperature[:n] - reference.temperature[:n]).max(axis=0)
        return tuple(float(max(difference[network.state[node]] for node in nodes)) for nodes in (self.dies, self.skins))

    def other_decisions(self, trace, reference):
        """Samples in which another limit binds or a fan stands elsewhere than in the reference."""
        n = min(len(trace.bound), len(reference.bound))
        differ = np.any(trace.bound[:n] != reference.bound[:n], axis=1) | np.any(trace.speed[:n] != reference.speed[:n], axis=1)
        return int(differ.sum())

    def c_trace(self, kept, loop, network):
        """Histories of the C loop in the form of the second writing's traces."""
        temperature = self.plant.temperatures(np.vstack([kept["x"], loop.state.x]))
        names = [self.plant.nodes[row] for row in self.plant.active]
        columns = [names.index(name) for name in network.state]
        fans = [list(self.plant.speeds(int(level)).values()) for level in kept["level"]]
        return second.Trace(temperature[:, columns], kept["power"], np.array(fans), kept["bound"])

    def as_trace(self, run, network, samples):
        """A run of the package in the form of the second writing's traces."""
        rows = slice(0, samples + 1)
        temperature = np.stack([run.temperature(name)[rows] for name in network.state], axis=1)
        return second.Trace(temperature, run.channel("power")[:samples], run.channel("fan_speed")[:samples], run.channel("limit")[:samples])


def mesh_case(nodes, samples=36_000, seed=1, grid_rpm=100.0):
    """A meshed machine of about so many nodes (see tests/solve/mesh_machine.py)."""
    import mesh_machine as mesh

    return Case(f"mesh-{nodes}", f"meshed machine, {nodes} nodes", None, mesh.MODE, mesh.machine(nodes, grid_rpm=grid_rpm), samples, seed)
