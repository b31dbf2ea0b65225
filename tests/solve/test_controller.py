"""A controller in Python decides exactly as the built-in firmware does when it follows the same rules."""

from __future__ import annotations

import dataclasses

import hand_machine as hand
import numpy as np
import pytest

from thermnet.errors import NetworkError
from thermnet.firmware.controller import Command
from thermnet.firmware.workload import Workload, constant
from thermnet.solve import kernel
from thermnet.solve.closed_loop import simulate
from thermnet.solve.plant import Plant


@dataclasses.dataclass(frozen=True)
class State:
    average: float
    integral: float
    step: int
    since: float
    speed: float


class SameRules:
    """Governor, proportional-integral throttle and fan table of ``hand_machine.MODE``, written the plain way."""

    def __init__(self, mode, junction_limit):
        self.control, self.fan = mode.chips["cpu"], mode.fans["fan"]
        self.target = junction_limit - self.control.throttle_margin

    def start(self, seen):
        return State(seen.power["cpu"], self.control.burst_limit, 0, -1e9, seen.fan_speed["fan"])

    def step(self, state, seen):
        c, fan, steps = self.control, self.fan, self.fan.tables[0].steps
        average = state.average
        if seen.time > 0:
            average += -np.expm1(-seen.period / c.averaging_time) * (seen.power["cpu"] - average)
        error = self.target - seen.readings["hot"]
        integral = min(max(state.integral + c.integral_gain * seen.period * error, c.floor), c.burst_limit)
        ceiling = min(max(integral + c.proportional_gain * error, c.floor), c.burst_limit)
        limit = max(
            min(c.burst_limit if average < c.sustained_limit else c.sustained_limit, ceiling), c.floor
        )
        step, since, speed = state.step, state.since, state.speed
        if round(seen.time / seen.period) % round(fan.period / seen.period) == 0:
            reading, before = seen.readings["junction"], step
            while step < len(steps) and reading >= steps[step][0]:
                step += 1
            if step == before and seen.time - since >= fan.dwell - 1e-9:
                while step > 0 and reading < steps[step - 1][0] - fan.tables[0].hysteresis:
                    step -= 1
            since = seen.time if step != before else since
            request = max(fan.idle_speed, steps[step - 1][1] if step else 0.0)
            speed = min(request, speed + fan.rise) if request > speed else max(request, speed - fan.fall)
        command = Command(power_limit={"cpu": limit}, fan_speed={"fan": speed})
        return command, State(average, integral, step, since, speed)


@pytest.mark.parametrize("limit", [95.0, 58.0])
def test_python_controller_and_kernel_decide_and_compute_the_same(limit):
    plant = Plant(hand.machine(junction_limit=limit), 0.1)
    mode = dataclasses.replace(hand.MODE, skin_limits=())
    rng = np.random.default_rng(7)
    times = np.concatenate([[0.0], np.cumsum(np.round(rng.exponential(4.0, 60) + 0.2, 1))])
    load = Workload(name="bursts", times=times, watts={"cpu": rng.choice([2.0, 20.0, 45.0, 80.0], times.size)},
                    holds="frequency", duration=120.0)  # fmt: skip
    built_in = simulate(plant, mode, load, start="cold")
    own = simulate(plant, mode, load, start="cold", controller=SameRules(mode, limit))
    np.testing.assert_array_equal(own.channel("fan_speed"), built_in.channel("fan_speed"))
    np.testing.assert_allclose(own.temperatures, built_in.temperatures, atol=1e-6)
    bound = built_in.channel("limit", "cpu") != kernel.DEMAND
    np.testing.assert_array_equal(own.channel("limit", "cpu") == kernel.CONTROLLER, bound)
    assert bound.any()
    assert (~bound).any()


class Fixed:
    def __init__(self, command):
        self.command = command

    def start(self, seen):
        return None

    def step(self, state, seen):
        return self.command, state


@pytest.mark.parametrize(
    ("command", "error", "text"),
    [
        (Command(power_limit={"gpu": 5.0}), NetworkError, "gpu"),
        (Command(power_limit={"cpu": float("nan")}), ValueError, "finite"),
        (Command(power_limit={"cpu": -1.0}), ValueError, "0 W or more"),
    ],
)
def test_impossible_commands_are_refused(command, error, text):
    plant = Plant(hand.machine(), 0.1)
    with pytest.raises(error, match=text):
        simulate(plant, hand.MODE, constant(5.0, "cpu", 1.0), controller=Fixed(command))


def test_fan_commands_are_held_to_the_fan():
    plant = Plant(hand.machine(), 0.1)
    command = Command(fan_speed={"fan": 9999.0})
    run = simulate(plant, hand.MODE, constant(5.0, "cpu", 1.0), controller=Fixed(command))
    assert np.all(run.channel("fan_speed") == 5000.0)
