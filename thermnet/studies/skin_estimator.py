"""A skin estimator for firmware: a few states that follow the skin from power, fan and room."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.run import Run
from thermnet.solve.reduced_model import coefficient_rows, reduced_model, run_estimator
from thermnet.studies.burst_budget import CAUTION
from thermnet.studies.hand_over import linear_model
from thermnet.studies.study import Study, provenance


def skin_estimator(
    design: Design, mode: str = "desk", ambient: float | None = None, outputs: Sequence[str] | None = None, *,
    order: int | None = None, error: float | None = None, period: float = 1.0,
    power: float | Mapping[str, float] | None = None, ranges: Mapping[str, float] | None = None,
    workload: Any = "compile", duration: float | None = None, progress: bool = False,
) -> Study:  # fmt: skip
    """Reduce the machine to an estimator of skin temperatures, and try it on a load it has not seen.

    Parameters
    ----------
    design, mode, ambient : as for :func:`linear_model`
    outputs : sequence of node names, optional
        The skins' hot zones if left out.
    order, error : int, or K
        Number of states, or largest error that the reduction may make; 0.5 K if both are left out.
    period : float
        s between samples of the firmware.
    power : float or mapping, optional
        Operating point; the mode's sustained limits if left out.
    ranges : mapping of input to departure, optional
        Over which the stated error holds (W, rpm, K).
    workload, duration : load and length of the trial
        With the firmware in the loop; chip power and fan speed of that run are given to the estimator.

    Returns
    -------
    Study
        One row per output: ``reduction_K`` (largest error that leaving out states can make, for any inputs within
        the ranges), ``rms_K`` and ``largest_K`` against the run, nonlinearity and sampling included, and
        ``mean_K``.  Tables ``trace`` and ``coefficients``.

    Raises
    ------
    NetworkError, ValueError
        Unknown outputs, both order and error, a period that is not above 0.
    """
    import pandas as pd

    model = linear_model(design, mode, ambient, power)
    skins = [
        q.node for q in design.machine(ambient).limits if q.kind == "skin" and q.node.endswith(".hot_zone")
    ]
    wanted = list(outputs) if outputs is not None else skins
    if not wanted:
        raise ValueError(f"{design.name} has no skin with a hot zone; name the outputs")
    inputs = [n for n in model.inputs if n.startswith(("power.", "fan_speed.")) or n == "ambient"]
    given = {"order": order, "error": 0.5 if order is None and error is None else error}
    reduced = reduced_model(model, outputs=wanted, inputs=inputs, ranges=ranges, **given)  # type: ignore[arg-type]
    content = reduced.coefficients(period)
    run = design.simulate(workload, mode, ambient, duration, progress=progress)
    times = np.arange(0.0, float(run.time[-1]), period)
    fed = _inputs(run, inputs, times, period, model.facts["ambient_degC"])
    estimated = np.array(run_estimator(content, fed.tolist(), _idle(design, run, inputs, model.facts["ambient_degC"])))
    rows, trace = [], {"time_s": times}
    for k, name in enumerate(wanted):
        true = np.interp(times, run.time, run.temperature(name))
        miss = estimated[:, k] - true
        rms, largest = float(np.sqrt(np.mean(miss**2))), float(np.max(np.abs(miss)))
        rows.append((name, reduced.worst_error[name], rms, largest, float(np.mean(miss))))
        trace[f"{name.replace('.', '_')}_degC"] = true
        trace[f"{name.replace('.', '_')}_estimated_degC"] = estimated[:, k]
    table = pd.DataFrame(rows, columns=["output", "reduction_K", "rms_K", "largest_K", "mean_K"])
    coefficients = pd.DataFrame(coefficient_rows(content), columns=["matrix", "row", "column", "value"])
    load = (
        workload if isinstance(workload, str | int | float) else getattr(workload, "name", "the load given")
    )
    watts = model.facts["power_W"]
    return Study(
        name="skin_estimator",
        title=f"Skin estimator for {design.name}, mode {mode}, {model.facts['ambient_degC']:g} °C",
        question="How few states follow the skin, and how far off are they?",
        table=table, tables={"trace": pd.DataFrame(trace), "coefficients": coefficients},
        facts={
            "states": reduced.order, "of": len(model.states), "period": (period, "s"),
            "reduction, at most": (max(reduced.worst_error.values()), "K"),
            f"against {load}, largest": (float(table["largest_K"].max()), "K"),
            f"against {load}, rms": (float(table["rms_K"].max()), "K"),
            "form": str(content["form"]), "inputs": ", ".join(inputs),
        },
        assumptions=(
            f"Linear about {', '.join(f'{n} {w:.3g} W' for n, w in watts.items())} with the fans settled there.",
            "Ranges over which the reduction holds: "
            + ", ".join(f"{n} ±{reduced.ranges[n]:g} {_unit(model.units[n])}" for n in inputs) + ".",
            "The trial feeds mean chip power and fan speed of each sample of a run with the firmware in the loop.",
            f"Rule: {content['rule']}.",
            f"{design.note or 'No note on the origin of the design data.'}",
        ),
        caution=f"An estimate is no measurement: prove it on hardware before a skin limit rests on it. {CAUTION}",
        provenance=provenance(design, mode=mode, ambient=model.facts["ambient_degC"], power_W=watts, order=reduced.order,
                              period_s=period, ranges=dict(reduced.ranges), workload=str(load)),
    )  # fmt: skip


def _inputs(run: Run, inputs: Sequence[str], times: Any, period: float, room: float) -> Any:
    """Inputs of every sample: means of power and fan speed over it, the room as it is."""
    columns = []
    edges = np.append(times, times[-1] + period)
    for name in inputs:
        if name == "ambient":
            columns.append(np.full(times.size, room))
            continue
        values = np.asarray(_channel(run, name), dtype=float)
        # The channel holds from each time to the next: its mean over a sample is a difference of its integral.
        held = np.concatenate([[0.0], np.cumsum(values[: run.time.size - 1] * np.diff(run.time))])
        integral = np.interp(edges, run.time, held)
        covered = np.minimum(edges[1:], run.time[-1]) - np.minimum(edges[:-1], run.time[-1])
        columns.append(np.diff(integral) / covered)
    return np.stack(columns, axis=1)


def _idle(design: Design, run: Run, inputs: Sequence[str], room: float) -> list[float]:
    """Inputs at which the trial begins: soaked at idle."""
    idle = design.machine(room).idle_power
    return [
        room if name == "ambient" else float(idle[name.removeprefix("power.")]) if name.startswith("power.")
        else float(_channel(run, name)[0])
        for name in inputs
    ]  # fmt: skip


def _channel(run: Run, name: str) -> Any:
    """History of a channel named ``power.<chip>`` or ``fan_speed.<fan>``."""
    kind, _, owner = name.partition(".")
    channel = run.channels[kind]
    names = list(channel.labels)
    return channel.values[:, names.index(owner)]


def _unit(unit: str) -> str:
    return {"degC": "K"}.get(unit, unit)
