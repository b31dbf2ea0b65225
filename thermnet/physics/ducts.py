"""Laminar flow in flat and rectangular ducts: friction and heat transfer, developing and developed.

Lengths are on the hydraulic diameter Dh = 4 area / perimeter (twice the gap between parallel plates):
``x_plus = x / (Dh Re)`` for friction, ``x_star = x / (Dh Re Pr)`` for heat.  ``aspect`` is the short side
over the long side, 0 (parallel plates) to 1 (square).  The channels of a notebook's fins lie at Re of 200 to
900, well laminar.

Main source: Shah and London, Laminar Flow Forced Convection in Ducts, 1978.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.physics.blend import between, smooth_step

Array = NDArray[np.float64]

LAMINAR_LIMIT = 2300.0
"""Reynolds number on Dh up to which these formulas hold."""


def hydraulic_diameter(first_side: Any, second_side: Any) -> Any:
    """4 area / perimeter of a rectangle, m."""
    return 2.0 * first_side * second_side / (first_side + second_side)


def _polynomial(aspect: Any, *coefficients: float) -> Any:
    a = np.asarray(aspect, dtype=float)
    if not np.all((a >= 0) & (a <= 1)):
        raise ValueError(f"aspect {aspect!r}; expected short side over long side, 0 to 1")
    return np.polynomial.polynomial.polyval(a, coefficients)


# -- friction ----------------------------------------------------------------------------------------------


def friction_developed(aspect: Any) -> Any:
    """Darcy friction factor times Re of developed flow: 96 between plates, 56.9 in a square duct.

    Source: Shah and London 1978, eq. 341 (within 0.05 % of the exact series), times 4 from Fanning to Darcy.
    """
    return 96.0 * _polynomial(aspect, 1.0, -1.3553, 1.9467, -1.7012, 0.9564, -0.2537)


def fanning_factor(reynolds: Any, aspect: Any) -> Any:
    """Fanning friction factor of developed laminar flow (a quarter of Darcy's)."""
    return friction_developed(aspect) / (4.0 * reynolds)


def entrance_loss_number(aspect: Any) -> Any:
    """Extra loss in velocity heads that the developing flow costs a long duct (K infinity).

    Source: Steinke and Kandlikar, Heat Transfer Eng. 27 (2006), polynomial; within 2 % of 2 (K_e - K_d) of
    the developed profile (Lundgren, Sparrow and Starr 1964).
    """
    return _polynomial(aspect, 0.6796, 1.2197, 3.3089, -9.5921, 8.9089, -2.9959)


def friction_apparent(x_plus: Any, aspect: Any = 0.0) -> Any:
    """Apparent Darcy friction factor times Re over a length from the mouth, momentum change included.

    Parameters
    ----------
    x_plus : float or array
        x / (Dh Re), above 0.
    aspect : float or array
        0 to 1.

    Source: Shah, J. Fluids Eng. 100 (1978) 177, within 2.4 % of exact solutions; its constant C is
    interpolated in aspect between 2.9e-5 (plates), 7.6e-5 (0.2), 2.1e-4 (0.5) and 2.9e-4 (square).
    """
    short = 3.44 / np.sqrt(x_plus)
    c = np.interp(aspect, (0.0, 0.2, 0.5, 1.0), (2.9e-5, 7.6e-5, 2.1e-4, 2.9e-4))
    long = friction_developed(aspect) / 4.0 + entrance_loss_number(aspect) / (4.0 * x_plus)
    return 4.0 * (short + (long - short) / (1.0 + c / np.square(x_plus)))


def contraction_loss(open_share: Any) -> Any:
    """Loss in velocity heads of the channel where the flow enters a stack of channels: 0.42 (1 - s^2).

    Parameters
    ----------
    open_share : float or array
        Free area over frontal area, 0 to 1.

    Source: White, Fluid Mechanics, sudden contraction.
    """
    return 0.42 * (1.0 - np.square(open_share))


def expansion_loss(open_share: Any) -> Any:
    """Loss in velocity heads where flow leaves a stack of channels: (1 - s)^2 (Borda and Carnot)."""
    return np.square(1.0 - open_share)


def pressure_drop(
    velocity: Any, length: Any, gap: Any, height: Any, density: Any, viscosity: Any, losses: Any = 0.0
) -> Any:
    """Pressure drop in Pa of laminar flow through one rectangular channel, entrance included.

    Parameters
    ----------
    velocity : float or array
        Mean velocity in the channel, m/s, 0 or more.
    length, gap, height : float or array
        Of the channel, m; gap and height in either order.
    density, viscosity : float or array
        kg/m^3 and Pa s.
    losses : float or array
        Further losses in velocity heads.

    The long-duct form (developed friction plus the entrance loss number) is used: linear plus quadratic in
    velocity. It is at most 5 % above ``friction_apparent`` for x_plus above 0.015, 3 % above 0.03.
    """
    dh = hydraulic_diameter(gap, height)
    aspect = np.minimum(gap, height) / np.maximum(gap, height)
    linear = friction_developed(aspect) * viscosity * length / (2.0 * dh**2)
    return linear * velocity + 0.5 * density * (entrance_loss_number(aspect) + losses) * np.square(velocity)


# -- heat --------------------------------------------------------------------------------------------------


def nusselt_developed(aspect: Any, wall: str = "temperature") -> Any:
    """Nusselt number of developed flow, all four walls heated.

    Parameters
    ----------
    aspect : float or array
        0 (7.541 or 8.235) to 1 (2.97 or 3.61).
    wall : {"temperature", "flux"}
        Walls of one temperature, or uniform axial flux with uniform temperature around (H1).

    Source: Shah and London 1978, polynomial fits to their tables.
    """
    if wall == "temperature":
        return 7.541 * _polynomial(aspect, 1.0, -2.610, 4.970, -5.119, 2.702, -0.548)
    if wall == "flux":
        return 8.235 * _polynomial(aspect, 1.0, -2.0421, 3.0853, -2.4765, 1.0578, -0.1861)
    raise ValueError(f"wall {wall!r}; expected temperature or flux")


ONE_SIDE_HEATED = 4.861
"""Nusselt number between plates, one isothermal and the other insulated (Shah and London 1978)."""

_FIRST_EIGENVALUES = (1.68159532, 5.66985735, 9.66824247, 13.66766144, 17.66737357, 21.66720532)
_FIRST_WEIGHTS = (0.85808667, 0.56946285, 0.47606546, 0.42397373, 0.38910871, 0.36346505)
_TERMS = 120


@cache
def _graetz() -> tuple[Array, Array]:
    """Exponents and weights of the series; asymptotic beyond the sixth term (Sellars et al. 1956)."""
    n = np.arange(_TERMS)
    eigenvalues: Any = 4.0 * n + 5.0 / 3.0
    eigenvalues[: len(_FIRST_EIGENVALUES)] = _FIRST_EIGENVALUES
    weights: Any = 1.01278729 * eigenvalues ** (-1.0 / 3.0)
    weights[: len(_FIRST_WEIGHTS)] = _FIRST_WEIGHTS
    return (32.0 / 3.0) * eigenvalues**2, 3.0 * weights / eigenvalues**2


def nusselt_plates_thermally_developing(x_star: Any, wall: str = "temperature") -> Any:
    """Mean Nusselt number between plates, developed velocity profile, heating from the mouth.

    Parameters
    ----------
    x_star : float or array
        x / (Dh Re Pr), above 0.
    wall : {"temperature", "flux"}
        Both walls at one temperature (exact series of Graetz's problem, Leveque's 1.849 x*^(-1/3) below
        2e-5), or uniform flux (correlation, blended over 0.0005 to 0.002 and 0.006 to 0.02).

    Source: Shah and London 1978; Bejan and Kraus, Heat Transfer Handbook 2003, eq. 5.40.
    """
    x = np.asarray(x_star, dtype=float)
    root = x ** (-1.0 / 3.0)
    if wall == "temperature":
        exponents, weights = _graetz()
        safe = np.maximum(x, 1e-5)[..., np.newaxis]
        rest = np.sum(weights * np.exp(-(exponents - exponents[0]) * safe), axis=-1)
        series = (exponents[0] * safe[..., 0] - np.log(rest)) / (4.0 * safe[..., 0])
        return between(1.849 * root, series, x, 2e-5, 2e-4)
    if wall == "flux":
        first = 2.236 * root + 0.9 * smooth_step(x, 0.0005, 0.002)
        return between(first, 8.235 + 0.0364 / x, x, 0.006, 0.02)
    raise ValueError(f"wall {wall!r}; expected temperature or flux")


def _entrance_gain(x_star: Any, prandtl: Any) -> Any:
    return 0.024 * x_star**-1.14 / (1.0 + 0.0358 * prandtl**0.17 * x_star**-0.64)


def nusselt_plates_developing(x_star: Any, prandtl: Any = 0.71) -> Any:
    """Mean Nusselt number between isothermal plates when velocity and temperature develop together.

    Parameters
    ----------
    x_star : float or array
        x / (Dh Re Pr), above 0.
    prandtl : float or array
        0.1 to 1000.

    Source: Stephan, Chem. Ing. Tech. 31 (1959) 773, as given by Shah and London 1978; a finite-volume march
    of the boundary-layer equations in the tests agrees within 1.5 % for x_star above 0.03 and 7 % down to
    0.001.
    """
    return 7.55 + _entrance_gain(np.asarray(x_star, dtype=float), prandtl)


def nusselt_duct_developing(x_star: Any, aspect: Any, prandtl: Any = 0.71, developed: Any = None) -> Any:
    """Mean Nusselt number of an isothermal rectangular duct, velocity and temperature developing together.

    The developed value of the duct plus the gain near the mouth between plates: both ends are right, since a
    thin boundary layer does not feel the duct's shape.

    Parameters
    ----------
    x_star : float or array
        x / (Dh Re Pr), above 0.
    aspect : float or array
        0 to 1.
    prandtl : float or array
        Of the fluid.
    developed : float, optional
        Another developed value (``ONE_SIDE_HEATED``).
    """
    base = nusselt_developed(aspect) if developed is None else developed
    return base + _entrance_gain(np.asarray(x_star, dtype=float), prandtl)
