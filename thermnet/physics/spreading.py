"""Spreading of heat from a small source into a larger body.

A spreading resistance is what a source feels *over and above* one-dimensional flow through the whole body:
from the source to the surroundings the total is the spreading resistance plus :func:`through_plate`.  Lengths
in m, conductivities in W/(m K), film coefficients in W/(m^2 K), results in K/W.  ``at="mean"`` gives the mean
temperature of the source, ``at="centre"`` that of its middle (for a centred source of uniform flux the
hottest place).  All functions broadcast over arrays.

Sources
-------
- H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, ch. VIII and X.
- M. M. Yovanovich, E. E. Marotta, in A. Bejan, A. D. Kraus (eds.), Heat Transfer Handbook, Wiley 2003, ch. 4.
- S. Lee, S. Song, V. Au, K. P. Moran, 4th ASME/JSME Thermal Eng. Conf. 1995, vol. 4, 199 (closed form).
"""

from __future__ import annotations

from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Place = Literal["mean", "centre"]

_ROOTS = 1000
SHARP = 4.0
"""Wave number of the last mode times smoothing width of a smoothed series: erfc(4) = 1.5e-8 is left out."""


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
    a, b, k = _arrays(length, width, conductivity)
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
    """Spreading resistance of a disc of uniform flux amid a round plate cooled from its back, K/W.

    Exact Bessel series.  ``film_coefficient = inf`` is an isothermal back, ``thickness = inf`` a long
    cylinder.
    Source: Carslaw & Jaeger 1959 sec. 8.3; Lee et al. 1995.

    Raises
    ------
    ValueError
        The source is larger than the plate, or has no size.
    """
    from scipy.special import erfc, j1

    _check_place(at)
    a, b, t, k, h = np.broadcast_arrays(
        *_arrays(source_radius, radius, thickness, conductivity, film_coefficient)
    )
    if np.any(a <= 0.0) or np.any(a > b * (1.0 + 1e-12)):
        raise ValueError(
            f"source radius {source_radius!r} m; expected above 0 and at most the plate's {radius!r} m"
        )
    root, bessel = _bessel_roots()
    ratio = a / b
    source = j1(root * ratio[..., None])
    phi_less_one = _back_term(root, (t / b)[..., None], _back_share(k, h, b)[..., None], 1.0)
    # The terms fall slowly: smooth them with erfc(root eta) and add back, in closed form, what the smoothing
    # took, the field within a few eta of each point (less the uniform mode, which is no spreading).
    eta = SHARP / root[-1]
    reach = 2.0 * eta / np.sqrt(np.pi)
    smooth = phi_less_one + erfc(root * eta)
    if at == "mean":
        series = np.sum(4.0 * source**2 / (ratio[..., None] * root**3 * bessel**2) * smooth, axis=-1)
        near = _mean_near_field(ratio, eta)
    else:
        series = np.sum(2.0 * source / (root**2 * bessel**2) * smooth, axis=-1)
        near = erfc(ratio / (2 * eta)) - reach * np.expm1(-((ratio / (2 * eta)) ** 2)) / ratio
    total = (series + near - reach * ratio) / (np.pi * k * a)
    # The near field leaves out the rim as a mirror: felt (1e-6) only where the source all but covers the
    # plate.
    return _plain(np.where(ratio < 1.0, np.maximum(total, 0.0), 0.0))


def disc_on_disc_closed_form(
    source_radius: Any,
    radius: Any,
    thickness: Any,
    conductivity: Any,
    film_coefficient: Any = np.inf,
    at: Place = "mean",
) -> Any:
    """Closed-form estimate of :func:`disc_on_disc` for hand checks, K/W.

    Within 10 % of the series on the mean.  The centre form is up to 30 % high for a thin plate (thickness
    below a tenth of the radius) under strong cooling.  Source: S. Lee et al. 1995.
    """
    _check_place(at)
    a, b, t, k, h = _arrays(source_radius, radius, thickness, conductivity, film_coefficient)
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

    a, b, k = np.broadcast_arrays(*_arrays(radius, half_width, conductivity))
    if np.any(a <= 0.0) or np.any(a > b):
        raise ValueError(
            f"radius {radius!r} m; expected above 0 and at most half the bar's width, {half_width!r} m"
        )
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


# -- plates ------------------------------------------------------------------------------------------------


def through_plate(area: Any, thickness: Any, conductivity: Any, film_coefficient: Any = np.inf) -> Any:
    """One-dimensional resistance of a plate and the film on its back: t/(k A) + 1/(h A), K/W."""
    area, t, k, h = _arrays(area, thickness, conductivity, film_coefficient)
    return _plain((t / k + 1.0 / h) / area)


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
    """Estimate of ``plate_spreading.rectangle_on_plate`` from discs of equal area, for hand checks, K/W.

    Good to about 15 % for a centred source and sides not more unequal than 2:1.  Source: S. Lee et al. 1995.
    """
    a, b, c, d = _arrays(source_length, source_width, plate_length, plate_width)
    return disc_on_disc_closed_form(
        np.sqrt(a * b / np.pi), np.sqrt(c * d / np.pi), thickness, conductivity, film_coefficient, at
    )


# -- shared with the series for rectangles -----------------------------------------------------------------


def _arrays(*values: Any) -> list[Array]:
    """Return the values as float arrays."""
    return [np.asarray(v, dtype=float) for v in values]


def _plain(value: Any) -> Any:
    """Return an array of no dimensions as a float, anything else as it is."""
    return float(value) if np.ndim(value) == 0 else value


def _check_place(at: str) -> None:
    """Refuse any ``at`` but ``mean`` and ``centre``."""
    if at not in ("mean", "centre"):
        raise ValueError(f"at {at!r}; expected 'mean' or 'centre'")


@cache
def _bessel_roots() -> tuple[Array, Array]:
    """Roots of J1 and the values of J0 there."""
    from scipy.special import j0, jn_zeros

    roots = jn_zeros(1, _ROOTS)
    return roots, j0(roots)


def _mean_near_field(ratio: Array, eta: float) -> Array:
    """Mean over a disc of what smoothing with erfc(kappa eta) takes from its own field, times pi k a.

    (2/sqrt(pi)) x integral over s to eta of 1 - exp(-z)(I0(z) + I1(z)), z = (a/s)^2/2: the share of a disc's
    heat that a Gaussian of variance 2 s^2 leaves inside it.
    """
    from scipy.special import i0e, i1e

    nodes, weights = np.polynomial.legendre.leggauss(24)
    scale = np.minimum(0.25 * ratio, eta)[..., None]
    top = np.arcsinh(eta / scale)
    v = 0.5 * top * (nodes + 1.0)
    z = 0.5 * (ratio[..., None] / (scale * np.sinh(v))) ** 2
    inside = 1.0 - i0e(z) - i1e(z)
    integral: Array = np.sum(0.5 * top * weights * scale * np.cosh(v) * inside, axis=-1)
    result: Array = 2.0 / np.sqrt(np.pi) * integral / ratio
    return result


def _back_share(conductivity: Any, film: Any, length: Any) -> Any:
    """Bi/(1 + Bi) with Bi = h L/k: 0 for an insulated back, 1 for an isothermal one."""
    with np.errstate(divide="ignore"):
        return 1.0 / (1.0 + conductivity / (film * length))


def _back_term(kappa: Any, thickness: Any, share: Any, length: Any) -> Any:
    """Return phi - 1: what the plate's back adds to a mode of wave number kappa, against endless depth."""
    decay = np.exp(-2.0 * kappa * thickness)
    away = 2.0 * decay / (1.0 + decay)  # 1 - tanh
    side = (1.0 - share) * kappa * length
    return away * (side - share) / (side * (1.0 - away) + share)
