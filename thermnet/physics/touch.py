"""Touch: contact temperature, published limits with how well each is known, thermal dose, burn integral.

Nothing here is a safety test; read :data:`CAUTION`.  Temperatures are in degC, times in s unless a name
says minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermnet.materials.solids import solid

Array = NDArray[np.float64]

ZERO_CELSIUS = 273.15

CAUTION = (
    "Touch limits are judged at 25 degC room temperature and are not re-based to another ambient. Those "
    "listed here were not read in the standards themselves: each entry says how it is known. A model is "
    "not a safety test. Hot surfaces can burn, and long contact burns at temperatures that feel merely "
    "warm (43 degC for hours), sooner in people with reduced feeling or while asleep. Work to the "
    "edition of the standard in force where the product is sold and have the test done by a licensed "
    "laboratory."
)

SKIN_CONDUCTIVITY = 0.37
"""W/(m K), living skin; with the two values below an effusivity of 1181 W s^0.5/(m^2 K).  Common practice."""
SKIN_DENSITY = 1000.0
"""kg/m^3."""
SKIN_SPECIFIC_HEAT = 3770.0
"""J/(kg K)."""
SKIN_TEMPERATURE = 33.0
"""degC, hand at rest before contact.  Common practice, no source."""


# -- contact temperature ---------------------------------------------------------------------------


def effusivity(conductivity: Any, density: Any, specific_heat: Any) -> Any:
    """Thermal effusivity ``sqrt(k rho c)`` in W s^0.5/(m^2 K)."""
    return np.sqrt(np.multiply(conductivity, density) * np.asarray(specific_heat, dtype=float))


def contact_temperature(
    surface: Any,
    conductivity: Any,
    density: Any,
    specific_heat: Any,
    skin: Any = SKIN_TEMPERATURE,
    skin_conductivity: Any = SKIN_CONDUCTIVITY,
    skin_density: Any = SKIN_DENSITY,
    skin_specific_heat: Any = SKIN_SPECIFIC_HEAT,
) -> Any:
    """Temperature in degC at which skin and a hot surface meet in perfect contact.

    Mean of the two temperatures weighted by effusivity: constant from the first instant on while both
    bodies look semi-infinite (about a second for 1 mm of plastic, less for thin metal with nothing hot
    behind it).

    Parameters
    ----------
    surface, skin : float or array
        Temperatures before contact, degC.
    conductivity, density, specific_heat : float or array
        Of the surface's material, W/(m K), kg/m^3, J/(kg K).
    skin_conductivity, skin_density, skin_specific_heat : float or array
        Of the skin.

    Notes
    -----
    Source: Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, section 2.15.
    """
    hot = effusivity(conductivity, density, specific_heat)
    body = effusivity(skin_conductivity, skin_density, skin_specific_heat)
    return (hot * surface + body * skin) / (hot + body)


def surface_for_contact(
    contact: Any,
    conductivity: Any,
    density: Any,
    specific_heat: Any,
    skin: Any = SKIN_TEMPERATURE,
    skin_conductivity: Any = SKIN_CONDUCTIVITY,
    skin_density: Any = SKIN_DENSITY,
    skin_specific_heat: Any = SKIN_SPECIFIC_HEAT,
) -> Any:
    """Surface temperature in degC that meets the skin at ``contact`` degC."""
    ratio = effusivity(skin_conductivity, skin_density, skin_specific_heat) / effusivity(
        conductivity, density, specific_heat
    )
    return contact + ratio * (np.asarray(contact, dtype=float) - skin)


# -- limits by material and contact time -----------------------------------------------------------


@dataclass(frozen=True)
class TouchEntry:
    """One published temperature for touch.

    Attributes
    ----------
    surface : str
        ``metal``, ``glass`` (glass, ceramic), ``plastic`` (plastic, rubber), ``non-metal`` or ``any``.
    shortest, longest : float
        Contact times it is meant for, s (from ``shortest`` up to, not including, ``longest``).
    value : float
        degC.
    source, provenance : str
        Document, and how the value is known here.
    """

    surface: str
    shortest: float
    longest: float
    value: float
    source: str
    provenance: str


SURFACES = ("metal", "glass", "plastic")
GLASS_EFFUSIVITY = 1000.0
"""W s^0.5/(m^2 K) from which a solid that is no metal counts as glass."""
CONTACT_TIMES = (0.0, 1.0, 10.0, 60.0, 28800.0)
"""Lower ends of the contact classes, s: under 1 s, to 10 s, to 1 min, longer (held), 8 h and more (worn)."""

_PRODUCT = "IEC 62368-1 touch-temperature table (lowest energy class), room at 25 degC"
_SECONDARY = "seen secondary: quoted by others, the standard itself not read"
_MEMORY = "from memory, unverified"


def _rows() -> tuple[TouchEntry, ...]:
    table = {
        "metal": ((70.0, 60.0, 51.0, 48.0), _SECONDARY),
        "glass": ((85.0, 71.0, 56.0, 48.0), _MEMORY),
        "plastic": ((94.0, 77.0, 60.0, 48.0), _SECONDARY),
    }
    ends = (*CONTACT_TIMES[1:], np.inf)
    rows = []
    for surface, (values, provenance) in table.items():
        for i, value in enumerate(values):
            rows.append(TouchEntry(surface, CONTACT_TIMES[i], ends[i], value, _PRODUCT, provenance))
        rows.append(TouchEntry(surface, CONTACT_TIMES[4], ends[4], 43.0, _PRODUCT, _MEMORY))
    return tuple(rows)


TOUCH_LIMITS: tuple[TouchEntry, ...] = _rows()
"""Limits below which a touch is not expected to hurt, by surface and contact class."""

SECOND_CLASS_ADDED = 10.0
"""K by which the second energy class (may be painful, not harmful) exceeds the first.  Seen secondary."""


def surface_class(material: str) -> str:
    """Class of surface (``metal``, ``glass`` or ``plastic``) of a solid of the materials table.

    Metals count as metal, painted or not; of the others those with an effusivity of 1000 W s^0.5/(m^2 K) and
    up (glass, ceramics, laminates of carbon) count as glass.  The standard's own classes are descriptions,
    not numbers: the border is ours.
    """
    row = solid(material)
    if row.base:
        return "metal"
    return "glass" if row.effusivity >= GLASS_EFFUSIVITY else "plastic"


def touch_limit(surface: str, contact_time: Any, energy_class: int = 1) -> Any:
    """Touch limit in degC for a surface and a contact time, judged with the room at 25 degC.

    A contact time on the border of two classes belongs to the longer class (the lower limit).  The value
    does not depend on ambient on purpose: see :data:`CAUTION`.

    Parameters
    ----------
    surface : str
        ``metal``, ``glass`` or ``plastic``, or the name of a solid (see :func:`surface_class`).
    contact_time : float or array
        Expected time of contact, s.
    energy_class : int
        1: not painful; 2: may be painful but does not injure (10 K more; accessible only to instructed
        people or with a warning).

    Raises
    ------
    ValueError
        Unknown surface or class, or a contact time that is negative or not a number.
    """
    if energy_class not in (1, 2):
        raise ValueError(f"energy_class {energy_class!r}; expected 1 or 2")
    values = np.array([entry.value for entry in _of_surface(surface)])
    row = np.searchsorted(CONTACT_TIMES, _checked_time(contact_time), side="right") - 1
    return values[row] + (SECOND_CLASS_ADDED if energy_class == 2 else 0.0)


def touch_entry(surface: str, contact_time: float) -> TouchEntry:
    """Return the table row behind :func:`touch_limit` with its source and how it is known."""
    row = int(np.searchsorted(CONTACT_TIMES, _checked_time(contact_time), side="right")) - 1
    return _of_surface(surface)[row]


_ISO = "ISO 13732-1:2006"
_ECMA = "ECMA-287"
_EN_563 = "EN 563:1994 (replaced by ISO 13732-1)"
_BURN_LIST = "list of burn onset on a public page"
_PRACTICE = "common practice, no source"

BURN_THRESHOLDS: tuple[TouchEntry, ...] = (
    TouchEntry("metal", 600.0, 28800.0, 48.0, _ISO, _SECONDARY),
    TouchEntry("any", 60.0, 600.0, 51.0, _ISO, _MEMORY),
    TouchEntry("any", 28800.0, np.inf, 43.0, _ISO, _MEMORY),
    TouchEntry("metal", 1.0, 10.0, 70.0, _EN_563, _SECONDARY),
    TouchEntry("any", 10.0, 28800.0, 43.0, _ECMA, _SECONDARY),
    TouchEntry("metal", 1.0, 10.0, 55.0, _ECMA, _SECONDARY),
    TouchEntry("non-metal", 1.0, 10.0, 65.0, _ECMA, _SECONDARY),
    TouchEntry("metal", 0.0, 1.0, 65.0, _ECMA, _SECONDARY),
    TouchEntry("non-metal", 0.0, 1.0, 85.0, _ECMA, _SECONDARY),
    TouchEntry("metal", 300.0, np.inf, 49.0, _BURN_LIST, _PRACTICE),
    TouchEntry("glass", 300.0, np.inf, 59.0, _BURN_LIST, _PRACTICE),
    TouchEntry("plastic", 300.0, np.inf, 74.0, _BURN_LIST, _PRACTICE),
    TouchEntry("metal", 90.0, 120.0, 52.0, _BURN_LIST, _PRACTICE),
    TouchEntry("glass", 90.0, 120.0, 62.0, _BURN_LIST, _PRACTICE),
    TouchEntry("plastic", 90.0, 120.0, 77.0, _BURN_LIST, _PRACTICE),
    TouchEntry("metal", 1.0, 10.0, 57.0, _BURN_LIST, _PRACTICE),
    TouchEntry("glass", 1.0, 10.0, 67.0, _BURN_LIST, _PRACTICE),
    TouchEntry("plastic", 1.0, 10.0, 82.0, _BURN_LIST, _PRACTICE),
    TouchEntry("metal", 0.0, 1.0, 68.0, _BURN_LIST, _PRACTICE),
    TouchEntry("glass", 0.0, 1.0, 78.0, _BURN_LIST, _PRACTICE),
    TouchEntry("plastic", 0.0, 1.0, 93.0, _BURN_LIST, _PRACTICE),
)
"""Other published temperatures: thresholds of burning and limits of continuous holding.

 They disagree; none is ours.
"""


def burn_threshold(document: str, surface: str, contact_time: float) -> float:
    """Look up the temperature in degC that ``document`` gives for a surface and contact time.

    Parameters
    ----------
    document : str
        Beginning of the document's name: ``ISO 13732-1``, ``EN 563``, ``ECMA-287`` or ``list``.
    surface : str
        ``metal``, ``glass``, ``plastic``, ``non-metal`` or ``any``; an entry for ``any`` serves every
        surface and one for ``non-metal`` serves glass and plastic.
    contact_time : float
        s.

    Raises
    ------
    ValueError
        Nothing is known here for that combination; the message lists what is.
    """
    _checked_time(contact_time)
    matches = [entry for entry in BURN_THRESHOLDS if entry.source.startswith(document)]
    wanted = {surface, "any"} | ({"non-metal"} if surface in ("glass", "plastic") else set())
    for entry in matches:
        if entry.surface in wanted and entry.shortest <= contact_time < entry.longest:
            return entry.value
    known = "; ".join(
        f"{e.source}: {e.surface}, {e.shortest:g} to {e.longest:g} s" for e in (matches or BURN_THRESHOLDS)
    )
    raise ValueError(f"no burn threshold for {document!r}, {surface!r}, {contact_time:g} s; known: {known}")


def design_contact_time(setting: str) -> float:
    """Contact time in s to design for: 60 for consumer products, 5 in industry.

    Source: scope of ASTM C1055-03, seen secondary.
    """
    times = {"consumer": 60.0, "industrial": 5.0}
    if setting not in times:
        raise ValueError(f"setting {setting!r}; expected consumer or industrial")
    return times[setting]


def superseded_rise_limit(surface: str) -> float:
    """Limit in degC of the superseded rule EN 60950 (rise of 45/55/70 K over 25 degC), for old reports only.

    Rises seen secondary.  The table in force is :func:`touch_limit`.
    """
    rises = {"metal": 45.0, "glass": 55.0, "plastic": 70.0}
    if surface not in rises:
        raise ValueError(f"surface {surface!r}; expected one of {', '.join(rises)}")
    return 25.0 + rises[surface]


# -- dose and damage -------------------------------------------------------------------------------


def equivalent_minutes(temperature: Any, duration: Any) -> Any:
    """Cumulative equivalent minutes at 43 degC (CEM43) of ``duration`` s at a constant tissue temperature.

    ``R**(43 - T)`` per minute with R = 0.5 above 43 degC and 0.25 below.  An indicator only, found on cell
    cultures and animals.  Source: Sapareto & Dewey, Int. J. Radiation Oncology Biol. Phys. 10 (1984) 787,
    from memory.
    """
    over = np.asarray(temperature, dtype=float) - 43.0
    return np.exp2(np.where(over > 0.0, over, 2.0 * over)) * np.asarray(duration, dtype=float) / 60.0


def thermal_dose(times: ArrayLike, temperatures: ArrayLike) -> float:
    """CEM43 in minutes of a temperature record taken as straight lines between its points (exact for those).

    Parameters
    ----------
    times, temperatures : sequences of equal length
        s (rising) and degC of the tissue (not of the surface touched).
    """
    t, temperature = _record(times, temperatures)
    # Integral over temperature of the dose rate, 0 at 43 degC: the dose of a ramp is its difference over
    # the slope.
    over = temperature - 43.0
    integral = np.where(
        over > 0.0, np.expm1(over * np.log(2.0)) / np.log(2.0), np.expm1(over * np.log(4.0)) / np.log(4.0)
    )
    change = np.diff(temperature)
    flat = np.abs(change) < 1e-6
    mean_rate = np.where(
        flat,
        equivalent_minutes(0.5 * (temperature[1:] + temperature[:-1]), 60.0),
        np.diff(integral) / np.where(flat, 1.0, change),
    )
    return float(np.sum(mean_rate * np.diff(t)) / 60.0)


def burn_rate(temperature: Any, frequency_factor: Any = 3.1e98, activation_temperature: Any = 75000.0) -> Any:
    """Rate of the burn integral in 1/s at a basal-layer temperature: ``A exp(-(dE/R) / T)``.

    Parameters
    ----------
    temperature : float or array
        degC at the base of the epidermis (about 80 um deep).
    frequency_factor : float or array
        A, 1/s.
    activation_temperature : float or array
        dE/R, K.  The original constants belong together: putting 628 kJ/mol over 8.314 (75 531 K) beside
        the same A lengthens every burn time by a factor of about 5.

    Notes
    -----
    Source: Henriques, Archives of Pathology 43 (1947) 489; constants from memory.
    """
    kelvin = np.add(temperature, ZERO_CELSIUS)
    return np.exp(
        np.log(np.asarray(frequency_factor, dtype=float)) - np.divide(activation_temperature, kelvin)
    )


def burn_time(temperature: Any, frequency_factor: Any = 3.1e98, activation_temperature: Any = 75000.0) -> Any:
    """Time in s at a constant basal-layer temperature until the burn integral reaches 1."""
    return 1.0 / burn_rate(temperature, frequency_factor, activation_temperature)


def burn_integral(
    times: ArrayLike,
    temperatures: ArrayLike,
    frequency_factor: float = 3.1e98,
    activation_temperature: float = 75000.0,
) -> float:
    """Burn integral of a basal-layer record: 0.53 marks a first-degree and 1 a second-degree burn.

    The temperature runs straight between points; each piece is integrated with 16 Gauss points.

    Parameters
    ----------
    times, temperatures : sequences of equal length
        s (rising) and degC.
    """
    t, temperature = _record(times, temperatures)
    points, weights = np.polynomial.legendre.leggauss(16)
    within = temperature[:-1, None] + np.diff(temperature)[:, None] * 0.5 * (1.0 + points)
    mean = 0.5 * burn_rate(within, frequency_factor, activation_temperature) @ weights
    return float(np.sum(mean * np.diff(t)))


# -- inside ----------------------------------------------------------------------------------------


def _of_surface(surface: str) -> tuple[TouchEntry, ...]:
    if surface not in SURFACES:
        try:
            surface = surface_class(surface)
        except ValueError:
            known = ", ".join(SURFACES)
            raise ValueError(
                f"surface {surface!r}; expected one of {known}, or the name of a solid"
            ) from None
    return tuple(entry for entry in TOUCH_LIMITS if entry.surface == surface)


def _checked_time(contact_time: Any) -> Array:
    value = np.asarray(contact_time, dtype=float)
    if np.any(~(value >= 0.0)):
        raise ValueError(f"contact_time {contact_time!r} s; expected 0 or more")
    return value


def _record(times: ArrayLike, temperatures: ArrayLike) -> tuple[Array, Array]:
    t, temperature = np.asarray(times, dtype=float), np.asarray(temperatures, dtype=float)
    if t.ndim != 1 or t.shape != temperature.shape or t.size < 2 or np.any(np.diff(t) <= 0):
        raise ValueError(
            f"{t.size} times, {temperature.size} temperatures; expected lists of equal length, times rising"
        )
    return t, temperature
