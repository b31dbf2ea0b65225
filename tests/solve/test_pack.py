"""Modes, sensors, chips, fans and loads as the kernel's arrays, and the plant's fan levels."""

from __future__ import annotations

import dataclasses

import hand_machine as hand
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.errors import NetworkError
from thermnet.firmware.mode import ChargerControl, ChipControl, FanControl, FanTable, Mode, SkinControl
from thermnet.firmware.sensor import Sensor
from thermnet.firmware.workload import Workload, constant
from thermnet.network.compiled import compile_network
from thermnet.solve import kernel
from thermnet.solve.closed_loop import simulate
from thermnet.solve.machine import Fan, Machine
from thermnet.solve.pack import (
    fan_caps,
    mode_of,
    pack_rules,
    pack_sensors,
    pack_silicon,
    sensor_set,
    speed_cap,
    ticks,
)
from thermnet.solve.plant import Plant


@pytest.fixture(scope="module")
def plant():
    return Plant(hand.machine(), 0.1)


def noise_of(top, level):
    return lambda s: level + 55.0 * np.log10(np.asarray(s, dtype=float) / top)


def two_fans(first=5000.0, second=4000.0, grid=100.0):
    one = hand.machine()
    fans = (
        Fan(name="left", maximum=first, grid=grid, noise=noise_of(first, 40.0)),
        Fan(name="right", maximum=second, grid=grid, noise=noise_of(second, 37.0)),
    )

    def assemble(speeds):
        total = np.asarray(speeds["left"], dtype=float) + np.asarray(speeds["right"], dtype=float)
        return compile_network(hand.build({"fan": 0.5 * total}))

    return dataclasses.replace(one, assemble=assemble, fans=fans)


# -- fans --------------------------------------------------------------------------------------------------


def test_without_a_cap_a_fan_may_run_at_its_maximum(plant):
    assert speed_cap(plant.machine, hand.MODE, "fan") == 5000.0
    capped = dataclasses.replace(hand.MODE, fans={"fan": FanControl(speed_cap=3210.0)})
    assert speed_cap(plant.machine, capped, "fan") == 3210.0
    assert fan_caps(plant.machine, capped)[0] == 3200.0


@pytest.mark.parametrize("cap", [20.0, 28.0, 33.3, 36.0])
def test_noise_cap_lowers_all_fans_to_one_share_of_their_speeds(cap):
    # 55 log10 of the common share comes off the sum of both: share = 10^((cap - loudest)/55).
    machine = two_fans()
    mode = Mode(chips=hand.MODE.chips, noise_cap=cap)
    loudest = 10 * np.log10(10**4.0 + 10**3.7)
    share = 10 ** ((cap - loudest) / 55.0)
    assert speed_cap(machine, mode, "left") == pytest.approx(5000.0 * share, rel=1e-9)
    assert speed_cap(machine, mode, "right") == pytest.approx(4000.0 * share, rel=1e-9)
    caps = fan_caps(machine, mode)
    assert np.all(caps % 100.0 == 0.0)
    assert machine.noise({"left": caps[0], "right": caps[1]}) <= cap


def test_noise_cap_above_the_loudest_changes_nothing():
    assert speed_cap(two_fans(), Mode(noise_cap=60.0), "left") == 5000.0


def test_fans_without_known_noise_are_not_capped_by_it():
    machine = dataclasses.replace(two_fans(), fans=(Fan(name="left", maximum=5000.0, grid=100.0),))
    assert speed_cap(machine, Mode(noise_cap=20.0), "left") == 5000.0


def test_grid_never_ends_above_the_highest_speed():
    machine = two_fans(first=4970.0, second=3000.0)
    plant = Plant(machine, 0.1)
    assert plant.counts == [50, 31]
    assert plant.speeds(plant.levels - 1) == {"left": 4900.0, "right": 3000.0}


def test_levels_of_two_fans_are_all_their_pairs():
    plant = Plant(two_fans(), 0.1)  # 51 x 41 levels: assembled one by one
    assert plant.levels == 51 * 41
    assert plant.level([7, 3]) == 7 + 3 * 51
    assert plant.speeds(plant.level([7, 3])) == {"left": 700.0, "right": 300.0}
    one = Plant(two_fans(first=1000.0, second=800.0), 0.1)  # 11 x 9: assembled in one go
    for indices in ([0, 0], [10, 8], [3, 5]):
        speeds = {"left": 100.0 * indices[0], "right": 100.0 * indices[1]}
        own = compile_network(hand.build({"fan": 0.5 * (speeds["left"] + speeds["right"])}))
        for some in (plant, one):
            np.testing.assert_allclose(
                some.compiled(some.level(indices)).transport(), own.transport(), rtol=1e-12, atol=1e-15
            )


def test_two_equal_fans_do_what_one_does():
    single = Plant(hand.machine(), 0.1)
    pair = Plant(two_fans(first=5000.0, second=5000.0), 0.1)
    control = hand.MODE.fans["fan"]
    mode = dataclasses.replace(hand.MODE, fans={"left": control, "right": control})
    load = constant(50.0, "cpu", 120.0)
    a, b = simulate(single, hand.MODE, load, start="cold"), simulate(pair, mode, load, start="cold")
    np.testing.assert_array_equal(b.channel("fan_speed", "left"), a.channel("fan_speed", "fan"))
    np.testing.assert_allclose(b.temperatures, a.temperatures, rtol=0, atol=1e-9)


def test_fanless_machine_has_one_level():
    machine = dataclasses.replace(
        hand.machine(), assemble=lambda speeds: compile_network(hand.build({"fan": 0.0})), fans=()
    )
    plant = Plant(machine, 0.1)
    assert plant.levels == 1
    run = simulate(plant, Mode(chips=hand.MODE.chips), constant(5.0, "cpu", 10.0))
    assert "fan_speed" not in run.channels
    assert run.energy_residual < 1e-6


# -- sensors -----------------------------------------------------------------------------------------------


def test_sensors_are_the_machines_own_and_the_hot_spots(plant):
    sensors = sensor_set(plant.machine, 0.1)
    assert sensors.names == ("junction", "proxy", "hot")
    with pytest.raises(NetworkError, match=r"no sensor 'junctoin'; did you mean 'junction'\?"):
        sensors.index("junctoin")


def test_sensor_between_nodes_reads_their_mean(plant):
    machine = dataclasses.replace(
        plant.machine, sensors={"mean": Sensor(reads=("hot", "die", "fins"), lag=3.0, delay=1.0, period=0.5)}
    )
    senses = pack_sensors(plant, sensor_set(machine, 0.1))
    assert senses.weight[0].sum() == pytest.approx(1.0)
    assert senses.weight[0][plant.state_of["fins"]] == pytest.approx(1 / 3)
    assert senses.ticks[0] == 5
    assert senses.delay[0] == 2
    assert senses.alpha[0] == pytest.approx(-np.expm1(-0.5 / 3.0))


def test_sensor_must_read_a_node_with_capacity(plant):
    machine = dataclasses.replace(plant.machine, sensors={"wrong": Sensor(reads=("finz",))})
    with pytest.raises(NetworkError, match=r"sensor 'wrong' reads 'finz'; did you mean 'fins'\?"):
        pack_sensors(plant, sensor_set(machine, 0.1))
    with pytest.raises(ValueError, match="names no node"):
        Sensor(reads=())


# -- loads and chips ---------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    gaps=st.lists(st.floats(0.011, 7.0), min_size=0, max_size=20),
    watts=st.lists(st.floats(0.0, 90.0), min_size=21, max_size=21),
    count=st.integers(1, 300),
)
def test_sampling_a_demand_keeps_its_energy(gaps, watts, count):
    times = np.concatenate([[0.0], np.cumsum(gaps)])
    load = Workload(name="any", times=times, watts={"cpu": np.array(watts[: times.size])})
    samples = load.sampled("cpu", 0.1, count)
    end = 0.1 * count
    edges = np.append(np.minimum(times, end), end)
    assert samples.sum() * 0.1 == pytest.approx(float(np.diff(edges) @ load.watts["cpu"]), rel=1e-9, abs=1e-9)
    assert samples.min() >= 0.0
    assert samples.max() <= max(watts[: times.size]) * (1 + 1e-9) + 1e-9
    np.testing.assert_array_equal(load.sampled("other", 0.1, count), 0.0)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"times": np.array([1.0])}, "times must rise from 0 s"),
        ({"times": np.array([0.0, 0.0]), "watts": {"cpu": np.ones(2)}}, "times must rise from 0 s"),
        ({"times": np.array([0.0, np.nan]), "watts": {"cpu": np.ones(2)}}, "times must rise from 0 s"),
        ({"watts": {"cpu": np.ones(2)}}, "demand of 'cpu' must be 1 finite values of 0 W or more"),
        ({"watts": {"cpu": np.array([-1.0])}}, "demand of 'cpu'"),
        ({"watts": {"cpu": np.array([np.nan])}}, "demand of 'cpu'"),
        ({"duration": 0.0}, "duration 0.0; expected more than 0 s"),
        ({"holds": "voltage"}, "holds 'voltage'; expected 'power' or 'frequency'"),
    ],
)
def test_impossible_loads_are_refused(changes, text):
    with pytest.raises(ValueError, match=f"workload 'bad': .*{text}"):
        Workload(**{"name": "bad", "watts": {"cpu": np.ones(1)}, **changes})


def test_load_on_a_chip_that_is_not_there(plant):
    with pytest.raises(NetworkError, match=r"workload .* loads 'gpu'"):
        pack_silicon(plant, constant(5.0, "gpu"), 10)


def test_heat_of_other_parts_follows_the_load(plant):
    load = constant(5.0, "cpu", 10.0)
    quiet = dataclasses.replace(load, other={"board": 1.5})
    into = [simulate(plant, hand.MODE, some).energy.into for some in (load, quiet)]
    assert into[0] - into[1] == pytest.approx(10.0 * (hand.BOARD_HEAT - 1.5))


def test_ticks_are_at_least_one():
    assert ticks(1.0, 0.1) == 10
    assert ticks(0.01, 0.1) == 1


# -- modes -------------------------------------------------------------------------------------------------


def test_mode_by_name():
    assert mode_of({"desk": hand.MODE}, "desk") is hand.MODE
    with pytest.raises(NetworkError, match=r"no mode 'desc'; did you mean 'desk'\?"):
        mode_of({"desk": hand.MODE}, "desc")


def test_mode_must_know_every_chip(plant):
    with pytest.raises(NetworkError, match="sets no power limits for chip 'cpu'"):
        pack_rules(
            plant,
            Mode(chips={"gpu": ChipControl(burst_limit=5.0, sustained_limit=4.0)}),
            sensor_set(plant.machine, 0.1),
        )


def test_tables_must_read_a_sensor_that_is_there(plant):
    mode = dataclasses.replace(hand.MODE, skin_limits=(SkinControl(sensor="proxi", limit=45.0),))
    with pytest.raises(NetworkError, match=r"no sensor 'proxi'; did you mean 'proxy'\?"):
        pack_rules(plant, mode, sensor_set(plant.machine, 0.1))


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: FanTable(sensor="s", steps=()), "FanTable.steps: empty"),
        (lambda: FanTable(sensor="s", steps=((50.0, 2000.0), (40.0, 3000.0))), "thresholds must rise"),
        (lambda: FanTable(sensor="s", steps=((50.0, 2000.0), (60.0, 1000.0))), "speeds must not fall"),
        (lambda: ChargerControl(charger="c", sensor="s", steps=()), "ChargerControl.steps: empty"),
        (
            lambda: ChargerControl(charger="c", sensor="s", steps=((50.0, 0.5), (50.0, 0.2))),
            "thresholds must rise",
        ),
        (
            lambda: ChargerControl(charger="c", sensor="s", steps=((50.0, 1.5),)),
            "shares must lie from 0 to 1",
        ),
        (lambda: ChipControl(burst_limit=-1.0, sustained_limit=4.0), "burst_limit"),
        (lambda: SkinControl(sensor="s", limit=10.0), "limit"),
        (lambda: Mode(period=0.0), "period"),
    ],
)
def test_impossible_modes_are_refused(make, text):
    with pytest.raises(ValueError, match=text):
        make()


# -- a charger that backs off ------------------------------------------------------------------------------


def charging(share):
    one = hand.machine()
    machine: Machine = dataclasses.replace(one, sources={**one.sources, "charger": ({"battery": 1.0}, 4.0)})
    control = ChargerControl(charger="charger", sensor="junction", steps=((10.0, share),), period=1.0)
    return Plant(machine, 0.1), dataclasses.replace(hand.MODE, charger=control, skin_limits=())


@pytest.mark.parametrize("share", [0.0, 0.25, 1.0])
def test_charger_heat_is_counted_once_and_by_its_share(share):
    plant, mode = charging(share)
    run = simulate(plant, mode, constant(10.0, "cpu", 20.0), start="cold")
    into = 20.0 * (10.0 * (1 + hand.FOLLOW) + hand.BOARD_HEAT + 4.0 * share)
    assert run.energy.into == pytest.approx(into, rel=1e-9)
    assert run.energy_residual < 1e-6


def test_charger_settles_with_its_share_too():
    plant, mode = charging(0.25)
    run = simulate(plant, mode, constant(10.0, "cpu", 100.0), start=10.0)
    assert np.abs(run.temperatures[-1] - run.temperatures[0]).max() < 0.02


def test_limit_codes_have_names():
    assert kernel.LIMIT_FLAGS[kernel.JUNCTION] == "junction"
    assert len(set(kernel.LIMIT_FLAGS)) == kernel.POWER_SUM


def test_a_law_that_follows_the_fans_is_refused_by_name():
    whole = hand.machine()

    def assemble(speeds):
        compiled = whole.assemble(speeds)
        size = np.prod(compiled.batch_shape, dtype=int)
        wide = np.broadcast_to(compiled.law_parameters.reshape((len(compiled.law_code), 8, -1)), (len(compiled.law_code), 8, size))
        return dataclasses.replace(compiled, law_parameters=wide * (1.0 + 1e-4 * np.asarray(speeds["fan"])))

    beyond = Plant(dataclasses.replace(whole, assemble=assemble), 0.1)
    beyond.provide(beyond.levels - 1)
    with pytest.raises(NetworkError, match=rf"law link '{beyond.law_names[0]}'.*depend on fan speed.*expected the same"):
        beyond.provide(0)
