"""How much every watt at one place warms every other place: linearised at a steady state."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.network import ThermalNetwork
from thermnet.network.compiled import CompiledNetwork, compile_network
from thermnet.solve.equations import Factor, HeatBalance
from thermnet.solve.steady import steady_temperatures
from thermnet.studies.steady_machine import Point, SteadyMachine

Array = NDArray[np.float64]


def influence_matrix(compiled: CompiledNetwork, temperature: Array, nodes: Sequence[str]) -> Array:
    """Change of each node's temperature per W of heat at each node: ``dT_i/dq_j`` in K/W, (nodes, nodes).

    The inverse of the network's Jacobian at the temperatures given, leakage left out.  Symmetric where heat only
    passes through links whose conductance is constant or that lead to a boundary (reciprocity); one-way streams of air
    break the symmetry, because what is downstream does not warm what is upstream.

    Parameters
    ----------
    compiled : CompiledNetwork
        One machine.
    temperature : (n,) degC
    nodes : sequence of str
        Rows and columns wanted.
    """
    balance = HeatBalance(compiled)
    rows = [compiled.row(name) for name in nodes]
    jacobian = balance.jacobian(temperature, compiled.boundary_temperature(0.0))
    push = np.zeros((compiled.size, len(rows)))
    push[rows, np.arange(len(rows))] = 1.0
    result: Array = -Factor(jacobian, compiled.nodes).solve(push)[rows]
    return result


def network_influence(network: ThermalNetwork, power: Any, nodes: Sequence[str] | None = None) -> Any:
    """Influence matrix of a bare network at its steady state under ``power`` (W by node): a labelled DataFrame, K/W."""
    import pandas as pd

    compiled = compile_network(network)
    watts = np.zeros(compiled.size)
    for name, value in dict(power).items():
        watts[compiled.row(name)] = float(value)
    names = list(compiled.nodes) if nodes is None else list(nodes)
    matrix = influence_matrix(compiled, steady_temperatures(compiled, watts), names)
    return pd.DataFrame(matrix, index=names, columns=names)


def chip_influence(machine: SteadyMachine, point: Point, nodes: Sequence[str]) -> Array:
    """Change of each node's temperature per W of each chip's total power: K/W, (nodes, chips).

    Regulator losses that follow the chip and the shift of heat by leakage (at held total power) are inside.
    """
    rows = [point.level.compiled.row(name) for name in nodes]
    power = machine.demand(point.power)
    columns = []
    for c in range(len(machine.chips)):
        split = np.zeros(len(machine.chips))
        split[c] = 1.0
        columns.append(point.level.response(power, point.temperature, split)[rows])
    return np.stack(columns, axis=1)
