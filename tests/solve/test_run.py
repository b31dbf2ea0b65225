"""Runs: reading, searching, keeping, showing."""

from __future__ import annotations

import copy
import pickle

import hand_machine as hand
import numpy as np
import pytest

import thermnet as tn
from thermnet.errors import DesignError
from thermnet.firmware.workload import constant
from thermnet.network import Leakage, SurfaceExchange, ThermalNetwork
from thermnet.run import Energy, Run, Status, load_run
from thermnet.solve.closed_loop import simulate
from thermnet.solve.plant import Plant


def one_body(law=None):
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("die", capacity=20.0)
    net.add_link("die", "room", resistance=2.0, name="to the room")
    if law is not None:
        net.add_link("die", "room", law=law)
    return net


NOTHING = SurfaceExchange(radiating_area=1e-13)
"""A law that carries nothing, so that the general solver has to do a linear network."""


def rises(limit, watts=30.0, tau=40.0):
    """Time at which ``25 + 2 P (1 - exp(-t/tau))`` reaches a limit."""
    return -tau * np.log(1.0 - (limit - 25.0) / (2.0 * watts))


@pytest.fixture(scope="module")
def closed():
    return simulate(Plant(hand.machine(), 0.1), hand.MODE, constant(50.0, "cpu", 20.0))


# -- finding when ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("limit", [25.1, 40.0, 60.0, 84.9])
@pytest.mark.parametrize("times", [None, [0.0, 500.0], np.linspace(0.0, 500.0, 51)])
def test_time_to_is_exact_whatever_is_reported(limit, times):
    run = one_body().transient({"die": 30.0}, 500.0, times=times)
    assert run.time_to("die", limit) == pytest.approx(rises(limit), rel=1e-8)


@pytest.mark.parametrize("limit", [40.0, 60.0, 84.9])
@pytest.mark.parametrize("times", [None, [0.0, 500.0]])
def test_time_to_by_the_general_solver(limit, times):
    tolerance = 1e-5
    run = one_body(NOTHING).transient({"die": 30.0}, 500.0, times=times, tolerance=tolerance)
    slope = (85.0 - limit) / 40.0
    assert run.time_to("die", limit) == pytest.approx(rises(limit), abs=2 * tolerance / slope + 1e-6)


def test_time_to_after_a_step_between_two_reported_times():
    power = {"die": ([0.0, 50.0], [0.0, 30.0])}
    for law in (None, NOTHING):
        run = one_body(law).transient(power, 500.0, times=[0.0, 500.0], tolerance=1e-5)
        assert run.time_to("die", 40.0) == pytest.approx(50.0 + rises(40.0), abs=1e-4)


def test_time_to_a_jump_of_a_node_without_capacity():
    net = ThermalNetwork()
    net.add_boundary("room", 25.0)
    net.add_node("air")
    net.add_node("die", capacity=1.0)
    net.add_link("air", "room", resistance=1.0)
    net.add_link("die", "room", resistance=1.0)
    run = net.transient({"air": ([0.0, 7.0], [1.0, 20.0])}, 10.0, times=[0.0, 3.0, 10.0])
    assert run.time_to("air", 30.0) == pytest.approx(7.0, abs=1e-6)


def test_time_to_says_never_and_at_once():
    run = one_body().transient({"die": 30.0}, 500.0)
    assert np.isnan(run.time_to("die", 85.1))
    assert run.time_to("die", 25.0) == 0.0
    assert run.time_to("die", -5.0) == 0.0
    assert run.time_to("room", 25.0) == 0.0
    assert np.isnan(run.time_to("room", 25.1))


@pytest.mark.parametrize("limit", [float("nan"), float("inf")])
def test_time_to_needs_a_number(limit):
    with pytest.raises(ValueError, match="expected a finite number of degC"):
        one_body().transient({"die": 1.0}, 1.0).time_to("die", limit)


def test_time_to_finds_the_first_time():
    run = one_body().transient({"die": ([0.0, 30.0, 200.0], [30.0, 0.0, 30.0])}, 400.0)
    assert run.time_to("die", 40.0) == pytest.approx(rises(40.0), rel=1e-8)


def test_time_to_in_a_thinned_run_lies_within_the_interval():
    plant = Plant(hand.machine(), 0.1)
    full = simulate(plant, hand.MODE, constant(50.0, "cpu", 60.0), start="cold")
    thin = simulate(plant, hand.MODE, constant(50.0, "cpu", 60.0), start="cold", every=20)
    np.testing.assert_array_equal(thin.temperature("fins"), full.temperature("fins")[::20])
    for limit in (27.0, 30.0, 33.0):
        found = thin.time_to("fins", limit)
        k = int(np.argmax(thin.temperature("fins") >= limit))
        assert thin.time[k - 1] < found <= thin.time[k]
        assert found == pytest.approx(full.time_to("fins", limit), abs=0.1)


def test_time_to_in_a_run_read_back_is_straight_between_reported_times(tmp_path):
    run = one_body().transient({"die": 30.0}, times=np.linspace(0.0, 500.0, 501))
    again = load_run(run.save(tmp_path / "run.nc"))
    assert again.time_to("die", 60.0) == pytest.approx(rises(60.0), abs=5e-3)
    assert np.isnan(again.time_to("die", 90.0))


# -- reading -----------------------------------------------------------------------------------------------


def test_dataset_carries_units(closed):
    data = closed.dataset
    assert data["temperature"].dims == ("time", "node")
    assert data["temperature"].attrs["units"] == "degC"
    assert data["time"].attrs["units"] == "s"
    assert data["heat"].attrs["units"] == "W"
    for name, unit in {
        "power": "W",
        "fan_speed": "rpm",
        "noise": "dBA",
        "reading": "degC",
        "frequency": "1",
    }.items():
        assert data[name].attrs["units"] == unit
    assert data.attrs["energy_residual"] == closed.energy_residual
    assert data["limit"].attrs["flag_meanings"].split()[0] == "demand"
    assert float(data["temperature"].sel(node="fins")[-1]) == closed.temperature("fins")[-1]


def test_dataset_of_a_bare_network():
    run = one_body().transient({"die": 30.0}, 100.0)
    data = run.dataset
    assert set(data.data_vars) == {"temperature", "heat", "power"}
    np.testing.assert_allclose(data["heat"].sel(link="to the room"), (run.temperature("die") - 25.0) / 2.0)
    assert data["power"].attrs["units"] == "W"
    assert "power" not in one_body().transient({}, 1.0).dataset


def test_link_heat_of_laws_and_streams():
    net = one_body(SurfaceExchange(radiating_area=0.02))
    net.add_stream("room", "die", capacity_rate=0.5, name="draught")
    run = net.transient({"die": 30.0}, 1000.0)
    names, heat = run.link_heat
    last = dict(zip(names, heat[-1], strict=True))
    assert last["draught"] == pytest.approx(0.5 * (25.0 - run.temperature("die")[-1]))
    assert last["to the room"] + last["die->room"] - last["draught"] == pytest.approx(30.0, abs=1e-4)


def test_table_has_units_in_its_columns(closed):
    table = closed.to_dataframe()
    assert table.index.name == "time_s"
    assert {"fins_degC", "power.cpu_W", "fan_speed.fan_rpm", "frequency.cpu", "noise.operator_dBA"} <= set(
        table.columns
    )
    np.testing.assert_array_equal(table["fins_degC"], closed.temperature("fins"))
    assert list(one_body().transient({"die": 1.0}, 1.0).to_dataframe().columns) == [
        "die_degC",
        "room_degC",
        "power.die_W",
    ]


def test_unknown_names_get_the_nearest(closed):
    with pytest.raises(KeyError, match=r"no node 'finz'; did you mean 'fins'\?"):
        closed.temperature("finz")
    with pytest.raises(KeyError, match=r"no channel 'powr'; did you mean 'power'\?"):
        closed.channel("powr")
    with pytest.raises(KeyError, match=r"channel 'power' has no 'cpv'; did you mean 'cpu'\?"):
        closed.channel("power", "cpv")


def test_margins_and_residency_add_up(closed):
    assert closed.margins()["junction"] == pytest.approx(95.0 - closed.peaks()["hot"])
    assert sum(closed.residency()["cpu"].values()) == pytest.approx(1.0)
    assert one_body().transient({}, 1.0).residency() == {}
    assert one_body().transient({}, 1.0).margins() == {}


@pytest.mark.parametrize(
    ("energy", "residual"),
    [
        (Energy(100.0, 60.0, 40.0), 0.0),
        (Energy(100.0, 60.0, 39.0), 0.01),
        (Energy(0.0, -50.0, 49.0), 0.02),  # drawn from the boundaries
        (Energy(0.0, 50.0, -49.5), 0.01),  # released from store
        (Energy(0.0, 0.0, 0.0), 0.0),
        (Energy(0.0, 1e-13, 0.0, gross=1000.0), 1e-9),  # rounding of a network at rest
    ],
)
def test_energy_residual_is_over_the_heat_that_moves(energy, residual):
    assert energy.residual == pytest.approx(residual, abs=1e-12)


# -- keeping -----------------------------------------------------------------------------------------------


def same(a: Run, b: Run) -> None:
    np.testing.assert_array_equal(a.time, b.time)
    np.testing.assert_array_equal(a.temperatures, b.temperatures)
    assert a.names == b.names
    assert a.boundaries == b.boundaries
    assert a.energy == b.energy
    assert a.status is b.status
    assert a.limits == b.limits
    assert a.events == b.events
    assert a.channels.keys() == b.channels.keys()
    for name, channel in a.channels.items():
        np.testing.assert_array_equal(channel.values, b.channels[name].values)
        assert channel.labels == b.channels[name].labels
        assert channel.unit == b.channels[name].unit
        assert channel.flags == b.channels[name].flags
    assert a.link_heat[0] == b.link_heat[0]
    np.testing.assert_array_equal(a.link_heat[1], b.link_heat[1])


def runs():
    leaking = one_body()
    leaking.add_leakage("die", Leakage(power=30.0, slope=0.05))
    return {
        "linear": one_body().transient({"die": 30.0}, 100.0),
        "general": one_body(NOTHING).transient({"die": 30.0}, 100.0),
        "runaway": leaking.transient({"die": 60.0}, 1000.0),
    }


@pytest.mark.parametrize("name", ["linear", "general", "runaway", "closed"])
@pytest.mark.parametrize("keep", ["file", "pickle", "copy"])
def test_kept_run_is_the_same_run(name, keep, closed, tmp_path):
    run = closed if name == "closed" else runs()[name]
    if keep == "file":
        again = tn.load_run(run.save(tmp_path / "run.nc"))
    else:
        again = pickle.loads(pickle.dumps(run)) if keep == "pickle" else copy.deepcopy(run)
    same(again, run)
    if keep != "file":
        assert again.final_state == run.final_state
    # And once more: what was read back can be kept itself.
    same(tn.load_run(again.save(tmp_path / "again.nc")), run)


@pytest.mark.parametrize("content", [b"", b"not a run", b"\x89HDF\r\n\x1a\n", b"CDF\x01"])
def test_file_that_is_no_run_says_so(content, tmp_path):
    path = tmp_path / "bad.nc"
    path.write_bytes(content)
    with pytest.raises(DesignError, match=r"expected a run written by Run\.save"):
        load_run(path)


def test_missing_file_says_so(tmp_path):
    with pytest.raises(DesignError, match="file: not found"):
        load_run(tmp_path / "nowhere.nc")


def test_dataset_of_something_else_is_no_run(tmp_path):
    import xarray as xr

    xr.Dataset({"x": ("time", [1.0])}).to_netcdf(tmp_path / "other.nc", engine="h5netcdf")
    with pytest.raises(DesignError, match=r"expected a run written by Run\.save"):
        load_run(tmp_path / "other.nc")
    data = one_body().transient({"die": 1.0}, 1.0).dataset
    for meta in ("[]", "{}", "not json", '{"channels": 3}'):
        data.attrs["thermnet"] = meta
        data.to_netcdf(tmp_path / "half.nc", engine="h5netcdf")
        with pytest.raises(DesignError, match=r"expected a run written by Run\.save"):
            load_run(tmp_path / "half.nc")


def test_provenance_is_added_to_a_copy(closed):
    more = closed.with_provenance(lab="bench 3")
    assert more.provenance["lab"] == "bench 3"
    assert "lab" not in closed.provenance


# -- showing -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["linear", "general", "runaway", "closed"])
def test_showing_never_fails(name, closed, tmp_path):
    run = closed if name == "closed" else runs()[name]
    for some in (run, tn.load_run(run.save(tmp_path / "run.nc")), pickle.loads(pickle.dumps(run))):
        assert repr(some).startswith("<Run: ")
        assert some._repr_html_().startswith("<table>")
        assert some.summary()["status"] == run.status.value


def test_signs_of_trouble_are_counted_in_words():
    run = runs()["runaway"]
    assert run.status is Status.RUNAWAY
    assert "1 sign of trouble>" in repr(run)


def test_text_in_html_is_escaped():
    run = one_body().transient({"die": 1.0}, 1.0)
    from dataclasses import replace

    assert "<script>" not in replace(run, events=((0.0, "<script>alert(1)</script>"),))._repr_html_()
