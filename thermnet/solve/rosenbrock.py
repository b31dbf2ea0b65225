"""General transient solver: an L-stable, stiffly accurate Rosenbrock method of order 4(3) for heat balances.

Coefficients: RODAS of E. Hairer and G. Wanner, Solving Ordinary Differential Equations II, 2nd ed. 1996,
section IV.7 (from memory; the convergence order is a test).  Rows without capacity are algebraic equations
(index 1), which the method handles as they are.

Heat put in and heat leaving are carried along as two more equations: what the method conserves exactly (as every
Runge-Kutta or Rosenbrock method does with linear invariants, ibid. section IV.1) then also balances in the accounts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import ConvergenceError
from thermnet.solve.equations import Factor, Flows, HeatBalance

Array = NDArray[np.float64]

GAMMA = 0.25
A = np.array([
    [0, 0, 0, 0, 0],
    [1.544, 0, 0, 0, 0],
    [0.9466785280815826, 0.2557011698983284, 0, 0, 0],
    [3.314825187068521, 2.896124015972201, 0.9986419139977817, 0, 0],
    [1.221224509226641, 6.019134481288629, 12.53708332932087, -0.6878860361058950, 0],
])  # fmt: skip
C = np.array([
    [0, 0, 0, 0, 0],
    [-5.6688, 0, 0, 0, 0],
    [-2.430093356833875, -0.2063599157091915, 0, 0, 0],
    [-0.1073529058151375, -9.594562251023355, -20.47028614809616, 0, 0],
    [7.496443313967647, -10.24680431464352, -33.99990352819905, 11.70890893206160, 0],
    [8.083246795921522, -7.981132988064893, -31.52159432874371, 16.31930543123136, -6.058818238834054],
])  # fmt: skip
ALPHA = np.array([0.0, 0.386, 0.21, 0.63, 1.0, 1.0])
D = np.array([0.25, -0.1043, 0.1035, -0.03620000000000023, 0.0, 0.0])
DENSE = np.array([
    [10.12623508344586, -7.487995877610167, -34.80091861555747, -7.992771707568823, 1.025137723295662],
    [-0.6762803392801253, 6.087714651680015, 16.43084320892478, 24.76722511418386, -6.594389125716872],
])  # fmt: skip

Inputs = Callable[[float], tuple[Array, Array]]
"""(boundary temperatures, power per node) at a time."""


@dataclass
class Step:
    """One accepted step: temperatures at both ends, the polynomial between, heat in and out over the step in J."""

    start: float
    size: float
    before: Array
    after: Array
    third: Array
    fourth: Array
    into: float
    out: float

    def at(self, time: float) -> Array:
        """Temperatures within the step (order 3)."""
        s = (time - self.start) / self.size
        r = 1.0 - s
        return self.before * r + s * (self.after + r * (self.third + s * self.fourth))


class Rosenbrock:
    """Adaptive integrator over one machine's heat balance."""

    def __init__(self, balance: HeatBalance, inputs: Inputs, tolerance: float) -> None:
        self.balance = balance
        self.inputs = inputs
        self.tolerance = tolerance
        self.capacity = balance.compiled.capacity
        self.jacobians = 0
        self.rejected = 0
        self.accepted = 0

    def integrate(
        self, temperature: Array, start: float, end: float, *, first: float | None = None, largest: float = np.inf,
        on_step: Callable[[Step], bool] | None = None,
    ) -> Array:  # fmt: skip
        """Advance from ``start`` to ``end``; ``on_step`` sees every accepted step and may stop by returning True.

        Raises
        ------
        ConvergenceError
            The step size has collapsed; the message names the node with the largest error.
        """
        time = start
        size = min(1e-4 * (end - start) if first is None else first, end - start, largest)
        smallest = 1e-13 * max(abs(end), 1e-3)
        before = np.array(temperature, dtype=float)
        while time < end:
            if time + 1.01 * size >= end:
                size = end - time
            with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
                # A step far too long leaves the finite numbers, and is rejected for it.
                step, error = self._try(before, time, size)
            largest_error = float(np.max(np.abs(error)))
            worst = largest_error / self.tolerance if np.isfinite(largest_error) else np.inf
            if worst <= 1.0:
                self.accepted += 1
                before, time = step.after, (end if size == end - time else time + size)
                if on_step is not None and on_step(step):
                    return before
            else:
                self.rejected += 1
                if size < smallest:
                    node = self.balance.compiled.nodes[
                        int(np.argmax(np.nan_to_num(np.abs(error), nan=np.inf)))
                    ]
                    raise ConvergenceError(
                        f"transient: the step size collapsed at {time:.6g} s; the largest error is at {node!r}"
                    )
            factor = 0.2 if not np.isfinite(worst) else min(5.0, max(0.2, 0.9 * max(worst, 1e-10) ** -0.25))
            size = min(size * factor, largest)
        return before

    def _try(self, before: Array, time: float, size: float) -> tuple[Step, Array]:
        """Compute one step of ``size`` s; returns it with the error estimate in K of every node."""
        balance = self.balance
        boundary, power = self.inputs(time)
        slopes = balance.slopes(before, boundary)
        self.jacobians += 1
        factor = Factor(balance.shifted(slopes.net, self.capacity / (size * GAMMA)), balance.compiled.nodes)
        drift = self._time_slope(before, time, size, boundary, power)
        u = np.zeros((6, before.size))
        # The same stages for the two accounts: heat put in, heat out.
        accounts = np.zeros((6, 2))
        stage = before
        for i in range(6):
            if i in (1, 2, 3, 4):
                stage = before + A[i] @ u[:5]
                boundary, power = self.inputs(time + ALPHA[i] * size)
            elif i == 5:
                stage = stage + u[4]
                boundary, power = self.inputs(time + size)
            flows = balance.flows(stage, boundary, power)
            right = flows.net + self.capacity * (C[i] @ u[:5]) / size + size * D[i] * drift.net
            u[i] = factor.solve(right)
            rates = np.array([flows.into + size * D[i] * drift.into, flows.out + size * D[i] * drift.out])
            rates += [slopes.into @ u[i], slopes.out @ u[i]]
            accounts[i] = GAMMA * (size * rates + C[i] @ accounts[:5])
        after = stage + u[5]
        third, fourth = DENSE @ u[:5]
        into, out = A[4] @ accounts[:5] + accounts[4] + accounts[5]
        return Step(time, size, before, after, third, fourth, float(into), float(out)), u[5]

    def _time_slope(self, before: Array, time: float, size: float, boundary: Array, power: Array) -> Flows:
        """Partial derivative of the flows by time (varying boundaries and powers)."""
        later = time + 1e-6 * size
        delta = later - time
        if delta <= 0.0:
            return Flows(np.zeros_like(before), 0.0, 0.0)
        later_boundary, later_power = self.inputs(later)
        if np.array_equal(boundary, later_boundary) and np.array_equal(power, later_power):
            return Flows(np.zeros_like(before), 0.0, 0.0)
        then = self.balance.flows(before, later_boundary, later_power)
        now = self.balance.flows(before, boundary, power)
        return Flows(
            (then.net - now.net) / delta, (then.into - now.into) / delta, (then.out - now.out) / delta
        )
