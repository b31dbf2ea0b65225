"""Layered tissue with blood flow."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.physics import tissue

THIGH = tissue.THIGH
LAYERS = (THIGH.thickness, THIGH.conductivity, THIGH.perfusion)


def finite_volumes(surface, thickness, conductivity, perfusion, metabolism, cloth, cells=400):
    """Flux and skin temperature by an independent route: many thin slices, a tridiagonal solve."""
    from scipy.linalg import solve_banded

    dx = np.repeat(np.divide(thickness, cells), cells)
    k, beta = np.repeat(conductivity, cells), np.repeat(np.multiply(perfusion, tissue.BLOOD_HEAT), cells)
    half = dx / (2 * k)
    inner = 1.0 / (half[:-1] + half[1:])
    first, last = 1.0 / (cloth + half[0]), 1.0 / half[-1]
    diagonal = beta * dx
    diagonal[:-1] += inner
    diagonal[1:] += inner
    diagonal[0] += first
    diagonal[-1] += last
    source = (beta * 37.0 + np.repeat(metabolism, cells)) * dx
    source[0] += first * surface
    source[-1] += last * 37.0
    bands = np.zeros((3, dx.size))
    bands[0, 1:], bands[1], bands[2, :-1] = -inner, diagonal, -inner
    temperature = solve_banded((1, 1), bands, source)
    flux = first * (surface - temperature[0])
    return flux, surface - flux * cloth


@settings(deadline=None, max_examples=60)
@given(
    surface=st.floats(20, 60),
    cloth=st.floats(0.0, 0.1),
    perfusion=st.lists(st.floats(0, 5e-3), min_size=3, max_size=3),
    heat=st.lists(st.floats(0, 1000), min_size=3, max_size=3),
)
def test_flux_agrees_with_finite_volumes(surface, cloth, perfusion, heat):
    arguments = (THIGH.thickness, THIGH.conductivity, perfusion, heat)
    flux, skin = finite_volumes(surface, *arguments, cloth)
    assert tissue.skin_flux(surface, *arguments, cloth_resistance=cloth) == pytest.approx(
        flux, rel=1e-4, abs=1e-3
    )
    found = tissue.interface_temperatures(surface, *arguments, cloth_resistance=cloth)
    assert found[0] == pytest.approx(skin, abs=1e-3)
    assert found[-1] == pytest.approx(37.0, abs=1e-9)


def test_interface_temperatures_carry_one_flux():
    found = tissue.interface_temperatures(45.0, *LAYERS, cloth_resistance=0.04)
    flux = tissue.skin_flux(45.0, *LAYERS, cloth_resistance=0.04)
    # Cloth and epidermis hold no blood: the flux through both is the same.
    assert (45.0 - found[0]) / 0.04 == pytest.approx(flux)
    assert (found[0] - found[1]) * THIGH.conductivity[0] / THIGH.thickness[0] == pytest.approx(flux)
    assert np.all(np.diff(found) < 0)


def test_blood_lowers_the_resistance_smoothly():
    perfusion = np.linspace(0.0, 5e-3, 10_000)
    resistance, _ = tissue.tissue_resistance((2e-3, 10e-3), (0.4, 0.18), (perfusion, 0.5 * perfusion))
    steps = np.diff(resistance)
    assert np.all(steps < 0)
    assert np.abs(steps).max() < 1e-4
    assert resistance[0] == pytest.approx(2e-3 / 0.4 + 10e-3 / 0.18)


def test_thin_and_thick_layers_are_equal_to_their_halves():
    whole = tissue.tissue_resistance((10e-3,), (0.2,), (1e-3,), (400.0,))
    halves = tissue.tissue_resistance((5e-3, 5e-3), (0.2, 0.2), (1e-3, 1e-3), (400.0, 400.0))
    assert whole == pytest.approx(halves, rel=1e-12)


def test_metabolic_heat_warms_what_lies_behind():
    _, cool = tissue.tissue_resistance(*LAYERS)
    _, warm = tissue.tissue_resistance(*LAYERS, metabolism=(0.0, 500.0, 500.0))
    assert cool == pytest.approx(37.0)
    assert 37.0 < warm < 38.0


def test_cloth_adds_in_series():
    bare, _ = tissue.contact_resistance(0.0)
    dressed, _ = tissue.contact_resistance(0.04)
    assert dressed - bare == pytest.approx(0.04)
    assert tissue.surface_conductance(*LAYERS, cloth_resistance=0.04) == pytest.approx(1.0 / dressed)
    # Perfused thigh under trousers: some 15 W/(m2 K), more than still air and radiation take from a skin.
    assert 10.0 < 1.0 / dressed < 20.0


def test_arrays_equal_a_loop_of_scalars():
    surface, cloth = np.array([30.0, 45.0, 50.0]), np.array([0.02, 0.03, 0.05])
    whole = tissue.interface_temperatures(surface, *LAYERS, cloth_resistance=cloth)
    assert whole.shape == (4, 3)
    for i in range(3):
        single = tissue.interface_temperatures(surface[i], *LAYERS, cloth_resistance=cloth[i])
        assert whole[:, i] == pytest.approx(single)


@pytest.mark.parametrize(
    "bad",
    [((1e-3,), (0.2, 0.2), (0.0,)), ((), (), ()), ((0.0,), (0.2,), (0.0,)), ((1e-3,), (0.2,), (-1e-3,))],
)
def test_bad_layers_are_refused(bad):
    with pytest.raises(ValueError, match="expected"):
        tissue.tissue_resistance(*bad)
