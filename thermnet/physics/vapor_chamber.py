"""Vapor chambers filled with water: a flat plate that spreads heat by vapour, with its own heat limits.

Source and chamber are replaced by discs of equal area; vapour flows outward in a gap, liquid inward in the
wick.  The condenser is the whole face opposite the source (heat leaves evenly) unless ``rim`` says that it
leaves at the outer edge, or ``distance`` that it leaves at one end, as with fins at the edge of a machine.
Functions are pure and broadcast over arrays.  Temperatures are in degC, lengths in m, heat in W.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from thermnet.materials import water
from thermnet.physics.pipe_limits import boiling_limit, entrainment_limit, sonic_limit
from thermnet.physics.two_phase import GRAVITY, NUCLEATION_RADIUS, ZERO_CELSIUS, cold_start, smooth_minimum
from thermnet.physics.wicks import Wick


def equal_disc_radius(area: Any) -> Any:
    """Radius in m of the disc of the same area (m^2)."""
    return np.sqrt(np.asarray(area) / np.pi)


# -- flow in the gap and in the wick -----------------------------------------------------------------------


def radial_factor(source_area: Any, chamber_area: Any, rim: bool = False) -> Any:
    """Pressure factor from the middle of the source to the rim.

    In units of ``flow x sheet gradient / (2 pi)``:

    ``ln(b/a)`` when vapour condenses evenly over the whole face, ``1/2 + ln(b/a)`` when all of it condenses
    at the rim; ``a`` and ``b`` are the radii of the equal discs.

    Parameters
    ----------
    source_area, chamber_area : float or array
        m^2; the source is at most as large as the chamber.

    Raises
    ------
    ValueError
        The source is larger than the chamber.

    Notes
    -----
    Source: integral of Darcy's law for evaporation even over the source (elementary).
    """
    ratio = np.asarray(chamber_area, dtype=float) / source_area
    if np.any(ratio < 1.0):
        raise ValueError(
            f"source of {source_area!r} m^2 on a chamber of {chamber_area!r} m^2; expected a smaller source"
        )
    logarithm = 0.5 * np.log(ratio)
    result = logarithm + 0.5 if rim else logarithm
    return result if np.ndim(result) else float(result)


def strip_factor(source_area: Any, width: Any, distance: Any, ends: Any = 1) -> Any:
    """Pressure factor from the middle of the source to fins at one end or at both ends of the chamber.

    In units of ``flow x sheet gradient / (2 pi)``: ``1/2 + ln(w/(2 pi a)) + 2 pi L/(n w)``, with ``a`` the
    radius of the equal disc, ``w`` the width of the strip along which all flow goes, ``L`` the distance from
    the middle of the source to where it arrives (the middle of a condenser of some length), ``n`` the number
    of ends with fins, each as far away and with the same share.  A disc wider than
    ``w/pi`` counts as filling the width (logarithm 0).

    Parameters
    ----------
    source_area : float or array
        m^2.
    width, distance : float or array
        m.
    ends : 1 or 2

    Notes
    -----
    Source: potential of a source in a strip with one closed end far behind it,
    ``-(1/2 pi) ln |2 sinh(pi z/w)|`` with an even flow added (conformal mapping, exact for a small source; a
    closed end a quarter of the width behind the source adds 0.7 %).  Held against finite differences in the
    tests.
    """
    radius = equal_disc_radius(source_area)
    gather = np.maximum(np.log(np.asarray(width) / (2.0 * np.pi * radius)), 0.0)
    result = 0.5 + gather + 2.0 * np.pi * np.asarray(distance) / (np.asarray(ends) * width)
    return result if np.ndim(result) else float(result)


def vapour_sheet_gradient(vapour_temperature: Any, vapour_gap: Any, open_share: Any = 1.0) -> Any:
    """Pressure drop of vapour between two plates per watt and square, Pa/W: ``12 mu_v / (g^3 rho_v h_fg)``.

    ``open_share`` is the share of the gap's width free of supports.  Laminar flow between parallel plates.
    """
    fluid = water.saturated(vapour_temperature)
    return (
        12.0
        * fluid.vapour_viscosity
        / (vapour_gap**3 * fluid.vapour_density * fluid.latent_heat * open_share)
    )


def liquid_sheet_gradient(vapour_temperature: Any, permeability: Any, wick_thickness: Any) -> Any:
    """Pressure drop of liquid in a wick layer per watt and square, Pa/W: ``mu_l / (K t rho_l h_fg)``.

    Source: Darcy's law.
    """
    fluid = water.saturated(vapour_temperature)
    return fluid.liquid_viscosity / (permeability * wick_thickness * fluid.liquid_density * fluid.latent_heat)


def vapour_conductivity(vapour_temperature: Any, vapour_gap: Any) -> Any:
    """In-plane conductivity of a vapour gap taken as a solid sheet, W/(m K).

    ``rho_v^2 h_fg^2 g^2 / (12 mu_v T)``: about 5e4 W/(m K) for 0.15 mm at 60 degC.

    Source: Clausius-Clapeyron with laminar flow between plates (Prasher, J. Electronic Packaging 125, 2003,
    gives the like for a round pipe; from memory).
    """
    inside = water.within_range(vapour_temperature)
    fluid = water.saturated(inside)
    absolute = np.asarray(inside) + ZERO_CELSIUS
    return (fluid.vapour_density * fluid.latent_heat * vapour_gap) ** 2 / (
        12.0 * fluid.vapour_viscosity * absolute
    )


# -- limits ------------------------------------------------------------------------------------------------


def heat_limits(
    vapour_temperature: Any,
    wick: Wick,
    *,
    wick_thickness: Any,
    vapour_gap: Any,
    source_area: Any,
    chamber_area: Any,
    wick_resistance: Any,
    length: Any = 0.0,
    tilt: Any = 0.0,
    open_share: Any = 1.0,
    rim: bool = False,
    width: Any = None,
    distance: Any = None,
    ends: Any = 1,
    nucleation_radius: Any = NUCLEATION_RADIUS,
) -> dict[str, Any]:
    """All limits of a warm chamber in W by name: capillary, sonic, entrainment, boiling, viscous.

    Parameters
    ----------
    vapour_temperature : float or array
        degC, 0.01 to 200.
    wick : Wick
    wick_thickness, vapour_gap : float or array
        m; the wick layer that carries the liquid back (both layers together if there are two).
    source_area, chamber_area : float or array
        Heated area and area of the chamber, m^2.
    wick_resistance : float or array
        Of the wick under the source, K/W (:func:`source_resistance` less its wall).
    length, tilt : float or array
        Height in m (along the slope) that the liquid climbs when the plate leans by ``tilt`` degrees.
    open_share : float or array
        Share of the gap free of supports.
    rim : bool
        Heat leaves at the rim.
    width, distance, ends : float or array, optional
        m; heat leaves at one end (or two) of a chamber of this inner width, this far from the source
        (:func:`strip_factor`), rather than evenly over the face or at the rim.

    Notes
    -----
    Source: the pipe's limits (Chi 1976; Faghri 1995) with radial flow: capillary ``[2 sigma/r - rho g (g_v
    cos(tilt) + L sin(tilt))] / [(G_l + G_v) factor / 2 pi]``; sonic and entrainment at the edge of the
    source; viscous ``pi g^3 rho_v P h_fg / (12 mu_v factor)``, ideal gas.
    """
    fluid = water.saturated(vapour_temperature)
    # A source as large as the face needs no flow along it; the gap's height then stands for the distance.
    way = (
        radial_factor(source_area, chamber_area, rim)
        if distance is None
        else strip_factor(source_area, width, distance, ends)
    )
    factor = np.maximum(way, vapour_gap / equal_disc_radius(chamber_area))
    vapour = vapour_sheet_gradient(vapour_temperature, vapour_gap, open_share)
    liquid = liquid_sheet_gradient(vapour_temperature, wick.permeability, wick_thickness)
    angle = np.radians(tilt)
    pumping = 2.0 * fluid.surface_tension / wick.pore_radius
    weight = fluid.liquid_density * GRAVITY * (vapour_gap * np.abs(np.cos(angle)) + length * np.sin(angle))
    left = pumping - weight
    available = 0.5 * (left + np.sqrt(left**2 + (0.01 * pumping) ** 2))
    edge = 2.0 * np.pi * equal_disc_radius(source_area) * vapour_gap * open_share
    return {
        "capillary": 2.0 * np.pi * available / ((vapour + liquid) * factor),
        "sonic": sonic_limit(vapour_temperature, edge),
        "entrainment": entrainment_limit(vapour_temperature, edge, wick.pore_radius),
        "boiling": boiling_limit(vapour_temperature, wick_resistance, wick.pore_radius, nucleation_radius),
        "viscous": np.pi * fluid.pressure / (vapour * factor),
    }


def heat_limit(vapour_temperature: Any, wick: Wick, *, full_above: Any = 12.0, **geometry: Any) -> Any:
    """Heat limit of a chamber in W: smooth minimum of :func:`heat_limits`, less the cold start.

    ``geometry`` holds the keywords of :func:`heat_limits`; ``full_above`` is the temperature in degC above
    which a cold start no longer holds the chamber back.  Below 0.01 degC water's properties are held at
    0.01 degC.
    """
    limits = heat_limits(water.within_range(vapour_temperature), wick, **geometry)
    return smooth_minimum(*limits.values()) * cold_start(vapour_temperature, full_above)


# -- resistances -------------------------------------------------------------------------------------------


def wall_spreading(
    source_area: Any, wall_thickness: Any, wall_conductivity: Any, wick_thickness: Any, wick_conductivity: Any
) -> Any:
    """Share of the plain wick resistance left because the wall spreads heat beyond the source, 0 to 1.

    ``1 - 2 I1(ma) K1(ma)`` with ``m^2 = (k_wick/t_wick)/(k_wall t_wall)``: exact for a disc source of even
    flux on a wide thin wall that loses heat through the wick to vapour of one temperature.

    Source: fin equation in a thin disc, modified Bessel functions (Carslaw & Jaeger; derived here).
    """
    from scipy.special import ive, kve

    rate = np.sqrt((wick_conductivity / wick_thickness) / (wall_conductivity * wall_thickness))
    reach = rate * equal_disc_radius(source_area)
    result = 1.0 - 2.0 * ive(1, reach) * kve(1, reach)
    return result if np.ndim(result) else float(result)


def source_resistance(
    source_area: Any, wall_thickness: Any, wall_conductivity: Any, wick_thickness: Any, wick_conductivity: Any
) -> dict[str, Any]:
    """Resistance in K/W from the chamber's outside under a source to the vapour, by name: ``wall``, ``wick``.

    Evaporation itself is left out (small beside the wick).
    """
    wall = wall_thickness / (wall_conductivity * source_area)
    share = wall_spreading(source_area, wall_thickness, wall_conductivity, wick_thickness, wick_conductivity)
    return {"wall": wall, "wick": share * wick_thickness / (wick_conductivity * source_area)}


def sheet_spreading(source_area: Any, sheet_area: Any, conductance: Any) -> Any:
    """Resistance in K/W of a thin sheet from a source, mean to mean, heat leaving evenly over all of it.

    ``[ln(b/a) - (1 - a^2/b^2)/2] / (2 pi k t)``; ``conductance`` is ``k t`` of the sheet in W/K.

    Source: conduction in a thin disc with even source and sink (derived here; elementary).
    """
    ratio = np.asarray(source_area) / sheet_area
    result = (-0.5 * np.log(ratio) - 0.5 * (1.0 - ratio)) / (2.0 * np.pi * conductance)
    return result if np.ndim(result) else float(result)


def vapour_resistance(vapour_temperature: Any, vapour_gap: Any, source_area: Any, chamber_area: Any) -> Any:
    """Resistance in K/W of the vapour from above the source to the mean of the whole face."""
    sheet = vapour_conductivity(vapour_temperature, vapour_gap) * vapour_gap
    return sheet_spreading(source_area, chamber_area, sheet)


def remote_vapour_resistance(
    vapour_temperature: Any, vapour_gap: Any, source_area: Any, width: Any, distance: Any, ends: Any = 1
) -> Any:
    """Resistance in K/W of the vapour from above the source to fins at one end, mean of the source.

    :func:`strip_factor` less a quarter (mean instead of middle of an even disc source) over ``2 pi k g``.
    """
    sheet = vapour_conductivity(vapour_temperature, vapour_gap) * vapour_gap
    return (strip_factor(source_area, width, distance, ends) - 0.25) / (2.0 * np.pi * sheet)


# -- mass --------------------------------------------------------------------------------------------------


def metal_volume(area: Any, wall_thickness: Any, wick_thickness: Any, porosity: Any) -> Any:
    """Metal of two walls and the wick in m^3 (rim and supports left out)."""
    return area * (2.0 * wall_thickness + (1.0 - porosity) * wick_thickness)


def water_volume(area: Any, wick_thickness: Any, porosity: Any, fill: Any = 1.1) -> Any:
    """Water in m^3: ``fill`` times what the wick's pores hold (a little over 1: common practice)."""
    return fill * area * wick_thickness * porosity
