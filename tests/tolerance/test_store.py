"""Results on disk: resuming, a killed worker, another study's store; the same numbers every time."""

from __future__ import annotations

import os
import signal
import threading
import time

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.errors import DesignError
from thermnet.tolerance import store as store_module
from thermnet.tolerance.population import declared_population
from thermnet.tolerance.sampling import Population
from thermnet.tolerance.store import read_store, solve
from thermnet.tolerance.work import Work, chunks_of

pytest.importorskip("zarr")


@pytest.fixture(scope="module")
def work():
    design = load_design("tern-14")
    some = ("interface.bond_line", "fins.pitch", "fan.free_flow", "cpu.leakage")
    people = Population({k: v for k, v in declared_population(design).distributions.items() if k in some})
    return Work(design, people, 300, 7, "sobol", "desk", "render", {"duration": 20.0}, sustained=False)


@pytest.fixture(scope="module")
def plain(work):
    return solve(work)


def assert_same(first, second):
    assert second.done.all()
    for name, values in first.outputs.items():
        np.testing.assert_array_equal(second.outputs[name], values, err_msg=name)


def test_store_and_memory_give_the_same_bits(work, plain, tmp_path):
    assert_same(plain, solve(work, store=tmp_path / "s", workers=1))


def test_stopped_study_goes_on(work, plain, tmp_path, monkeypatch):
    real, solved = store_module.solve_part, []

    def breaking(*given):
        if len(solved) == 1:
            raise KeyboardInterrupt
        solved.append(given)
        return real(*given)

    monkeypatch.setattr(store_module, "solve_part", breaking)
    part = solve(work, store=tmp_path / "s", workers=1)
    assert 0 < part.done.sum() < 300
    monkeypatch.setattr(store_module, "solve_part", lambda *g: solved.append(g) or real(*g))
    whole = solve(work, store=tmp_path / "s", workers=1)
    assert len(solved) == len(chunks_of(work, work.task()))  # nothing was solved twice
    assert_same(plain, whole)


def test_store_of_another_study_is_refused(work, tmp_path):
    solve(work, store=tmp_path / "s")
    other = Work(**{**vars(work), "seed": 8})
    with pytest.raises(DesignError, match="another study"):
        solve(other, store=tmp_path / "s")


def test_scheduler_needs_a_store(work):
    with pytest.raises(DesignError, match="folder that all workers can reach"):
        solve(work, scheduler="tcp://127.0.0.1:1")


@pytest.mark.filterwarnings("ignore")
def test_killed_worker_loses_nothing(work, plain, tmp_path):
    distributed = pytest.importorskip("distributed")
    import dask

    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 5}),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1",
            local_directory=str(tmp_path / "scratch"),
        ) as cluster,
        distributed.Client(cluster) as client,
    ):  # fmt: skip
        pids = list(client.run(os.getpid).values())
        result = {}
        thread = threading.Thread(
            target=lambda: result.update(
                run=solve(work, store=tmp_path / "s", scheduler=cluster.scheduler_address)
            )
        )
        thread.start()
        for _ in range(600):
            if (tmp_path / "s").exists():
                break
            time.sleep(0.05)
        time.sleep(1.0)
        os.kill(pids[0], signal.SIGKILL)
        thread.join(120)
    assert_same(plain, result["run"])
    assert_same(plain, read_store(tmp_path / "s"))
