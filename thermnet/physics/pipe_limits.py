"""How much heat a water heat pipe can carry: capillary, sonic, entrainment, boiling and viscous limits.

The limits follow Chi, Heat Pipe Theory and Practice, 1976, and Faghri, Heat Pipe Science and Technology,
1995; where this module differs it says so.  Functions are pure and broadcast over arrays.  Temperatures are
in degC, lengths in m, heat in W.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from thermnet.materials import water
from thermnet.physics.heat_pipe import Lengths, Section, liquid_friction, vapour_friction
from thermnet.physics.two_phase import (
    GRAVITY,
    NUCLEATION_RADIUS,
    ZERO_CELSIUS,
    bend_derate,
    cold_start,
    smooth_minimum,
)
from thermnet.physics.wicks import Wick


def capillary_limit(
    vapour_temperature: Any,
    *,
    pore_radius: Any,
    permeability: Any,
    wick_area: Any,
    vapour_area: Any,
    vapour_diameter: Any,
    effective_length: Any,
    length: Any,
    vapour_height: Any,
    friction: Any = 16.0,
    tilt: Any = 0.0,
) -> Any:
    """Heat in W at which liquid and vapour friction use up the capillary pressure left by gravity.

    ``[2 sigma/r - rho g (h cos(tilt) + L sin(tilt))] / [(F_l + F_v) L_eff]``; the bracket is kept above 0
    smoothly, so the limit falls to almost nothing, not below, when gravity wins.

    Parameters
    ----------
    vapour_temperature : float or array
        degC.
    pore_radius, permeability, wick_area
        Of the wick: m, m^2, m^2.
    vapour_area, vapour_diameter, vapour_height, friction
        Of the vapour space: m^2, hydraulic m, m (liquid has to climb it), Fanning f Re.
    effective_length, length : float or array
        m; see :class:`Lengths`.
    tilt : float or array
        Evaporator above condenser, degrees; negative when gravity helps.

    Notes
    -----
    Source: Chi 1976; Faghri 1995.
    """
    fluid = water.saturated(vapour_temperature)
    angle = np.radians(tilt)
    pumping = 2.0 * fluid.surface_tension / pore_radius
    weight = fluid.liquid_density * GRAVITY * (vapour_height * np.abs(np.cos(angle)) + length * np.sin(angle))
    left = pumping - weight
    margin = 0.01 * pumping
    available = 0.5 * (left + np.sqrt(left**2 + margin**2))
    gradient = liquid_friction(vapour_temperature, permeability, wick_area) + vapour_friction(
        vapour_temperature, vapour_area, vapour_diameter, friction
    )
    return available / (gradient * effective_length)


def sonic_limit(vapour_temperature: Any, vapour_area: Any) -> Any:
    """Heat in W at which the vapour leaves the evaporator at the speed of sound.

    ``A rho_v h_fg sqrt(gamma R T / (2 (gamma + 1)))`` with the properties at the evaporator's closed end.

    Source: Levy; Multiphase Science and Engineering Handbook form (Faghri 1995).  The shorter
    ``0.474 A h_fg sqrt(rho P)`` (Busse) is 13 % lower for water at 60 degC.
    """
    fluid = water.saturated(vapour_temperature)
    gamma = fluid.vapour_heat_ratio
    absolute = np.asarray(vapour_temperature) + ZERO_CELSIUS
    speed = np.sqrt(gamma * water.GAS_CONSTANT * absolute / (2.0 * (gamma + 1.0)))
    return vapour_area * fluid.vapour_density * fluid.latent_heat * speed


def entrainment_limit(vapour_temperature: Any, vapour_area: Any, opening_radius: Any) -> Any:
    """Heat in W at which vapour tears liquid off the wick: ``A h_fg sqrt(sigma rho_v / (2 r))``.

    ``opening_radius`` is the radius of the wick's openings at the vapour, m (Weber number 1; Chi 1976).
    """
    fluid = water.saturated(vapour_temperature)
    tearing = np.sqrt(fluid.surface_tension * fluid.vapour_density / (2.0 * opening_radius))
    return vapour_area * fluid.latent_heat * tearing


def boiling_limit(
    vapour_temperature: Any,
    wick_resistance: Any,
    pore_radius: Any,
    nucleation_radius: Any = NUCLEATION_RADIUS,
) -> Any:
    """Heat in W at which bubbles grow in the evaporator's wick.

    ``T/(h_fg rho_v) (2 sigma/r_n - 2 sigma/r_pore) / R_wick``; with ``R_wick = ln(ri/rv)/(2 pi L k)`` this is
    Chi's formula for a round pipe.

    Parameters
    ----------
    vapour_temperature : float or array
        degC.
    wick_resistance : float or array
        Of the evaporator's wick between wall and vapour, K/W.
    pore_radius, nucleation_radius : float or array
        m.  The limit is nearly inverse to the nucleation radius, which is known to a factor of ten at best.

    Notes
    -----
    Source: Chi 1976.
    """
    fluid = water.saturated(vapour_temperature)
    absolute = np.asarray(vapour_temperature) + ZERO_CELSIUS
    pressure = 2.0 * fluid.surface_tension * (1.0 / nucleation_radius - 1.0 / pore_radius)
    superheat = absolute / (fluid.latent_heat * fluid.vapour_density) * np.maximum(pressure, 1.0)
    return superheat / wick_resistance


def viscous_limit(
    vapour_temperature: Any,
    vapour_area: Any,
    vapour_diameter: Any,
    effective_length: Any,
    friction: Any = 16.0,
) -> Any:
    """Heat in W at which vapour friction uses up the vapour pressure itself (cold start).

    ``A Dh^2 h_fg rho_v P / (4 (f Re) mu_v L_eff)``; in a round pipe ``A rv^2 h_fg rho_v P / (16 mu_v L_eff)``
    (Busse; Faghri 1995).
    """
    fluid = water.saturated(vapour_temperature)
    drive = vapour_area * vapour_diameter**2 * fluid.latent_heat * fluid.vapour_density * fluid.pressure
    return drive / (4.0 * friction * fluid.vapour_viscosity * effective_length)


def heat_limits(
    vapour_temperature: Any,
    section: Section,
    wick: Wick,
    lengths: Lengths,
    *,
    wick_resistance: Any,
    tilt: Any = 0.0,
    nucleation_radius: Any = NUCLEATION_RADIUS,
) -> dict[str, Any]:
    """All limits of one straight warm pipe in W by name: capillary, sonic, entrainment, boiling, viscous.

    ``wick_resistance`` is that of the evaporator's wick in K/W (:func:`resistances`).
    """
    return {
        "capillary": capillary_limit(
            vapour_temperature, pore_radius=wick.pore_radius, permeability=wick.permeability,
            wick_area=section.wick_area, vapour_area=section.vapour_area,
            vapour_diameter=section.vapour_diameter, friction=section.vapour_friction,
            effective_length=lengths.effective, length=lengths.total,
            vapour_height=section.vapour_height, tilt=tilt,
        ),
        "sonic": sonic_limit(vapour_temperature, section.vapour_area),
        "entrainment": entrainment_limit(vapour_temperature, section.vapour_area, wick.pore_radius),
        "boiling": boiling_limit(vapour_temperature, wick_resistance, wick.pore_radius, nucleation_radius),
        "viscous": viscous_limit(
            vapour_temperature, section.vapour_area, section.vapour_diameter, lengths.effective,
            section.vapour_friction
        ),
    }  # fmt: skip


def heat_limit(
    vapour_temperature: Any,
    section: Section,
    wick: Wick,
    lengths: Lengths,
    *,
    wick_resistance: Any,
    tilt: Any = 0.0,
    bends: Any = 0.0,
    loss_per_right_angle: Any = 0.035,
    full_above: Any = 12.0,
    nucleation_radius: Any = NUCLEATION_RADIUS,
) -> Any:
    """Heat limit of one pipe in W: smooth minimum of all limits, less bends, less the cold start.

    Below 0.01 degC the properties of water are held at 0.01 degC and only the cold-start share remains.

    Parameters
    ----------
    vapour_temperature : float or array
        degC, up to 200.
    bends : float or array
        Sum of all bends, degrees.
    full_above : float
        Temperature in degC above which a cold start no longer holds the pipe back.
    """
    inside = water.within_range(vapour_temperature)
    limits = heat_limits(
        inside,
        section,
        wick,
        lengths,
        wick_resistance=wick_resistance,
        tilt=tilt,
        nucleation_radius=nucleation_radius,
    )
    return (
        smooth_minimum(*limits.values())
        * bend_derate(bends, loss_per_right_angle)
        * cold_start(vapour_temperature, full_above)
    )
