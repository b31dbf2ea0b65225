"""Quantities at the door: what is read, to the last digit, and what is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet import units
from thermnet.errors import UnitError


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("25 um", "m", 2.5e-5),
        ("25 µm", "m", 2.5e-5),
        ("25 μm", "m", 2.5e-5),
        ("150 mm^2", "m^2", 1.5e-4),
        ("150 mm2", "m^2", 1.5e-4),
        ("150 mm²", "m^2", 1.5e-4),
        ("9 K*mm^2/W", "K*m^2/W", 9e-6),
        ("9 K mm2/W", "K*m^2/W", 9e-6),
        ("0.15 degC/W", "K/W", 0.15),
        ("120 kPa", "Pa", 120e3),
        ("3.8 GHz", "Hz", 3.8e9),
        ("35 degC", "degC", 35.0),
        ("35 °C", "degC", 35.0),
        ("95 degF", "degC", 35.0),
        ("5 K", "K", 5.0),
        ("5 delta_degC", "K", 5.0),
        ("50 rps", "rpm", 3000.0),
        ("36 dBA", "dBA", 36.0),
        ("36 dB(A)", "dBA", 36.0),
        ("25 %", "1", 0.25),
        ("0.25", "1", 0.25),
        ("1_000 W", "W", 1000.0),
        (".5W", "W", 0.5),
        ("1 inH2O", "Pa", 249.082),
        ("4 W/(m*K)", "W/(m*K)", 4.0),
        ("4 W/m/K", "W/(m*K)", 4.0),
    ],
)
def test_quantities_are_read_exactly(text, unit, value):
    assert units.parse(text, unit) == pytest.approx(value, rel=1e-14)


def test_pound_force_is_the_international_one():
    # exact by definition: 0.45359237 kg x 9.80665 m/s^2
    assert units.parse("10 lbf", "N") == pytest.approx(10 * 0.45359237 * 9.80665, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "unit"), [("150 mm^2", "m^2"), ("0.775 mm", "m"), ("47 um", "m"), ("2 cm^3", "m^3")]
)
def test_decimal_prefixes_leave_no_rounding(text, unit):
    number, prefix = text.split()[0], {"mm^2": 1e6, "mm": 1e3, "um": 1e6, "cm^3": 1e6}[text.split()[1]]
    assert units.parse(text, unit) == float(number) / prefix


@pytest.mark.parametrize(
    ("text", "unit", "reason"),
    [
        ("25", "m", "has no unit"),
        (25, "m", "has no unit"),
        ("25 kg", "m", "is not a length"),
        ("25 mmm", "m", "is not a unit"),
        ("nan mm", "m", "is not a number"),
        ("inf mm", "m", "is not a number"),
        ("1e999 mm", "m", "not a finite number"),
        ("mm", "m", "is not a number"),
        ("", "m", "is not a number"),
        ("300 K", "degC", "is in kelvin"),
        ("5 degC", "K", "is a temperature"),
        ("5 celsius", "K", "is a temperature"),
        ("5 delta_degC", "degC", "written in degC"),
        ("50 Hz", "rpm", "is not a speed of rotation"),
        ("3000 rpm", "Hz", "is not a frequency"),
        ("25 %", "deg", "is not an angle"),
        ("36 dB", "dBA", "is not a noise level"),
        ("30 dBm", "W", "is not a power"),
        ("3 m", "1", "plain ratio"),
        ("1 9**9**9", "m", "is not a unit"),
        ("1 m*9**9**9**9**9", "m", "is not a unit"),
        ("1 m^2^3^4^5", "m", "is not a unit"),
        ("1 " + "a" * 70 + "!", "m", "is not a unit"),
        ("1 __import__('os')", "m", "is not a unit"),
        ("1 m;2", "m", "is not a unit"),
        ("1 " + "m" * 200, "m", "characters is not a quantity"),
    ],
)
def test_what_is_refused_says_why(text, unit, reason):
    with pytest.raises(UnitError, match=reason.replace("(", r"\(")):
        units.parse(text, unit)


@settings(max_examples=300, deadline=2000)
@given(st.text(max_size=79), st.sampled_from(["m", "degC", "K", "1", "rpm", "W", "K*m^2/W"]))
def test_random_text_gives_a_number_or_a_unit_error(text, unit):
    try:
        value = units.parse("1 " + text, unit)
    except UnitError:
        return
    assert math.isfinite(value)


@settings(max_examples=100, deadline=2000)
@given(st.text(alphabet="mWK^*/()29.- s", max_size=60))
def test_unit_like_text_is_answered_at_once(text):
    try:
        units.parse("1 " + text, "m")
    except UnitError:
        return
