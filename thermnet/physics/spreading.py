"""Spreading of heat from a small source into a larger body.

A spreading resistance is what a source feels *over and above* one-dimensional flow through the whole body: from
the source to the surroundings the total is the spreading resistance plus :func:`through_plate`.  Lengths in m,
conductivities in W/(m K), film coefficients in W/(m^2 K), results in K/W.  ``at="mean"`` gives the mean
temperature of the source, ``at="centre"`` that of its middle (for a centred source of uniform flux the hottest
place).  All functions broadcast over arrays.

Sources
-------
- H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, ch. VIII and X.
- M. M. Yovanovich, E. E. Marotta, in A. Bejan, A. D. Kraus (eds.), Heat Transfer Handbook, Wiley 2003, ch. 4.
- Y. S. Muzychka, J. R. Culham, M. M. Yovanovich, J. Electron. Packag. 125 (2003) 178 (rectangles on plates).
- S. Lee, S. Song, V. Au, K. P. Moran, 4th ASME/JSME Thermal Eng. Conf. 1995, vol. 4, 199 (closed form).
- P. P. Ewald, Ann. Phys. 369 (1921) 253 (splitting a slow series into two fast ones).
"""

from __future__ import annotations

from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Place = Literal["mean", "centre"]

MOST_MODES = 128
"""Cosine modes per direction of the plate series, at most."""

_ROOTS = 1000
_SHARP = 4.0  # erfc(4) = 1.5e-8: what the last mode of a smoothed series still contributes
_BLOCK = 1_000_000  # elements (samples x modes x modes) evaluated at once


# -- half space ----------------------------------------------------------------------------------------------


def disc_on_half_space(radius: Any, conductivity: Any, condition: str = "isothermal") -> Any:
    """Resistance of a disc on a half space, K/W.

    Parameters
    ----------
    radius : float or array
        m.
    conductivity : float or array
        W/(m K).
    condition : str
        ``"isothermal"``: disc at one temperature, 1/(4 k a).  ``"mean"`` and ``"centre"``: uniform flux,
        mean 8/(3 pi^2 k a) and centre 1/(pi k a).

    Source: Carslaw & Jaeger 1959 sec. 8.2; Heat Transfer Handbook 2003 sec. 4.3.2.
    """
    factors = {"isothermal": 0.25, "mean": 8.0 / (3.0 * np.pi**2), "centre": 1.0 / np.pi}
    if condition not in factors:
        raise ValueError(f"condition {condition!r}; expected one of {', '.join(factors)}")
    return factors[condition] / (np.asarray(conductivity, dtype=float) * radius)


def rectangle_on_half_space(length: Any, width: Any, conductivity: Any, at: Place = "mean") -> Any:
    """Resistance of a rectangle of uniform flux on a half space, K/W.

    1/(2 pi k r) integrated over the rectangle as seen from its centre, or averaged over it (closed forms).
    Source: Carslaw & Jaeger 1959 sec. 10.5; Heat Transfer Handbook 2003 sec. 4.4.1.
    """
    _check_place(at)
    a, b, k = _floats(length, width, conductivity)
    sides = np.arcsinh(b / a) / b + np.arcsinh(a / b) / a
    if at == "centre":
        return sides / (np.pi * k)
    return (sides + (a**3 + b**3 - np.hypot(a, b) ** 3) / (3.0 * (a * b) ** 2)) / (np.pi * k)


# -- discs ---------------------------------------------------------------------------------------------------


def disc_on_disc(
    source_radius: Any,
    radius: Any,
    thickness: Any,
    conductivity: Any,
    film_coefficient: Any = np.inf,
    at: Place = "mean",
) -> Any:
    """Spreading resistance of a disc of uniform flux in the middle of a round plate cooled from its back, K/W.

    Exact Bessel series.  ``film_coefficient = inf`` is an isothermal back, ``thickness = inf`` a long cylinder.
    Source: Carslaw & Jaeger 1959 sec. 8.3; Lee et al. 1995.

    Raises
    ------
    ValueError
        The source is larger than the plate, or has no size.
    """
    from scipy.special import erfc, j1

    _check_place(at)
    a, b, t, k, h = np.broadcast_arrays(*_floats(source_radius, radius, thickness, conductivity, film_coefficient))
    if np.any(a <= 0.0) or np.any(a > b * (1.0 + 1e-12)):
        raise ValueError(f"source radius {source_radius!r} m; expected above 0 and at most the plate's {radius!r} m")
    root, bessel = _bessel_roots()
    ratio = a / b
    source = j1(root * ratio[..., None])
    phi_less_one = _back_term(root, (t / b)[..., None], _back_share(k, h, b)[..., None], 1.0)
    if at == "mean":
        terms = 4.0 * source**2 / (ratio[..., None] * root**3 * bessel**2)
        # Beyond the last root J1^2/J0^2 averages 1/(2 ratio), and phi is 1.
        rest = np.where(ratio < 1.0, 1.0 / (np.pi * ratio**2 * (root[-1] + np.pi / 2) ** 2), 0.0)
        return _plain((np.sum(terms * (1.0 + phi_less_one), axis=-1) + rest) / (np.pi * k * a))
    # At the centre the terms fall only as root^-1.5: smooth them with erfc(root eta) and add back, in closed form,
    # the field of the source within a few eta of the centre (less the uniform mode, which is no spreading).
    eta = _SHARP / root[-1]
    terms = 2.0 * source / (root**2 * bessel**2)
    smoothed = np.sum(terms * (phi_less_one + erfc(root * eta)), axis=-1)
    reach = 2.0 * eta / np.sqrt(np.pi)
    near = ratio * erfc(ratio / (2 * eta)) - reach * np.expm1(-((ratio / (2 * eta)) ** 2))
    return _plain((smoothed + near / ratio - reach * ratio) / (np.pi * k * a))


def disc_on_disc_closed_form(
    source_radius: Any,
    radius: Any,
    thickness: Any,
    conductivity: Any,
    film_coefficient: Any = np.inf,
    at: Place = "mean",
) -> Any:
    """Closed-form estimate of :func:`disc_on_disc` for hand checks, K/W.

    Within 10 % of the series on the mean.  The centre form is up to 30 % high for a thin plate (thickness below a
    tenth of the radius) under strong cooling.  Source: S. Lee et al. 1995.
    """
    _check_place(at)
    a, b, t, k, h = _floats(source_radius, radius, thickness, conductivity, film_coefficient)
    ratio = a / b
    eigenvalue = np.pi + 1.0 / (np.sqrt(np.pi) * ratio)
    phi = 1.0 + _back_term(eigenvalue, t / b, _back_share(k, h, b), 1.0)
    if at == "mean":
        return _plain(0.5 * (1.0 - ratio) ** 1.5 * phi / (np.sqrt(np.pi) * k * a))
    return _plain((1.0 - ratio) * phi / (np.pi * k * a))


def disc_in_square_bar(radius: Any, half_width: Any, conductivity: Any) -> Any:
    """Spreading resistance of a disc of uniform flux on the end of a long square bar, mean of the disc, K/W.

    Double cosine series over the bar's section.  Source: Heat Transfer Handbook 2003 sec. 4.5.
    """
    from scipy.special import j1

    a, b, k = np.broadcast_arrays(*_floats(radius, half_width, conductivity))
    if np.any(a <= 0.0) or np.any(a > b):
        raise ValueError(f"radius {radius!r} m; expected above 0 and at most half the bar's width, {half_width!r} m")
    last = 300
    index = np.arange(last)
    ring = np.hypot(index[:, None], index[None, :])
    double = np.where(index == 0, 1.0, 2.0)
    # A round cut of the modes, so that what lies beyond has a simple average: (2 J1(x)/x)^2 -> 4/(pi x^3).
    kept = (ring > 0) & (ring < last - 0.5)
    kappa, weight = np.pi * ring[kept], (double[:, None] * double[None, :])[kept]
    ratio = a / b
    argument = kappa * ratio[..., None]
    total = np.sum(weight / kappa * (2.0 * j1(argument) / argument) ** 2, axis=-1)
    rest = 4.0 / (np.pi**2 * ratio**3 * (np.pi * (last - 0.5)) ** 2)
    return _plain((total + rest) / (4.0 * k * b))


# -- rectangles on a rectangular plate -----------------------------------------------------------------------


def through_plate(area: Any, thickness: Any, conductivity: Any, film_coefficient: Any = np.inf) -> Any:
    """One-dimensional resistance of a plate and the film on its back: t/(k A) + 1/(h A), K/W."""
    area, t, k, h = _floats(area, thickness, conductivity, film_coefficient)
    return _plain((t / k + 1.0 / h) / area)


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

    Source: Muzychka, Culham, Yovanovich 2003 (series); the slow tail of the series is summed in real space
    after Ewald 1921, so that a few dozen modes give six digits whatever the size of the source.
    """
    _check_place(at)
    size = (0.0, 0.0) if at == "centre" else (source_length, source_width)
    return between_rectangles(
        source_length, source_width, x_offset, y_offset, *size, x_offset, y_offset, plate_length, plate_width,
        thickness, conductivity, film_coefficient, through_conductivity=through_conductivity,
    )  # fmt: skip


def between_rectangles(
    source_length: Any,
    source_width: Any,
    source_x: Any,
    source_y: Any,
    receiver_length: Any,
    receiver_width: Any,
    receiver_x: Any,
    receiver_y: Any,
    plate_length: Any,
    plate_width: Any,
    thickness: Any,
    conductivity: Any,
    film_coefficient: Any = np.inf,
    *,
    through_conductivity: Any = None,
) -> Any:
    """Mean temperature of one rectangle due to heat in another on the same plate, K/W over and above one-dimensional.

    Positions are centres measured from the plate's centre; a receiver of zero size is a point (give both of its
    sides as 0).  May be negative: far from the source the plate is cooler than its mean.  See
    :func:`rectangle_on_plate` for the other parameters.  Equal when source and receiver change places.
    """
    values = _floats(
        source_length, source_width, source_x, source_y, receiver_length, receiver_width, receiver_x, receiver_y,
        plate_length, plate_width, thickness, conductivity, film_coefficient,
        conductivity if through_conductivity is None else through_conductivity,
    )  # fmt: skip
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
    modes = _mode_numbers(rows)
    block = max(1, _BLOCK // (modes[0].size * modes[1].size))
    parts = [
        _smoothed_series(rows[:, i : i + block], modes) for i in range(0, rows.shape[1], block)
    ]  # each gives the series and the smoothing width it was cut with
    eta = np.concatenate([p[1] for p in parts])
    series = np.concatenate([p[0] for p in parts])
    total = (series + _near_field(rows, eta, point)) / rows[11]
    return _plain(total.reshape(shape))


def rectangle_on_plate_closed_form(
    source_length: Any,
    source_width: Any,
    plate_length: Any,
    plate_width: Any,
    thickness: Any,
    conductivity: Any,
    film_coefficient: Any = np.inf,
    at: Place = "mean",
) -> Any:
    """Estimate of :func:`rectangle_on_plate` from discs of equal area, for hand checks, K/W.

    Good to about 15 % for a centred source and sides not more unequal than 2:1.  Source: S. Lee et al. 1995.
    """
    a, b, c, d = _floats(source_length, source_width, plate_length, plate_width)
    return disc_on_disc_closed_form(
        np.sqrt(a * b / np.pi), np.sqrt(c * d / np.pi), thickness, conductivity, film_coefficient, at
    )


# -- inside --------------------------------------------------------------------------------------------------


def _floats(*values: Any) -> list[Array]:
    return [np.asarray(v, dtype=float) for v in values]


def _plain(value: Any) -> Any:
    return float(value) if np.ndim(value) == 0 else value


def _check_place(at: str) -> None:
    if at not in ("mean", "centre"):
        raise ValueError(f"at {at!r}; expected 'mean' or 'centre'")


def _check_inside(rectangle: Array, plate: Array, what: str, smallest: float = 1e-12) -> None:
    for side, offset, whole, axis in zip(rectangle[:2], rectangle[2:], plate, ("length", "width"), strict=True):
        bad = (side < smallest) | (np.abs(offset) + 0.5 * side > 0.5 * whole * (1.0 + 1e-9))
        if np.any(bad):
            i = int(np.argmax(bad))
            raise ValueError(
                f"{what} {axis} {side[i]:g} m at {offset[i]:g} m from the middle of a plate of {whole[i]:g} m; "
                "expected above 0 and wholly on the plate"
            )


@cache
def _bessel_roots() -> tuple[Array, Array]:
    """Roots of J1 and the values of J0 there."""
    from scipy.special import j0, jn_zeros

    roots = jn_zeros(1, _ROOTS)
    return roots, j0(roots)


def _back_share(conductivity: Any, film: Any, length: Any) -> Any:
    """Bi/(1 + Bi) with Bi = h L/k: 0 for an insulated back, 1 for an isothermal one."""
    with np.errstate(divide="ignore"):
        return 1.0 / (1.0 + conductivity / (film * length))


def _back_term(kappa: Any, thickness: Any, share: Any, length: Any) -> Any:
    """What the back of the plate adds to a mode of wave number kappa, relative to an endless depth (phi - 1)."""
    decay = np.exp(-2.0 * kappa * thickness)
    away = 2.0 * decay / (1.0 + decay)  # 1 - tanh
    side = (1.0 - share) * kappa * length
    return away * (side - share) / (side * (1.0 - away) + share)


def _mode_numbers(rows: Array) -> tuple[Array, Array]:
    """Whole mode numbers along x and y that serve every sample."""
    sides = np.where(rows[:2] > 0, rows[:2], np.inf)
    # Enough for the back to be out of sight of the last mode, or for the source to be well resolved.
    needed = np.minimum(6.0 / rows[10], 80.0 / np.min(sides, axis=0))
    numbers = []
    for whole, source, receiver in ((rows[8], rows[2], rows[6]), (rows[9], rows[3], rows[7])):
        wanted = float(np.max(np.maximum(needed, 30.0 / np.min(rows[8:10], axis=0)) * whole / np.pi))
        most = int(min(np.ceil(wanted), MOST_MODES)) + 1
        # With everything centred the odd modes vanish.
        step = 2 if not (np.any(source) or np.any(receiver)) else 1
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
    eta = _SHARP / cut
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
    """What smoothing took from the series: (2/sqrt(pi)) x integral from 0 to eta of Gx Gy - 1/area, times k.

    Each Gaussian exp(-kappa^2 s^2) of the smoothing separates into x and y, where its cosine series is the mean
    over source and receiver of a heat kernel with the plate's edges as mirrors.
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
    return 2.0 / np.sqrt(np.pi) * np.sum(weight * (x * y - 1.0 / area), axis=1)


def _kernel(side: Array, at: Array, side_2: Array, at_2: Array, whole: Array, s: Array, point: bool) -> Array:
    """Mean over a source side (and a receiver side) of a Gaussian of variance 2 s^2, mirrored at both edges."""
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
