"""Link laws and leakage: their formulas, their limits, their derivatives, and what they refuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermnet.errors import NetworkError
from thermnet.network.laws import (
    CLOSED,
    MAXIMUM_EXPONENT,
    STEFAN_BOLTZMANN,
    DryOut,
    Leakage,
    LinkLaw,
    Melting,
    SurfaceExchange,
)

temperatures = st.floats(-20.0, 150.0)


@given(hot=temperatures, cold=temperatures)
def test_radiation_is_the_law_of_stefan_and_boltzmann(hot, cold):
    law = SurfaceExchange(radiating_area=0.03)
    exact = 0.03 * STEFAN_BOLTZMANN * ((hot + 273.15) ** 4 - (cold + 273.15) ** 4)
    assert law.conductance(hot, cold) * (hot - cold) == pytest.approx(exact, rel=1e-9, abs=1e-12)


def test_radiation_coefficient_near_room_temperature():
    # 4 sigma T^3 at 300 K is 6.12 W/(m^2 K), the linear coefficient every textbook quotes.
    law = SurfaceExchange(radiating_area=1.0)
    assert law.conductance(26.86, 26.84) == pytest.approx(6.1239, rel=1e-4)


@given(rise=st.floats(1e-3, 200.0), exponent=st.sampled_from([0.0, 0.25, 1 / 3, 0.5]))
def test_convection_follows_its_power(rise, exponent):
    law = SurfaceExchange(convection=0.07, exponent=exponent, floor=0.01)
    assert law.conductance(25.0 + rise, 25.0) == pytest.approx(0.07 * rise**exponent + 0.01, rel=1e-6)


@given(hot=temperatures, cold=temperatures)
def test_every_law_is_the_same_both_ways(hot, cold):
    for law in (
        SurfaceExchange(radiating_area=0.02, convection=0.05, floor=0.1),
        DryOut(resistance=0.2, limit=30.0, slope=0.005),
    ):
        assert law.conductance(hot, cold) == pytest.approx(law.conductance(cold, hot), rel=1e-12)
        assert law.conductance(hot, cold) > 0


@given(cold=st.floats(0.0, 80.0), low=st.floats(0.0, 100.0), more=st.floats(1e-3, 50.0))
def test_heat_grows_with_the_difference(cold, low, more):
    for law in (
        SurfaceExchange(radiating_area=0.02, convection=0.05, exponent=1 / 3),
        DryOut(resistance=0.2, limit=30.0, steepness=6.0, blend=0.2),
    ):
        heat = [law.conductance(cold + d, cold) * d for d in (low, low + more)]
        assert heat[1] > heat[0]


def test_pipe_is_its_resistance_below_the_limit_and_steeper_above():
    law = DryOut(resistance=0.5, limit=40.0, steepness=4.0, blend=0.1)

    def heat(drop):
        return float(law.conductance(50.0 + drop / 2, 50.0 - drop / 2) * drop)

    assert heat(10.0) == pytest.approx(20.0)
    assert heat(0.5 * 36.0) == pytest.approx(36.0)  # the blend begins at 90 % of the limit
    # Past the blend every further kelvin brings a quarter of what it did.
    assert heat(40.0) - heat(30.0) == pytest.approx(10.0 / 0.5 / 4.0)
    # Across the blend the mean slope is the mean of both.
    assert heat(22.0) - heat(18.0) == pytest.approx(0.5 * (1 + 0.25) * 8.0)


def test_pipe_has_no_kink():
    law = DryOut(resistance=0.5, limit=40.0, steepness=4.0, blend=0.1)
    drop = np.linspace(15.0, 25.0, 10001)
    heat = law.conductance(50.0 + drop / 2, 50.0 - drop / 2) * drop
    slope = np.diff(heat) / np.diff(drop)
    assert np.abs(np.diff(slope)).max() < 2e-3  # 1.5 W/K of slope lost over 4 K in 4000 steps is 4e-4 each


def test_heat_limit_follows_the_vapour_and_freezes():
    law = DryOut(resistance=0.5, limit=40.0, reference=50.0, slope=0.01)
    assert law.heat_limit(60.0, 60.0) == pytest.approx(44.0)
    assert law.heat_limit(70.0, 50.0) == pytest.approx(44.0)
    assert law.heat_limit(-100.0, -100.0) == pytest.approx(0.05 * 40.0)
    assert law.heat_limit(900.0, 900.0) == pytest.approx(3.0 * 40.0)
    cold = DryOut(resistance=0.5, limit=40.0, full_above=12.0)
    assert cold.heat_limit(-5.0, -5.0) == pytest.approx(0.02 * 40.0)
    assert cold.heat_limit(12.0, 12.0) == pytest.approx(40.0)
    assert 0.8 < cold.heat_limit(6.0, 6.0) < 40.0


def test_pipe_without_any_limit_left_still_conducts():
    law = DryOut(resistance=0.5, limit=0.0, steepness=4.0)
    assert law.conductance(60.0, 50.0) == pytest.approx(0.5, rel=1e-6)


def test_melting_store_takes_heat_while_there_is_something_to_melt():
    law = Melting(melt_conductance=2.0, melting_temperature=45.0, latent_energy=4000.0, melting_range=0.5)
    assert law.capacity == pytest.approx(8000.0)
    assert law.fraction(44.75) == 0.0
    assert law.fraction(45.0) == pytest.approx(0.5)
    assert law.fraction(45.25) == pytest.approx(1.0)
    assert law.conductance(60.0, 45.0) == pytest.approx(2.0, rel=1e-5)
    assert law.conductance(60.0, 45.25) == pytest.approx(2.0 * CLOSED, rel=1e-6)  # molten: shut
    assert law.conductance(30.0, 45.25) == pytest.approx(2.0, rel=1e-5)  # but it can freeze


@given(temperature=st.floats(-20.0, 120.0))
def test_leakage_is_exponential_up_to_its_cap(temperature):
    law = Leakage(power=2.0, reference=70.0, slope=0.02)
    assert law.heat(temperature) == pytest.approx(2.0 * np.exp(0.02 * (temperature - 70.0)), rel=1e-12)
    assert law.heat(1e6) == pytest.approx(2.0 * np.exp(MAXIMUM_EXPONENT))


def test_laws_take_arrays():
    hot, cold = np.array([30.0, 60.0, 90.0]), np.array([25.0, 25.0, 40.0])
    for law in (
        SurfaceExchange(radiating_area=np.array([0.01, 0.02, 0.03]), convection=0.05),
        DryOut(resistance=0.2, limit=np.array([10.0, 30.0, 500.0])),
        Melting(melt_conductance=2.0, melting_temperature=45.0, latent_energy=np.array([1.0, 2.0, 3.0])),
    ):
        whole = law.conductance(hot, cold)
        assert whole.shape == (3,)
        for i in range(3):
            one = type(law)(**{
                k: float(v[i]) if isinstance(v, np.ndarray) else v for k, v in vars(law).items()
            })  # fmt: skip
            assert whole[i] == pytest.approx(float(one.conductance(hot[i], cold[i])), rel=1e-14)


def test_any_object_with_a_conductance_is_a_law():
    class Constant:
        def conductance(self, hot, cold):
            return 2.0

    assert isinstance(Constant(), LinkLaw)
    assert isinstance(SurfaceExchange(), LinkLaw)
    assert not isinstance(3.0, LinkLaw)


@pytest.mark.parametrize(
    ("make", "named"),
    [
        (lambda: SurfaceExchange(radiating_area=-1.0), "SurfaceExchange: radiating_area -1.0"),
        (lambda: SurfaceExchange(convection=float("nan")), "SurfaceExchange: convection nan"),
        (lambda: SurfaceExchange(exponent=-0.1), "SurfaceExchange: exponent"),
        (lambda: SurfaceExchange(floor="none"), "SurfaceExchange: floor 'none'"),
        (
            lambda: DryOut(resistance=0.0, limit=1.0),
            "DryOut: resistance 0.0; expected a finite value above 0",
        ),
        (lambda: DryOut(resistance=1.0, limit=-1.0), "DryOut: limit -1.0"),
        (lambda: DryOut(resistance=1.0, limit=float("inf")), "DryOut: limit inf"),
        (
            lambda: DryOut(resistance=1.0, limit=1.0, steepness=0.5),
            "DryOut: steepness 0.5; expected .* 1 or more",
        ),
        (
            lambda: DryOut(resistance=1.0, limit=1.0, blend=0.0),
            "DryOut: blend 0.0; expected .* above 0 and at most 1",
        ),
        (lambda: DryOut(resistance=1.0, limit=1.0, rewet=1.1), "DryOut: rewet 1.1"),
        (lambda: DryOut(resistance=1.0, limit=1.0, slope=float("nan")), "DryOut: slope nan"),
        (
            lambda: Melting(
                melt_conductance=1.0, melting_temperature=45.0, latent_energy=1.0, melting_range=0.0
            ),
            "Melting: melting_range 0.0",
        ),
        (lambda: Leakage(power=-1.0), "Leakage: power -1.0"),
        (lambda: Leakage(power=1.0, slope=-0.01), "Leakage: slope -0.01"),
        (lambda: Leakage(power=np.array([1.0, np.nan])), "Leakage: power"),
    ],
)
def test_impossible_parameters_are_refused_by_name(make, named):
    with pytest.raises(NetworkError, match=named):
        make()
