"""The fan part."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermnet.network import ThermalNetwork
from thermnet.parameter import declarations
from thermnet.parts.base import Assembly
from thermnet.parts.fan import Fan, speed_caps, total_noise
from thermnet.physics import airflow

BASE = {
    "free_flow": 1.9e-3, "shutoff_pressure": 110.0, "reference_speed": 4500.0, "maximum_speed": 5000.0,
    "reference_noise": 38.0,
}  # fmt: skip
MEASURED = ((0.0, 100.0), (0.6e-3, 82.0), (1.1e-3, 55.0), (1.5e-3, 25.0), (1.8e-3, 0.0))


def fan(**changes):
    return Fan(**{**BASE, **changes})


def test_every_field_says_what_it_is():
    for name, declared in declarations(Fan).items():
        assert declared.doc, name
        if declared.role == "quantity":
            assert declared.plausible is not None, name
            assert declared.step, name


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"free_flow": 0.0}, "Fan.free_flow: 0 cfm; expected a volume flow above 0 cfm"),
        ({"shutoff_pressure": -1.0}, "Fan.shutoff_pressure"),
        ({"linear_share": 1.2}, "Fan.linear_share"),
        ({"noise_exponent": 10.0}, "Fan.noise_exponent"),
        ({"stopped_loss": 0.0}, "Fan.stopped_loss"),
        ({"blades": 0}, "Fan.blades"),
        ({"free_flow": float("nan")}, "Fan.free_flow"),
        ({"minimum_speed": 6000.0}, "Fan.minimum_speed: 6000.0 rpm; expected at most maximum_speed"),
        ({"points": ((0.0, 100.0), (1e-3, 110.0), (2e-3, 0.0))}, "Fan.points.*stall dip"),
    ],
)
def test_bad_fields_are_refused_by_name(changes, said):
    with pytest.raises(ValueError, match=said):
        fan(**changes)


def test_a_fan_adds_no_node():
    net = ThermalNetwork()
    fan().add_to(Assembly(net, {}), "fan")
    assert net.nodes == []


def test_follows_the_fan_laws():
    f = fan()
    assert f.pressure(0.0, 4500.0) == pytest.approx(110.0)
    assert f.pressure(1.9e-3, 4500.0) == pytest.approx(0.0, abs=1e-9)
    assert f.flow(0.0, 2250.0) == pytest.approx(0.95e-3)
    assert f.pressure(0.5e-3, 2250.0) == pytest.approx(f.pressure(1e-3, 4500.0) / 4)
    assert f.pressure(1e-3, 4500.0, density=0.6) == pytest.approx(f.pressure(1e-3, 4500.0) / 2)


def test_measured_points_give_the_shape_and_the_ends_the_scale():
    f = fan(free_flow=3.6e-3, shutoff_pressure=200.0, points=MEASURED)
    for v, p in MEASURED:
        assert f.flow(2 * p, 4500.0) == pytest.approx(2 * v, abs=1e-12)
        assert f.pressure(2 * v, 4500.0) == pytest.approx(2 * p, abs=1e-6)


def test_turns_no_faster_than_it_can():
    f = fan(wear=0.9)
    np.testing.assert_allclose(f.turning_speed([0.0, 4000.0, 5000.0, 9000.0]), [0.0, 3600.0, 4500.0, 4500.0])
    for bad in (-1.0, np.nan, np.inf):
        with pytest.raises(ValueError, match="finite speed of 0 or more"):
            f.turning_speed(bad)


def test_noise_and_tone():
    f = fan(noise_exponent=50.0, blades=41)
    assert f.noise(4500.0) == pytest.approx(38.0)
    assert f.noise(2250.0) == pytest.approx(38.0 - 15.0515, abs=1e-4)
    assert f.noise(0.0) == 0.0
    assert f.blade_tone(4500.0) == 3075.0
    assert total_noise({"a": f, "b": f}, {"a": 4500.0, "b": 4500.0}) == pytest.approx(41.0103, abs=1e-4)
    assert total_noise({"a": f, "b": f}, {"a": 4500.0}) == pytest.approx(38.0, abs=1e-3)


@given(
    st.floats(20, 60), st.floats(25, 50), st.floats(25, 50), st.floats(45, 65), st.floats(0.85, 1.0),
    st.sampled_from([10.0, 50.0, 100.0]),
)  # fmt: skip
def test_speed_caps_keep_the_noise_cap(cap, first, second, exponent, wear, step):
    fans = {
        "left": fan(reference_noise=first, noise_exponent=exponent, wear=wear, speed_step=step),
        "right": fan(reference_noise=second, reference_speed=4000.0, maximum_speed=5600.0, speed_step=step),
    }
    caps = speed_caps(fans, cap)
    assert total_noise(fans, caps) <= cap + 1e-6
    for name, value in caps.items():
        assert value == 0.0 or fans[name].minimum_speed <= value <= fans[name].maximum_speed
        assert value / step == pytest.approx(round(value / step))
    running = {n: v for n, v in caps.items() if 0 < v < fans[n].maximum_speed - step}
    if len(running) == 2:
        # One step and a little more of both would break the cap: nothing is given away.
        faster = {n: v + 1.0001 * step for n, v in caps.items()}
        assert total_noise(fans, faster) > cap


def test_speed_caps_of_one_fan_are_its_inverse():
    f = fan(speed_step=1.0)
    cap = f.noise(3333.0)
    assert speed_caps({"fan": f}, cap + 1e-9)["fan"] == pytest.approx(3333.0)
    # A cap below its slowest speed stops it; one above its fastest leaves it free.
    assert speed_caps({"fan": f}, f.noise(1700.0))["fan"] == 0.0
    assert speed_caps({"fan": f}, 60.0)["fan"] == 5000.0
    np.testing.assert_allclose(
        speed_caps({"fan": f}, np.array([f.noise(1700.0), 60.0]))["fan"], [0.0, 5000.0]
    )


def test_fields_take_arrays():
    many = fan(free_flow=np.array([1.8e-3, 2.0e-3]), shutoff_pressure=np.array([100.0, 120.0]))
    speeds = np.array([[0.0], [3000.0], [4500.0]])
    together = many.flow(30.0, speeds)
    assert together.shape == (3, 2)
    for i in range(3):
        for j in range(2):
            one = fan(free_flow=[1.8e-3, 2.0e-3][j], shutoff_pressure=[100.0, 120.0][j])
            assert together[i, j] == pytest.approx(one.flow(30.0, speeds[i, 0]), rel=1e-13)


def test_curve_is_the_physics_curve():
    assert fan().curve() == airflow.FanCurve(1.9e-3, 110.0, 0.4, (), 1.0, False)
