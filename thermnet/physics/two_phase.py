"""What heat pipes and vapor chambers share: merit, joining of limits, dry-out law, wetness, cold start.

All functions are pure and broadcast over arrays.  Temperatures are in degC, heat in W.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from thermnet.materials import water

ZERO_CELSIUS = 273.15
GRAVITY = 9.80665
"""Standard gravity, m/s^2."""

NUCLEATION_RADIUS = 2.54e-6
"""Radius of the vapour nuclei that start boiling in the wick, m; 0.254 to 25.4 um is met in practice
(Chi 1976, from memory).  The boiling limit is nearly inverse to it."""

COLD_FLOOR = 0.02
"""Share of the heat limit left to a frozen pipe (keeps limits above zero)."""


def merit_number(vapour_temperature: Any) -> Any:
    """Merit number of water in W/m^2: ``sigma rho_l h_fg / mu_l``, the fluid's part of the capillary limit.

    Parameters
    ----------
    vapour_temperature : float or array
        degC, 0.01 to 200.

    Notes
    -----
    Source: Chi, Heat Pipe Theory and Practice, 1976; Reay & Kew, Heat Pipes.
    """
    fluid = water.saturated(vapour_temperature)
    return fluid.surface_tension * fluid.liquid_density * fluid.latent_heat / fluid.liquid_viscosity


def smooth_minimum(*values: Any, sharpness: float = 12.0) -> Any:
    """Smooth (analytic) minimum of positive values: ``(sum v^-n)^(-1/n)``.

    Never above the least value; two equal values give ``2^(-1/n)`` of it (5.6 % less at n = 12), and a value
    twice the least takes off 0.002 %.

    Parameters
    ----------
    *values : float or array
        Positive values of one unit.
    sharpness : float
        ``n`` above; larger is closer to the plain minimum.

    Raises
    ------
    ValueError
        No values, or one that is not positive.
    """
    if not values:
        raise ValueError("smooth_minimum: no values; expected at least one")
    stacked = np.stack(np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in values)))
    if not np.all(stacked > 0):
        raise ValueError("smooth_minimum: a value is not above 0; expected positive values")
    least = np.min(stacked, axis=0)
    result = least * np.sum((least / stacked) ** sharpness, axis=0) ** (-1.0 / sharpness)
    return result if np.ndim(result) else float(result)


def governing(limits: Mapping[str, Any]) -> tuple[Any, Any]:
    """Name and value of the least of several limits.

    Returns
    -------
    name : str, or array of str
        Which limit governs, elementwise.
    value : float or array
        The plain minimum.
    """
    names = list(limits)
    stacked = np.stack(np.broadcast_arrays(*(np.asarray(limits[n], dtype=float) for n in names)))
    place = np.argmin(stacked, axis=0)
    value = np.min(stacked, axis=0)
    if not np.ndim(value):
        return names[int(place)], float(value)
    return np.asarray(names)[place], value


def bend_derate(total_bend: Any, loss_per_right_angle: Any = 0.035) -> Any:
    """Share of the heat limit left after bends adding up to ``total_bend`` degrees.

    ``(1 - loss)^(bend / 90)``; 2 to 5 % per right angle is common practice (no source).
    """
    return (1.0 - loss_per_right_angle) ** (np.asarray(total_bend) / 90.0)


def smooth_step(value: Any, low: Any, high: Any) -> Any:
    """0 below ``low``, 1 above ``high``, a C1 cubic between."""
    place = np.clip((np.asarray(value, dtype=float) - low) / (np.asarray(high, dtype=float) - low), 0.0, 1.0)
    return place * place * (3.0 - 2.0 * place)


def cold_start(vapour_temperature: Any, full_above: Any = 12.0) -> Any:
    """Share of the heat limit available on a cold start: nearly none frozen, all of it above ``full_above``.

    Falls smoothly (C1) from 1 at ``full_above`` degC to 0.02 at 0 degC, where the water freezes.  That
    pipes carry little below 10 to 15 degC is common practice (no source); the vapour's own sonic and
    viscous limits, which also fall, are counted separately.
    """
    share = COLD_FLOOR + (1.0 - COLD_FLOOR) * smooth_step(vapour_temperature, 0.0, full_above)
    return share if np.ndim(share) else float(share)


def limit_line(temperature: Any, limit: Any, reference: float = 55.0) -> tuple[Any, Any]:
    """Straight line through heat limits: value at ``reference`` degC, and relative slope in 1/K.

    Parameters
    ----------
    temperature : array, shape (n,)
        Vapour temperatures, degC.
    limit : array, shape (n,) or (n, samples)
        Heat limit at each, W.
    reference : float
        degC.

    Returns
    -------
    value, slope : floats, or arrays over samples
        Least squares; the limit is ``value (1 + slope (T - reference))``.
    """
    offset = np.asarray(temperature, dtype=float) - reference
    values = np.asarray(limit, dtype=float)
    columns = np.stack([np.ones_like(offset), offset], axis=1)
    fit = np.linalg.lstsq(columns, values.reshape(len(offset), -1), rcond=None)[0]
    value, gradient = fit[0].reshape(values.shape[1:]), fit[1].reshape(values.shape[1:])
    slope = gradient / value
    return (value, slope) if values.ndim > 1 else (float(value), float(slope))


# -- past the limit --------------------------------------------------------------------------------


def dry_out_heat(drop: Any, resistance: Any, limit: Any, steepness: Any = 4.0, blend: Any = 0.1) -> Any:
    """Heat in W carried at a temperature drop of ``drop`` K when the heat limit is ``limit`` W.

    Below ``limit (1 - blend)`` the resistance is ``resistance``; above ``limit (1 + blend)`` the
    incremental resistance is ``steepness`` times as large; between, the incremental conductance falls
    linearly, so the heat is continuously differentiable and always rises with the drop.  Odd in ``drop``.

    Source: shape chosen here; that the resistance climbs steeply past the limit rather than cutting the
    heat off is common practice (no source).
    """
    size = np.abs(np.asarray(drop, dtype=float))
    unlimited = size / resistance
    low, high = limit * (1.0 - blend), limit * (1.0 + blend)
    inverse = 1.0 / np.asarray(steepness, dtype=float)
    inside = np.clip(unlimited, low, high) - low
    blended = inside - (1.0 - inverse) * inside**2 / (2.0 * (high - low))
    heat = np.minimum(unlimited, low) + blended + np.maximum(unlimited - high, 0.0) * inverse
    result = np.sign(drop) * heat
    return result if np.ndim(result) else float(result)


def dry_out_drop(heat: Any, resistance: Any, limit: Any, steepness: Any = 4.0, blend: Any = 0.1) -> Any:
    """Temperature drop in K that carries ``heat`` W: the exact inverse of :func:`dry_out_heat`."""
    size = np.abs(np.asarray(heat, dtype=float))
    low, high = limit * (1.0 - blend), limit * (1.0 + blend)
    span, lost = high - low, 1.0 - 1.0 / np.asarray(steepness, dtype=float)
    at_high = low + span - 0.5 * lost * span
    inside = np.clip(size, low, at_high) - low
    # Smaller root of inside = x - lost x^2 / (2 span), written without cancellation (right for lost = 0).
    blended = 2.0 * inside / (1.0 + np.sqrt(np.maximum(1.0 - 2.0 * lost * inside / span, 0.0)))
    unlimited = np.minimum(size, low) + blended + np.maximum(size - at_high, 0.0) * steepness
    result = np.sign(heat) * unlimited * resistance
    return result if np.ndim(result) else float(result)


def rewet_limit(limit: Any, wetness: Any, rewet: Any) -> Any:
    """Heat limit in W of a wick of which the share ``wetness`` (0 to 1) has its liquid back.

    ``limit (rewet + (1 - rewet) wetness)``: a dried wick carries only the fraction ``rewet`` of its limit.
    """
    return limit * (rewet + (1.0 - np.asarray(rewet)) * wetness)


def next_wetness(
    wetness: Any, heat: Any, limit: Any, rewet: Any, interval: Any, time_constant: Any = 2.0
) -> Any:
    """Wetness after ``interval`` s during which the pipe carried ``heat`` W (hysteresis of dry-out).

    Above its present limit the wick dries; below ``rewet`` of the full limit it wets again; between, it
    stays as it is.  Either way it follows first order with ``time_constant`` s, so that nothing jumps.

    Source: hysteresis on recovery is common practice (no source); the time constant is an assumption.
    """
    wetness = np.asarray(wetness, dtype=float)
    load = np.abs(heat)
    target = np.where(
        load > rewet_limit(limit, wetness, rewet),
        0.0,
        np.where(load < np.asarray(rewet) * limit, 1.0, wetness),
    )
    result = target + (wetness - target) * np.exp(-np.asarray(interval) / time_constant)
    return result if np.ndim(result) else float(result)
