"""Spreading along a thin deck: from a hot zone to the rest of a housing wall.

A deck is thin when heat runs along it rather than through it; only its sheet conductance counts,
conductivity times thickness summed over layers (``wall k t + graphite k t``), W/K.  Resistances are in K/W
between mean temperatures.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TERMS = 300
"""Terms of the series in :func:`zone_in_deck`; the rest of it falls with the third power of their number."""


def sheet_conductance(*layers: tuple[Any, Any]) -> Any:
    """Sum of conductivity times thickness over (conductivity, thickness) pairs in W/(m K) and m; W/K."""
    return sum(np.multiply(conductivity, thickness) for conductivity, thickness in layers)


def between_circles(inner_radius: Any, outer_radius: Any, sheet: Any) -> Any:
    """Resistance between two concentric circles on a deck: ``ln(r2/r1) / (2 pi k t)``.

    The rule of thumb for spreading in a thin deck, with the hot zone as the inner circle and the deck's
    half width as the outer.  Source: radial conduction, any heat-transfer text, e.g. Incropera et al., 6th
    ed., eq. 3.28.

    Parameters
    ----------
    inner_radius, outer_radius : float or array
        m.
    sheet : float or array
        Sheet conductance, W/K.
    """
    return np.log(np.divide(outer_radius, inner_radius)) / (2.0 * np.pi * np.asarray(sheet, dtype=float))


def disc_in_deck(zone_radius: Any, deck_radius: Any, sheet: Any) -> Any:
    """Resistance from the mean of a heated disc to the mean of the ring around it.

    Exact for heat that leaves the ring evenly: with p = (deck radius / zone radius)^2,
    ``[1/4 + p^2 ln(p) / (2 (p - 1)^2) - (3 p - 1) / (4 (p - 1))] / (2 pi k t)``.

    Parameters
    ----------
    zone_radius, deck_radius : float or array
        m.
    sheet : float or array
        Sheet conductance, W/K.
    """
    p = np.square(np.divide(deck_radius, zone_radius))
    shape = 0.25 + p**2 * np.log(p) / (2.0 * (p - 1.0) ** 2) - (3.0 * p - 1.0) / (4.0 * (p - 1.0))
    return shape / (2.0 * np.pi * np.asarray(sheet, dtype=float))


def zone_in_deck(
    length: Any,
    width: Any,
    zone_length: Any,
    zone_width: Any,
    sheet: Any,
    offset_length: Any = 0.0,
    offset_width: Any = 0.0,
) -> Any:
    """Resistance from the mean of a rectangular hot zone to the mean of the rest of a rectangular deck.

    Heat enters evenly over the zone, leaves evenly over the rest, and none crosses the deck's edges.
    Exact: a cosine series along the length with each term solved in closed form across the width.

    Parameters
    ----------
    length, width, zone_length, zone_width : float or array
        m.
    sheet : float or array
        Sheet conductance, W/K.
    offset_length, offset_width : float or array
        Where the zone sits: 0 in the middle, 1 touching the edge (either sign).

    Raises
    ------
    ValueError
        The zone is not smaller than the deck, or an offset lies outside -1 to 1.
    """
    a, b, c, d, x, y = np.broadcast_arrays(
        *(
            np.asarray(v, dtype=float)
            for v in (length, width, zone_length, zone_width, offset_length, offset_width)
        )
    )
    if not (np.all((c > 0) & (c <= a) & (d > 0) & (d <= b)) and np.all(c * d < a * b)):
        raise ValueError(
            f"zone of {zone_length!r} x {zone_width!r} m on a deck of {length!r} x {width!r} m; "
            "expected it to be smaller than the deck"
        )
    if np.any(np.abs(x) > 1) or np.any(np.abs(y) > 1):
        raise ValueError(f"zone offsets {offset_length!r}, {offset_width!r}; expected -1 to 1")
    middle = 0.5 * a + 0.5 * x * (a - c)
    below = 0.5 * (b - d) * (1.0 + y)
    above = 0.5 * (b - d) * (1.0 - y)
    m = np.arange(1, TERMS + 1, dtype=float).reshape((-1,) + (1,) * a.ndim)
    wave = m * np.pi / a
    # np.sinc(u) = sin(pi u) / (pi u): mean over the zone of the cosine, relative to its value at the zone's
    # middle.
    shape = np.cos(wave * middle) * np.sinc(m * c / (2.0 * a))
    series = 2.0 * np.sum(shape**2 * _zone_mean(wave, below, d, above), axis=0)
    share = c * d / (a * b)
    total = (_flat_mean(below, d, above) + series) / ((1.0 - share) ** 2 * a * d)
    return (total / np.asarray(sheet, dtype=float))[()]


def ring_resistances(inner_scale: Any, rings: int, resistance: Any) -> tuple[Any, Any]:
    """Split the way from a hot zone to the rest of a deck into rings that grow in equal ratios.

    Parameters
    ----------
    inner_scale : float or array
        Size of the hot zone relative to the deck (square root of their areas' ratio), 0 to 1.
    rings : int
        Number of rings around the zone, 1 or more.
    resistance : float or array
        From the zone's mean to the mean of all rings together, heat leaving them evenly, K/W
        (:func:`zone_in_deck`).

    Returns
    -------
    resistances, shares : arrays, shape (rings, ...)
        K/W from zone to first ring and from ring to ring; each ring's share of the area around the zone.

    Notes
    -----
    Ring centres lie in geometric progression and the logarithmic law holds between them; the common factor
    is set so that the area-weighted mean of the rings stands exactly ``resistance`` below the zone when
    heat leaves evenly.
    """
    if rings < 1:
        raise ValueError(f"{rings} rings; expected 1 or more")
    scale, total = np.broadcast_arrays(np.asarray(inner_scale, float), np.asarray(resistance, float))
    if np.any((scale <= 0) | (scale >= 1)):
        raise ValueError(f"inner_scale {inner_scale!r}; expected between 0 and 1")
    steps = np.arange(rings + 1).reshape((-1,) + (1,) * scale.ndim) / rings
    edges = scale ** (1.0 - steps)
    shares = np.diff(edges**2, axis=0) / (1.0 - scale**2)
    # A disc heated evenly has its mean a quarter of ln e outside; a ring has it near its geometric middle.
    log_edges = np.log(edges)
    centres = np.concatenate([log_edges[:1] - 0.25, 0.5 * (log_edges[:-1] + log_edges[1:])])
    lengths = np.diff(centres, axis=0)
    beyond = np.flip(np.cumsum(np.flip(shares, axis=0), axis=0), axis=0)
    return total * lengths / np.sum(lengths * beyond**2, axis=0), shares


def _zone_mean(wave: Array, below: Array, zone: Array, above: Array) -> Array:
    """Return the zone's mean of Y: ``-Y'' + wave^2 Y = 1`` in the zone, 0 outside, no slope at the edges."""
    left, right, fade = np.tanh(wave * below), np.tanh(wave * above), np.exp(-wave * zone)
    divisor = (1.0 + left) * (1.0 + right) - fade**2 * (1.0 - left) * (1.0 - right)
    first = left * (1.0 + right) + fade * right * (1.0 - left)
    second = right * (1.0 + left) + fade * left * (1.0 - right)
    lost = (first + second) / divisor
    result: Array = (1.0 - lost * -np.expm1(-wave * zone) / (wave * zone)) / wave**2
    return result


def _flat_mean(below: Array, zone: Array, above: Array) -> Array:
    """Return the same for a constant along the length, the mean over the whole width taken off."""
    whole = below + zone + above
    share = zone / whole
    low, high = -share * below, share * above
    # Heat flow is linear in each piece, from 0 to low, from low to high, from high to 0; its square
    # integrates to:
    inside = zone * (low**2 + low * high + high**2) / 3.0
    result: Array = (low**2 * below / 3.0 + inside + high**2 * above / 3.0) / zone
    return result
