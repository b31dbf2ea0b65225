"""Switching, leakage, voltage against frequency, power limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.physics import silicon

VOLTS = (0.65, 0.72, 0.85, 1.00, 1.15)
HERTZ = (0.8e9, 1.8e9, 3.0e9, 4.0e9, 4.7e9)
CHIP = {
    "voltages": VOLTS,
    "frequencies": HERTZ,
    "capacitance": 14e-9,
    "leakage": 4.0,
    "reference_voltage": 0.9,
}


def power_at(frequency, temperature, activity=1.0, offset=0.0):
    voltage = silicon.curve_voltage(frequency, VOLTS, HERTZ) + offset
    return silicon.chip_power(
        activity, frequency, voltage, temperature, capacitance=14e-9, leakage=4.0, reference_voltage=0.9
    )


@settings(deadline=None, max_examples=60)
@given(
    voltage=st.floats(0.05, 3.0),
    threshold=st.floats(0.05, 0.6),
    alpha=st.floats(1.001, 2.0),
)
def test_alpha_power_law_and_its_inverse_agree(voltage, threshold, alpha):
    voltage = threshold + voltage
    frequency = silicon.alpha_power_frequency(voltage, 1.2, 1.0, threshold, alpha)
    assert silicon.alpha_power_voltage(frequency, 1.2, 1.0, threshold, alpha) == pytest.approx(
        voltage, rel=1e-7
    )


def test_alpha_power_law_below_threshold_stands_still():
    assert silicon.alpha_power_frequency([0.1, 0.35], 1.1, 1.0).tolist() == [0.0, 0.0]
    assert silicon.alpha_power_voltage(0.0, 1.1, 1.0) == pytest.approx(0.35)


def test_alpha_power_law_rises_without_jumps():
    frequency = silicon.alpha_power_frequency(np.linspace(0.2, 1.4, 10_000), 1.1, 4e9)
    steps = np.diff(frequency)
    assert np.all(steps >= 0)
    assert steps.max() < 3e6


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"reference_voltage": 0.3, "reference_frequency": 1.0}, "more than the threshold"),
        ({"reference_voltage": 1.1, "reference_frequency": 1.0, "exponent": 2.5}, "expected 1 to 2"),
    ],
)
def test_alpha_power_law_refuses_nonsense(arguments, says):
    with pytest.raises(ValueError, match=says):
        silicon.alpha_power_frequency(1.0, **arguments)


def test_saturated_law_has_a_highest_frequency():
    with pytest.raises(ValueError, match=r"no voltage|any voltage"):
        silicon.alpha_power_voltage(100.0, 1.1, 1.0, 0.35, 1.0)


def test_curve_goes_through_its_points_both_ways():
    assert silicon.curve_frequency(VOLTS, VOLTS, HERTZ) == pytest.approx(HERTZ)
    assert silicon.curve_voltage(HERTZ, VOLTS, HERTZ) == pytest.approx(VOLTS)
    assert silicon.curve_voltage([1e6, 9e9], VOLTS, HERTZ).tolist() == [0.65, 1.15]


@pytest.mark.parametrize(
    ("volts", "hertz"),
    [((0.7,), (1e9,)), ((0.7, 0.8), (1e9, 1e9)), ((0.8, 0.7), (1e9, 2e9)), ((0.7, 0.8), (1e9, 2e9, 3e9))],
)
def test_bad_curves_are_refused(volts, hertz):
    with pytest.raises(ValueError, match="expected"):
        silicon.curve_points(volts, hertz)


def test_leakage_grows_with_temperature_and_voltage_and_is_capped():
    base = silicon.leakage_power(4.0, 70.0)
    assert base == pytest.approx(4.0)
    assert silicon.leakage_power(4.0, 70.0 + np.log(2) / 0.018) == pytest.approx(8.0)
    assert silicon.leakage_power(4.0, 70.0, voltage=1.1) == pytest.approx(4.0 * 1.1**2.5)
    assert silicon.leakage_power(4.0, 5000.0) == pytest.approx(4.0 * np.exp(6.0))


def test_leakage_is_that_of_the_network():
    from thermnet.network import Leakage

    temperature = np.linspace(-20, 600, 200)
    law = Leakage(power=4.0, reference=60.0, slope=0.02)
    assert silicon.leakage_power(4.0, temperature, 60.0, 0.02) == pytest.approx(law.heat(temperature))


def test_doubling_interval_and_slope_are_inverse():
    assert silicon.slope_from_doubling(silicon.doubling_interval(0.0231)) == pytest.approx(0.0231)


@settings(deadline=None, max_examples=60)
@given(temperature=st.floats(-40, 150), power=st.floats(0.5, 3.0))
def test_carrier_doubling_interval_doubles_the_carriers(temperature, power):
    interval = silicon.intrinsic_doubling_interval(temperature, power)
    grown = silicon.intrinsic_carrier_ratio(temperature + interval, temperature) ** power
    assert grown == pytest.approx(2.0, rel=1e-9)


@settings(deadline=None, max_examples=60)
@given(
    ambient=st.floats(0, 45), resistance=st.floats(0.2, 5), power=st.floats(0, 60), leakage=st.floats(0.1, 20)
)
def test_steady_temperature_balances_or_runs_away(ambient, resistance, power, leakage):
    temperature = silicon.steady_temperature_with_leakage(ambient, resistance, power, leakage)
    edge = silicon.runaway_power(ambient, resistance, leakage)
    if power > edge + 1e-6:
        assert temperature == np.inf
    elif power < edge - 1e-6:
        produced = power + leakage * np.exp(0.018 * (temperature - 70.0))
        assert temperature == pytest.approx(ambient + resistance * produced, rel=1e-8, abs=1e-8)
        at = leakage * np.exp(0.018 * (temperature - 70.0))
        assert silicon.leakage_loop_gain(resistance, at, 0.018) < 1.0


def test_loop_gain_is_one_at_the_edge_of_runaway():
    edge = silicon.runaway_power(25.0, 1.6, 7.0)
    temperature = silicon.steady_temperature_with_leakage(25.0, 1.6, edge * (1 - 1e-12), 7.0)
    leakage = silicon.leakage_power(7.0, temperature)
    assert silicon.leakage_loop_gain(1.6, leakage, 0.018) == pytest.approx(1.0, abs=1e-4)


def test_dynamic_power_and_ratio_agree():
    ratio = silicon.dynamic_power(0.4, 1e-8, 0.9, 3e9) / silicon.dynamic_power(0.4, 1e-8, 1.1, 4e9)
    assert ratio == pytest.approx(silicon.dynamic_power_ratio(0.9, 1.1, 3e9, 4e9))


@settings(deadline=None, max_examples=60)
@given(power=st.floats(0, 120), temperature=st.floats(20, 110), activity=st.floats(0.1, 1.0))
def test_frequency_fits_the_power(power, temperature, activity):
    frequency = silicon.frequency_at_power(power, temperature, activity=activity, **CHIP)
    drawn = power_at(frequency, temperature, activity)
    if frequency == 0.0:
        assert drawn >= power
    elif frequency == HERTZ[-1]:
        assert drawn <= power + 1e-9
    else:
        assert drawn == pytest.approx(power, rel=1e-8)


def test_frequency_rises_with_power_and_falls_with_temperature_without_jumps():
    power = np.linspace(0.0, 110.0, 10_000)
    frequency = silicon.frequency_at_power(power, 80.0, **CHIP)
    steps = np.diff(frequency)
    assert np.all(steps >= -1.0)
    assert steps.max() < 1e7
    assert frequency[0] == 0.0
    assert frequency[-1] == HERTZ[-1]
    hot = silicon.frequency_at_power(28.0, np.linspace(20, 110, 200), **CHIP)
    assert np.all(np.diff(hot) < 0)


def test_undervolting_buys_frequency_at_a_power_limit():
    plain = silicon.frequency_at_power(28.0, 80.0, **CHIP)
    under = silicon.frequency_at_power(28.0, 80.0, voltage_offset=-0.05, **CHIP)
    assert under > plain * 1.03
    with pytest.raises(ValueError, match="voltage_offset"):
        silicon.frequency_at_power(28.0, 80.0, voltage_offset=-0.7, **CHIP)


def test_arrays_equal_a_loop_of_scalars():
    power = np.array([5.0, 20.0, 40.0, 70.0])
    temperature = np.array([40.0, 60.0, 80.0, 100.0])
    whole = silicon.frequency_at_power(power, temperature, **CHIP)
    single = [silicon.frequency_at_power(p, t, **CHIP) for p, t in zip(power, temperature, strict=True)]
    assert whole == pytest.approx(single, rel=1e-12)
    grid = silicon.frequency_at_power(power[:, None], temperature[None], **CHIP)
    assert grid.shape == (4, 4)
    assert np.diag(grid) == pytest.approx(single, rel=1e-12)


def test_memory_bound_work_gains_less():
    ratio = np.linspace(0.2, 2.0, 50)
    for share in (0.0, 0.3, 0.9, 1.0):
        performance = silicon.relative_performance(ratio * 4e9, 4e9, share)
        assert np.all(np.diff(performance) >= 0)
        assert silicon.relative_performance(4e9, 4e9, share) == pytest.approx(1.0)
        if share < 1:
            back = silicon.frequency_for_performance(performance, 4e9, share)
            assert back == pytest.approx(ratio * 4e9)
    assert silicon.frequency_for_performance(4.0, 4e9, 0.3) == np.inf
