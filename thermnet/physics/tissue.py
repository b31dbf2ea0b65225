"""Heat from a warm surface through cloth and layered, perfused tissue to the core of the body (steady).

Each layer obeys Pennes' equation ``k T'' = w rho_b c_b (T - T_a) - q``, solved exactly by hyperbolic
functions; a stack of layers reduces to one area resistance and one temperature behind it.  Lists of layers
run from the skin's surface inward; lengths in m, temperatures in degC, flux in W/m^2 positive into the
body.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BLOOD_HEAT = 4.0e6
"""Density times specific heat of blood, J/(m^3 K) (1060 kg/m^3 x 3770 J/(kg K)).

 Common practice, no source.
"""
CORE_TEMPERATURE = 37.0
"""degC, of the core and of the blood that arrives."""

CAUTION = (
    "Tissue properties and blood flow differ between people and places on the body and rise when the "
    "skin warms; values here are illustrative. The result says how posture loads the machine, not what "
    "a person can safely bear."
)


@dataclass(frozen=True)
class Tissue:
    """Layers from the skin's surface inward.

    Attributes
    ----------
    thickness : tuple of float
        m.
    conductivity : tuple of float
        W/(m K).
    perfusion : tuple of float
        Blood volume per tissue volume and second, 1/s (0 for the epidermis).
    metabolism : tuple of float
        Heat produced, W/m^3.
    """

    thickness: tuple[float, ...]
    conductivity: tuple[float, ...]
    perfusion: tuple[float, ...]
    metabolism: tuple[float, ...]


THIGH = Tissue(
    thickness=(0.08e-3, 2.0e-3, 10.0e-3),
    conductivity=(0.21, 0.41, 0.18),
    perfusion=(0.0, 1.5e-3, 0.8e-3),
    metabolism=(0.0, 200.0, 5.0),
)
"""Epidermis, dermis, fat over warm muscle: middle of the ranges met in practice, no source."""

CLOTH_RESISTANCE = 0.04
"""K m^2/W, trousers with the air they hold under a light machine; 0.02 to 0.05 in practice, no source."""


def tissue_resistance(
    thickness: Sequence[Any],
    conductivity: Sequence[Any],
    perfusion: Sequence[Any],
    metabolism: Sequence[Any] | None = None,
    blood_temperature: Any = CORE_TEMPERATURE,
    core_temperature: Any = CORE_TEMPERATURE,
    blood_heat: Any = BLOOD_HEAT,
) -> tuple[Any, Any]:
    """Area resistance of a stack of tissue seen from the skin, and the temperature behind it.

    The flux into the body from a skin surface at T is ``(T - behind) / resistance``, exactly.

    Parameters
    ----------
    thickness, conductivity, perfusion : sequences of n layers, skin first
        m, W/(m K), 1/s; each may be an array over samples.
    metabolism : sequence of n layers, optional
        Heat produced, W/m^3.
    blood_temperature, core_temperature : float or array
        Of arriving blood, and of the tissue behind the last layer, degC.
    blood_heat : float or array
        Density times specific heat of blood, J/(m^3 K).

    Returns
    -------
    resistance, behind : float or array
        K m^2/W and degC.

    Raises
    ------
    ValueError
        Lists of different length, a thickness or conductivity not above 0, a negative perfusion.

    Notes
    -----
    Source: Pennes, J. Applied Physiology 1 (1948) 93; solution of ``k T'' = beta (T - T_a) - q`` by
    elementary means.
    """
    layers = _layers(thickness, conductivity, perfusion, metabolism, blood_heat)
    resistance: Any = np.float64(0.0)
    behind = np.subtract(core_temperature, blood_temperature)
    for length, k, beta, q in reversed(layers):
        ch, shc, bump = _shape(length, k, beta)
        bottom = ch + resistance * beta * length * shc
        behind = (behind + q * length**2 / (2.0 * k) * bump + resistance * q * length * shc) / bottom
        resistance = (length / k * shc + resistance * ch) / bottom
    return resistance, behind + blood_temperature


def contact_resistance(
    cloth_resistance: Any = CLOTH_RESISTANCE,
    tissue: Tissue = THIGH,
    blood_temperature: Any = CORE_TEMPERATURE,
    core_temperature: Any = CORE_TEMPERATURE,
) -> tuple[Any, Any]:
    """Area resistance in K m^2/W through cloth and tissue, and the temperature behind it in degC."""
    resistance, behind = tissue_resistance(
        tissue.thickness,
        tissue.conductivity,
        tissue.perfusion,
        tissue.metabolism,
        blood_temperature,
        core_temperature,
    )
    return np.add(cloth_resistance, resistance), behind


def surface_conductance(
    thickness: Sequence[Any],
    conductivity: Sequence[Any],
    perfusion: Sequence[Any],
    cloth_resistance: Any = 0.0,
    blood_heat: Any = BLOOD_HEAT,
) -> Any:
    """Conductance in W/(m^2 K) from the outside of the cloth to the body (core and blood alike)."""
    resistance, _ = tissue_resistance(thickness, conductivity, perfusion, blood_heat=blood_heat)
    return 1.0 / np.add(cloth_resistance, resistance)


def skin_flux(
    surface_temperature: Any,
    thickness: Sequence[Any],
    conductivity: Sequence[Any],
    perfusion: Sequence[Any],
    metabolism: Sequence[Any] | None = None,
    cloth_resistance: Any = 0.0,
    blood_temperature: Any = CORE_TEMPERATURE,
    core_temperature: Any = CORE_TEMPERATURE,
    blood_heat: Any = BLOOD_HEAT,
) -> Any:
    """Flux in W/m^2 into the body from a surface at ``surface_temperature`` degC outside the cloth."""
    resistance, behind = tissue_resistance(
        thickness, conductivity, perfusion, metabolism, blood_temperature, core_temperature, blood_heat
    )
    return np.subtract(surface_temperature, behind) / np.add(cloth_resistance, resistance)


def interface_temperatures(
    surface_temperature: Any,
    thickness: Sequence[Any],
    conductivity: Sequence[Any],
    perfusion: Sequence[Any],
    metabolism: Sequence[Any] | None = None,
    cloth_resistance: Any = 0.0,
    blood_temperature: Any = CORE_TEMPERATURE,
    core_temperature: Any = CORE_TEMPERATURE,
    blood_heat: Any = BLOOD_HEAT,
) -> Array:
    """Temperatures at the skin's surface and below each layer, degC.

    Parameters as in :func:`tissue_resistance`, with the temperature of the surface outside the cloth in degC.

    Returns
    -------
    array, shape (n + 1, ...)
        Skin surface first; the second entry of the usual stack is the basal layer on which burns are
        judged; the last is the core's.
    """
    layers = _layers(thickness, conductivity, perfusion, metabolism, blood_heat)
    flux = skin_flux(
        surface_temperature,
        thickness,
        conductivity,
        perfusion,
        metabolism,
        cloth_resistance,
        blood_temperature,
        core_temperature,
        blood_heat,
    )
    over = np.subtract(surface_temperature, blood_temperature) - flux * cloth_resistance
    found = [over]
    for i, (length, k, beta, q) in enumerate(layers):
        # The part of the stack behind this layer: its resistance fixes the flux that leaves the layer's far
        # side.
        rest = [values[i + 1 :] for values in (thickness, conductivity, perfusion)]
        heat = None if metabolism is None else metabolism[i + 1 :]
        if len(rest[0]):
            resistance, behind = tissue_resistance(
                rest[0], rest[1], rest[2], heat, blood_temperature, core_temperature, blood_heat
            )
        else:
            resistance, behind = np.float64(0.0), core_temperature
        over = _far_side(over, np.subtract(behind, blood_temperature), resistance, length, k, beta, q)
        found.append(over)
    return np.asarray(np.stack(np.broadcast_arrays(*found)) + blood_temperature)


def _far_side(near: Any, behind: Any, resistance: Any, length: Any, k: Any, beta: Any, q: Any) -> Any:
    """Excess over blood at a layer's far side, from its near side and what lies behind (no cancellation)."""
    ch, shc, bump = _shape(length, k, beta)
    return (
        resistance * (near + q * length**2 / k * (shc**2 - 0.5 * bump * ch)) + behind * length / k * shc
    ) / (length / k * shc + resistance * ch)


def _shape(length: Any, k: Any, beta: Any) -> tuple[Any, Any, Any]:
    """Cosh z, sinh z / z and 2 (cosh z - 1) / z^2 with z = length sqrt(beta / k), smooth at z = 0."""
    z = length * np.sqrt(beta / k)
    return np.cosh(z), _sinh_over(z), _sinh_over(0.5 * z) ** 2


def _sinh_over(z: Any) -> Any:
    small = np.abs(z) < 1e-3
    safe = np.where(small, 1.0, z)
    return np.where(small, 1.0 + z * z / 6.0 * (1.0 + z * z / 20.0), np.sinh(safe) / safe)


def _layers(
    thickness: Sequence[Any],
    conductivity: Sequence[Any],
    perfusion: Sequence[Any],
    metabolism: Sequence[Any] | None,
    blood_heat: Any,
) -> list[tuple[Any, Any, Any, Any]]:
    heat = [0.0] * len(thickness) if metabolism is None else metabolism
    sizes = {len(thickness), len(conductivity), len(perfusion), len(heat)}
    if len(sizes) != 1 or 0 in sizes:
        raise ValueError(
            f"{len(thickness)} thicknesses, {len(conductivity)} conductivities, {len(perfusion)} perfusions, "
            f"{len(heat)} metabolic heats; expected lists of equal length, one entry per layer"
        )
    rows = []
    for i, (length, k, w, q) in enumerate(zip(thickness, conductivity, perfusion, heat, strict=True)):
        if not (
            np.all(np.greater(length, 0)) and np.all(np.greater(k, 0)) and np.all(np.greater_equal(w, 0))
        ):
            raise ValueError(
                f"layer {i}: thickness {length!r} m, conductivity {k!r} W/(m K), perfusion {w!r} 1/s; "
                "expected the first two above 0, perfusion 0 or more"
            )
        rows.append(
            (
                np.asarray(length, dtype=float),
                np.asarray(k, dtype=float),
                np.multiply(w, blood_heat),
                np.asarray(q, dtype=float),
            )
        )
    return rows
