"""A voltage offset in the closed loop: square law of dynamic power, leakage, and the frequency a limit leaves."""

from __future__ import annotations

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.firmware.workload import constant
from thermnet.physics.silicon import dynamic_power, frequency_at_power
from thermnet.solve.pack import demand_at_voltage, pack_silicon

CURVE = ((0.70, 1.0e9), (0.90, 3.0e9), (1.10, 4.5e9))


@pytest.fixture(scope="module")
def design():
    return load_design("tern-14").replace(**{"cpu.curve": CURVE, "modes.desk.noise_cap": None})


def rated_leakage(design):
    """Leakage at the reference temperature and the highest voltage, W."""
    die = design.parts["cpu"]
    return float(die.leakage_at(die.leakage_temperature, die.voltage(die.top_frequency())))


def test_dynamic_power_goes_with_the_square_of_the_voltage(design):
    under = design.replace(**{"cpu.voltage_offset": "-100 mV"})
    load = constant(40.0, "cpu", holds="frequency")
    before, after = (pack_silicon(d.plant(25.0), load, 10) for d in (design, under))
    dynamic = [float(s.demand[0, 0]) - rated_leakage(d) for s, d in ((before, design), (after, under))]
    assert dynamic[1] / dynamic[0] == pytest.approx((1.0 / 1.1) ** 2, rel=1e-12)
    assert 1.0 - dynamic[1] / dynamic[0] == pytest.approx(0.174, abs=5e-4)
    # What the chip's own physics says of the same step.
    ratio = dynamic_power(1.0, 14e-9, 1.0, 4.5e9) / dynamic_power(1.0, 14e-9, 1.1, 4.5e9)
    assert dynamic[1] / dynamic[0] == pytest.approx(ratio, rel=1e-12)
    # Leakage stands beside it, at the lower voltage.
    assert after.leak_value[:, 0].sum() == pytest.approx(rated_leakage(under), rel=1e-12)
    assert after.leak_value[:, 0].sum() / before.leak_value[:, 0].sum() == pytest.approx((1.0 / 1.1) ** 2.5, rel=1e-12)


def test_power_in_the_loop_is_the_chips_own_power_at_that_temperature(design):
    under = design.replace(**{"cpu.voltage_offset": "-100 mV"})
    for machine in (design, under):
        run = machine.simulate(constant(24.0, "cpu", 60.0, holds="frequency"), "desk", start=20.0)
        assert np.all(run.channel("frequency", "cpu") == 1.0)
        die = machine.parts["cpu"]
        switched = (24.0 - rated_leakage(design)) * (float(die.voltage(4.5e9)) / 1.1) ** 2
        areas = {"cpu.hot_spot": 36 / 150, "cpu.rest": 114 / 150}
        top = die.voltage(4.5e9)
        leak = sum(share * die.leakage_at(run.temperature(node), top) for node, share in areas.items())
        np.testing.assert_allclose(run.channel("power", "cpu")[:-1], (switched + leak)[:-1], atol=1e-9)


def test_work_is_weighed_alike_whatever_the_voltage(design):
    """A load that no limit touches does exactly the same work undervolted."""
    limits = dict.fromkeys(("modes.desk.chips.cpu.burst_limit", "modes.desk.chips.cpu.sustained_limit"), "90 W")
    free = design.replace(**limits)
    runs = [
        free.replace(**{"cpu.voltage_offset": offset}).simulate("compile", "desk", duration=20.0)
        for offset in (0.0, -0.1, -0.05)
    ]
    assert all(set(run.residency()["cpu"]) == {"demand"} for run in runs)
    work = [run.channel("work", "cpu")[-1] for run in runs]
    assert work[1] == work[0]
    assert work[2] == work[0]
    powers = [run.channel("power", "cpu").mean() for run in runs]
    assert powers[1] < powers[2] < powers[0]


def test_under_a_limit_the_same_watts_buy_more_frequency(design):
    under = design.replace(**{"cpu.voltage_offset": "-100 mV"})
    runs = [d.simulate(constant(40.0, "cpu", 120.0, holds="frequency"), "desk", start=30.0) for d in (design, under)]
    for run in runs:
        assert run.residency()["cpu"].get("sustained limit", 0.0) > 0.5
    late = [run.channel("frequency", "cpu")[-2] for run in runs]
    assert late[1] > late[0] + 0.03
    # The frequency is what the chip's physics gives for that power at that temperature.
    for machine, run, found in zip((design, under), runs, late, strict=True):
        die = machine.parts["cpu"]
        # An activity that makes the load: (40 W - leakage) at the top of the curve's own voltage.
        capacitance = (40.0 - rated_leakage(design)) / (1.1**2 * 4.5e9)
        hot, rest = (run.temperature(f"cpu.{n}")[-2] for n in ("hot_spot", "rest"))
        leaks = [float(die.leakage_at(t, die.leakage_voltage)) for t in (hot, rest)]
        leakage = leaks[0] * 36 / 150 + leaks[1] * 114 / 150
        expected = frequency_at_power(
            run.channel("power", "cpu")[-2], die.leakage_temperature, voltages=[v for v, _ in CURVE],
            frequencies=[f for _, f in CURVE], capacitance=capacitance, voltage_offset=die.voltage_offset,
            leakage=leakage, reference_temperature=die.leakage_temperature, slope=die.leakage_slope,
            reference_voltage=die.leakage_voltage, voltage_exponent=die.leakage_voltage_exponent,
        )  # fmt: skip
        assert found == pytest.approx(expected / 4.5e9, abs=1e-6)


def test_a_load_that_holds_its_power_draws_what_it_says(design):
    under = design.replace(**{"cpu.voltage_offset": "-100 mV"})
    for machine in (design, under):
        run = machine.simulate(constant(20.0, "cpu", 30.0), "desk")
        np.testing.assert_allclose(run.channel("power", "cpu"), 20.0)


def test_demand_is_continuous_and_untouched_without_an_offset():
    metered = np.linspace(0.0, 20.0, 10001)
    assert demand_at_voltage(metered, 6.0, 1.0, 1.0) is metered
    scaled = demand_at_voltage(metered, 4.8, 0.83, 0.8)
    assert scaled[0] == 0.0
    assert np.all(np.diff(scaled) > 0)
    assert np.max(np.diff(scaled)) < 0.84 * (metered[1] - metered[0])
    np.testing.assert_allclose(demand_at_voltage(np.array([6.0]), 4.8, 0.83, 0.8), 4.8)
    np.testing.assert_allclose(demand_at_voltage(np.array([10.0]), 0.0, 0.83, 0.8), 8.3)


def test_samples_of_an_ensemble_each_have_their_voltage():
    base = load_design("tern-14")
    offsets = np.array([-0.09, 0.0, 0.02])
    many = base.replace(**{"cpu.voltage_offset": offsets, "cpu.leakage": np.array([3.0, 4.0, 5.0])})
    found = many.ensemble("compile", "desk", duration=60.0, workers=1)
    for i in range(3):
        one = many.sample(i).simulate("compile", "desk", duration=60.0)
        assert found.output("work.cpu_s")[i] == pytest.approx(one.channel("work", "cpu")[-1], abs=1e-9)
        assert found.output("mean_power.cpu_W")[i] == pytest.approx(one.channel("power", "cpu")[:-1].mean(), abs=1e-7)
