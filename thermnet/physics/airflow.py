"""Fans against the machine: fan laws and curves, system impedance, several fans and fin stacks in one plenum.

Volume flows in m^3/s, pressures in Pa, densities relative to 1.2 kg/m^3 (the air in which fan curves are
given). Scalars and arrays broadcast, so that speeds may be (levels, 1) and designs (samples,).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thermnet.materials import air
from thermnet.physics import ducts
from thermnet.physics.fins import Impedance

Array = NDArray[np.float64]

FAN_AIR_DENSITY = 1.2
"""kg/m^3, standard air of fan curves (ISO 5801)."""
STANDSTILL = 1e-9
"""Share of its reference speed below which a fan counts as stopped."""


class FanLaws(NamedTuple):
    """Ratios of flow, pressure and shaft power."""

    flow: Any
    pressure: Any
    power: Any


def fan_laws(speed_ratio: Any, density_ratio: Any = 1.0) -> FanLaws:
    """How flow, pressure and power of a fan change with its speed and the air's density: n, rho n^2, rho n^3.

    Source: fan affinity laws (any text on turbomachines).
    """
    n = np.asarray(speed_ratio, dtype=float)
    return FanLaws(n, density_ratio * n**2, density_ratio * n**3)


class FanCurve(NamedTuple):
    """A fan at its reference speed in standard air.

    Attributes
    ----------
    free_flow : float or array
        Flow against no pressure, m^3/s.
    shutoff_pressure : float or array
        Pressure at no flow, Pa.
    linear_share : float or array
        Shape between the two: p/p0 = 1 - s v - (1 - s) v^2 with v = V/V0; 1 is a straight line, 0 a parabola.
    points : tuple of (float, float)
        Instead of ``linear_share``: rows of (V/V0, p/p0), from (0, 1) to (1, 0), pressure falling.  Between
        the rows the flow is a monotone cubic of the pressure.
    stopped_loss : float or array
        Pressure lost through the stopped fan at ``free_flow``, over ``shutoff_pressure`` (an orifice either
        way).
    check_valve : bool
        No flow runs backwards through the fan.
    """

    free_flow: Any
    shutoff_pressure: Any
    linear_share: Any = 0.4
    points: tuple[tuple[float, float], ...] = ()
    stopped_loss: Any = 1.0
    check_valve: bool = False


def _root(quadratic: Any, linear: Any, value: Any) -> Any:
    """Solve quadratic x^2 + linear x = value for x of 0 or more (all given 0 or more); 0 where value is 0."""
    below = linear + np.sqrt(np.square(linear) + 4.0 * quadratic * value)
    return np.where(below > 0, 2.0 * value / np.where(below > 0, below, 1.0), 0.0)


def monotone_cubic(x: Any, known_x: Any, known_y: Any) -> Any:
    """Cubic Hermite interpolation that keeps the order of monotone data; held at the end values outside.

    Source: Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300 (weighted harmonic slopes).
    """
    xs, ys = np.asarray(known_x, dtype=float), np.asarray(known_y, dtype=float)
    h, d = np.diff(xs), np.diff(ys) / np.diff(xs)
    slopes = np.concatenate([[d[0]], np.zeros(len(d) - 1), [d[-1]]])
    same = d[:-1] * d[1:] > 0
    w1, w2 = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
    slopes[1:-1][same] = ((w1 + w2)[same]) / (w1[same] / d[:-1][same] + w2[same] / d[1:][same])
    at = np.clip(np.asarray(x, dtype=float), xs[0], xs[-1])
    i = np.clip(np.searchsorted(xs, at, side="right") - 1, 0, len(d) - 1)
    t = (at - xs[i]) / h[i]
    return (
        ys[i] * (1 + 2 * t) * (1 - t) ** 2
        + ys[i + 1] * t**2 * (3 - 2 * t)
        + h[i] * t * (1 - t) * (slopes[i] * (1 - t) - slopes[i + 1] * t)
    )


def check_points(points: Sequence[tuple[float, float]]) -> str:
    """Say what is wrong with the (flow, pressure) rows of a fan curve; empty if nothing."""
    rows = np.asarray(points, dtype=float)
    if rows.ndim != 2 or rows.shape[0] < 2 or rows.shape[1] != 2 or not np.all(np.isfinite(rows)):
        return "expected at least two rows of (flow, pressure)"
    if rows[0, 0] != 0.0 or rows[-1, 1] != 0.0 or rows[-1, 0] <= 0 or rows[0, 1] <= 0:
        return "expected the first row at no flow and the last at no pressure"
    if np.any(np.diff(rows[:, 0]) <= 0):
        return "expected the flow to rise from row to row"
    if np.any(np.diff(rows[:, 1]) >= 0):
        return "expected the pressure to fall from row to row (a stall dip has no single operating point)"
    return ""


def fan_flow(pressure: Any, curve: FanCurve, speed_ratio: Any = 1.0, density_ratio: Any = 1.0) -> Any:
    """Flow in m^3/s that a fan gives against a pressure rise; negative where air is pushed back through it.

    Parameters
    ----------
    pressure : float or array
        Rise from inlet to outlet, Pa; above the shut-off pressure air runs backwards, below 0 it is helped
        along.
    curve : FanCurve
    speed_ratio : float or array
        Speed over reference speed, 0 (stopped) or more.
    density_ratio : float or array
        Air density over 1.2 kg/m^3.

    The curve follows the fan laws between no flow and free flow.  Outside, its end slopes go on and an
    orifice loss is added, so that the flow falls with pressure everywhere, continuously down to the stopped
    fan.
    """
    n = np.asarray(speed_ratio, dtype=float)
    y = np.asarray(pressure, dtype=float) / (curve.shutoff_pressure * density_ratio)
    loss = curve.stopped_loss
    if curve.points:
        rows = np.asarray(curve.points, dtype=float)[::-1]
        turning = n > STANDSTILL
        share = np.where(turning, y / np.where(turning, n, 1.0) ** 2, 1.0)
        inside = n * monotone_cubic(share, rows[:, 1], rows[:, 0])
        first = (rows[-2, 1] - rows[-1, 1]) / (rows[-1, 0] - rows[-2, 0])
        last = (rows[0, 1] - rows[1, 1]) / (rows[1, 0] - rows[0, 0])
    else:
        s = curve.linear_share
        inside = _root(1.0 - s, s * n, np.clip(n**2 - y, 0.0, n**2))
        first, last = s, 2.0 - s
    back = _root(loss, first * n, np.maximum(y - n**2, 0.0))
    helped = _root(loss, last * n, np.maximum(-y, 0.0))
    flow = inside + helped - (0.0 if curve.check_valve else back)
    return curve.free_flow * flow


def fan_pressure(flow: Any, curve: FanCurve, speed_ratio: Any = 1.0, density_ratio: Any = 1.0) -> Any:
    """Pressure rise in Pa of a fan at a flow between none and its free flow at that speed (its curve)."""
    n = np.asarray(speed_ratio, dtype=float)
    turning = n > STANDSTILL
    free = curve.free_flow * np.where(turning, n, 1.0)
    v = np.clip(np.where(turning, np.asarray(flow, dtype=float) / free, 0.0), 0.0, 1.0)
    if curve.points:
        rows = np.asarray(curve.points, dtype=float)[::-1]
        low, high = np.zeros_like(v), np.ones_like(v)
        for _ in range(60):
            middle = 0.5 * (low + high)
            more = monotone_cubic(middle, rows[:, 1], rows[:, 0]) > v
            low, high = np.where(more, middle, low), np.where(more, high, middle)
        share = 0.5 * (low + high)
    else:
        share = 1.0 - curve.linear_share * v - (1.0 - curve.linear_share) * v**2
    return curve.shutoff_pressure * density_ratio * n**2 * share


# -- operating point ---------------------------------------------------------------------------------------


class RunningFan(NamedTuple):
    """A fan as it runs: its curve, its speed over reference speed, its air's density over 1.2 kg/m^3."""

    curve: FanCurve
    speed_ratio: Any
    density_ratio: Any = 1.0


class OperatingPoint(NamedTuple):
    """Flow state of an air path: flows in m^3/s at the fans' density, pressures in Pa."""

    flow: Any
    fan_flows: tuple[Any, ...]
    stack_flows: tuple[Any, ...]
    fan_pressure: Any
    stack_pressure: Any


def impedance_pressure(flow: Any, impedance: Impedance) -> Any:
    """Pressure drop ``linear V + quadratic V |V|`` in Pa."""
    v = np.asarray(flow, dtype=float)
    return impedance.linear * v + impedance.quadratic * v * np.abs(v)


def impedance_flow(pressure: Any, impedance: Impedance) -> Any:
    """Flow in m^3/s that a pressure of 0 Pa or more drives through an impedance."""
    return _root(impedance.quadratic, impedance.linear, np.asarray(pressure, dtype=float))


def opening_loss(loss: Any, area: Any, density: Any) -> Any:
    """Quadratic impedance rho K / (2 A^2) of a grille or turn, Pa s^2/m^6; K on the velocity in ``area``."""
    return 0.5 * density * loss / np.square(area)


def operating_point(
    fans: Sequence[RunningFan], stacks: Sequence[Impedance], common: Any = 0.0
) -> OperatingPoint:
    """Flow where the fans meet the machine: fans in parallel into one plenum, from it fin stacks in parallel.

    Parameters
    ----------
    fans : sequence of RunningFan
    stacks : sequence of Impedance
        Each must have a linear part above 0.
    common : float or array
        Quadratic impedance that all the flow passes (grilles), Pa s^2/m^6.

    Returns
    -------
    OperatingPoint
        The sum of fan flows (a stopped one is negative, its air returns to the inlet) equals the sum of stack
        flows within 1e-11.

    Raises
    ------
    ValueError
        No fan or no stack.

    One fan on one stack is solved in closed form; otherwise the pressure over the stacks is found by
    Chandrupatla's bracketing method (Adv. Eng. Software 28 (1997) 145), all cases at once.
    """
    if not fans or not stacks:
        raise ValueError(f"{len(fans)} fans and {len(stacks)} fin stacks; expected at least one of each")

    def stack_flow(p: Any) -> Any:
        return sum(impedance_flow(p, stack) for stack in stacks)

    def rise(p: Any) -> Any:
        return p + common * np.square(stack_flow(p))

    if len(fans) == 1 and len(stacks) == 1 and not fans[0].curve.points:
        flow = _closed_form(fans[0], stacks[0], common)
        pressure = impedance_pressure(flow, stacks[0])
        return OperatingPoint(flow, (flow,), (flow,), pressure + common * np.square(flow), pressure)

    def surplus(p: Any) -> Any:
        against = rise(p)
        return sum(fan_flow(against, *fan) for fan in fans) - stack_flow(p)

    tops = [f.curve.shutoff_pressure * f.density_ratio * np.square(f.speed_ratio) for f in fans]
    top: Any = tops[0]
    for other in tops[1:]:
        top = np.maximum(top, other)
    pressure = _root_between(surplus, top)
    stack_flows = tuple(impedance_flow(pressure, stack) for stack in stacks)
    against = rise(pressure)
    fan_flows = tuple(fan_flow(against, *fan) for fan in fans)
    return OperatingPoint(sum(stack_flows), fan_flows, stack_flows, against, pressure)


def _closed_form(fan: RunningFan, stack: Impedance, common: Any) -> Any:
    curve, n = fan.curve, np.asarray(fan.speed_ratio, dtype=float)
    scale = curve.shutoff_pressure * fan.density_ratio
    quadratic = stack.quadratic + common + scale * (1.0 - curve.linear_share) / np.square(curve.free_flow)
    linear = stack.linear + scale * curve.linear_share * n / curve.free_flow
    return _root(quadratic, linear, scale * n**2)


def _root_between(function: Callable[[Any], Any], top: Any) -> Any:
    """Find the root in [0, top] of a falling function, element by element (Chandrupatla 1997)."""
    shape = np.shape(function(top))
    a, b = np.broadcast_to(np.asarray(top, float), shape).copy(), np.zeros(shape)
    fa, fb = np.broadcast_to(function(a), shape).copy(), np.broadcast_to(function(b), shape).copy()
    c, fc = a.copy(), fa.copy()
    t = np.full(shape, 0.5)
    scale = np.abs(fb) + 1e-300
    for _ in range(120):
        x = a + t * (b - a)
        fx = np.asarray(function(x), dtype=float)
        same = np.sign(fx) == np.sign(fa)
        c, fc = np.where(same, a, b), np.where(same, fa, fb)
        b, fb = np.where(same, b, a), np.where(same, fb, fa)
        a, fa = x, fx
        best = np.where(np.abs(fb) < np.abs(fa), b, a)
        width = np.abs(b - a)
        tolerance = 2.0 * np.finfo(float).eps * np.abs(best) + 1e-300
        done = (np.minimum(np.abs(fa), np.abs(fb)) <= 1e-15 * scale) | (width <= 2.0 * tolerance)
        if np.all(done):
            break
        with np.errstate(divide="ignore", invalid="ignore"):
            xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
            inverse = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        good = (phi**2 < xi) & ((1 - phi) ** 2 < 1 - xi) & np.isfinite(inverse)
        limit = np.where(width > 0, tolerance / np.where(width > 0, width, 1.0), 0.5)
        limit = np.minimum(limit, 0.5)
        t = np.clip(np.where(good, inverse, 0.5), limit, 1.0 - limit)
        t = np.where(done, 0.0, t)
    return np.where(np.abs(fb) < np.abs(fa), b, a)


# -- around the machine ------------------------------------------------------------------------------------


def recirculated_inlet(ambient: Any, heat: Any, capacity_rate: Any, recirculation: Any) -> Any:
    """Inlet temperature in degC when a share of the exhaust returns: Ta + r / (1 - r) x Q / w.

    Parameters
    ----------
    ambient, heat, capacity_rate : float or array
        Room in degC, heat taken up by the air in W, flow through the machine in W/K.
    recirculation : float or array
        Share r of the inlet flow that is exhaust air, 0 to below 1.

    Source: the mixing balance Ti = (1 - r) Ta + r Te with Te = Ti + Q/w, solved for Ti.
    """
    return ambient + recirculation / (1.0 - recirculation) * heat / capacity_rate


def with_natural_draft(forced: Any, draft: Any) -> Any:
    """Capacity rate in W/K of forced flow and a small natural draft, root of the sum of squares.

    The draft alone remains when the fans stop, and adds almost nothing when they run.
    """
    return np.hypot(forced, draft)


def passage_conductance(
    volume_flow: Any, area: Any, gap: Any, film_temperature: Any, pressure: Any = air.STANDARD_PRESSURE
) -> Any:
    """Conductance in W/K from a warm board to the air that is drawn over it in a flat passage.

    Parameters
    ----------
    volume_flow : float or array
        m^3/s, 0 or more.
    area : float or array
        Swept board area in m^2, taken as a square.
    gap : float or array
        Height of the passage, m.
    film_temperature, pressure : float or array
        degC and Pa.

    Parallel plates, one warm and one insulated, developing flow (``ducts.ONE_SIDE_HEATED``).
    """
    side = np.sqrt(area)
    dh = 2.0 * gap
    velocity = volume_flow / (gap * np.where(side > 0, side, 1.0))
    pr = air.prandtl(film_temperature, pressure)
    peclet = velocity * dh / air.kinematic_viscosity(film_temperature, pressure) * pr
    inverse = np.maximum(peclet * dh / np.where(side > 0, side, 1.0), 1e-9)
    nusselt = ducts.nusselt_duct_developing(1.0 / inverse, 0.0, pr, developed=ducts.ONE_SIDE_HEATED)
    return nusselt * air.conductivity(film_temperature, pressure) / dh * area
