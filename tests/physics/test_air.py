"""Dry air and the standard atmosphere."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermnet.materials import air

CODES = {
    "density": "D", "viscosity": "V", "conductivity": "L", "specific_heat": "C", "prandtl": "PRANDTL",
    "thermal_expansion": "ISOBARIC_EXPANSION_COEFFICIENT",
}  # fmt: skip
PROPERTIES = [*CODES, "kinematic_viscosity", "thermal_diffusivity"]


@pytest.mark.parametrize("name", CODES)
@pytest.mark.parametrize("pressure", [4e4, 7e4, 101325.0, 1.1e5])
def test_agrees_with_coolprop(name, pressure):
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    t = np.linspace(-39.0, 149.0, 41)
    reference = [coolprop.PropsSI(CODES[name], "T", x + 273.15, "P", pressure, "Air") for x in t]
    limit = 2e-4 if name == "thermal_expansion" else 1e-5
    np.testing.assert_allclose(getattr(air, name)(t, pressure), reference, rtol=limit)


def test_table_is_what_its_script_writes():
    pytest.importorskip("CoolProp")
    root = Path(__file__).parents[2]
    spec = importlib.util.spec_from_file_location(
        "make_air_table", root / "tests" / "tools" / "make_air_table.py"
    )
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    lines = (root / "thermnet" / "materials" / "tables" / "air.csv").read_text(encoding="utf-8").splitlines()
    stored = np.array([[float(v) for v in line.split(",")] for line in lines[2:]])
    np.testing.assert_allclose(stored, script.rows(), rtol=1e-5)


@pytest.mark.parametrize("name", PROPERTIES)
def test_arrays_equal_a_loop(name):
    function = getattr(air, name)
    t, p = np.array([-20.0, 25.0, 120.0]), np.array([[7e4], [101325.0]])
    together = function(t, p)
    assert together.shape == (2, 3)
    for i in range(2):
        for j in range(3):
            assert together[i, j] == pytest.approx(function(t[j], p[i, 0]), rel=1e-14)


@pytest.mark.parametrize("name", PROPERTIES)
def test_smooth_over_its_range(name):
    t = np.linspace(*air.RANGE, 10_000)
    values = getattr(air, name)(t)
    second = np.diff(values, 2)
    assert np.all(np.isfinite(values))
    # A kink would show as a lone jump of the second difference.
    assert np.max(np.abs(np.diff(second))) < 1e-6 * np.max(np.abs(values))


@given(st.floats(-20, 119), st.floats(0.1, 1.0), st.floats(5e4, 1.1e5))
def test_hotter_air_is_lighter_and_stickier(t, step, p):
    assert air.density(t + step, p) < air.density(t, p)
    assert air.viscosity(t + step, p) > air.viscosity(t, p)
    assert air.conductivity(t + step, p) > air.conductivity(t, p)
    assert 0.69 < air.prandtl(t, p) < 0.72


def test_expansion_is_the_slope_of_density():
    t = np.array([-10.0, 25.0, 80.0])
    slope = (air.density(t + 0.01) - air.density(t - 0.01)) / 0.02
    np.testing.assert_allclose(air.thermal_expansion(t), -slope / air.density(t), rtol=1e-6)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: air.density(200.0), "200 degC; expected -40 to 150 degC"),
        (lambda: air.viscosity(np.array([20.0, -60.0])), "-60 to 20 degC"),
        (lambda: air.conductivity(np.nan), "nan degC"),
        (lambda: air.density(25.0, 25.0), "25 Pa; expected 20000 to 120000 Pa"),
        (lambda: air.standard_atmosphere(12_000.0), "12000 m; expected -500 to 11000 m"),
    ],
)
def test_outside_the_range_is_refused(call, said):
    with pytest.raises(ValueError, match=said):
        call()


def test_atmosphere_agrees_with_fluids():
    fluids = pytest.importorskip("fluids")
    z = np.linspace(-400.0, 6000.0, 33)
    got = air.standard_atmosphere(z)
    reference = [fluids.ATMOSPHERE_1976(x) for x in z]
    np.testing.assert_allclose(got.pressure, [r.P for r in reference], rtol=1e-5)
    np.testing.assert_allclose(got.density, [r.rho for r in reference], rtol=1e-5)
    np.testing.assert_allclose(got.temperature, [r.T - 273.15 for r in reference], atol=1e-4)


def test_a_heated_room_at_altitude_has_thinner_air_than_the_cold_outdoors():
    z = np.linspace(100.0, 5000.0, 20)
    assert np.all(air.room_density_ratio(z) < air.standard_density_ratio(z))
    assert air.room_density_ratio(3000.0) == pytest.approx(0.69204, abs=1e-4)
    assert air.standard_density_ratio(3000.0) == pytest.approx(0.74225, abs=1e-4)
    assert air.room_density_ratio(0.0) == 1.0


def test_import_is_light():
    code = (
        "import sys, thermnet.materials.air as a, thermnet.physics.convection, thermnet.physics.airflow;"
        "a.density(25.0);"
        "heavy = {'CoolProp', 'scipy.interpolate', 'scipy.optimize', 'pandas', 'numba', 'pint'};"
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
