"""Contact temperature, touch limits, dose and burn integral."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.materials.solids import solid
from thermnet.physics import touch


def row(name):
    material = solid(name)
    return material.through_conductivity, material.density, material.specific_heat


@settings(deadline=None, max_examples=60)
@given(
    surface=st.floats(20, 90),
    skin=st.floats(20, 40),
    name=st.sampled_from(["aluminium", "glass", "plastic", "steel"]),
)
def test_contact_lies_between_skin_and_surface_and_inverts(surface, skin, name):
    contact = touch.contact_temperature(surface, *row(name), skin=skin)
    assert min(surface, skin) - 1e-9 <= contact <= max(surface, skin) + 1e-9
    assert touch.surface_for_contact(contact, *row(name), skin=skin) == pytest.approx(surface, abs=1e-8)


def test_equal_bodies_meet_half_way():
    skin = (touch.SKIN_CONDUCTIVITY, touch.SKIN_DENSITY, touch.SKIN_SPECIFIC_HEAT)
    assert touch.contact_temperature(50.0, *skin, skin=30.0) == pytest.approx(40.0)


def test_contact_agrees_with_finite_volumes_of_two_bodies():
    from scipy.linalg import expm

    # 60 graded cells a side, 0.2 s: neither far end has noticed anything yet.
    cells = 60
    sizes = 2e-5 * 1.13 ** np.arange(cells)
    surface = row("plastic")
    skin = (touch.SKIN_CONDUCTIVITY, touch.SKIN_DENSITY, touch.SKIN_SPECIFIC_HEAT)
    width = np.concatenate([sizes[::-1], sizes])
    k = np.repeat([skin[0], surface[0]], cells)
    heat = np.repeat([skin[1] * skin[2], surface[1] * surface[2]], cells) * width
    half = width / (2 * k)
    conductance = 1.0 / (half[:-1] + half[1:])
    matrix = np.zeros((2 * cells, 2 * cells))
    for i, g in enumerate(conductance):
        matrix[i, i] -= g / heat[i]
        matrix[i, i + 1] += g / heat[i]
        matrix[i + 1, i + 1] -= g / heat[i + 1]
        matrix[i + 1, i] += g / heat[i + 1]
    start = np.repeat([33.0, 60.0], cells)
    end = expm(matrix * 0.2) @ start
    left, right = end[cells - 1], end[cells]
    meeting = (left / half[cells - 1] + right / half[cells]) / (1 / half[cells - 1] + 1 / half[cells])
    assert touch.contact_temperature(60.0, *surface) == pytest.approx(meeting, abs=0.02)


def test_metal_feels_hotter_than_glass_than_plastic():
    contact = [float(touch.contact_temperature(48.0, *row(n))) for n in ("aluminium", "glass", "plastic")]
    assert contact == sorted(contact, reverse=True)


@pytest.mark.parametrize("surface", touch.SURFACES)
def test_longer_contact_never_allows_more(surface):
    times = np.concatenate([[0.0], np.logspace(-2, 5, 400)])
    limits = touch.touch_limit(surface, times)
    assert np.all(np.diff(limits) <= 0)
    assert limits[-1] == 43.0


@pytest.mark.parametrize(
    ("time", "limit"), [(0.999, 70.0), (1.0, 60.0), (10.0, 51.0), (60.0, 48.0), (28800.0, 43.0)]
)
def test_borders_belong_to_the_longer_class(time, limit):
    assert touch.touch_limit("metal", time) == limit


def test_metal_is_never_allowed_more_than_glass_or_plastic():
    times = np.array([0.5, 5.0, 30.0, 100.0, 1e5])
    metal, glass, plastic = (touch.touch_limit(s, times) for s in ("metal", "glass", "plastic"))
    assert np.all(metal <= glass)
    assert np.all(glass <= plastic)
    assert np.all(touch.touch_limit("metal", times, energy_class=2) == metal + 10.0)


@pytest.mark.parametrize(
    ("material", "surface"),
    [("aluminium", "metal"), ("magnesium_alloy", "metal"), ("glass", "glass"), ("alumina", "glass"),
     ("carbon_laminate", "glass"), ("plastic", "plastic"), ("wood", "plastic"), ("silicone", "plastic")],
)  # fmt: skip
def test_solids_fall_into_a_class(material, surface):
    assert touch.surface_class(material) == surface
    assert touch.touch_limit(material, 5.0) == touch.touch_limit(surface, 5.0)


def test_every_entry_says_how_it_is_known():
    for entry in (*touch.TOUCH_LIMITS, *touch.BURN_THRESHOLDS):
        assert entry.source
        assert any(word in entry.provenance for word in ("secondary", "memory", "no source"))
        assert entry.shortest < entry.longest
    assert touch.touch_entry("glass", 5.0).value == 71.0
    assert "memory" in touch.touch_entry("glass", 5.0).provenance
    assert "25 degC" in touch.CAUTION
    assert "laboratory" in touch.CAUTION


@pytest.mark.parametrize(
    "call",
    [
        lambda: touch.touch_limit("chrome", 1.0),
        lambda: touch.touch_limit("metal", -1.0),
        lambda: touch.touch_limit("metal", float("nan")),
        lambda: touch.touch_limit("metal", 1.0, energy_class=3),
        lambda: touch.design_contact_time("military"),
        lambda: touch.superseded_rise_limit("wood"),
        lambda: touch.thermal_dose([0.0, 0.0], [40.0, 41.0]),
        lambda: touch.burn_integral([0.0], [40.0]),
    ],
)
def test_nonsense_is_refused(call):
    with pytest.raises(ValueError, match="expected"):
        call()


def test_unknown_burn_threshold_lists_what_is_known():
    with pytest.raises(ValueError, match=r"known: .*ECMA-287"):
        touch.burn_threshold("ECMA-287", "metal", 1e6)


@settings(deadline=None, max_examples=60)
@given(temperature=st.floats(35, 60), duration=st.floats(1, 1e5))
def test_dose_of_a_constant_record_is_its_equivalent_minutes(temperature, duration):
    dose = touch.thermal_dose([0.0, duration], [temperature, temperature])
    assert dose == pytest.approx(float(touch.equivalent_minutes(temperature, duration)), rel=1e-9)


def test_dose_rate_has_no_jump_at_43():
    rate = touch.equivalent_minutes(np.linspace(42.0, 44.0, 10_000), 60.0)
    assert np.all(np.diff(rate) > 0)
    assert np.diff(rate).max() < 3e-4


@settings(deadline=None, max_examples=60)
@given(st.lists(st.floats(36, 55), min_size=2, max_size=6))
def test_dose_and_burn_do_not_depend_on_extra_points(temperatures):
    times = np.arange(len(temperatures)) * 100.0
    fine = np.linspace(0, times[-1], 10 * (len(times) - 1) + 1)
    between = np.interp(fine, times, temperatures)
    assert touch.thermal_dose(times, temperatures) == pytest.approx(
        touch.thermal_dose(fine, between), rel=1e-6
    )
    assert touch.burn_integral(times, temperatures) == pytest.approx(
        touch.burn_integral(fine, between), rel=1e-6
    )


def test_burn_time_falls_with_temperature():
    times = touch.burn_time(np.linspace(43, 70, 100))
    assert np.all(np.diff(times) < 0)
    assert touch.burn_integral([0.0, float(touch.burn_time(47.0))], [47.0, 47.0]) == pytest.approx(1.0)
