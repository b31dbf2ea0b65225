"""Saturated water against CoolProp (IAPWS-95) and iapws (IAPWS-IF97)."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermnet.materials import water

PROPERTIES = {
    "pressure": water.saturation_pressure,
    "liquid_density": water.liquid_density,
    "vapour_density": water.vapour_density,
    "liquid_viscosity": water.liquid_viscosity,
    "vapour_viscosity": water.vapour_viscosity,
    "liquid_conductivity": water.liquid_conductivity,
    "vapour_conductivity": water.vapour_conductivity,
    "latent_heat": water.latent_heat,
    "surface_tension": water.surface_tension,
    "liquid_specific_heat": water.liquid_specific_heat,
    "vapour_specific_heat": water.vapour_specific_heat,
    "vapour_heat_ratio": water.vapour_heat_ratio,
    "vapour_sound_speed": water.vapour_sound_speed,
}
COOLPROP = {
    "pressure": ("P", 0), "liquid_density": ("D", 0), "vapour_density": ("D", 1),
    "liquid_viscosity": ("V", 0),
    "vapour_viscosity": ("V", 1), "vapour_conductivity": ("L", 1), "liquid_specific_heat": ("CPMASS", 0),
    "vapour_specific_heat": ("CPMASS", 1), "vapour_sound_speed": ("A", 1),
}  # fmt: skip
SWEEP = np.linspace(0.01, 200.0, 137)


@pytest.mark.parametrize("name", sorted(COOLPROP))
def test_property_agrees_with_coolprop(name):
    cool = pytest.importorskip("CoolProp.CoolProp")
    key, quality = COOLPROP[name]
    theirs = cool.PropsSI(key, "T", SWEEP + 273.15, "Q", quality, "Water")
    assert PROPERTIES[name](SWEEP) == pytest.approx(theirs, rel=2e-8)


def test_liquid_conductivity_agrees_with_coolprop_but_for_its_kink():
    cool = pytest.importorskip("CoolProp.CoolProp")
    theirs = cool.PropsSI("L", "T", SWEEP + 273.15, "Q", 0, "Water")
    assert water.liquid_conductivity(SWEEP) == pytest.approx(theirs, rel=2.5e-4)
    cool_part = SWEEP < 100.0
    assert water.liquid_conductivity(SWEEP)[cool_part] == pytest.approx(theirs[cool_part], rel=5e-5)


def test_latent_heat_and_heat_ratio_agree_with_coolprop():
    cool = pytest.importorskip("CoolProp.CoolProp")

    def theirs(key, quality):
        return cool.PropsSI(key, "T", SWEEP + 273.15, "Q", quality, "Water")

    assert water.latent_heat(SWEEP) == pytest.approx(theirs("HMASS", 1) - theirs("HMASS", 0), rel=2e-8)
    assert water.vapour_heat_ratio(SWEEP) == pytest.approx(
        theirs("CPMASS", 1) / theirs("CVMASS", 1), rel=2e-8
    )


def test_all_agree_with_the_industrial_formulation():
    iapws = pytest.importorskip("iapws")
    temperatures = np.linspace(1.0, 200.0, 21)
    liquid = [iapws.IAPWS97(T=t + 273.15, x=0) for t in temperatures]
    vapour = [iapws.IAPWS97(T=t + 273.15, x=1) for t in temperatures]
    ours = water.saturated(temperatures)
    for value, theirs, tolerance in (
        (ours.pressure, [x.P * 1e6 for x in liquid], 2e-4),
        (ours.liquid_density, [x.rho for x in liquid], 5e-5),
        (ours.vapour_density, [x.rho for x in vapour], 2e-4),
        (ours.liquid_viscosity, [x.mu for x in liquid], 1e-4),
        (ours.vapour_viscosity, [x.mu for x in vapour], 1e-4),
        (ours.liquid_conductivity, [x.k for x in liquid], 2e-4),
        (ours.vapour_conductivity, [x.k for x in vapour], 1e-4),
        (ours.latent_heat, [1e3 * (v.h - x.h) for x, v in zip(liquid, vapour, strict=True)], 1e-4),
        (ours.surface_tension, [x.sigma for x in liquid], 1e-8),
        (ours.liquid_specific_heat, [1e3 * x.cp for x in liquid], 1e-3),
        (ours.vapour_specific_heat, [1e3 * x.cp for x in vapour], 2.5e-3),
        (ours.vapour_heat_ratio, [x.cp / x.cv for x in vapour], 1e-3),
        (ours.vapour_sound_speed, [x.w for x in vapour], 5e-4),
    ):
        assert value == pytest.approx(theirs, rel=tolerance)


def test_surface_tension_is_the_release_equation():
    distance = 1.0 - 300.0 / 647.096
    assert water.surface_tension(26.85) == pytest.approx(
        0.2358 * distance**1.256 * (1 - 0.625 * distance), rel=1e-8
    )


@pytest.mark.parametrize(
    ("name", "sign"),
    [
        ("pressure", 1), ("vapour_density", 1), ("vapour_viscosity", 1), ("vapour_conductivity", 1),
        ("vapour_specific_heat", 1), ("vapour_sound_speed", 1), ("liquid_viscosity", -1), ("latent_heat", -1),
        ("surface_tension", -1),
    ],
)  # fmt: skip
def test_property_is_monotone_where_the_physics_is(name, sign):
    dense = PROPERTIES[name](np.linspace(0.01, 200.0, 4000))
    assert np.all(sign * np.diff(dense) > 0)


def test_density_peaks_at_4_and_specific_heat_dips_near_35():
    dense = np.linspace(0.5, 80.0, 2000)
    assert dense[np.argmax(water.liquid_density(dense))] == pytest.approx(4.0, abs=0.1)
    assert dense[np.argmin(water.liquid_specific_heat(dense))] == pytest.approx(35.0, abs=3.0)


def test_clausius_clapeyron_ties_pressure_latent_heat_and_densities():
    # dp/dT = h_fg / (T (v_vapour - v_liquid)): five tabulated properties in one exact relation.
    t, step = np.linspace(5.0, 195.0, 39), 1e-3
    slope = (water.saturation_pressure(t + step) - water.saturation_pressure(t - step)) / (2 * step)
    volume = 1 / water.vapour_density(t) - 1 / water.liquid_density(t)
    assert slope == pytest.approx(water.latent_heat(t) / ((t + 273.15) * volume), rel=2e-5)


@given(st.floats(min_value=0.01, max_value=200.0))
def test_scalar_equals_array_and_all_at_once(temperature):
    together = water.saturated(temperature)
    for name, function in PROPERTIES.items():
        one = function(temperature)
        assert isinstance(one, float)
        assert function(np.array([temperature, 50.0]))[0] == pytest.approx(one, rel=1e-12)
        assert getattr(together, name) == pytest.approx(one, rel=1e-12)
        assert function(np.full((2, 3), temperature)).shape == (2, 3)


@pytest.mark.parametrize("bad", [0.0, -5.0, 200.01, float("nan"), float("inf")])
def test_outside_the_table_is_refused_by_value(bad):
    with pytest.raises(ValueError, match=r"expected 0.01 to 200 degC"):
        water.saturation_pressure(np.array([20.0, bad]))
    with pytest.raises(ValueError, match="saturated water"):
        water.saturated(bad)


def test_within_range_holds_the_ends():
    assert water.within_range(np.array([-20.0, 50.0, 300.0])) == pytest.approx([0.01, 50.0, 200.0])


def test_package_never_imports_coolprop():
    code = (
        "import sys; from thermnet.materials import water; water.saturated(50.0); "
        "print('CoolProp' in sys.modules)"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "False"
