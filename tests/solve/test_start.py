"""Where a run begins: settled machines, what the firmware reads of them, cold starts, other runs."""

from __future__ import annotations

import dataclasses

import hand_machine as hand
import numpy as np
import pytest

from thermnet.errors import NetworkError
from thermnet.firmware.mode import FanControl, FanTable
from thermnet.firmware.sensor import Sensor
from thermnet.firmware.workload import constant
from thermnet.network import ThermalNetwork
from thermnet.solve import kernel
from thermnet.solve.closed_loop import prepare, simulate
from thermnet.solve.pack import pack_rules, pack_sensors, pack_silicon, sensor_set
from thermnet.solve.plant import Plant
from thermnet.solve.start import fan_request, fan_steps, settle, settled_readings


@pytest.fixture(scope="module")
def plant():
    return Plant(hand.machine(), 0.1)


def settled(plant, mode, watts):
    sensors = sensor_set(plant.machine, plant.period)
    senses, rules = pack_sensors(plant, sensors), pack_rules(plant, mode, sensors)
    silicon = pack_silicon(plant, constant(watts, "cpu"), 1)
    return settle(plant, silicon, senses, rules, np.array([watts])), senses, rules


CALM = dataclasses.replace(hand.MODE, skin_limits=())


@pytest.mark.parametrize("watts", [2.0, 12.0, 18.0, 26.0])
def test_settled_machine_stays_settled(plant, watts):
    soak, _, _ = settled(plant, CALM, watts)
    run = simulate(plant, CALM, constant(watts, "cpu", 120.0), start=watts)
    np.testing.assert_allclose(run.temperatures[0, plant.active], soak.x, rtol=0, atol=1e-12)
    assert np.ptp(run.channel("fan_speed")) == 0.0
    assert np.abs(run.temperatures[-1] - run.temperatures[0]).max() < 0.02


@pytest.mark.parametrize("offset", [0.3, 0.6])
def test_fan_of_a_settled_machine_follows_the_rounded_reading(plant, offset):
    # The sensor rounds to whole kelvins: a threshold half a kelvin above the truth is met, one further up is not.
    soak, _, _ = settled(plant, dataclasses.replace(CALM, fans={"fan": FanControl(idle_speed=1500.0)}), 12.0)
    truth = float(soak.x[plant.state_of["hot"]])
    threshold = np.floor(truth) + (1.0 if truth % 1.0 >= 0.5 else 0.0) + (0.0 if offset < 0.5 else 1.0)
    table = FanTable(sensor="junction", steps=((threshold, 1600.0),))
    mode = dataclasses.replace(CALM, fans={"fan": FanControl(idle_speed=1500.0, tables=(table,))})
    after, senses, _ = settled(plant, mode, 12.0)
    assert settled_readings(senses, soak.x)[0] == np.floor(truth + 0.5)
    expected = 15 if offset > 0.5 else 16
    assert after.indices[0] == expected
    run = simulate(plant, mode, constant(12.0, "cpu", 1.0), start=12.0)
    assert run.channel("fan_speed", "fan")[0] == 100.0 * expected


def test_readings_of_a_settled_machine_are_those_of_the_kernel(plant):
    soak, senses, _ = settled(plant, CALM, 15.0)
    run = simulate(plant, CALM, constant(15.0, "cpu", 1.0), start=15.0)
    np.testing.assert_allclose(
        run.channel("reading")[0], settled_readings(senses, soak.x), rtol=0, atol=1e-12
    )


def test_fan_steps_and_requests(plant):
    sensors = sensor_set(plant.machine, plant.period)
    rules = pack_rules(plant, CALM, sensors)
    readings = np.full(len(sensors.names), 0.0)
    for reading, step, speed in ((49.0, 0, 1500), (50.0, 1, 2500), (69.9, 2, 3200), (95.0, 4, 4600)):
        readings[sensors.index("junction")] = reading
        assert fan_steps(rules, readings)[0] == step
        assert fan_request(rules, np.array([step]))[0] * 100 == speed


def test_heat_of_a_settled_machine_balances(plant):
    run = simulate(plant, CALM, constant(16.0, "cpu", 60.0), start=16.0)
    # In: chip, its regulators, the board. Out: everything, since nothing is stored.
    into = 60.0 * (16.0 * (1 + hand.FOLLOW) + hand.BOARD_HEAT)
    assert run.energy.into == pytest.approx(into, rel=1e-6)
    assert run.energy.out == pytest.approx(into, rel=1e-4)
    assert run.energy_residual < 1e-6


def test_cold_start_is_at_the_room(plant):
    run = simulate(plant, CALM, constant(16.0, "cpu", 1.0), start="cold")
    np.testing.assert_array_equal(run.temperatures[0, plant.active], 25.0)
    assert run.channel("average_power", "cpu")[0] == 0.0


def test_soaked_start_by_chip_is_the_soaked_start(plant):
    a = simulate(plant, CALM, constant(16.0, "cpu", 1.0), start=9.0)
    b = simulate(plant, CALM, constant(16.0, "cpu", 1.0), start={"cpu": 9.0})
    c = simulate(plant, CALM, constant(16.0, "cpu", 1.0), start="idle")
    np.testing.assert_array_equal(a.temperatures, b.temperatures)
    d = simulate(plant, CALM, constant(16.0, "cpu", 1.0), start=hand.machine().idle_power["cpu"])
    np.testing.assert_array_equal(c.temperatures, d.temperatures)
    assert a.channel("average_power", "cpu")[0] == 9.0


@pytest.mark.parametrize(
    ("start", "text"),
    [
        ("warm", 'start \'warm\'; expected "idle", "cold"'),
        (float("nan"), "expected a finite power of 0 W or more"),
        (-1.0, "expected a finite power of 0 W or more"),
        ({"gpu": 1.0}, "start: no chip 'gpu'"),
        ({"cpu": float("inf")}, "expected a finite power"),
    ],
)
def test_impossible_starts_say_what_was_expected(plant, start, text):
    with pytest.raises(ValueError, match=text):
        simulate(plant, CALM, constant(16.0, "cpu", 1.0), start=start)


def test_run_of_another_machine_or_a_bare_network_is_no_start(plant):
    net = ThermalNetwork()
    net.add_node("a", capacity=1.0)
    net.add_boundary("room", 25.0)
    net.add_link("a", "room", resistance=1.0)
    with pytest.raises(ValueError, match="keeps no final state"):
        simulate(plant, CALM, constant(1.0, "cpu", 1.0), start=net.transient({}, 1.0))
    run = simulate(plant, CALM, constant(1.0, "cpu", 1.0))
    for field, lost in (("temperature", "fins"), ("fan", "fan"), ("average", "cpu")):
        state = dataclasses.replace(
            run.final_state,
            **{field: {k: v for k, v in getattr(run.final_state, field).items() if k != lost}},
        )
        with pytest.raises(NetworkError, match=f"has no .*'{lost}'; it is of another design"):
            simulate(
                plant, CALM, constant(1.0, "cpu", 1.0), start=dataclasses.replace(run, final_state=state)
            )


def test_preparing_leaves_the_machine_alone(plant):
    before = dataclasses.asdict(hand.MODE)
    machine = plant.machine
    prepare(plant, hand.MODE, constant(16.0, "cpu", 1.0), 10)
    assert plant.machine is machine
    assert dataclasses.asdict(hand.MODE) == before


def test_stopping_at_a_limit_is_not_called_complete(plant):
    from thermnet.run import RunLimit, Status
    from thermnet.solve.closed_loop import to_run

    load = constant(40.0, "cpu", 20.0)
    watch = [RunLimit("junction", "junction", 45.0, node="hot")]
    loop = prepare(plant, CALM, load, 200, start="cold", watch=watch, stop=True)
    assert loop.run(200) == kernel.LIMIT_HIT
    run = to_run(loop, kernel.LIMIT_HIT, load, {})
    assert run.status is Status.STOPPED
    assert run.time[-1] < 20.0
    assert run.temperature("hot")[-1] >= 45.0


def test_sensor_at_rest_has_no_lag_but_its_rounding():
    slow = Sensor(reads=("fins",), lag=100.0, delay=2.0, offset=1.0, resolution=0.5, period=1.0)
    machine = dataclasses.replace(hand.machine(), sensors={"fins": slow, **hand.machine().sensors})
    plant = Plant(machine, 0.1)
    soak, senses, _ = settled(plant, CALM, 20.0)
    x = soak.x[plant.state_of["fins"]]
    assert settled_readings(senses, soak.x)[0] == np.floor((x + 1.0) / 0.5 + 0.5) * 0.5


@pytest.mark.parametrize("name", ["tern-14", "wren-13", "heron-16"])
def test_soak_by_few_inputs_is_the_soak_on_all_nodes(name):
    from thermnet.design.load import load_design
    from thermnet.solve import start as module
    from thermnet.studies.held_power import HeldPower

    held = HeldPower.of(load_design(name), "desk", None)
    plant, silicon = held.plant, held.silicon
    for watts in (0.0, 0.5, 12.0, 60.0, 160.0):
        for level in (0, plant.levels - 1):
            power = held.demand(watts)
            few = module.soaked(plant, silicon, level, power)
            every = module._soaked_on_all_nodes(plant, silicon, level, power, few)
            np.testing.assert_allclose(few, every, atol=1e-7)


def test_soak_of_a_reduced_machine_is_that_of_the_full_one():
    import mesh_machine as mesh

    from thermnet.solve.closed_loop import prepare

    machine = mesh.machine(240)
    found = []
    for plant in (Plant(machine, 0.1, largest_full=10**6), Plant(machine, 0.1)):
        loop = prepare(plant, mesh.MODE, constant(5.0, "cpu"), 1, start=25.0, keep=False)
        found.append(plant.temperatures(loop.state.x))
    np.testing.assert_allclose(found[1], found[0], atol=0.01)
