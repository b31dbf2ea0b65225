"""Quantities at the door: text with a unit in, a plain float in the inside unit out.

Inside the package every number is SI, except that temperatures are in degC and fan speeds in rpm;
temperature *differences* are in K.  pint is imported on first use only, so that a headless run starts fast.
"""

from __future__ import annotations

import math
import re
from functools import cache, lru_cache
from typing import Any

from thermnet.errors import UnitError

_NUMBER = re.compile(r"^\s*[-+]?(\d[\d_]*\.?\d*|\.\d+)([eE][-+]?\d+)?")
# Only names, products, quotients and small powers reach pint: its parser would evaluate 9**9**9 for ever.
_POWER = r"(?:\s*+(?:\^|\*\*)\s*+[-+]?\d(?:\.\d)?)?+"
_FACTOR = rf"(?:1|[A-Za-zµ%_][A-Za-z0-9µ_]*+{_POWER}|[()])"
_UNIT = re.compile(rf"{_FACTOR}(?:\s*+[*/]?\s*+{_FACTOR})*+\s*+")
_AREA = re.compile(r"\b([kcmuµn]?m|in|ft)([23])\b")
_LOOKALIKES = str.maketrans({"²": "^2", "³": "^3", "·": "*", "μ": "µ"})
_OFFSETS = {"degree_Celsius", "degree_Fahrenheit", "degree_Reaumur"}
_LOGARITHMIC = re.compile(r"decibel|neper|\bbel\b")
_ANGLE = re.compile("degree(?!_)|radian|turn|revolution|arcminute|arcsecond|grade|cycle|count_per")


@cache
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("cfm = foot ** 3 / minute")
    registry.define("inch_H2O_39F = 249.082 * pascal = inH2O")
    # dBA is kept as a plain level: adding or converting levels is the business of thermnet.physics.acoustics.
    registry.define("dBA = [sound_level]")
    return registry


def parse(text: str, unit: str) -> float:
    """Read a quantity such as ``"25 um"`` and return its value in ``unit``.

    Parameters
    ----------
    text : str
        A number followed by a unit, for example ``"10 lbf"``, ``"9 K*mm^2/W"``, ``"35 degC"``.
    unit : str
        The inside unit (SI; ``degC`` for temperatures, ``rpm`` for speeds, ``1`` for ratios).

    Raises
    ------
    UnitError
        The text is not a quantity, has no unit, has another dimension, or is not finite.
    """
    import pint

    if not isinstance(text, str):
        raise UnitError(f'{text!r} has no unit; write for example "{example(unit)}"')
    if len(text) > 80:
        raise UnitError(f"a text of {len(text)} characters is not a quantity")
    match = _NUMBER.match(text)
    if match is None:
        raise UnitError(f'{text!r} is not a number with a unit; write for example "{example(unit)}"')
    number = float(match.group(0).replace("_", ""))
    rest = text[match.end() :].strip()
    if not math.isfinite(number):
        raise UnitError(f"{text!r} is not a finite number")
    if unit == "1":
        if rest == "":
            return number
        if rest == "%":
            return number / 100.0
        raise UnitError(f'{text!r} should be a plain ratio; write for example "0.25" or "25 %"')
    if not rest:
        raise UnitError(f'{text!r} has no unit; write for example "{example(unit)}"')
    source = _unit_of(rest)
    if source is None:
        raise UnitError(f'{rest!r} is not a unit; write for example "{example(unit)}"')
    registry = _registry()
    target = registry.parse_units(unit)
    measured = str(source)
    wrong = UnitError(f'{text!r} is not {a(dimension(unit))}; write for example "{example(unit)}"')
    turns = bool(_ANGLE.search(measured)), bool(_ANGLE.search(str(target)))
    if source.dimensionality != target.dimensionality or turns[0] != turns[1] or _LOGARITHMIC.search(measured):
        raise wrong
    if unit == "degC" and measured not in _OFFSETS:
        raise UnitError(f'{text!r} is in {measured}; a temperature is written in degC, e.g. "{example(unit)}"')
    if unit in {"K", "delta_degC"} and measured in _OFFSETS:
        raise UnitError(f'{text!r} is a temperature; a difference is written in K, for example "5 K"')
    try:
        if measured in _OFFSETS:
            value = float(registry.Quantity(number, source).to(target).magnitude)
        else:
            value = _scaled(number, rest, unit)
    except (pint.errors.PintError, ArithmeticError, ValueError, TypeError):
        raise wrong from None
    if not math.isfinite(value):
        raise UnitError(f"{text!r} is not a finite number")
    return value


def _scaled(number: float, source: str, unit: str) -> float:
    """Convert exactly where the factor or its inverse is whole: ``25 um`` is 2.5e-5 m to the last digit."""
    factor = _factor(source, unit)
    for value in (factor, 1.0 / factor):
        whole = round(value) if 0.5 < value < 1e18 else 0
        if whole and abs(value - whole) <= 1e-12 * whole:
            return number * whole if value is factor else number / whole
    return number * factor


@lru_cache(maxsize=4096)
def _factor(source: str, unit: str) -> float:
    registry = _registry()
    return float(registry.Quantity(1.0, _unit_of(source)).to(registry.parse_units(unit)).magnitude)


@lru_cache(maxsize=4096)
def _unit_of(text: str) -> Any:
    """Pint unit for the unit part of a quantity, or None if it is not one."""
    text = text.translate(_LOOKALIKES).replace("°C", "degC").replace("dB(A)", "dBA")
    text = _AREA.sub(r"\1^\2", text)
    if not _UNIT.fullmatch(text):
        return None
    try:
        return _registry().parse_units(text.replace("%", "percent").replace("µ", "u"))
    except Exception:  # pint's parser lets tokenizer errors of many kinds through
        return None


def convert(value: Any, unit: str, to: str) -> Any:
    """Convert a number or array from one unit to another of the same dimension."""
    if unit == to:
        return value
    registry = _registry()
    return registry.Quantity(value, registry.parse_units(unit)).to(registry.parse_units(to)).magnitude


def show(value: float, unit: str, shown: str | None = None, digits: int = 4) -> str:
    """Text for people: ``show(25e-6, "m", "um")`` gives ``"25 um"``."""
    shown = shown or unit
    number = convert(value, unit, shown)
    return f"{number:.{digits}g}" if shown == "1" else f"{number:.{digits}g} {shown}"


_NAMES = {
    "m": "length", "m^2": "area", "m^3": "volume", "kg": "mass", "s": "time", "W": "power", "K": "temperature difference",
    "degC": "temperature", "K/W": "thermal resistance", "W/K": "thermal conductance", "J/K": "heat capacity", "N": "force",
    "Pa": "pressure", "K*m^2/W": "area resistance", "W/(m*K)": "thermal conductivity", "rpm": "speed of rotation",
    "m^3/s": "volume flow", "V": "voltage", "F": "capacitance", "Hz": "frequency",
    "dBA": "noise level", "1/K": "rate per kelvin", "J": "energy",
    "J/kg": "specific energy", "J/(kg*K)": "specific heat", "kg/m^3": "density", "W/(m^2*K)": "heat transfer coefficient",
    "1": "ratio", "deg": "angle", "rpm/s": "rate of change of speed", "W/K/s": "integral gain", "W/s": "power ramp",
}  # fmt: skip

_EXAMPLES = {
    "m": "1.5 mm", "m^2": "150 mm^2", "m^3": "2 cm^3", "kg": "30 g", "s": "28 s", "W": "28 W", "K": "5 K", "degC": "35 degC",
    "K/W": "0.15 K/W", "W/K": "0.5 W/K", "J/K": "70 J/K", "N": "45 N", "Pa": "120 kPa", "K*m^2/W": "9 K*mm^2/W",
    "W/(m*K)": "4 W/(m*K)", "rpm": "3600 rpm", "m^3/s": "2 cfm", "V": "1.05 V", "F": "14 nF",
    "Hz": "3.8 GHz", "dBA": "36 dBA",
    "1/K": "0.018 1/K", "J": "500 J", "J/kg": "180 kJ/kg", "J/(kg*K)": "900 J/(kg*K)", "kg/m^3": "2700 kg/m^3",
    "W/(m^2*K)": "10 W/(m^2*K)", "1": "0.25", "deg": "10 deg", "rpm/s": "200 rpm/s", "W/K/s": "0.1 W/K/s", "W/s": "1 W/s",
}  # fmt: skip


def dimension(unit: str) -> str:
    """Plain word for what a unit measures (``"m"`` -> ``"length"``)."""
    return _NAMES.get(unit, f"quantity in {unit}")


def a(noun: str) -> str:
    """Put the indefinite article before a noun."""
    return f"an {noun}" if noun[:1] in "aeiou" else f"a {noun}"


def example(unit: str) -> str:
    """A well-written example of a quantity with this dimension."""
    return _EXAMPLES.get(unit, f"1 {unit}")
