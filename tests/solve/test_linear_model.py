"""Linear models against scipy.signal, the transient solver and the closed loop; reduced models keep their word."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.signal import lsim

from thermnet.design.load import load_design
from thermnet.errors import DesignError, NetworkError
from thermnet.network import Leakage, SurfaceExchange, ThermalNetwork
from thermnet.solve.linear_model import load_linear_model, network_model
from thermnet.solve.reduced_model import reduced_model, run_estimator
from thermnet.studies.hand_over import linear_model
from thermnet.studies.held_power import HeldPower


def small_network() -> ThermalNetwork:
    """Linear network with a massless node and a stream."""
    net = ThermalNetwork()
    net.add_node("die", 0.5)
    net.add_node("plate", 12.0)
    net.add_node("air", 0.0)
    net.add_boundary("room", 25.0)
    net.add_link("die", "plate", resistance=0.4)
    net.add_link("plate", "air", conductance=1.2)
    net.add_stream("room", "air", capacity_rate=1.1)
    net.add_link("plate", "room", resistance=8.0)
    return net


def curved_network() -> ThermalNetwork:
    """Network with radiation, convection and leakage."""
    net = ThermalNetwork()
    net.add_node("die", 0.5)
    net.add_node("skin", 90.0)
    net.add_boundary("room", 25.0)
    net.add_link("die", "skin", resistance=0.8)
    net.add_link(
        "skin", "room", law=SurfaceExchange(radiating_area=0.05, convection=0.12, exponent=0.25, floor=0.1)
    )
    net.add_leakage("die", Leakage(power=1.0, reference=60.0, slope=0.02))
    return net


@pytest.fixture(scope="module")
def machine():
    return linear_model(load_design("tern-14"))


def test_linear_network_is_met_by_scipy_and_by_the_transient_solver():
    net = small_network()
    model = network_model(net, {"die": 10.0})
    assert model.states == ("die", "plate")
    assert model.outputs == ("die", "plate", "air")
    assert model.inputs == ("heat.die", "room")
    times = np.linspace(0.0, 300.0, 601)
    u = np.column_stack(
        [np.full(times.size, 15.0), np.zeros(times.size)]
    )  # 25 W: 15 above the operating point
    _, y, _ = lsim(model.state_space(), u, times)
    run = net.transient({"die": 25.0}, 300.0, initial=net.steady({"die": 10.0}).to_dict(), times=times)
    for k, name in enumerate(model.outputs):
        assert np.max(np.abs(y[:, k] + model.y0[k] - run.temperature(name))) < 1e-6
    ours = model.response(times, {"heat.die": 25.0})
    assert np.max(np.abs(ours.to_numpy() - y - model.y0)) < 1e-8


def test_gain_of_a_linear_network_is_that_of_its_steady_states():
    net = small_network()
    model = network_model(net, {"die": 10.0})
    rise = net.steady({"die": 11.0}) - net.steady({"die": 10.0})
    assert model.gain()["heat.die"].to_numpy() == pytest.approx(rise.to_numpy(), abs=1e-9)
    assert model.gain()["room"].to_numpy() == pytest.approx(np.ones(3), abs=1e-9)
    assert model.steady_state({"heat.die": 30.0}) == pytest.approx(
        net.steady({"die": 30.0})[["die", "plate"]].to_numpy()
    )


def test_curved_network_is_tangent_at_its_operating_point():
    net = curved_network()
    model = network_model(net, {"die": 10.0})
    errors = []
    for step in (1.0, 0.1):
        exact = net.steady({"die": 10.0 + step}) - net.steady({"die": 10.0})
        errors.append(float(np.max(np.abs(model.gain()["heat.die"].to_numpy() * step - exact.to_numpy()))))
    assert errors[1] < 0.012 * errors[0]  # the error falls with the square of the step
    times = np.linspace(0.0, 600.0, 200)
    run = net.transient({"die": 10.1}, 600.0, initial="steady", times=times)
    start = net.steady({"die": 10.0}).to_dict()
    run = net.transient({"die": 10.1}, 600.0, initial=start, times=times, tolerance=1e-6)
    ours = model.response(times, {"heat.die": 10.1})
    for name in ("die", "skin"):
        moved = np.max(np.abs(run.temperature(name) - start[name]))
        assert np.max(np.abs(ours[name].to_numpy() - run.temperature(name))) < 0.005 * moved


def test_sampled_model_follows_the_continuous_one(machine, tmp_path):
    times = np.arange(0.0, 200.0, 0.5)
    power = 28.0 + 20.0 * (np.arange(times.size) % 80 < 30)
    continuous = machine.response(times, {"power.cpu": power})
    sampled = machine.discrete(0.5)
    again = sampled.response(times, {"power.cpu": power})
    assert np.max(np.abs(again.to_numpy() - continuous.to_numpy())) < 1e-8
    slow = machine.time_constants() > 0.1  # what fades within a sample is lost in it
    assert sampled.time_constants()[slow] == pytest.approx(machine.time_constants()[slow], rel=1e-6)
    assert sampled.gain().to_numpy() == pytest.approx(machine.gain().to_numpy(), abs=1e-9)
    assert sampled.state_space().dt == 0.5
    with pytest.raises(ValueError, match="multiples of the period"):
        sampled.response([0.0, 0.3], {})


def test_machine_model_is_the_closed_loop_for_small_steps_of_power():
    design = load_design("tern-14")
    held = HeldPower.of(design, "desk", None, {"cpu": 28.0})
    model = linear_model(design)
    assert model.units["power.cpu"] == "W"
    assert model.units["fan_speed.fan"] == "rpm"
    run = held.run(29.0, 300.0)  # from the soak at 28 W; the fan table does not move for 1 W
    fan = run.fan_speed("fan") if hasattr(run, "fan_speed") else None
    assert fan is None or np.ptp(fan) == 0.0
    ours = model.response(run.time, {"power.cpu": 29.0})
    for name in ("cpu.hot_spot", "fins.base", "bottom.hot_zone", "keyboard.rest", "air.exhaust"):
        moved = np.max(np.abs(run.temperature(name) - model.y0[model.outputs.index(name)]))
        assert moved > 0.05
        assert np.max(np.abs(ours[name].to_numpy() - run.temperature(name))) < 0.02 * moved


def test_fan_and_room_columns_are_those_of_neighbouring_steady_states():
    design = load_design("tern-14")
    held = HeldPower.of(design, "desk", None, "idle")
    soak = held.soak(28.0)
    at = int(soak.indices[0])
    model = linear_model(design)
    up, down = held.soak(28.0, [at + 1]), held.soak(28.0, [at - 1])
    gain = model.gain()
    per_rpm = (up.everything - down.everything) / 200.0
    assert gain["fan_speed.fan"].to_numpy() == pytest.approx(per_rpm, abs=0.03 * np.max(np.abs(per_rpm)))
    warmer = HeldPower.of(design, "desk", 25.2, "idle").soak(28.0, [at])
    per_kelvin = (warmer.everything - soak.everything) / 0.2
    assert gain["ambient"].to_numpy() == pytest.approx(per_kelvin, abs=0.004)


def test_selection_and_files_keep_names_and_numbers(machine, tmp_path):
    some = machine.select(["power.cpu", "ambient"], ["bottom.hot_zone"])
    assert some.d.shape == (1, 2)
    back = load_linear_model(some.save(tmp_path / "model"))
    assert back.inputs == ("power.cpu", "ambient")
    assert back.units == some.units
    assert back.facts["design"] == "tern-14"
    for key in ("a", "b", "c", "d", "x0", "u0", "y0"):
        assert np.array_equal(getattr(back, key), getattr(some, key))
    paths = machine.to_csv(tmp_path)
    first = paths[0].read_text().splitlines()
    assert first[0].split(",")[1:] == list(machine.states)
    assert len(first) == len(machine.states) + 1
    with pytest.raises(NetworkError, match=r"no output 'bottom.hotzone'.*bottom.hot_zone"):
        machine.select(outputs=["bottom.hotzone"])
    (tmp_path / "no.npz").write_bytes(b"not a model")
    with pytest.raises(DesignError, match=r"LinearModel\.save"):
        load_linear_model(tmp_path / "no.npz")


# -- reduced models ------------------------------------------------------------------------------------------

SKINS = ["bottom.hot_zone", "keyboard.hot_zone"]
SEEN = ["power.cpu", "fan_speed.fan", "ambient"]


def test_reduced_model_keeps_steady_states_and_its_frequency_bound(machine):
    full = machine.select(SEEN, SKINS)
    scale = np.array([30.0, 1500.0, 10.0])
    for order in (2, 3, 5, 7):
        reduced = reduced_model(machine, order, outputs=SKINS, inputs=SEEN)
        assert reduced.order == order
        assert reduced.model.gain().to_numpy() == pytest.approx(full.gain().to_numpy(), rel=1e-9)
        worst = 0.0
        for omega in np.geomspace(1e-5, 1e3, 400):
            g = [
                m.d + m.c @ np.linalg.solve(1j * omega * np.eye(len(m.states)) - m.a, m.b)
                for m in (full, reduced.model)
            ]
            worst = max(worst, float(np.linalg.svd((g[0] - g[1]) * scale, compute_uv=False)[0]))
        assert worst <= reduced.frequency_bound * (1 + 1e-6) + 1e-9
        assert worst > 0.05 * reduced.frequency_bound  # the bound says something


def test_worst_error_is_reached_by_the_worst_input_and_by_no_other(machine):
    reduced = reduced_model(machine, 4, outputs=SKINS, inputs=SEEN)
    step, last = 0.5, 12000
    full, small = (m.discrete(step) for m in (reduced.full, reduced.model))
    scale = np.array([reduced.ranges[name] for name in SEEN])
    # The worst input is full range one way or the other, as the error's impulse response (backwards) says.
    pulses = []
    for m in (full, small):
        rows, state = [], m.b
        for _ in range(last):
            rows.append(m.c @ state)
            state = m.a @ state
        pulses.append(np.array(rows))
    error = pulses[0] - pulses[1]
    times = step * np.arange(last + 1)
    for k, name in enumerate(SKINS):
        signs = np.sign(error[:, k, :])[::-1]
        inputs = {n: full.u0[j] + scale[j] * np.append(signs[:, j], signs[-1, j]) for j, n in enumerate(SEEN)}
        # The last value acts at once, through the difference of the direct terms.
        for j, n in enumerate(SEEN):
            inputs[n][-1] = full.u0[j] + scale[j] * np.sign(full.d - small.d)[k, j]
        apart = abs(
            full.response(times, inputs)[name].iloc[-1] - small.response(times, inputs)[name].iloc[-1]
        )
        assert apart <= reduced.worst_error[name] * 1.001
        assert apart >= 0.97 * reduced.worst_error[name]
    rng = np.random.default_rng(4)
    wild = {n: full.u0[j] + scale[j] * rng.uniform(-1, 1, times.size) for j, n in enumerate(SEEN)}
    apart = np.abs(full.response(times, wild) - small.response(times, wild)).max()
    assert all(apart[name] < reduced.worst_error[name] for name in SKINS)


def test_least_order_for_an_error_and_errors_in_words(machine):
    reduced = reduced_model(machine, error=0.5, outputs=SKINS, inputs=SEEN)
    assert max(reduced.worst_error.values()) <= 0.5
    fewer = reduced_model(machine, reduced.order - 1, outputs=SKINS, inputs=SEEN)
    assert max(fewer.worst_error.values()) > 0.5
    for bad, message in (
        ({}, "either the order or the error"), ({"order": 2, "error": 1.0}, "either the order or the error"),
        ({"order": 0}, "expected 1 to"), ({"error": -1.0}, "above 0"), ({"order": 2, "ranges": {"cpu": 1.0}}, "no input 'cpu'"),
        ({"error": 1e-12}, "cannot be kept"),
    ):  # fmt: skip
        with pytest.raises(ValueError, match=message):
            reduced_model(machine, outputs=SKINS, inputs=SEEN, **bad)
    with pytest.raises(ValueError, match="sampled"):
        reduced_model(machine.discrete(1.0), 2)


def test_firmware_coefficients_give_the_reduced_model_again(machine, tmp_path):
    reduced = reduced_model(machine, error=0.5, outputs=SKINS, inputs=SEEN)
    paths = reduced.save(tmp_path / "skin", 1.0)
    content = json.loads(paths[0].read_text())
    assert content["schema"] == "thermnet-estimator/1"
    assert content["form"] == "diagonal"
    times = np.arange(0.0, 900.0)
    power = 28.0 + 15.0 * np.sin(times / 50.0)
    room = np.full(times.size, 27.0)
    speed = np.full(times.size, float(reduced.full.u0[1]))
    rows = np.column_stack([power, speed, room]).tolist()
    ours = np.array(run_estimator(content, rows, settled=rows[0]))
    start = {"power.cpu": rows[0][0], "fan_speed.fan": rows[0][1], "ambient": rows[0][2]}
    wanted = reduced.model.response(
        times, {"power.cpu": power, "ambient": room, "fan_speed.fan": speed}, initial=start
    )
    assert np.max(np.abs(ours - wanted.to_numpy())) < 1e-8
    lines = paths[1].read_text().splitlines()
    assert lines[0] == "matrix,row,column,value"
    assert sum(line.startswith("a,") for line in lines) == reduced.order
    full = reduced.full.response(
        times, {"power.cpu": power, "ambient": room, "fan_speed.fan": speed}, initial=start
    )
    assert np.max(np.abs(ours - full.to_numpy())) < 0.5
