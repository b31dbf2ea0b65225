"""Whether heat is what limits a machine, and so whether a better interface buys any work."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.firmware.library import as_workload, workload_names
from thermnet.firmware.limit_log import read_limit_csv
from thermnet.firmware.workload import Workload
from thermnet.run import Run
from thermnet.solve.pack import mode_of
from thermnet.studies.better_interface import PERFECT, gain_in_work
from thermnet.studies.binding_limits import (
    JUNCTION,
    NOISE,
    NOISE_JUNCTION,
    NOISE_SKIN,
    POWER,
    SKIN,
    Held,
    held_in_log,
    held_in_run,
    limit_table,
    noise_speed_cap,
    ribbon,
    trace,
)
from thermnet.studies.interface_risks import cautions_for
from thermnet.studies.loop_measures import chip_named, held_frequency
from thermnet.studies.study import Study, provenance
from thermnet.studies.words import number_text

BETTER = ("phase_change", "liquid_metal")
SELDOM = 0.01
"""Share of the time below which the junction does not count as a limit."""

Source = Run | Design | str | Path


def thermally_limited(
    source: Source, design: Design | None = None, mode: str | None = None, ambient: float | None = None, *,
    workload: Any = None, duration: float | None = None, start: Any = None, log: str | Path | None = None,
    chip: str | None = None, better: Sequence[str] = BETTER, flags: Mapping[str, str] | None = None,
    junction_limit: float | None = None, power_limits: Sequence[float] = (), progress: bool = False,
) -> Study:  # fmt: skip
    """Tell over time which limit binds, and what a better interface would be worth in work done.

    Parameters
    ----------
    source : Run, path of a CSV log, or Design
        A run of :meth:`Design.simulate`; a lab log with time, chip power, and where there are any die temperature,
        fan speed and limit flag (:func:`thermnet.firmware.limit_log.read_limit_csv`); or a design to simulate.
    design : Design, optional
        The machine, to predict the gain with.
    mode, ambient : optional
        Those of the run if left out; for a log or a design ``desk`` and the design's own room.
    workload : optional
        What to simulate for the gain; a run's own load if left out.  A log's demand is what it drew where nothing
        held it, and the highest power in the log where something did.
    duration, start : optional
        As for :meth:`Design.simulate`.
    log : path, optional
        A log, where ``source`` is the design.
    chip : str, optional
        Whose limits; the first chip's if left out.
    better : sequence of str
        Interface materials to try in the joint.
    flags : mapping, optional
        The log's own words for limits, to ``none``, ``power``, ``junction``, ``skin`` or ``noise``.
    junction_limit, power_limits : degC, W
        For a log without flags; those of the design and mode if left out.

    Returns
    -------
    Study
        Table columns ``limit``, ``time_s``, ``share_percent``, ``episodes``, ``longest_s``, ``power_W``, ``die_degC``,
        ``better_interface_helps``.  With a design ``study.tables["gain"]`` has ``interface``, ``low_percent``,
        ``nominal_percent``, ``high_percent``.

    Raises
    ------
    DesignError, NetworkError, ValueError
        A log that cannot be read, names that do not fit, a run without firmware.
    """
    if isinstance(source, Design):
        design = source
        if log is not None:
            source = log
    case = _Case.of(
        source, design, mode, ambient, workload, duration, start, chip, flags, junction_limit, power_limits
    )
    held = case.held
    table = limit_table(held)
    episodes = held.episodes()
    longest = (
        episodes.sort_values("duration_s", ascending=False, kind="stable").head(10).reset_index(drop=True)
    )
    tables = {"longest": longest, "ribbon": ribbon(held), "trace": trace(held)}
    junction, skin = held.share(JUNCTION, NOISE_JUNCTION), held.share(SKIN, NOISE_SKIN)
    facts: dict[str, Any] = {
        "junction binds": (100.0 * junction, "percent"), "skin binds": (100.0 * skin, "percent"),
        "power limit binds": (100.0 * held.share(POWER), "percent"),
        "fans at the noise cap while a throttle binds": (100.0 * held.share(NOISE_JUNCTION, NOISE_SKIN, NOISE), "percent"),
        "longest episode": f"{longest['limit'].iloc[0]}, {number_text(float(longest['duration_s'].iloc[0]), 3)} s",
    }  # fmt: skip
    gain, notes = None, list(held.notes)
    if case.design is not None:
        assert case.load is not None
        load, note = held_frequency(case.load)
        gain, more, own = gain_in_work(
            case.design, load, better, mode=case.mode, ambient=case.ambient, duration=case.duration, start=case.start,
            chip=case.chip, progress=progress,
        )  # fmt: skip
        notes += [*([note] if note else []), *more]
        off = _off(held, own, case.chip) if case.is_log else None
        tables["gain"] = gain
        for row in gain.itertuples(index=False):
            facts[f"more work with {str(row.interface).replace('_', ' ')}"] = _interval(row)
        if off is not None:
            facts["simulated die over the log's, mean"] = (off, "K")
    facts["in words"] = verdict(held, gain)
    origin = case.design.name if case.design is not None else case.label
    return Study(
        name="thermally_limited", title=f"What limits {origin}{f', mode {case.mode}' if case.design is not None else ''}",
        question="Which limit binds, for how long, and would a better interface do more work?",
        table=table, tables=tables, facts=facts,
        assumptions=(
            *notes,
            "A better interface helps only while the junction binds; at a power or skin limit, where the same heat is let "
            "through, it buys no more than the leakage that a cooler die saves.",
            *((f"{case.design.note or 'No note on the origin of the design data.'}",) if case.design is not None else ()),
        ),
        caution=" ".join(cautions_for(better)) if gain is not None else None,
        provenance=provenance(case.design, mode=case.mode or None, ambient=case.ambient, source=case.label, chip=case.chip,
                              better=list(better) if gain is not None else None),
    )  # fmt: skip


def verdict(held: Held, gain: Any) -> str:
    """Say in one or two sentences what limits, and whether a better interface would help."""
    junction, skin, power = (
        held.share(JUNCTION, NOISE_JUNCTION),
        held.share(SKIN, NOISE_SKIN),
        held.share(POWER),
    )
    if junction >= SELDOM:
        text = f"The junction binds for {_percent(junction)} of the time: a cooler die does more work then."
        if held.share(NOISE_JUNCTION) > 0.5 * junction:
            text += " For most of it the fans are held by the noise cap."
    else:
        longest = max(
            (("power", power), ("skin", skin), ("none", 1.0 - power - skin)), key=lambda pair: pair[1]
        )[0]
        text = {
            "none": "Nothing binds most of the time: the load gets what it asks for, and a cooler die does no more work.",
            "power": "Power limits bind, not heat: a cooler die does no more work than the leakage it saves.",
            "skin": "The skin binds, not the die: a better interface sends the same heat to the same skin.",
        }[longest]
    if gain is not None and len(gain):
        best = gain[gain["interface"] != PERFECT].head(1)
        if len(best):
            row = next(best.itertuples(index=False))
            text += f" {str(row.interface).replace('_', ' ').capitalize()} instead: {_interval(row)} work."
    return text


@dataclasses.dataclass(frozen=True)
class _Case:
    """What was asked: what held the chip, and what to simulate for the gain."""

    held: Held
    design: Design | None
    label: str
    mode: str
    ambient: float | None
    load: Workload | None
    duration: float
    start: Any
    chip: str
    is_log: bool

    @classmethod
    def of(
        cls, source: Source, design: Design | None, mode: str | None, ambient: float | None, workload: Any,
        duration: float | None, start: Any, chip: str | None, flags: Any, junction_limit: float | None,
        power_limits: Sequence[float],
    ) -> _Case:  # fmt: skip
        """Sort out runs, logs and designs."""
        if isinstance(source, Design):
            source = source.simulate("render" if workload is None else workload, mode or "desk", ambient, duration,
                                     "idle" if start is None else start)  # fmt: skip
        if isinstance(source, Run):
            return cls._of_run(source, design, mode, ambient, workload, start, chip)
        if not isinstance(source, str | Path):
            raise ValueError(
                f"source {type(source).__name__}; expected a Run, the path of a CSV log, or a Design"
            )
        name, room = mode or "desk", ambient
        one = chip or "cpu"
        cap = None
        limits = [float(limit) for limit in power_limits]
        if design is not None:
            one = chip_named(design.machine(), chip).name
            control = mode_of(design.modes, name).chips[one]
            cap = noise_speed_cap(design, name)
            limits = limits or [control.sustained_limit, control.burst_limit]
            junction_limit = (
                chip_named(design.machine(), one).junction_limit if junction_limit is None else junction_limit
            )
            room = design.ambient if ambient is None else float(ambient)
        log = read_limit_csv(source, one, flags)
        held = held_in_log(log, junction_limit, limits, cap)
        load = None
        if design is not None:
            load = _load(workload, design) if workload is not None else _demand_of(held, one)
        length = float(held.time[-1]) if duration is None else float(duration)
        return cls(
            held,
            design,
            Path(source).name,
            name,
            room,
            load,
            length,
            "idle" if start is None else start,
            one,
            True,
        )

    @classmethod
    def _of_run(
        cls, run: Run, design: Design | None, mode: str | None, ambient: float | None, workload: Any, start: Any,
        chip: str | None,
    ) -> _Case:  # fmt: skip
        origin = run.provenance
        name = mode or str(origin.get("mode", "desk"))
        labels = run.channels["limit"].labels if "limit" in run.channels else ()
        one = chip or (labels[0] if labels else "cpu")
        held = held_in_run(run, one, design, name)
        room = origin.get("ambient_degC") if ambient is None else float(ambient)
        load = None
        if design is not None:
            asked = origin.get("workload") if workload is None else workload
            known = (
                asked in design.workloads or asked in workload_names()
                if isinstance(asked, str)
                else asked is not None
            )
            load = _load(asked, design) if known else _demand_of(held, one)
        begin = origin.get("start", "idle") if start is None else start
        if isinstance(begin, str) and begin not in ("idle", "cold"):
            begin = _number(begin)
        return cls(
            held,
            design,
            str(origin.get("design", "a run")),
            name,
            room,
            load,
            float(run.time[-1]),
            begin,
            one,
            False,
        )


def _off(held: Held, run: Run, chip: str) -> float | None:
    """How much hotter the simulated die is than the log's, mean in K; None where the log has no die temperature."""
    if not np.isfinite(held.temperature).any():
        return None
    spot = np.interp(held.time, run.time, run.temperature(f"{chip}.hot_spot"))
    return float(np.nanmean(spot - held.temperature))


def _demand_of(held: Held, chip: str) -> Workload:
    """What the load asked for: what it drew where nothing held it, the highest power seen where something did."""
    free = held.code == 0
    watts = np.where(free, held.power[:-1], held.power.max())
    times = held.time[:-1] - held.time[0]
    return Workload(
        name="as logged", title="demand taken from a record", times=times, watts={chip: watts}, holds="frequency",
        duration=float(held.time[-1] - held.time[0]),
        notes=("where a limit bound, the demand is taken as the highest power in the record",),
    )  # fmt: skip


def _load(asked: Any, design: Design) -> Workload:
    if isinstance(asked, str) and asked in design.workloads:
        return design.workloads[asked]
    return as_workload(asked, [chip.name for chip in design.machine().chips])


def _interval(row: Any) -> str:
    low, middle, high = (float(v) for v in (row.low_percent, row.nominal_percent, row.high_percent))
    return f"{_signed(middle)} % ({_signed(low)} to {_signed(high)} %)"


def _signed(value: float) -> str:
    return "0.0" if abs(value) < 0.05 else f"{value:+.1f}"


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _number(text: str) -> Any:
    try:
        return float(text)
    except ValueError:
        return "idle"


__all__ = ["thermally_limited", "verdict"]
