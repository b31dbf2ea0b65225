"""Fins: efficiency, finned surfaces, the effectiveness of fins in a stream, and stacks of parallel fins.

SI units, temperatures in degC; scalars and arrays broadcast.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from thermnet.materials import air
from thermnet.physics import ducts


def fin_parameter(coefficient: Any, conductivity: Any, thickness: Any) -> Any:
    """Fin parameter m = sqrt(2 h / (k t)) of a thin fin cooled on both sides, 1/m."""
    return np.sqrt(2.0 * coefficient / (conductivity * thickness))


def efficiency_from_group(group: Any) -> Any:
    """Efficiency tanh(mL)/(mL) of a straight fin with insulated tip; ``group`` is mL, 0 or more.

    Source: any heat-transfer text, e.g. Incropera et al., 6th ed., eq. 3.89.
    """
    x = np.asarray(group, dtype=float)
    safe = np.maximum(x, 1e-4)
    return np.where(x > 1e-4, np.tanh(safe) / safe, 1.0 - x * x / 3.0)


def straight_fin_efficiency(
    length: Any, thickness: Any, conductivity: Any, coefficient: Any, tip: str = "insulated"
) -> Any:
    """Efficiency of a straight fin of uniform thickness: its heat over that of a fin all at base temperature.

    Parameters
    ----------
    length, thickness : float or array
        From base to tip, and across, m.
    conductivity, coefficient : float or array
        W/(m K) and W/(m^2 K).
    tip : {"insulated", "cooled"}
        A cooled tip is taken as half a thickness more length (Harper and Brown 1922).

    Raises
    ------
    ValueError
        Unknown word for the tip.
    """
    extra = _tip_length(tip, thickness)
    return efficiency_from_group(fin_parameter(coefficient, conductivity, thickness) * (length + extra))


def straight_fin_heat(
    length: Any, thickness: Any, conductivity: Any, coefficient: Any, base_rise: Any, tip: str = "cooled"
) -> Any:
    """Heat in W per metre of depth given by a straight fin whose base is ``base_rise`` K above the air."""
    surface = 2.0 * (length + _tip_length(tip, thickness))
    return (
        straight_fin_efficiency(length, thickness, conductivity, coefficient, tip)
        * coefficient
        * surface
        * base_rise
    )


def annular_fin_efficiency(
    inner_radius: Any,
    outer_radius: Any,
    thickness: Any,
    conductivity: Any,
    coefficient: Any,
    tip: str = "insulated",
) -> Any:
    """Efficiency of an annular fin of uniform thickness on a tube (exact, modified Bessel functions).

    Parameters
    ----------
    inner_radius, outer_radius, thickness : float or array
        m.
    conductivity, coefficient : float or array
        W/(m K) and W/(m^2 K).
    tip : {"insulated", "cooled"}
        As for ``straight_fin_efficiency``.

    Source: Kern and Kraus, Extended Surface Heat Transfer, 1972; Incropera et al., 6th ed., eq. 3.91.
    """
    from scipy.special import ive, kve

    outer = outer_radius + _tip_length(tip, thickness)
    m = fin_parameter(coefficient, conductivity, thickness)
    a, b = m * inner_radius, m * outer
    # Scaled Bessel functions keep long fins (large m r) from overflowing.
    fade = np.exp(-2.0 * (b - a))
    above = kve(1, a) * ive(1, b) - ive(1, a) * kve(1, b) * fade
    below = kve(0, a) * ive(1, b) + ive(0, a) * kve(1, b) * fade
    return 2.0 * inner_radius / (m * (outer**2 - inner_radius**2)) * above / below


def annular_fin_largest_heat(
    inner_radius: Any,
    outer_radius: Any,
    thickness: Any,
    coefficient: Any,
    base_rise: Any,
    tip: str = "cooled",
) -> Any:
    """Heat in W of an annular fin if it were all at base temperature (both faces)."""
    outer = outer_radius + _tip_length(tip, thickness)
    return 2.0 * np.pi * (outer**2 - np.square(inner_radius)) * coefficient * base_rise


def _tip_length(tip: str, thickness: Any) -> Any:
    if tip == "insulated":
        return 0.0
    if tip == "cooled":
        return thickness / 2.0
    raise ValueError(f"tip {tip!r}; expected insulated or cooled")


def surface_efficiency(fin_share: Any, fin_efficiency: Any) -> Any:
    """Efficiency 1 - share (1 - eta) of a finned surface of which ``fin_share`` is fins.

    Source: Incropera et al., 6th ed., eq. 3.102.
    """
    return 1.0 - fin_share * (1.0 - fin_efficiency)


def effectiveness(transfer_units: Any) -> Any:
    """Effectiveness 1 - exp(-NTU) of a stream along a wall of one temperature (capacity ratio 0)."""
    return -np.expm1(-np.asarray(transfer_units, dtype=float))


LARGEST_TRANSFER_UNITS = 16.0
"""NTU beyond which the air leaves at wall temperature within 1e-7 of the difference."""


def outlet_cell_conductance(capacity_rate: Any, conductance: Any) -> Any:
    """Conductance in W/K between a wall and a well-mixed air cell that gives the heat of the real stream.

    With inlet temperature Ti, a cell at its outlet temperature To takes w (To - Ti) = G (Tw - To).  Choosing
    G = w (exp(NTU) - 1) makes that equal to (1 - exp(-NTU)) w (Tw - Ti), the effectiveness-NTU heat.

    Parameters
    ----------
    capacity_rate : float or array
        Mass flow times specific heat, w, W/K, 0 or more.
    conductance : float or array
        Surface efficiency x coefficient x area, W/K; NTU is its ratio to w.
    """
    w = np.asarray(capacity_rate, dtype=float)
    safe = np.where(w > 0, w, 1.0)
    return np.where(w > 0, safe * np.expm1(np.minimum(conductance / safe, LARGEST_TRANSFER_UNITS)), 0.0)


# -- a stack of parallel fins ------------------------------------------------------------------------------


class StackGeometry(NamedTuple):
    """Channels of a fin stack: lengths in m, areas in m^2 (all channels together), aspect and open share."""

    gap: Any
    hydraulic_diameter: Any
    aspect: Any
    flow_area: Any
    base_area: Any
    fin_area: Any
    fin_length: Any
    open_share: Any


def stack_geometry(
    width: Any, height: Any, depth: Any, pitch: Any, thickness: Any, blocked: Any = 0.0
) -> StackGeometry:
    """Channels of a stack of sheet fins that stand on a base and carry folded tabs at the top.

    Parameters
    ----------
    width, height, depth : float or array
        Across the fins, along a fin from base to tip, and along the flow, m.
    pitch, thickness : float or array
        Fin to fin and sheet, m.
    blocked : float or array
        Share of channels closed by dust, 0 to below 1.

    The tab above each channel belongs to its fin: half a gap more length, wetted on the channel side.  The
    number of channels, width / pitch, is not rounded, so that every quantity is smooth in the pitch.
    """
    gap = pitch - thickness
    open_channels = width / pitch * (1.0 - blocked)
    return StackGeometry(
        gap=gap,
        hydraulic_diameter=ducts.hydraulic_diameter(gap, height),
        aspect=np.minimum(gap, height) / np.maximum(gap, height),
        flow_area=open_channels * gap * height,
        base_area=open_channels * gap * depth,
        fin_area=open_channels * (2.0 * height + gap) * depth,
        fin_length=height + gap / 2.0,
        open_share=gap / pitch * (1.0 - blocked),
    )


class Impedance(NamedTuple):
    """Pressure drop of a passage, ``linear * V + quadratic * V^2`` in Pa with V in m^3/s."""

    linear: Any
    quadratic: Any


def stack_impedance(
    geometry: StackGeometry,
    depth: Any,
    film_temperature: Any,
    pressure: Any = air.STANDARD_PRESSURE,
    losses: Any = 0.0,
) -> Impedance:
    """Flow impedance of a fin stack on its own volume flow.

    Parameters
    ----------
    geometry : StackGeometry
    depth : float or array
        Length of the channels, m.
    film_temperature, pressure : float or array
        degC and Pa.
    losses : float or array
        Further losses in velocity heads of the channels (dust mat, skewed flow).

    Developed laminar friction, entrance loss number, contraction and expansion; see
    ``thermnet.physics.ducts``.
    """
    shape = ducts.friction_developed(geometry.aspect) * depth / (2.0 * geometry.hydraulic_diameter**2)
    heads = (
        ducts.entrance_loss_number(geometry.aspect)
        + ducts.contraction_loss(geometry.open_share)
        + ducts.expansion_loss(geometry.open_share)
        + losses
    )
    return Impedance(
        linear=shape * air.viscosity(film_temperature, pressure) / geometry.flow_area,
        quadratic=0.5 * air.density(film_temperature, pressure) * heads / geometry.flow_area**2,
    )


def stack_conductance(
    volume_flow: Any,
    geometry: StackGeometry,
    depth: Any,
    thickness: Any,
    conductivity: Any,
    film_temperature: Any,
    pressure: Any = air.STANDARD_PRESSURE,
) -> Any:
    """Conductance in W/K between the base of a fin stack and the air in it: surface efficiency x h x area.

    Parameters
    ----------
    volume_flow : float or array
        m^3/s through the stack at the film temperature, 0 or more.
    geometry : StackGeometry
    depth, thickness, conductivity : float or array
        Channel length and sheet in m, fin material in W/(m K).
    film_temperature, pressure : float or array
        degC and Pa.

    Laminar rectangular channels, velocity and temperature developing together; at no flow the developed value
    stays.
    """
    k, pr = air.conductivity(film_temperature, pressure), air.prandtl(film_temperature, pressure)
    velocity = volume_flow / geometry.flow_area
    reynolds = velocity * geometry.hydraulic_diameter / air.kinematic_viscosity(film_temperature, pressure)
    inverse = np.maximum(reynolds * pr * geometry.hydraulic_diameter / depth, 1e-9)
    h = ducts.nusselt_duct_developing(1.0 / inverse, geometry.aspect, pr) * k / geometry.hydraulic_diameter
    total = geometry.base_area + geometry.fin_area
    fin = straight_fin_efficiency(geometry.fin_length, thickness, conductivity, h)
    return surface_efficiency(geometry.fin_area / total, fin) * h * total


def stack_reynolds(
    volume_flow: Any, geometry: StackGeometry, film_temperature: Any, pressure: Any = air.STANDARD_PRESSURE
) -> Any:
    """Reynolds number in the channels; the formulas here hold up to 2300."""
    velocity = volume_flow / geometry.flow_area
    return velocity * geometry.hydraulic_diameter / air.kinematic_viscosity(film_temperature, pressure)
