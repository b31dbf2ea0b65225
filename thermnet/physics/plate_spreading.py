"""Spreading from rectangles on a rectangular plate that is cooled from its back.

Fourier series after Y. S. Muzychka, J. R. Culham, M. M. Yovanovich, J. Electron. Packag. 125 (2003) 178.  Its
slow tail is summed in real space after P. P. Ewald, Ann. Phys. 369 (1921) 253: a smoothed series needs few
modes, and what smoothing takes away is felt only near the source, where it has a closed form.  A few dozen
modes then give five to seven digits whatever the size of the source, in half a millisecond; at worst, on wide
thin plates of a poor conductor, four.

Units and the meaning of ``at`` as in :mod:`thermnet.physics.spreading`.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from thermnet.physics.spreading import (
    SHARP,
    Array,
    Place,
    _arrays,
    _back_share,
    _back_term,
    _check_place,
    _plain,
)

MOST_MODES = 256
"""Cosine modes per direction, at most."""

REMEMBERED = 48
"""Results kept of the last calls."""

_BLOCK = 1_000_000  # elements (samples x modes x modes) evaluated at once


def rectangle_on_plate(
    source_length: Any,
    source_width: Any,
    plate_length: Any,
    plate_width: Any,
    thickness: Any,
    conductivity: Any,
    film_coefficient: Any = np.inf,
    *,
    through_conductivity: Any = None,
    x_offset: Any = 0.0,
    y_offset: Any = 0.0,
    at: Place = "mean",
) -> Any:
    """Spreading resistance of a rectangle of uniform flux on a rectangular plate cooled from its back, K/W.

    Parameters
    ----------
    source_length, source_width, plate_length, plate_width : float or array
        Sides along x and y, m.
    thickness : float or array
        m; ``inf`` for a long bar.
    conductivity : float or array
        W/(m K), in the plane of the plate.
    film_coefficient : float or array
        On the back, W/(m^2 K); ``inf`` for an isothermal back, 0 for an insulated one.
    through_conductivity : float or array, optional
        Across the plate where that differs (boards, graphite).
    x_offset, y_offset : float or array
        Source centre from plate centre, m.
    at : str
        ``"mean"`` or ``"centre"`` of the source.

    Raises
    ------
    ValueError
        The source reaches beyond the plate's edge.

    Source: Muzychka, Culham, Yovanovich 2003.
    """
    _check_place(at)
    size = (0.0, 0.0) if at == "centre" else (source_length, source_width)
    return between_rectangles(
        (source_length, source_width, x_offset, y_offset),
        (*size, x_offset, y_offset),
        plate_length,
        plate_width,
        thickness,
        conductivity,
        film_coefficient,
        through_conductivity=through_conductivity,
    )


def between_rectangles(
    source: Sequence[Any],
    receiver: Sequence[Any],
    plate_length: Any,
    plate_width: Any,
    thickness: Any,
    conductivity: Any,
    film_coefficient: Any = np.inf,
    *,
    through_conductivity: Any = None,
) -> Any:
    """Rise of one rectangle's mean per W in another on the same plate, over the one-dimensional rise, K/W.

    Parameters
    ----------
    source, receiver : (length, width, x, y)
        Sides and centre (from the plate's centre) of each rectangle, m.  A receiver whose sides are both 0 is
        a point.
    plate_length, plate_width, thickness, conductivity, film_coefficient, through_conductivity
        As for :func:`rectangle_on_plate`.

    Notes
    -----
    May be negative: far from the source a plate is cooler than its mean.  Source and receiver may change
    places.
    """
    values = _arrays(
        *source,
        *receiver,
        plate_length,
        plate_width,
        thickness,
        conductivity,
        film_coefficient,
        conductivity if through_conductivity is None else through_conductivity,
    )
    shape = np.broadcast_shapes(*(v.shape for v in values))
    rows = np.array([np.broadcast_to(v, shape).ravel() for v in values])
    _check_inside(rows[0:4], rows[8:10], "source")
    _check_inside(rows[4:8], rows[8:10], "receiver", smallest=0.0)
    point = bool(np.all(rows[4:6] == 0.0))
    if not point and np.any(rows[4:6] == 0.0):
        raise ValueError("a receiver has both sides above 0, or (a point) both 0 in every sample")
    # A plate of unequal conductivities is an isotropic one of another thickness.
    along, across = rows[11], rows[13]
    rows[10] = rows[10] * np.sqrt(along / across)
    rows[11] = np.sqrt(along * across)
    return _plain(_spreading(rows.tobytes(), rows.shape[1], point).reshape(shape).copy())


@lru_cache(maxsize=REMEMBERED)
def _spreading(numbers: bytes, samples: int, point: bool) -> Array:
    """Sum of the series, K/W.  A machine is put together once per fan speed, and its plates do not change with that."""
    rows: Array = np.frombuffer(numbers).reshape(-1, samples)
    modes = _mode_numbers(rows)
    block = max(1, _BLOCK // (modes[0].size * modes[1].size))
    parts = [
        _smoothed_series(rows[:, i : i + block], modes) for i in range(0, rows.shape[1], block)
    ]  # each gives the series and the smoothing width it was cut with
    eta = np.concatenate([p[1] for p in parts])
    series = np.concatenate([p[0] for p in parts])
    total: Array = (series + _near_field(rows, eta, point)) / rows[11]
    return total


def _check_inside(rectangle: Array, plate: Array, what: str, smallest: float = 1e-12) -> None:
    for side, offset, whole, axis in zip(
        rectangle[:2], rectangle[2:], plate, ("length", "width"), strict=True
    ):
        bad = (side < smallest) | (np.abs(offset) + 0.5 * side > 0.5 * whole * (1.0 + 1e-9))
        if np.any(bad):
            i = int(np.argmax(bad))
            raise ValueError(
                f"{what} {axis} {side[i]:g} m at {offset[i]:g} m from the middle of a plate of {whole[i]:g} "
                "m; expected above 0 and wholly on the plate"
            )


def _mode_numbers(rows: Array) -> tuple[Array, Array]:
    """Whole mode numbers along x and y that serve every sample."""
    sides = np.where(rows[:2] > 0, rows[:2], np.inf)
    # Enough for the back to be out of sight of the last mode, or for the source to be well resolved.
    needed = np.minimum(6.0 / rows[10], 80.0 / np.min(sides, axis=0))
    numbers = []
    for whole, source, receiver in ((rows[8], rows[2], rows[6]), (rows[9], rows[3], rows[7])):
        wanted = float(np.max(np.maximum(needed, 30.0 / np.min(rows[8:10], axis=0)) * whole / np.pi))
        # With everything centred the odd modes vanish.
        step = 2 if not (np.any(source) or np.any(receiver)) else 1
        most = int(min(np.ceil(wanted), MOST_MODES * step)) + 1
        numbers.append(np.arange(0, max(most, 2 * step) + step, step, dtype=float))
    return numbers[0], numbers[1]


def _smoothed_series(rows: Array, modes: tuple[Array, Array]) -> tuple[Array, Array]:
    """Double cosine series with its terms smoothed by erfc(kappa eta), and eta; times the conductivity."""
    from scipy.special import erfc

    long, wide = rows[8], rows[9]
    m, n = (np.pi * modes[0] / long[:, None], np.pi * modes[1] / wide[:, None])
    x = _overlap(m, rows[0], rows[2], long) * _overlap(m, rows[4], rows[6], long)
    y = _overlap(n, rows[1], rows[3], wide) * _overlap(n, rows[5], rows[7], wide)
    x *= np.where(modes[0] > 0, 2.0, 1.0) / long[:, None]
    y *= np.where(modes[1] > 0, 2.0, 1.0) / wide[:, None]
    step_x, step_y = modes[0][1] - modes[0][0], modes[1][1] - modes[1][0]
    cut = np.minimum(m[:, -1] + np.pi * step_x / long, n[:, -1] + np.pi * step_y / wide)
    eta = SHARP / cut
    kappa = np.hypot(m[:, :, None], n[:, None, :])
    kappa[:, 0, 0] = 1.0
    share = _back_share(rows[11], rows[12], long)[:, None, None]
    terms = _back_term(kappa, rows[10][:, None, None], share, long[:, None, None])
    terms += erfc(kappa * eta[:, None, None])
    terms /= kappa
    terms[:, 0, 0] = 0.0
    return np.einsum("smn,sm,sn->s", terms, x, y), eta


def _overlap(wave: Array, side: Array, offset: Array, whole: Array) -> Array:
    """Mean of cos(wave x) over a side, x from the plate's edge."""
    half = wave * (0.5 * side)[:, None]
    middle: Array = np.cos(wave * (0.5 * whole + offset)[:, None])
    return middle * np.sinc(half / np.pi)


def _near_field(rows: Array, eta: Array, point: bool) -> Array:
    """Give back what smoothing took: (2/sqrt(pi)) x integral from 0 to eta of Gx Gy - 1/area, times k.

    Each Gaussian exp(-kappa^2 s^2) of the smoothing separates into x and y, where its cosine series is the
    mean over source and receiver of a heat kernel with the plate's edges as mirrors.
    """
    nodes, weights = np.polynomial.legendre.leggauss(24)
    smallest = np.minimum(rows[0], rows[1])
    scale = np.minimum(0.25 * smallest, eta)
    top = np.arcsinh(eta / scale)
    v = 0.5 * top[:, None] * (nodes + 1.0)
    s = scale[:, None] * np.sinh(v)
    weight = 0.5 * top[:, None] * weights * scale[:, None] * np.cosh(v)
    x = _kernel(rows[0], rows[2], rows[4], rows[6], rows[8], s, point)
    y = _kernel(rows[1], rows[3], rows[5], rows[7], rows[9], s, point)
    area = (rows[8] * rows[9])[:, None]
    total: Array = 2.0 / np.sqrt(np.pi) * np.sum(weight * (x * y - 1.0 / area), axis=1)
    return total


def _kernel(side: Array, at: Array, side_2: Array, at_2: Array, whole: Array, s: Array, point: bool) -> Array:
    """Mean over source side (and receiver side) of a Gaussian of variance 2 s^2, mirrored at both edges."""
    from scipy.special import erf

    width = 2.0 * s
    total = np.zeros_like(s)
    for mirror in (at_2, -whole - at_2, whole - at_2):
        gap = (mirror - at)[:, None]
        a, b = 0.5 * side[:, None], 0.5 * side_2[:, None]
        if point:
            total += 0.5 * (erf((gap + a) / width) - erf((gap - a) / width)) / side[:, None]
            continue
        for end, sign in ((a + b, 1.0), (-a - b, 1.0), (a - b, -1.0), (b - a, -1.0)):
            u = gap + end
            integral = 0.5 * u * erf(u / width) + s / np.sqrt(np.pi) * np.exp(-((u / width) ** 2))
            total += sign * integral / (side * side_2)[:, None]
    return total
