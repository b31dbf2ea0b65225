"""Results of large populations on disk, piece by piece, so that a stopped or broken study goes on where it was.

The unit of work is the canonical chunk of the solver (its size follows from the machine alone), so the numbers do not
depend on how many workers there are or how they share the work.  The store is zarr; a chunk's marker is written last.
What is read from a store is read when it is asked for, so that memory does not grow with the number of units.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import DesignError, Problem
from thermnet.solve.ensemble import EnsembleRun, Task, trace_times
from thermnet.tolerance.work import Work, chunks_of, solve_part

Array = NDArray[np.float64]


def solve(
    work: Work, *, store: str | Path | None = None, scheduler: str | None = None, workers: int | None = None,
    progress: bool = False,
) -> EnsembleRun:  # fmt: skip
    """Solve all units: on this machine's cores, or on a Dask cluster given its scheduler's address.

    Parameters
    ----------
    store : path, optional
        Folder of a zarr store; what it already holds of the same study is not solved again.
    scheduler : str, optional
        Address such as ``tcp://127.0.0.1:8786``; needs the extra ``cluster`` and a store that all workers can reach.
    workers : int, optional
        Threads on this machine; all cores if left out.

    Raises
    ------
    DesignError
        The store holds another study, or a scheduler is given without a store.
    """
    task = work.task()
    if store is None:
        if scheduler is not None:
            raise DesignError("scheduler", [Problem("store", "none", "a folder that all workers can reach")])
        return _in_memory(work, task, workers, progress)
    group = _open(Path(store), work, task)
    todo = [int(k) for k in np.flatnonzero(group["done"][:] == 0)]
    if scheduler is None:
        _locally(work, task, Path(store), todo, workers, progress)
    else:
        _on_cluster(work, Path(store), todo, scheduler, progress)
    return read_store(store)


def _in_memory(work: Work, task: Task, workers: int | None, progress: bool) -> EnsembleRun:
    times, done = trace_times(task), np.zeros(task.samples, dtype=bool)
    outputs: dict[str, Array] = {}
    traces = {name: np.full((task.samples, times.size), np.nan) for name in task.traces}

    def keep(k: int, chunk: slice, values: Mapping[str, Array], kept: Mapping[str, Array]) -> None:
        for name, column in values.items():
            outputs.setdefault(name, np.full(task.samples, np.nan))[chunk] = column
        for name, rows in kept.items():
            traces[name][chunk] = rows
        done[chunk] = True

    whole = _threads(work, task, list(range(len(chunks_of(work, task)))), workers, progress, keep)
    return EnsembleRun(
        work.units(), outputs, traces, times, done, {"interrupted": not whole}, {"seed": work.seed}
    )


def _threads(
    work: Work, task: Task, todo: Sequence[int], workers: int | None, progress: bool,
    keep: Callable[[int, slice, Mapping[str, Array], Mapping[str, Array]], None],
) -> bool:  # fmt: skip
    """Solve chunks on threads; returns False if interrupted (what is done was kept)."""
    import os
    from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait

    from thermnet.solve.closed_loop import announce

    announce()
    chunks, left = chunks_of(work, task), list(todo)
    bar = _bar(work.samples, chunks, todo, progress)
    count = workers or os.cpu_count() or 1
    pending: dict[Any, int] = {}
    with ThreadPoolExecutor(count) as pool:
        try:
            while left or pending:
                while left and len(pending) < count:
                    k = left.pop(0)
                    pending[pool.submit(solve_part, work, task, chunks[k])] = k
                finished, _ = wait(pending, return_when=FIRST_COMPLETED)
                for future in finished:
                    k = pending.pop(future)
                    keep(k, chunks[k], *future.result())
                    if bar is not None:
                        bar.update(chunks[k].stop - chunks[k].start)
        except KeyboardInterrupt:
            for future in pending:
                future.cancel()
            return False
        finally:
            if bar is not None:
                bar.close()
    return True


def _bar(samples: int, chunks: Sequence[slice], todo: Sequence[int], progress: bool) -> Any:
    if not progress:
        return None
    from tqdm.auto import tqdm

    left = sum(chunks[k].stop - chunks[k].start for k in todo)
    return tqdm(
        total=samples, initial=samples - left, desc="machines", unit="machine", mininterval=0.2
    )


# -- the store -------------------------------------------------------------------------------------------------


def _open(path: Path, work: Work, task: Task) -> Any:
    """Open or lay out the store; refuse one of another study."""
    import zarr

    from thermnet.tolerance.fingerprint import fingerprint

    mark = fingerprint(work)
    if path.exists() and any(path.iterdir()):
        try:
            group = zarr.open_group(str(path), mode="r+")
            held = group.attrs.get("study")
        except Exception as error:  # whatever zarr raises for a folder that is none of its own
            raise DesignError(
                str(path),
                [Problem("store", type(error).__name__, "an empty folder, or a store of this study")],
            ) from None
        if held != mark:
            raise DesignError(
                str(path),
                [
                    Problem(
                        "store",
                        f"the results of another study ({held})",
                        "an empty folder, or the same study",
                    )
                ],
            )
        return group
    group = zarr.open_group(str(path), mode="w")
    group.attrs.update(
        {
            "study": mark,
            "seed": work.seed,
            "method": work.method,
            "samples": work.samples,
            "chunk": work.chunk(task),
        }
    )
    group.create_array("done", shape=(len(chunks_of(work, task)),), chunks=(1,), dtype="i1")
    times = trace_times(task)
    array = group.create_array("trace_time", shape=times.shape, chunks=(max(times.size, 1),), dtype="f8")
    array[:] = times
    return group


def write_chunk(
    path: Path, work: Work, task: Task, k: int, values: Mapping[str, Array], kept: Mapping[str, Array]
) -> None:
    """Write one chunk's region of every array; its marker last."""
    import zarr

    group, chunk, size = zarr.open_group(str(path), mode="r+"), chunks_of(work, task)[k], work.chunk(task)
    for name, rows in [
        *((f"parameter/{n}", v) for n, v in work.units(chunk).items()),
        *((f"output/{n}", v) for n, v in values.items()),
        *((f"trace/{n}", v) for n, v in kept.items()),
    ]:
        shape = (work.samples, *rows.shape[1:])
        if name not in group:
            try:
                group.create_array(
                    name, shape=shape, chunks=(size, *rows.shape[1:]), dtype="f8", fill_value=float("nan")
                )
            except Exception:  # another worker was first; zarr has several errors for that
                if name not in zarr.open_group(str(path), mode="r"):
                    raise
        target: Any = zarr.open_group(str(path), mode="r+")[name]
        target[chunk] = rows
    marker: Any = group["done"]
    marker[k] = 1


class Kept(Mapping[str, Array]):
    """Arrays of a store by name, each read from disk when it is asked for."""

    def __init__(self, group: Any, name: str) -> None:
        self._group: Any = group[name] if name in group else None
        self._names = () if self._group is None else tuple(sorted(key for key, _ in self._group.arrays()))

    def __getitem__(self, name: str) -> Array:
        if name not in self._names:
            raise KeyError(name)
        return np.asarray(self._group[name][:])

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def read_store(path: str | Path) -> EnsembleRun:
    """Read what a store holds; units not solved yet are nan and marked so."""
    import zarr

    group: Any = zarr.open_group(str(path), mode="r")
    samples = int(group.attrs["samples"])

    markers = np.asarray(group["done"][:]) == 1
    done = np.repeat(markers, int(group.attrs["chunk"]))[:samples]
    return EnsembleRun(
        Kept(group, "parameter"), Kept(group, "output"), Kept(group, "trace"), np.asarray(group["trace_time"][:]), done,
        {"interrupted": not bool(markers.all())}, {"seed": int(group.attrs["seed"]), "store": str(path)},
    )  # fmt: skip


def _locally(
    work: Work, task: Task, path: Path, todo: Sequence[int], workers: int | None, progress: bool
) -> None:
    def keep(k: int, chunk: slice, values: Mapping[str, Array], kept: Mapping[str, Array]) -> None:
        write_chunk(path, work, task, k, values, kept)

    _threads(work, task, todo, workers, progress, keep)


# -- a cluster -------------------------------------------------------------------------------------------------

_tasks: dict[str, Task] = {}


def solve_remotely(work: Work, path: str, k: int) -> int:
    """Solve and write one chunk on a worker; the task is rebuilt once per process."""
    from thermnet.tolerance.fingerprint import fingerprint

    mark = fingerprint(work)
    if mark not in _tasks:
        _tasks.clear()
        _tasks[mark] = work.task()
    task = _tasks[mark]
    values, kept = solve_part(work, task, chunks_of(work, task)[k])
    write_chunk(Path(path), work, task, k, values, kept)
    return k


def _on_cluster(work: Work, path: Path, todo: Sequence[int], scheduler: str, progress: bool) -> None:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise DesignError(
            "scheduler", [Problem("dask.distributed", "not installed", 'pip install "thermnet[cluster]"')]
        ) from None
    task = work.task()
    bar = _bar(work.samples, chunks_of(work, task), todo, progress)
    with Client(scheduler) as client:
        futures = client.map(
            lambda k: solve_remotely(work, str(path.resolve()), k), list(todo), pure=False, retries=2
        )
        try:
            for future in as_completed(futures):
                k = future.result()
                future.release()
                if bar is not None:
                    bar.update(chunks_of(work, task)[k].stop - chunks_of(work, task)[k].start)
        except KeyboardInterrupt:
            client.cancel(futures)
        finally:
            if bar is not None:
                bar.close()
