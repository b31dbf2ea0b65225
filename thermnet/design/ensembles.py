"""Ensembles of a design: what the solver needs to run every sample."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from thermnet.design.assemble import build_machine
from thermnet.design.samples import sample_count, taken, varied
from thermnet.errors import NetworkError
from thermnet.solve.ensemble import EnsembleRun, Task, run_ensemble
from thermnet.solve.machine import Machine
from thermnet.solve.pack import mode_of

if TYPE_CHECKING:
    from thermnet.design.design import Design


def ensemble_task(
    design: Design, workload: Any, mode: str, ambient: float | None = None, duration: float | None = None,
    start: Any = "idle", *, traces: Sequence[str] = (), trace_period: float = 10.0, tolerance: float = 0.01,
) -> Task:  # fmt: skip
    """Describe the ensemble of a design with array-valued parameters.

    Raises
    ------
    NetworkError
        No parameter is an array, or something varies that must not (the control period).
    """
    from thermnet.firmware.library import as_workload

    count = sample_count(design)
    if count is None:
        raise NetworkError("no parameter of this design is an array; use simulate() for one machine")
    first = taken(design, 0)
    chosen = mode_of(design.modes, mode)
    keys = varied(design)
    mode_varies = any(key.startswith(f"modes.{mode}.") for key in keys)
    sensor_varies = any(key.startswith("sensors.") for key in keys)
    if f"modes.{mode}.period" in keys:
        raise NetworkError("the control period must be the same for every sample of an ensemble")
    room = None if ambient is None else float(ambient)
    plant = first.plant(room, mode_of(first.modes, mode).period)
    load = as_workload(workload, [chip.name for chip in plant.machine.chips], design.workloads)

    def machines(part: slice) -> Machine:
        some = taken(design, part)
        return build_machine(some, some.ambient if room is None else room)

    return Task(
        template=plant, machines=machines, samples=count,
        mode=(lambda i: taken(design.modes[mode], i)) if mode_varies else chosen,
        sensors=(lambda part: taken(design.sensors, part)) if sensor_varies else None,
        workload=load, duration=load.duration if duration is None else float(duration), start=start, tolerance=tolerance,
        traces=tuple(traces), trace_period=trace_period,
    )  # fmt: skip


def simulate_ensemble(
    design: Design, workload: Any, mode: str, ambient: float | None, duration: float | None, start: Any, *,
    traces: Sequence[str], trace_period: float, tolerance: float, workers: int | None, progress: bool,
) -> EnsembleRun:  # fmt: skip
    """Run the ensemble of a design; see :meth:`Design.ensemble`."""
    from thermnet import __version__

    task = ensemble_task(design, workload, mode, ambient, duration, start, traces=traces, trace_period=trace_period,
                         tolerance=tolerance)  # fmt: skip
    provenance = {"design": design.name, "version": __version__, "mode": mode, "workload": task.workload.name,
                  "ambient_degC": task.template.machine.ambient, "duration_s": task.duration}  # fmt: skip
    return run_ensemble(task, varied(design), workers=workers, progress=progress, provenance=provenance)
