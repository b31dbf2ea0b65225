"""The closed loop against an independent tight integration, exact governor times, and its own invariants."""

from __future__ import annotations

import dataclasses

import hand_machine as hand
import independent_loop
import numpy as np
import pytest

from thermnet.firmware.mode import ChipControl, FanControl, Mode
from thermnet.firmware.workload import Workload, constant
from thermnet.run import Status, load_run
from thermnet.solve import kernel
from thermnet.solve.closed_loop import simulate
from thermnet.solve.plant import Plant

FLAG_OF = {"demand": 0, "burst": 1, "sustained": 2, "junction": 4, "skin": 5}


@pytest.fixture(scope="module")
def plant():
    return Plant(hand.machine(), 0.1)


def trace(seed, duration, levels, holds="frequency"):
    rng = np.random.default_rng(seed)
    times = np.concatenate([[0.0], np.cumsum(np.round(rng.exponential(3.0, 500) + 0.1, 1))])
    times = times[times < duration]
    return Workload(name=f"trace {seed}", times=times, watts={"cpu": rng.choice(levels, times.size).astype(float)},
                    holds=holds, duration=duration)  # fmt: skip


@pytest.mark.parametrize(
    ("seed", "holds", "levels", "limit"),
    [
        (1, "frequency", (3, 12, 28, 45, 70), 95.0),
        (2, "power", (3, 12, 28, 45, 70), 95.0),
        (3, "frequency", (40, 64, 90), 55.0),  # junction throttle
        (4, "frequency", (110, 150), 400.0),  # dry-out
    ],
)
def test_closed_loop_agrees_with_independent_integration(seed, holds, levels, limit):
    plant = Plant(hand.machine(junction_limit=limit), 0.1)
    mode = hand.MODE
    if seed == 4:
        mode = dataclasses.replace(mode, chips={"cpu": ChipControl(burst_limit=160.0, sustained_limit=150.0)})
    load = trace(seed, 60.0, levels, holds)
    run = simulate(plant, mode, load, start="cold")
    temperatures, power, speed, bounds = independent_loop.simulate(
        load.sampled("cpu", 0.1, 600), 0.1, [25.0] * len(hand.CAPACITIES), 1500.0, 0.0, mode, holds=holds,
        junction_limit=limit,
    )  # fmt: skip
    np.testing.assert_array_equal(run.channel("fan_speed", "fan")[:-1], speed)
    np.testing.assert_array_equal(run.channel("limit", "cpu")[:-1], [FLAG_OF[b] for b in bounds])
    np.testing.assert_allclose(run.channel("power", "cpu")[:-1], power, atol=0.05)
    for i, name in enumerate(hand.CAPACITIES):
        allowed = 0.05 if name in ("hot", "die") else 0.01
        np.testing.assert_allclose(run.temperature(name), temperatures[:, i], atol=allowed, err_msg=name)
    if seed == 3:
        assert "junction" in bounds
    if seed == 4:
        assert any("heat limit passed" in text for _, text in run.events)


@pytest.mark.parametrize(("before", "burst", "sustained", "tau"), [(10.0, 60.0, 28.0, 28.0), (5.0, 64.0, 28.0, 28.0), (20.0, 60.0, 45.0, 10.0)])
def test_governor_alone_gives_the_closed_form_burst_time(before, burst, sustained, tau):
    # Check values: first-order running average, tau ln((Pb - P0)/(Pb - Ps)); 12.496, 13.833 and 9.808 s.
    plant = Plant(hand.machine(junction_limit=400.0, leaks={}), 0.1)
    mode = Mode(chips={"cpu": ChipControl(burst_limit=burst, sustained_limit=sustained, averaging_time=tau)})
    run = simulate(plant, mode, constant(500.0, "cpu", 60.0), start=before)
    code = run.channel("limit", "cpu")
    ends = run.time[np.argmax(code == kernel.SUSTAINED)]
    exact = tau * np.log((burst - before) / (burst - sustained))
    assert 0.0 <= ends - exact <= 0.1 + 1e-9
    np.testing.assert_allclose(run.channel("power", "cpu")[code == kernel.SUSTAINED], sustained)


def test_energy_is_accounted_for(plant):
    run = simulate(plant, hand.MODE, trace(5, 600.0, (3, 30, 60, 90)))
    assert run.energy_residual < 1e-6
    assert run.status is Status.COMPLETE


def test_two_runs_and_a_run_in_two_halves_agree_exactly(plant):
    load = constant(40.0, "cpu", 120.0)
    first = simulate(plant, hand.MODE, load, start=10.0)
    simulate(plant, hand.MODE, constant(5.0, "cpu", 30.0))
    second = simulate(plant, hand.MODE, load, start=10.0)
    np.testing.assert_array_equal(first.temperatures, second.temperatures)
    half = simulate(plant, hand.MODE, load, duration=60.0, start=10.0)
    np.testing.assert_array_equal(half.temperature("hot"), first.temperature("hot")[:601])


def test_run_goes_on_from_another_run(plant):
    free = Mode(chips=hand.MODE.chips)
    load = constant(20.0, "cpu", 100.0)
    whole = simulate(plant, free, load, start="cold")
    first = simulate(plant, free, load, duration=50.0, start="cold")
    second = simulate(plant, free, load, duration=50.0, start=first)
    np.testing.assert_allclose(second.temperature("fins")[-1], whole.temperature("fins")[-1], atol=5e-3)


def test_soaked_start_stays_where_it_is(plant):
    calm = dataclasses.replace(hand.MODE, skin_limits=(), fans={"fan": FanControl(idle_speed=3000.0)})
    run = simulate(plant, calm, constant(18.0, "cpu", 300.0), start=18.0)
    drift = np.abs(run.temperatures[-1] - run.temperatures[0]).max()
    assert drift < 0.02


def test_junction_throttle_holds_the_limit():
    plant = Plant(hand.machine(junction_limit=70.0), 0.1)
    mode = Mode(chips={"cpu": ChipControl(burst_limit=64.0, sustained_limit=60.0, throttle_margin=2.0)})
    run = simulate(plant, mode, constant(64.0, "cpu", 600.0, holds="frequency"))
    late = run.time > 120.0
    assert np.all(np.abs(run.temperature("hot")[late] - 68.0) < 1.0)
    assert run.temperature("hot").max() < 72.0
    assert np.mean(run.channel("limit", "cpu")[late] == kernel.JUNCTION) > 0.99


def test_leakage_beyond_cooling_is_a_runaway_not_a_number():
    from thermnet.network import Leakage

    leaks = {"hot": Leakage(power=25.0, reference=60.0, slope=0.05)}
    plant = Plant(hand.machine(leaks=leaks, junction_limit=900.0), 0.1)
    mode = Mode(chips={"cpu": ChipControl(burst_limit=5000.0, sustained_limit=4000.0)})
    run = simulate(plant, mode, constant(90.0, "cpu", 600.0, holds="frequency"), start="cold")
    assert run.status is Status.RUNAWAY
    assert any("runaway" in text for _, text in run.events)
    assert run.time[-1] < 600.0


def test_time_to_limit_is_found_between_samples(plant):
    free = Mode(chips={"cpu": ChipControl(burst_limit=500.0, sustained_limit=400.0, proportional_gain=0.0, integral_gain=0.0)})
    coarse = simulate(plant, free, constant(60.0, "cpu", 30.0), start="cold")
    fine_plant = Plant(hand.machine(), 0.002)
    fine = simulate(fine_plant, free, constant(60.0, "cpu", 2.0), start="cold")
    limit = float(fine.temperature("hot")[300]) + 0.003
    assert coarse.time_to("hot", limit) == pytest.approx(fine.time_to("hot", limit), abs=2e-3)
    assert np.isnan(coarse.time_to("hot", 500.0))


def test_more_work_is_done_where_more_power_is_allowed(plant):
    work = []
    for sustained in (15.0, 25.0, 40.0):
        mode = dataclasses.replace(hand.MODE, chips={"cpu": ChipControl(burst_limit=64.0, sustained_limit=sustained)}, skin_limits=())
        work.append(simulate(plant, mode, constant(64.0, "cpu", 300.0, holds="frequency")).channel("work", "cpu")[-1])
    assert work[0] < work[1] < work[2] < 300.0


def test_noise_cap_becomes_a_speed_cap(plant):
    quiet = dataclasses.replace(hand.MODE, noise_cap=30.0)
    run = simulate(plant, quiet, constant(60.0, "cpu", 200.0))
    assert run.channel("noise").max() <= 30.0
    assert run.channel("fan_speed").max() == pytest.approx(4000.0 * 10 ** (-6.0 / 55.0), abs=100.0)


def test_varying_ambient_is_followed(plant):
    warm = simulate(plant, Mode(chips=hand.MODE.chips), constant(0.0, "cpu", 20000.0), start="cold",
                    ambient=([0.0, 100.0], [25.0, 35.0]), every=100)  # fmt: skip
    still = simulate(Plant(hand.machine(ambient=35.0), 0.1), Mode(chips=hand.MODE.chips), constant(0.0, "cpu", 20000.0), every=100)
    np.testing.assert_allclose(warm.temperature("bottom")[-1], still.temperature("bottom")[-1], atol=0.05)


def test_saved_run_reads_back(plant, tmp_path):
    run = simulate(plant, hand.MODE, constant(50.0, "cpu", 20.0))
    again = load_run(run.save(tmp_path / "run.nc"))
    np.testing.assert_array_equal(again.temperatures, run.temperatures)
    assert again.channels["limit"].flags == run.channels["limit"].flags
    assert again.energy_residual == pytest.approx(run.energy_residual)
    assert again.dataset["power"].attrs["units"] == "W"
    assert set(run.dataset.data_vars) >= {"temperature", "heat", "power", "limit", "fan_speed", "noise", "reading"}


def test_link_heat_balances_at_every_node(plant):
    calm = dataclasses.replace(hand.MODE, skin_limits=())
    run = simulate(plant, calm, constant(12.0, "cpu", 5.0), start=12.0)
    names, heat = run.link_heat
    last = dict(zip(names, heat[-2], strict=True))
    into_plate = last["hot->plate"] + last["die->plate"]
    out = last["plate->pipe"] - last["bottom_hot->plate"] - last["keyboard_hot->plate"]
    assert into_plate == pytest.approx(out, abs=0.05)
