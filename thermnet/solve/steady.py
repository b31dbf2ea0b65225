"""Steady temperatures by damped Newton iteration; thermal runaway is found, never returned as a number."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import ConvergenceError, NetworkError, ThermalRunawayError
from thermnet.network.compiled import CompiledNetwork, compile_network, power_rows
from thermnet.solve.equations import Factor, HeatBalance, SingularError

if TYPE_CHECKING:
    import pandas as pd

    from thermnet.network.graph import ThermalNetwork

Array = NDArray[np.float64]
RUNAWAY_RISE = 2000.0
"""K above the warmest boundary: no notebook survives this, so a solution up there is a runaway."""
HOLDS = 1e-10
"""Heat imbalance relative to the heat put in at which the iteration stops."""


def solve_steady(
    network: ThermalNetwork, power: Mapping[str, Any], *, guess: Mapping[str, float] | None = None
) -> pd.Series:
    """Steady temperatures by node name; see :meth:`ThermalNetwork.steady`."""
    import pandas as pd

    compiled = compile_network(network)
    if compiled.batch_shape:
        raise NetworkError(f"steady() solves one machine; this network holds {compiled.batch_shape} of them")
    watts = np.zeros(compiled.size)
    for row, value in power_rows(compiled, power).items():
        number = float(value(0.0)) if callable(value) else float(value)
        if not np.isfinite(number):
            raise NetworkError(f"power at {compiled.nodes[row]!r}: {value!r}; expected a finite number of W")
        watts[row] = number
    start = None
    if guess:
        start = np.full(compiled.size, float(np.mean(compiled.boundary_temperature(0.0))))
        for name, value in guess.items():
            start[compiled.row(name)] = value
    temperatures = steady_temperatures(compiled, watts, start=start)
    return pd.Series(temperatures, index=list(compiled.nodes), name="temperature_degC")


def steady_temperatures(
    compiled: CompiledNetwork, power: Array, *, start: Array | None = None, time: float = 0.0,
    balance: HeatBalance | None = None,
) -> Array:  # fmt: skip
    """Solve ``residual(T) = 0`` for one machine.

    Newton from the cold side: with leakage (convex in temperature) every iterate stays below the cooler of the two
    solutions, so that losing the positive slope of the heat balance on the way means there is no solution at all.

    Parameters
    ----------
    compiled : CompiledNetwork
    power : (n,) W
    start : (n,) degC, optional
    time : float
        Time at which varying boundaries are read, s.

    Raises
    ------
    ThermalRunawayError, ConvergenceError
    """
    balance = balance or HeatBalance(compiled)
    boundary = compiled.boundary_temperature(time)
    ceiling = float(np.max(boundary)) + RUNAWAY_RISE
    temperature = np.full(compiled.size, float(np.min(boundary))) if start is None else np.array(start, dtype=float)
    scale = float(np.sum(np.abs(power))) + float(np.sum(np.abs(balance.outer @ boundary))) + 1e-9
    residual = balance.residual(temperature, boundary, power)
    for _ in range(100):
        try:
            jacobian = balance.jacobian(temperature, boundary)
            step = -Factor(jacobian, compiled.nodes).solve(residual)
        except SingularError as error:
            if len(compiled.leakages):
                raise _runaway(compiled, temperature) from None
            raise ConvergenceError(f"steady state: {error}") from None
        if len(compiled.leakages) and _lost_stability(compiled, jacobian, step, temperature):
            raise _runaway(compiled, temperature)
        if not np.all(np.isfinite(step)):
            raise ConvergenceError("steady state: the iteration left the finite numbers")
        temperature, residual, change = _damped(balance, temperature, boundary, power, residual, step)
        if np.max(temperature) > ceiling:
            raise _runaway(compiled, temperature)
        if change < 1e-9 or float(np.max(np.abs(residual))) < HOLDS * scale * 1e-2:
            break
    else:
        worst = compiled.nodes[int(np.argmax(np.abs(residual)))]
        raise ConvergenceError(
            f"steady state: not converged after 100 iterations; worst imbalance {np.max(np.abs(residual)):.3g} W at {worst!r}"
        )
    if len(compiled.leakages) and not _is_stable(balance, temperature, boundary):
        raise _runaway(compiled, temperature)
    return temperature


def _damped(
    balance: HeatBalance, temperature: Array, boundary: Array, power: Array, residual: Array, step: Array
) -> tuple[Array, Array, float]:
    """Take the Newton step, halved while it makes the imbalance clearly worse."""
    size = float(np.max(np.abs(step)))
    factor = min(1.0, 200.0 / size) if size > 200.0 else 1.0
    norm = float(np.linalg.norm(residual))
    for _ in range(12):
        trial = temperature + factor * step
        value = balance.residual(trial, boundary, power)
        if np.all(np.isfinite(value)) and float(np.linalg.norm(value)) <= 2.0 * norm + 1e-12:
            break
        factor *= 0.5
    return trial, value, factor * size


def _lost_stability(compiled: CompiledNetwork, jacobian: Any, step: Array, temperature: Array) -> bool:
    """From the cold side a sound Newton step never cools a leaking node."""
    diagonal = jacobian.diagonal() if not isinstance(jacobian, np.ndarray) else np.diag(jacobian)
    if np.any(diagonal[compiled.leak_node] > 0):
        return True
    return bool(np.min(step[compiled.leak_node]) < -1.0 and np.max(temperature) > 150.0)


def _is_stable(balance: HeatBalance, temperature: Array, boundary: Array) -> bool:
    """Whether a small warming decays: no eigenvalue of the Jacobian on the wrong side."""
    jacobian = balance.jacobian(temperature, boundary)
    if isinstance(jacobian, np.ndarray):
        return bool(np.max(np.linalg.eigvals(jacobian).real) < 0)
    from scipy.sparse.linalg import eigs

    return bool(eigs(jacobian, k=1, which="LR", return_eigenvectors=False)[0].real < 0)


def _runaway(compiled: CompiledNetwork, temperature: Array) -> ThermalRunawayError:
    leaking = compiled.leak_node
    hottest = compiled.nodes[int(leaking[int(np.argmax(temperature[leaking]))])]
    return ThermalRunawayError(
        f"thermal runaway at {hottest!r}: leakage grows faster with temperature than the network carries heat away; "
        "there is no steady state at this power", node=hottest,
    )  # fmt: skip
