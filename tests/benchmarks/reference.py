"""Reference for machines of thousands of nodes: exponentials of sparse matrices by contour integrals.

The heat balance stays on all nodes, massless ones as algebraic rows: ``C dx/dt = f - K x``.  Its Laplace transform gives,
for inputs constant over a step of h seconds, with a sum over points z of a contour around the spectrum

    x(h) = Re sum w (z/h C + K)^-1 (C x(0) + h f / z) / h

(L. N. Trefethen, J. A. C. Weideman, T. Schmelzer, Talbot quadratures and rational approximations, BIT 46, 2006, 653-670:
the cotangent contour, whose error falls like 3.89^-points).  No basis and no propagator of the package is used; elimination,
laws and firmware are those of the second writing.  Laws and leakage are taken at the start of a sample and, for leakage, as a
quadratic through start, middle and end.
"""

from __future__ import annotations

import numpy as np
from cases import PERIOD, second
from scipy.sparse import coo_matrix, csc_matrix, diags
from scipy.sparse.linalg import splu

POINTS = 18


def contour(points=POINTS):
    """Upper half of the contour's points z and weights w: exp(a) is about Re sum w / (z - a)."""
    angle = np.pi * np.arange(1, points, 2) / points
    turned = 0.6407 * angle
    z = points * (0.5017 * angle / np.tan(turned) - 0.6122 + 0.2645j * angle)
    slope = points * (0.5017 / np.tan(turned) - 0.5017 * turned / np.sin(turned) ** 2 + 0.2645j)
    # The lower half is the complex conjugate: twice the real part.
    return z, 2.0 * np.exp(z) * slope / (1j * points)


class SparseNetwork:
    """Heat balance on all nodes, in the form that the second writing's firmware reads."""

    def __init__(self, machine):
        self.machine = machine
        first = self._compiled(tuple(fan.maximum for fan in machine.fans))
        self.nodes, self.n = first.nodes, first.size
        self.capacity = np.asarray(first.capacity, dtype=float)
        self.boundary = np.array([float(value) for value in first.boundary_values])
        self.state = {name: row for row, name in enumerate(first.nodes)}
        self.row, self.active = self.state, np.arange(self.n)
        self.ends = np.asarray(first.law_ends)
        self.values = np.asarray(first.law_parameters)
        if np.any(first.law_code != 1):
            raise ValueError("this reference knows surface laws only")
        self.leaks = [(c, self.state[node], law) for c, chip in enumerate(machine.chips) for node, law in chip.leaks]
        self.leak_state = np.array([s for _, s, _ in self.leaks], dtype=np.int64)
        self.leak_value = np.array([(law.power, law.reference, law.slope) for *_, law in self.leaks]).reshape(-1, 3)
        # Surfaces as they are at 12 K above the room; what is left of the laws acts as heat.
        everything = np.concatenate([np.full(self.n, machine.ambient + 12.0), self.boundary])
        hot, cold = everything[self.ends].T
        self.held = self.law_heat(hot, cold) / (hot - cold)
        self._levels = {}

    def _compiled(self, speeds):
        names = [fan.name for fan in self.machine.fans]
        net = self.machine.assemble({name: np.array([s]) for name, s in zip(names, speeds, strict=True)})
        return net.select(0) if net.batch_shape else net

    def law_heat(self, hot, cold):
        q, rise = self.values.T, hot - cold
        return q[0] * second.SIGMA * ((hot + 273.15) ** 4 - (cold + 273.15) ** 4) + (q[1] * (np.abs(rise) + 1e-9) ** q[2] + q[3]) * rise

    def departure(self, x):
        """Heat into nodes by the laws beyond what the matrix holds, W."""
        everything = np.concatenate([x, self.boundary])
        hot, cold = everything[self.ends].T
        more = self.law_heat(hot, cold) - self.held * (hot - cold)
        heat = np.zeros(everything.size)
        np.add.at(heat, self.ends[:, 0], -more)
        np.add.at(heat, self.ends[:, 1], more)
        return heat[: self.n]

    def leak(self, x):
        power, reference, slope = self.leak_value.T
        return power * np.exp(np.minimum(slope * (x[self.leak_state] - reference), 6.0))

    def level(self, speeds):
        if speeds not in self._levels:
            self._levels[speeds] = SparseLevel(self, self._compiled(speeds))
        return self._levels[speeds]

    def rewet(self, x):
        """Nothing here dries out."""


class SparseLevel:
    """Factors of one fan level."""

    def __init__(self, network, net):
        n, total = net.size, net.size + len(net.boundaries)
        rows, columns, values = [], [], []

        def add(row, column, value):
            rows.append(row)
            columns.append(column)
            values.append(value)

        for ends, strength in ((net.link_ends, net.link_conductance), (network.ends, network.held)):
            a, b = ends.T
            for row, column, sign in ((a, a, 1), (a, b, -1), (b, b, 1), (b, a, -1)):
                add(row, column, sign * strength)
        a, b = net.stream_ends.T
        add(b, b, net.stream_rate)
        add(b, a, -net.stream_rate)
        flow = coo_matrix((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(total, total)).tocsr()
        matrix, self.outer = flow[:n, :n], -flow[:n, n:] @ network.boundary
        self.capacity = network.capacity
        z, self.weights = contour()
        self.points = z
        self.factors = factors(matrix, network.capacity, PERIOD)
        leaks = len(network.leak_state)
        unit = np.zeros((n, leaks))
        unit[network.leak_state, np.arange(leaks)] = 1.0
        self.to_end = [self.columns(unit, k) for k in (1, 2, 3)]
        middle = factors(matrix, network.capacity, 0.5 * PERIOD)
        # Rows that give the leaking nodes half way: by the transposed systems.
        transposed = [factor.solve(unit.astype(complex), trans="T") for factor in middle]
        h = 0.5 * PERIOD
        self.half_state = sum((w * t).real for w, t in zip(self.weights, transposed, strict=True)) / h
        self.half_heat = sum((w / p * t).real for w, p, t in zip(self.weights, z, transposed, strict=True))
        self.half_ramp = sum((w / p**2 * t).real for w, p, t in zip(self.weights, z, transposed, strict=True))[network.leak_state]

    def columns(self, heat, k):
        """States at the end from heat (n, m) W that grows like ``(t/h)^(k-1) / (k-1)!`` over the sample."""
        solved = (factor.solve(heat.astype(complex)) * (w / z**k) for factor, w, z in zip(self.factors, self.weights, self.points, strict=True))
        return sum(part.real for part in solved)

    def ahead(self, x, heat):
        """States at the end of a sample with constant heat (n,) W."""
        stored = self.capacity * x / PERIOD
        solved = (f.solve(w * (stored + heat / z)) for f, w, z in zip(self.factors, self.weights, self.points, strict=True))
        return sum(part.real for part in solved)


def factors(matrix, capacity, h):
    """Factors of ``z/h C + K`` at the contour's points."""
    how = {"permc_spec": "MMD_AT_PLUS_A", "diag_pivot_thresh": 0.01, "options": {"SymmetricMode": True}}
    return [splu(csc_matrix(matrix + diags(point / h * capacity)), **how) for point in contour()[0]]


def advance(network, level, heat, scales, x):
    """One control sample; ``scales`` (leaks,) is how much of each leak floats with the die."""
    constant = heat + level.outer + network.departure(x)
    start = scales * network.leak(x)
    with_leaks = constant.copy()
    np.add.at(with_leaks, network.leak_state, start)
    plain = level.ahead(x, with_leaks)
    if not np.any(scales):
        return plain
    stored = level.capacity * x
    half_plain = level.half_state.T @ stored + level.half_heat.T @ with_leaks
    end, half, y = start, start, plain
    for _ in range(4):
        # The quadratic start + a s + b s^2/2 through the leaks at start, middle and end (s from 0 to 1).
        bend = 4.0 * (end - 2.0 * half + start)
        slope = end - start - 0.5 * bend
        y = plain + level.to_end[1] @ slope + level.to_end[2] @ bend
        at_half = half_plain + level.half_ramp.T @ (0.5 * slope + 0.125 * bend)
        power, reference, steepness = network.leak_value.T
        half = scales * power * np.exp(np.minimum(steepness * (at_half - reference), 6.0))
        end = scales * network.leak(y)
    return y


def trace(case, samples, watched):
    """Temperatures (samples + 1,) of watched nodes by name, and the decisions (bound, speeds), over a prefix of the hour."""
    network = SparseNetwork(case.machine)
    loop = case.loop(keep=False)
    firmware = second.Firmware(network, case.mode, second.start_of(loop), base_heat=case.load.other)
    demand = np.broadcast_to(loop.silicon.demand, (len(case.machine.chips), case.samples))
    x = np.full(network.n, case.machine.ambient)
    x[case.plant.active] = case.plant.temperatures(loop.state.x)
    rows = [network.state[name] for name in watched]
    kept, bounds, speeds = np.empty((samples + 1, len(rows))), [], []
    kept[0] = x[rows]
    for tick in range(samples):
        at, heat, scales, bound = firmware.decide(tick, x, demand[:, tick])
        x = advance(network, network.level(at), heat, scales, x)
        firmware.after()
        kept[tick + 1] = x[rows]
        bounds.append(bound)
        speeds.append(at)
    return dict(zip(watched, kept.T, strict=True)), np.array(bounds), np.array(speeds)
