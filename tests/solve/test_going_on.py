"""Two halves of a run are the whole run: what the firmware remembers is handed over."""

import dataclasses

import numpy as np
import pytest
import second_writing as second

import thermnet as tn
from thermnet.firmware.sensor import Sensor

PERIOD, HALF, WHOLE = 0.1, 300.0, 600.0


@pytest.fixture(scope="module")
def design():
    return tn.load_design("tern-14")


def load(first, last):
    """20 W with bursts of 60 W, from ``first`` to ``last`` s of the whole."""
    at = np.arange(round(first / PERIOD), round(last / PERIOD))
    return at * PERIOD - first, np.where(at // 100 % 3 == 0, 60.0, 20.0)


@pytest.mark.parametrize("mode", ["library", "lap", "desk", "workshop"])
def test_second_half_goes_on_as_if_it_had_never_stopped(design, mode):
    whole = design.simulate(load(0.0, WHOLE), mode=mode, duration=WHOLE)
    first = design.simulate(load(0.0, HALF), mode=mode, duration=HALF)
    second = design.simulate(load(HALF, WHOLE), mode=mode, duration=WHOLE - HALF, start=first)
    rest = whole.time >= HALF - 1e-9
    for node in ("cpu.hot_spot", "bottom.hot_zone", "battery.cells"):
        np.testing.assert_allclose(second.temperature(node), whole.temperature(node)[rest], rtol=0, atol=1e-9)
    for channel in ("fan_speed", "limit", "reading", "average_power"):
        np.testing.assert_allclose(second.channel(channel), whole.channel(channel)[rest], rtol=0, atol=1e-9)


@pytest.mark.parametrize("at", [2.0, 300.0])
def test_values_on_their_way_through_a_slow_sensor_arrive_after_a_change_of_mode(design, at):
    slow = Sensor(reads=("bottom.hot_zone",), lag=20.0, delay=8.0, period=2.0)
    design = dataclasses.replace(design, sensors={**design.sensors, "slow": slow})
    whole = design.simulate(45.0, mode="desk", duration=at + 20.0)
    first = design.simulate(45.0, mode="desk", duration=at)
    second = design.simulate(45.0, mode="workshop", duration=20.0, start=first)
    seen, expected = second.channel("reading", "slow"), whole.channel("reading", "slow")[round(at / PERIOD) :]
    # Four polls of 2 s are on their way; what comes after them is of the new mode.
    np.testing.assert_allclose(seen[:80], expected[:80], rtol=0, atol=1e-9)


def test_dried_out_pipes_stay_dry(design):
    design = design.replace(**{"pipes.heat_limit": "10 W"})
    whole = design.simulate(70.0, mode="workshop", duration=180.0, start=20.0)
    first = design.simulate(70.0, mode="workshop", duration=120.0, start=20.0)
    dry = first.final_state.dry
    assert any(dry.values())
    second = design.simulate(70.0, mode="workshop", duration=60.0, start=first)
    np.testing.assert_allclose(
        second.temperature("cpu.hot_spot"), whole.temperature("cpu.hot_spot")[whole.time >= 120.0 - 1e-9], rtol=0, atol=1e-9
    )


def test_heat_through_a_dried_out_pipe_is_that_of_the_dry_pipe(design):
    """As the second writing has it, also where a run begins with a pipe that has dried out."""
    design = design.replace(**{"pipes.heat_limit": "10 W"})
    run = design.simulate(70.0, mode="workshop", duration=120.0, start=20.0)
    plant = design.plant(None, design.modes["workshop"].period)
    names, heat = run.link_heat
    beaten = [name for name, is_dry in run.final_state.dry.items() if is_dry]
    assert beaten
    compiled = plant.compiled(0)
    for name in beaten:
        law = compiled.law_parameters[compiled.law_names.index(name)]
        a, b = (run.names[row] for row in compiled.law_ends[compiled.law_names.index(name)])
        dry, wet = (second.law_heat(2, law, run.temperature(a)[-1], run.temperature(b)[-1], state) for state in (1.0, 0.0))
        assert heat[-1, names.index(name)] == pytest.approx(dry, rel=1e-9)
        assert abs(dry) < 0.999 * abs(wet)
    again = design.simulate(70.0, mode="workshop", duration=1.0, start=run)
    assert again.link_heat[1][0, names.index(beaten[0])] == pytest.approx(heat[-1, names.index(beaten[0])], rel=1e-9)
