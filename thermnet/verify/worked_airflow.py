"""Fans against machines whose operating point is known in closed form."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from thermnet.materials import air
from thermnet.physics import airflow
from thermnet.physics.airflow import FanCurve, RunningFan
from thermnet.physics.fins import Impedance


def fan_meets_machine(
    free_flow: float, shutoff_pressure: float, linear_share: float, linear: float, quadratic: float,
    speed_ratio: float = 1.0, density_ratio: float = 1.0, fans: float = 1.0, stacks: float = 1.0,
) -> float:  # fmt: skip
    """Flow in m^3/s through equal fin stacks in parallel, driven by equal fans in parallel.

    ``linear`` (Pa s/m^3) and ``quadratic`` (Pa s^2/m^6) belong to one stack, the curve to one fan.
    """
    fan = RunningFan(FanCurve(free_flow, shutoff_pressure, linear_share), speed_ratio, density_ratio)
    point = airflow.operating_point([fan] * int(fans), [Impedance(linear, quadratic)] * int(stacks))
    return float(point.flow)


def stopped_neighbour(
    stopped_loss: float, free_flow: float = 2e-3, shutoff_pressure: float = 100.0
) -> dict[str, float]:
    """One fan (a straight line) runs, its equal stands still, and the fins are all but closed.

    Returns
    -------
    dict
        ``returned`` flow through the stopped fan over ``free_flow``, ``pressure`` of the plenum over
        ``shutoff_pressure``.
    """
    curve = FanCurve(free_flow, shutoff_pressure, 1.0, stopped_loss=stopped_loss)
    point = airflow.operating_point([RunningFan(curve, 1.0), RunningFan(curve, 0.0)], [Impedance(1e12, 0.0)])
    return {
        "returned": float(-point.fan_flows[1] / free_flow),
        "pressure": float(point.fan_pressure / shutoff_pressure),
    }


def split_between(linear: Sequence[float], free_flow: float, shutoff_pressure: float) -> list[float]:
    """Shares of the flow in fin stacks of given linear impedances, Pa s/m^3."""
    fan = RunningFan(FanCurve(free_flow, shutoff_pressure), 1.0)
    point = airflow.operating_point([fan], [Impedance(a, 0.0) for a in linear])
    return [float(flow / point.flow) for flow in point.stack_flows]


def air_capacity_rate(volume_flow: float, temperature: float, altitude: float = 0.0) -> float:
    """Capacity rate in W/K of a volume flow of room air."""
    pressure = air.standard_atmosphere(altitude).pressure
    return float(volume_flow * air.density(temperature, pressure) * air.specific_heat(temperature, pressure))


def recirculation_cost(heat: float, capacity_rate: float, first: float, second: float) -> float:
    """Rise of the inlet in K when the recirculated share grows from ``first`` to ``second``."""
    low, high = (airflow.recirculated_inlet(0.0, heat, capacity_rate, r) for r in (first, second))
    return float(high - low)


def fan_law_ratios(speed_ratio: float, density_ratio: float = 1.0) -> list[float]:
    """Ratios of flow, pressure and power of a fan."""
    return [float(np.asarray(v)) for v in airflow.fan_laws(speed_ratio, density_ratio)]
