"""A machine with its fans at fixed speeds: its steady state, the derivatives of that, and the room to the limits.

The same balance as :func:`thermnet.solve.start.soaked` (total chip power held, leakage inside it, the other parts at
their nominal heat), solved by Newton's method with the leakage in the Jacobian, so that its derivatives come for free.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import ConvergenceError
from thermnet.network.compiled import CompiledNetwork
from thermnet.network.laws import MAXIMUM_EXPONENT, dry_out_limit
from thermnet.run import RunLimit
from thermnet.solve.equations import Factor, HeatBalance
from thermnet.solve.machine import Machine

Array = NDArray[np.float64]
SETTLED = 1e-7
"""K: last Newton step of a steady state; the steps square the error, so what is left is rounding."""


@dataclass(frozen=True)
class Sources:
    """Where the heat of the chips and of the other parts goes, over the rows of a network of ``n`` nodes.

    Attributes
    ----------
    base : (n,) W of the other parts
    share, follow : (chips, n) per W of chip power
    leak_chip, leak_node : (l,) chip and row of each leaking place
    leak_power, leak_reference, leak_slope : (l,) W at full voltage, degC, 1/K
    """

    base: Array
    share: Array
    follow: Array
    leak_chip: NDArray[np.int64]
    leak_node: NDArray[np.int64]
    leak_power: Array
    leak_reference: Array
    leak_slope: Array

    @classmethod
    def of(cls, machine: Machine, compiled: CompiledNetwork) -> Sources:
        """Read them off a machine."""
        base = np.zeros(compiled.size)
        share, follow = np.zeros((2, len(machine.chips), compiled.size))
        for nodes, watts in machine.sources.values():
            for node, part in nodes.items():
                base[compiled.row(node)] += part * watts
        leaks: list[tuple[float, ...]] = []
        for c, chip in enumerate(machine.chips):
            for target, table in ((share, chip.share), (follow, chip.follow)):
                for node, part in table.items():
                    target[c, compiled.row(node)] += part
            leaks += [
                (c, compiled.row(n), *(float(v) for v in (w.power, w.reference, w.slope)))
                for n, w in chip.leaks
            ]
        columns = np.array(leaks, dtype=float).reshape(-1, 5).T
        return cls(
            base, share, follow, columns[0].astype(np.int64), columns[1].astype(np.int64), *columns[2:]
        )

    def heat(self, power: Array, temperature: Array) -> tuple[Array, Array]:
        """Heat into each node in W at chip powers, and its derivative by the node temperatures, (n,) and (n, n)."""
        heat = self.base + power @ self.follow
        slope = np.zeros((heat.size, heat.size))
        exponent = self.leak_slope * (temperature[self.leak_node] - self.leak_reference)
        leak = self.leak_power * np.exp(np.minimum(exponent, MAXIMUM_EXPONENT))
        growth = np.where(exponent < MAXIMUM_EXPONENT, self.leak_slope * leak, 0.0)
        for c, watts in enumerate(power):
            own = np.flatnonzero(self.leak_chip == c)
            total = float(leak[own].sum())
            # A chip cannot leak more than it draws: its voltage is down then.
            scale = min(1.0, float(watts) / total) if total > 0 else 0.0
            heat += self.share[c] * (watts - scale * total)
            for e in own:
                node = self.leak_node[e]
                heat[node] += scale * leak[e]
                if scale == 1.0:
                    slope[node, node] += growth[e]
                    slope[:, node] -= self.share[c] * growth[e]
        return heat, slope


class SteadyLevel:
    """A machine with its fans at fixed speeds.

    Parameters
    ----------
    machine : Machine
    compiled : CompiledNetwork
        The machine's network at these speeds.
    limits : sequence of RunLimit
    """

    def __init__(self, machine: Machine, compiled: CompiledNetwork, limits: Sequence[RunLimit]) -> None:
        self.compiled = replace(compiled, leak_node=np.zeros(0, dtype=np.int64), leakages=())
        self.sources = Sources.of(machine, compiled)
        self.balance = HeatBalance(self.compiled)
        self.boundary = compiled.boundary_temperature(0.0)
        self.limits = tuple(limits)
        self.rows = [compiled.row(q.node) if q.node else -1 for q in self.limits]
        self.laws = [compiled.law_names.index(q.link) if q.link else -1 for q in self.limits]
        self.last: Array | None = None

    def ease(self, node: str, share: float) -> None:
        """Leave only a share of the other parts' heat at a node (a charger that backs off)."""
        base = self.sources.base.copy()
        base[self.compiled.row(node)] *= share
        self.sources = replace(self.sources, base=base)

    def temperatures(self, power: Array, guess: Array | None = None) -> Array:
        """Steady node temperatures (n,) in degC at chip powers (chips,) in W.

        Raises
        ------
        ConvergenceError
            The balance does not settle.
        """
        start = self.last if guess is None else guess
        temperature = (
            np.full(self.compiled.size, float(np.mean(self.boundary))) if start is None else start.copy()
        )
        step = np.zeros(1)
        for _ in range(80):
            heat, jacobian = self._linearised(power, temperature)
            residual = self.balance.residual(temperature, self.boundary, heat)
            step = -Factor(jacobian, self.compiled.nodes).solve(residual)
            size = float(np.max(np.abs(step)))
            temperature += step * min(1.0, 150.0 / max(size, 1e-300))
            if size < SETTLED:
                self.last = temperature.copy()
                return temperature
        worst = self.compiled.nodes[int(np.argmax(np.abs(step)))]
        watts = float(np.sum(power))
        raise ConvergenceError(
            f"steady state at {watts:g} W: not settled after 80 iterations; worst at {worst!r}"
        )

    def _linearised(self, power: Array, temperature: Array) -> tuple[Array, Array]:
        heat, slope = self.sources.heat(power, temperature)
        jacobian = self.balance.jacobian(temperature, self.boundary)
        return heat, (jacobian if isinstance(jacobian, np.ndarray) else jacobian.toarray()) + slope

    def jacobian(self, power: Array, temperature: Array) -> Array:
        """Return the derivative of net heat into nodes by node temperatures, W/K (n, n), leakage included."""
        return self._linearised(power, temperature)[1]

    def response(self, power: Array, temperature: Array, split: Array) -> Array:
        """Change of every node temperature per W of total chip power, shared by ``split`` (chips,): K/W (n,)."""
        push = split @ (self.sources.share + self.sources.follow)
        solution: Array = -Factor(self.jacobian(power, temperature), self.compiled.nodes).solve(push)
        return solution

    def excess(self, temperature: Array) -> Array:
        """Excess over every limit, K (temperature limits) or W (heat limits)."""
        full = np.concatenate([temperature, self.boundary])
        heat = self.balance.law_heat(full) if max(self.laws, default=-1) >= 0 else np.zeros(0)
        result = np.empty(len(self.limits))
        for q, limit in enumerate(self.limits):
            if limit.node:
                result[q] = full[self.rows[q]] - limit.value
            else:
                a, b = self.compiled.law_ends[self.laws[q]]
                allowed = dry_out_limit(self.compiled.law_parameters[self.laws[q]], full[a], full[b])
                result[q] = abs(float(heat[self.laws[q]])) - float(allowed)
        return result

    def allowed_heat(self, temperature: Array) -> Array:
        """Heat limits in W at these temperatures; 0 for temperature limits."""
        full = np.concatenate([temperature, self.boundary])
        result = np.zeros(len(self.limits))
        for q, k in enumerate(self.laws):
            if k >= 0:
                a, b = self.compiled.law_ends[k]
                result[q] = float(dry_out_limit(self.compiled.law_parameters[k], full[a], full[b]))
        return result


@dataclass(frozen=True)
class Margins:
    """What is kept back from the limits.

    Attributes
    ----------
    temperature : float
        K below every temperature limit.
    heat : float
        Share of every heat limit (0 to below 1).
    """

    temperature: float = 0.0
    heat: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.temperature) and 0.0 <= self.temperature < 60.0):
            raise ValueError(f"margin {self.temperature!r}; expected 0 to 60 K below the temperature limits")
        if not (np.isfinite(self.heat) and 0.0 <= self.heat < 1.0):
            raise ValueError(
                f"heat margin {self.heat!r}; expected a share of the dry-out limit from 0 to below 1"
            )

    def added(self, level: SteadyLevel, temperature: Array) -> Array:
        """Return what the margins add to every excess, K or W."""
        node = np.array([limit.node != "" for limit in level.limits])
        return np.where(node, self.temperature, self.heat * level.allowed_heat(temperature))


NO_MARGINS = Margins()


@dataclass(frozen=True)
class Point:
    """A steady state.

    Attributes
    ----------
    power : float
        W, all chips of the split together.
    binds : int
        Index of the limit that binds, -1 if none.
    temperature : (n,) degC
    excess : (limits,) K or W, margins not counted
    speeds : mapping of fan to rpm
    level : SteadyLevel
    """

    power: float
    binds: int
    temperature: Array
    excess: Array
    speeds: Mapping[str, float]
    level: SteadyLevel

    @property
    def held_by(self) -> str:
        """Name of the limit that binds, or ``none``."""
        return self.level.limits[self.binds].name if self.binds >= 0 else "none"
