"""Steady temperatures by damped Newton iteration; thermal runaway is found, never returned as a number."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import ConvergenceError, NetworkError, ThermalRunawayError
from thermnet.network.compiled import CompiledNetwork, compile_network
from thermnet.solve.equations import Factor, HeatBalance, SingularError
from thermnet.solve.powers import read_powers

if TYPE_CHECKING:
    import pandas as pd

    from thermnet.network.graph import ThermalNetwork

Array = NDArray[np.float64]
RUNAWAY_RISE = 2000.0
"""K above the warmest boundary: no notebook survives this, so a solution up there is a runaway."""

SETTLED = 1e-9
"""K: a full Newton step below this ends the iteration."""

NEARLY_SETTLED = 0.1
"""K: a step on the way up below this makes it worth while to try Newton's iteration again."""

ROUNDING = 1e-14
"""Imbalance relative to the heat terms it is the sum of, below which it is rounding."""

LARGEST_STEP = 200.0
"""K per Newton step of a network with laws (or as many as the highest temperature, if that is more)."""

WARMING_STEP = 10.0
"""K per step on the way up from the cold, where losing the way would be mistaken for a runaway."""


def solve_steady(
    network: ThermalNetwork, power: Mapping[str, Any], *, guess: Mapping[str, float] | None = None
) -> pd.Series[float]:
    """Steady temperatures by node name; see :meth:`ThermalNetwork.steady`."""
    import pandas as pd

    compiled = compile_network(network)
    if compiled.batch_shape:
        raise NetworkError(f"steady() solves one machine; this network holds {compiled.batch_shape} of them")
    powers = read_powers(compiled, power)
    if powers.stepped:
        name = compiled.nodes[powers.stepped[0][0]]
        raise NetworkError(f"power at {name!r} steps in time; steady() takes a number of W")
    start = None if guess is None else _first_guess(compiled, guess)
    temperatures = steady_temperatures(compiled, powers.at(0.0), start=start)
    return pd.Series(temperatures, index=list(compiled.nodes), name="temperature_degC")


def _first_guess(compiled: CompiledNetwork, guess: Mapping[str, float]) -> Array:
    start = np.full(compiled.size, float(np.mean(compiled.boundary_temperature(0.0))))
    for name, value in guess.items():
        row = compiled.row(name)
        if not np.isfinite(value):
            raise NetworkError(f"guess at {name!r} is {value!r}; expected a finite number of degC")
        if row < compiled.size:
            start[row] = float(value)
    return start


def steady_temperatures(
    compiled: CompiledNetwork, power: Array, *, start: Array | None = None, time: float = 0.0,
    balance: HeatBalance | None = None,
) -> Array:  # fmt: skip
    """Solve ``residual(T) = 0`` for one machine.

    Newton first.  Where that fails, or ends in a state that leakage would drive on, the machine is warmed up from its
    coldest boundary in small implicit steps of pseudo time: temperatures then rise to the lowest steady state, the
    one that a real machine reaches, or past every one there might be, and only that is called a runaway.

    Parameters
    ----------
    compiled : CompiledNetwork
    power : (n,) W
    start : (n,) degC, optional
    time : float
        Time at which varying boundaries are read, s.

    Raises
    ------
    ThermalRunawayError
        No steady state below the point where leakage has grown four-hundredfold.
    ConvergenceError
        The iteration does not settle; the node with the worst imbalance is named.
    """
    solver = _Steady(balance or HeatBalance(compiled), power, compiled.boundary_temperature(time))
    cold = np.full(compiled.size, float(np.min(solver.boundary)))
    found = solver.newton(cold if start is None else np.array(start, dtype=float))
    if found is None or not solver.sound(found):
        found = solver.warm_up(cold)
    return found


class _Steady:
    """One steady problem: heat balance, powers and boundary temperatures."""

    def __init__(self, balance: HeatBalance, power: Array, boundary: Array) -> None:
        self.balance, self.power, self.boundary = balance, power, boundary
        self.nodes = balance.compiled.nodes
        self.leaks, self.linear = bool(len(balance.compiled.leakages)), balance.compiled.is_linear
        self.ceiling = float(np.max(boundary)) + RUNAWAY_RISE if self.leaks else np.inf

    def residual(self, temperature: Array) -> Array:
        return self.balance.residual(temperature, self.boundary, self.power)

    def is_rounding(self, residual: Array, temperature: Array) -> bool:
        """Whether the imbalance is no more than rounding of its terms."""
        gross = self.balance.gross(temperature, self.boundary, self.power)
        return bool(np.max(np.abs(residual)) <= ROUNDING * gross)

    def newton(self, temperature: Array) -> Array | None:
        """Damped Newton iteration; None where it loses its way."""
        residual = self.residual(temperature)
        for _ in range(100):
            if self.is_rounding(residual, temperature):
                return temperature
            try:
                step = -Factor(self.balance.jacobian(temperature, self.boundary), self.nodes).solve(residual)
            except SingularError:
                return None
            if not np.all(np.isfinite(step)):
                return None
            size = float(np.max(np.abs(step)))
            allowed = np.inf if self.linear else max(LARGEST_STEP, float(np.max(np.abs(temperature))))
            temperature, residual = self._damped(
                temperature, residual, step, min(1.0, allowed / max(size, 1.0))
            )
            if np.max(temperature) > self.ceiling:
                return None
            if size < SETTLED:
                return temperature
        return None

    def _damped(self, temperature: Array, residual: Array, step: Array, factor: float) -> tuple[Array, Array]:
        """Take the Newton step, halved while it makes the imbalance clearly worse."""
        norm = float(np.linalg.norm(residual))
        for _ in range(12):
            trial = temperature + factor * step
            with np.errstate(over="ignore", invalid="ignore"):
                value = self.residual(trial)
            if np.all(np.isfinite(value)) and float(np.linalg.norm(value)) <= 2.0 * norm + 1e-12:
                break
            factor *= 0.5
        return trial, value

    def warm_up(self, temperature: Array) -> Array:
        """Linearly implicit Euler steps in pseudo time from the cold side, longer and longer."""
        storage = np.abs(self.balance.jacobian(temperature, self.boundary).diagonal()) + 1e-12
        pace = 1e-2
        for _ in range(3000):
            residual = self.residual(temperature)
            matrix = self.balance.shifted(self.balance.jacobian(temperature, self.boundary), storage / pace)
            try:
                both = Factor(matrix, self.nodes).solve(np.column_stack([residual, np.ones(residual.size)]))
            except SingularError:
                pace *= 0.25
                continue
            step, response = both[:, 0], both[:, 1]
            size = float(np.max(np.abs(step)))
            # A step so long that warmth would cool has gone round the pole where the heat balance turns unstable.
            if not (size <= WARMING_STEP and np.all(response > 0)):
                pace *= 0.25
                continue
            temperature = temperature + step
            if np.max(temperature) > self.ceiling or self.balance.leaks_at_most(temperature):
                raise self._runaway(temperature)
            if size < NEARLY_SETTLED:
                found = self.newton(temperature)
                if (
                    found is not None
                    and np.max(np.abs(found - temperature)) < WARMING_STEP
                    and self.sound(found)
                ):
                    return found
            pace *= 4.0 if size < 0.3 * WARMING_STEP else 1.2
        worst = int(np.argmax(np.abs(residual)))
        raise ConvergenceError(
            f"steady state: not settled; worst imbalance {abs(residual[worst]):.3g} W at {self.nodes[worst]!r}, "
            f"at {temperature[worst]:.6g} degC"
        )

    def sound(self, temperature: Array) -> bool:
        """Whether leakage lets the machine stay there: a small warming decays, and no leakage stands at its cap."""
        if not self.leaks:
            return True
        if self.balance.leaks_at_most(temperature):
            return False
        return is_stable(self.balance.jacobian(temperature, self.boundary), self.nodes)

    def _runaway(self, temperature: Array) -> ThermalRunawayError:
        leaking = self.balance.compiled.leak_node
        hottest = self.nodes[int(leaking[int(np.argmax(temperature[leaking]))])]
        return ThermalRunawayError(
            f"thermal runaway at {hottest!r}: leakage grows faster with temperature than the network carries heat "
            "away; there is no steady state at this power",
            node=hottest,
        )


def is_stable(jacobian: Any, nodes: tuple[str, ...]) -> bool:
    """Whether a small warming decays, whatever the (positive) heat capacities.

    Where warming one node never cools another (off-diagonals of 0 or more) this is so exactly if ``-jacobian @ v = 1``
    has a positive solution (M-matrices: A. Berman, R. J. Plemmons, Nonnegative Matrices in the Mathematical
    Sciences, SIAM 1994, chapter 6); otherwise the eigenvalues decide.
    """
    dense = isinstance(jacobian, np.ndarray)
    largest = float(abs(jacobian).max())
    if dense:
        coldest = float((jacobian - np.diag(np.diag(jacobian))).min())
    else:
        coldest = float((jacobian - _diagonal(jacobian)).min())
    if coldest >= -1e-9 * largest:
        try:
            response = Factor(-jacobian, nodes).solve(np.ones(len(nodes)))
        except SingularError:
            return False
        return bool(np.all(np.isfinite(response)) and np.all(response > 0))
    return bool(np.max(np.linalg.eigvals(jacobian if dense else jacobian.toarray()).real) < 0)


def _diagonal(matrix: Any) -> Any:
    from scipy.sparse import diags

    return diags(matrix.diagonal())
