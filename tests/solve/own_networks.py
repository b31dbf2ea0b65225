"""Networks written down twice: as the package's graph, and as matrices and right-hand sides of this file's own.

Nothing here reads the package's compiled form, propagators or laws; the two only share the numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import expm

from thermnet.network import ThermalNetwork

SIGMA = 5.670374419e-8


@dataclass
class OwnNetwork:
    """A linear network: capacities, boundaries, links (a, b, W/K) and streams (a, b, W/K) by name."""

    capacity: dict[str, float]
    boundary: dict[str, float]
    links: list[tuple[str, str, float]]
    streams: list[tuple[str, str, float]] = field(default_factory=list)

    def graph(self, by_resistance: bool = False) -> ThermalNetwork:
        net = ThermalNetwork()
        for name, value in self.boundary.items():
            net.add_boundary(name, value)
        for name, value in self.capacity.items():
            net.add_node(name, capacity=value)
        for a, b, g in self.links:
            if by_resistance:
                net.add_link(a, b, resistance=1.0 / g)
            else:
                net.add_link(a, b, conductance=g)
        for a, b, w in self.streams:
            net.add_stream(a, b, capacity_rate=w)
        return net

    def matrices(self):
        """``K``, ``f``: heat into the nodes is ``P + f - K T``."""
        names = list(self.capacity)
        row = {name: i for i, name in enumerate(names)}
        k, f = np.zeros((len(names), len(names))), np.zeros(len(names))

        def pull(at, towards, g):
            # Node ``at`` loses g (T_at - T_towards).
            if at not in row:
                return
            k[row[at], row[at]] += g
            if towards in row:
                k[row[at], row[towards]] -= g
            else:
                f[row[at]] += g * self.boundary[towards]

        for a, b, g in self.links:
            pull(a, b, g)
            pull(b, a, g)
        for a, b, w in self.streams:
            pull(b, a, w)
        return k, f

    def watts(self, power):
        return np.array([power.get(name, 0.0) for name in self.capacity])

    def steady(self, power):
        k, f = self.matrices()
        return np.linalg.solve(k, self.watts(power) + f)

    def reduced(self):
        """States ``x`` (nodes with capacity) and the others by elimination: matrices of ``dx/dt = A x + B p + c``."""
        k, f = self.matrices()
        c = np.array(list(self.capacity.values()))
        x, z = np.flatnonzero(c > 0), np.flatnonzero(c == 0)
        inverse = np.linalg.inv(k[np.ix_(z, z)])
        schur = k[np.ix_(x, x)] - k[np.ix_(x, z)] @ inverse @ k[np.ix_(z, x)]
        carry = -k[np.ix_(x, z)] @ inverse

        def others(state, watts):
            return inverse @ (watts[z] + f[z] - k[np.ix_(z, x)] @ state)

        def drive(watts):
            return (watts[x] + f[x] + carry @ (watts[z] + f[z])) / c[x]

        return x, z, -schur / c[x][:, None], drive, others

    def march(self, start, pieces):
        """Temperatures of all nodes at the end of pieces (duration, power mapping), by one matrix exponential each."""
        x, z, a, drive, others = self.reduced()
        state = np.asarray(start, dtype=float)[x]
        rows = []
        for duration, power in pieces:
            watts = self.watts(power)
            block = np.zeros((x.size + 1, x.size + 1))
            block[:-1, :-1], block[:-1, -1] = a * duration, drive(watts) * duration
            state = (expm(block) @ np.append(state, 1.0))[:-1]
            full = np.empty(len(self.capacity))
            full[x], full[z] = state, others(state, watts)
            rows.append(full)
        return np.array(rows)


def random_network(seed: int, nodes: int = 30, massless: int = 4, streams: bool = True) -> OwnNetwork:
    """Spanning tree with extra links, time constants over six decades, two boundaries, a looped air path."""
    rng = np.random.default_rng(seed)
    names = [f"n{i}" for i in range(nodes)]
    free = set(rng.choice(nodes, massless, replace=False).tolist()) if massless else set()
    capacity = {name: 0.0 if i in free else float(10 ** rng.uniform(-3, 3)) for i, name in enumerate(names)}
    links = [
        (names[i], names[rng.integers(0, i)], float(10 ** rng.uniform(-1, 0.7))) for i in range(1, nodes)
    ]
    for _ in range(nodes // 2):
        a, b = rng.choice(nodes, 2, replace=False)
        links.append((names[a], names[b], float(10 ** rng.uniform(-1, 0.7))))
    boundary = {"room": 25.0, "desk": 31.0}
    links += [("room", names[rng.integers(nodes)], 0.3), (names[rng.integers(nodes)], "desk", 0.15)]
    own = OwnNetwork(capacity, boundary, links)
    if streams:
        w, r = float(rng.uniform(0.5, 3.0)), 0.2
        own.capacity |= {"inlet": 0.0, "middle": 0.0, "outlet": 0.0}
        own.streams += [
            ("room", "inlet", w * (1 - r)), ("outlet", "inlet", w * r), ("inlet", "middle", w),
            ("middle", "outlet", w), ("outlet", "room", w * (1 - r)),
        ]  # fmt: skip
        own.links += [(names[rng.integers(nodes)], cell, 1.5) for cell in ("inlet", "middle", "outlet")]
    return own


# -- nonlinear pieces --------------------------------------------------------------------------------------


def radiation(area, a, b):
    return area * SIGMA * ((a + 273.15) ** 4 - (b + 273.15) ** 4)


def convection(coefficient, a, b, exponent=0.25):
    return coefficient * np.sign(a - b) * abs(a - b) ** (1.0 + exponent)


def leakage(power, reference, slope, t):
    return power * np.exp(slope * (t - reference))


def pipe(resistance, limit, steepness, blend, a, b):
    """Heat through a pipe: full slope up to the blend, the slope falling linearly through it, then 1/steepness."""
    unlimited, sign = abs(a - b) / resistance, np.sign(a - b)
    low, high = limit * (1 - blend), limit * (1 + blend)
    if unlimited <= low:
        return sign * unlimited
    slope = 1.0 / steepness
    x = min(unlimited, high) - low
    return sign * (low + x - (1 - slope) * x * x / (2 * (high - low)) + slope * max(unlimited - high, 0.0))
