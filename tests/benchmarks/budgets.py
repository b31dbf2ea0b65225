"""Burst curve of 30 durations against root finding over LSODA runs, and steady states by Newton."""

from __future__ import annotations

import numpy as np
from cases import PERIOD, Case, second
from contenders import by_scipy
from scipy.optimize import brentq
from table import Bar, Section, Stopwatch, medians

from thermnet.solve.start import soaked
from thermnet.studies.burst_budget import burst_budget
from thermnet.studies.held_power import HeldPower

COLUMNS = ("contender", "CPU s", "times ours", "durations run", "largest difference W")
ACCURACY = 0.002
"""W: how closely the root finder is asked to look."""


def run(size):
    """The curve of tern-14 in mode desk from idle, durations from 1 to 600 s."""
    case = Case.of_design("tern-14")
    durations = np.unique(np.round(np.geomspace(1.0, 600.0, 30), 1))
    section = Section("budgets", f"Burst curve of tern-14: {durations.size} durations from 1 to 600 s", COLUMNS)

    def fresh():
        return burst_budget(case.design.replace(), "desk", durations=durations)

    def kept():
        return burst_budget(case.design, "desk", durations=durations)

    again, first = medians([kept, fresh], 3 if size == "quick" else 9)
    ours = kept().table["power_W"].to_numpy()
    section.rows += [("ours, burst_budget again on the same design", again, 1.0, durations.size, 0.0)]
    section.rows += [("ours, burst_budget on a changed design", first, first / again, durations.size, 0.0)]
    longest = {"quick": 2.0, "usual": 60.0, "full": 600.0}[size]
    search = LsodaSearch(case)
    asked = durations[durations <= longest]
    found = np.array([search.highest_power(duration) for duration in asked])
    difference = float(np.abs(found - ours[: asked.size]).max())
    # Every search looks a similar number of times; a run costs by its samples.
    spent = search.advance.per_sample() * search.samples_per_look() * durations.sum() / PERIOD
    section.rows.append(("brentq over LSODA 1e-5 runs, restarted at each sample", spent, spent / again, int(asked.size), difference))
    section.bars += [
        Bar("root finding over ours, curve again", spent / again, 200.0),
        Bar("root finding over ours, changed design", spent / first, 200.0), Bar("difference of powers", difference, 0.01, "W", False),
    ]  # fmt: skip
    fixed, settled = steady(case)
    section.rows += [("steady state by Newton, fans fixed", fixed, None, None, None), ("steady state, fans settled step by step", settled, None, None, None)]
    section.bars.append(Bar("steady state by Newton", 1e3 * fixed, 2.0, "ms", False, aim=1.0))
    section.notes += [
        f"Root finding was run for the durations up to {longest:g} s; the curve's time is that of all {durations.size}: samples times "
        f"{search.samples_per_look():.1f} looks each times the median time of a sample in the integrator.",
    ]
    return section


class LsodaSearch:
    """Highest power held for a duration by scipy's root finder over runs of the second writing."""

    def __init__(self, case):
        self.held = HeldPower.of(case.design, "desk", None)
        self.network = second.PlainNetwork(case.machine)
        self.advance = Stopwatch(by_scipy("LSODA", 1e-5))
        self.start = self.held.loop(1.0)
        self.looks = self.searches = 0

    def samples_per_look(self):
        return self.looks / self.searches

    def highest_power(self, duration):
        samples = round(duration / PERIOD)
        self.searches += 1
        return brentq(lambda power: self.excess(power, samples), 2.0, 250.0, xtol=ACCURACY)

    def excess(self, power, samples):
        """Highest excess over any limit while ``power`` W is held, K or W."""
        self.looks += 1
        network, loop = self.network, self.start
        firmware = second.Firmware(network, self.held.mode, second.start_of(loop), holds="power")
        x, demand = np.array(self.held.plant.temperatures(loop.state.x)), self.held.demand(power)
        network.dry[:] = 0.0
        worst = -np.inf
        for tick in range(samples):
            at, heat, scales, _ = firmware.decide(tick, x, demand)
            x = self.advance(network, network.level(at), heat, scales, x)
            worst = max(worst, self.over(x))
            network.rewet(x)
            firmware.after()
            if worst > 60.0:
                break
        return worst

    def over(self, x):
        network = self.network
        found = []
        for limit in self.held.limits:
            if limit.node:
                found.append(x[network.state[limit.node]] - limit.value)
            else:
                k = network.law_names.index(limit.link)
                a, b = (x[e] if e >= 0 else network.boundary[-1 - e] for e in network.law_ends[k])
                p = network.law_parameters[k]
                found.append(abs(second.law_heat(2, p, a, b, network.dry[k])) - second.pipe_limit(p, a, b))
        return max(found)


def steady(case):
    """Seconds of a steady state: at fixed fans from nothing known, and with the fans settled."""
    held = HeldPower.of(case.design, "desk", None)
    loop, plant = held.loop(1.0), held.plant
    level = plant.level(held.soak(30.0).indices.tolist())

    def fixed():
        soaked(plant, loop.silicon, level, np.array([30.0]))

    def settled():
        plant.soaks.clear()
        held.soak(30.0)

    return medians([fixed, settled], 50)
