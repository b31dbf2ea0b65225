"""The next watt: what one practical step of every declared parameter is worth."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.design.ensembles import ensemble_task
from thermnet.design.replace import parameters
from thermnet.errors import NetworkError, ThermnetError
from thermnet.firmware.workload import Workload
from thermnet.network.graph import nearest
from thermnet.parameter import Declaration
from thermnet.solve.ensemble import chunk_size
from thermnet.solve.held_units import HeldUnits
from thermnet.solve.pack import ticks
from thermnet.studies.held_power import TOLERANCE, HeldPower, highest_power, ungoverned
from thermnet.studies.next_watt_rows import UNIT, Answers, effect_row, group_of, noticed
from thermnet.studies.steady_machine import SteadyMachine
from thermnet.studies.stepped_copies import Copies, Step, buildable, steps_of
from thermnet.studies.study import Study, provenance
from thermnet.studies.sustained_power import CAUTION, bar

Array = NDArray[np.float64]
OUTPUTS = ("sustained", "burst", "skin")

FAN_WORDS = ("idle_speed", "speed_cap", "rise")
"""Fields of a mode's fan control that reach the power held for a while."""


@dataclass(frozen=True)
class Base:
    """The unchanged design and its answers: what every changed copy is compared with."""

    machine: SteadyMachine
    sustained: float
    sustained_binds: str
    temperature: Array
    skin_node: str
    skin: float
    skin_temperature: Array
    burst: BurstPower | None


@dataclass
class BurstPower:
    """Highest power held for a number of control samples, found near a known one."""

    power: float
    binds: str
    slope: Array
    samples: int

    @classmethod
    def of(cls, held: HeldPower, samples: int) -> BurstPower:
        """Find it for the unchanged design, with the slope of every limit's excess against power."""
        power, q = highest_power(lambda p: held.excess(p, [samples])[0], 40.0, accuracy=1e-4)
        step = 0.01 * max(power, 1.0)
        low, high = (held.excess(power + side * step, [samples])[0] for side in (-1, 1))
        found = cls(power, held.limits[q].name if q >= 0 else "none", (high - low) / (2.0 * step), samples)
        return dataclasses.replace(found, power=found.near(lambda p: held.excess(p, [samples])[0])[0])

    def near(self, excess: Callable[[float], Array], accuracy: float = 1e-5) -> tuple[float, int]:
        """Power of a changed design and which limit binds: Newton with the known slopes, then the secant."""
        power, slope = self.power, np.maximum(self.slope, 1e-9)
        before: tuple[float, Array] | None = None
        q = -1
        for _ in range(12):
            over = excess(power)
            if before is not None and abs(power - before[0]) > 1e-6:
                measured = (over - before[1]) / (power - before[0])
                slope = np.where(measured > 0.2 * slope, measured, slope)
            step = -over / slope
            q = int(np.argmin(step))
            if abs(step[q]) < accuracy:
                break
            before = (power, over)
            power = max(power + float(step[q]), 0.0)
        return power, q


def next_watt(
    design: Design, mode: str = "desk", ambient: float | None = None, outputs: Sequence[str] = OUTPUTS, *,
    duration: float = 60.0, power: float = 28.0, start: Any = "idle", only: Sequence[str] = (),
    split: Mapping[str, float] | None = None, progress: bool = False,
) -> Study:  # fmt: skip
    """Change every parameter that declares a practical step by one step, up and down, and tell what it does.

    Answers: ``sustained``, the power held for ever with the fans at the mode's speed cap; ``burst``, the power held
    for ``duration`` s from ``start`` with the mode's fan control; ``skin``, the temperature of the skin zone nearest
    to its limit at ``power`` W, fans at the cap.  The cap is taken exactly where the noise cap lies, not on the fans'
    speed grid.  Every change is a real one (a changed copy of the design, solved again from the known state), so that
    a step that makes another limit bind is counted with that limit; such rows say so.

    Parameters
    ----------
    design : Design
    mode : str
    ambient : float, optional
        degC; the design's own if left out.
    outputs : sequence
        Some of ``sustained``, ``burst``, ``skin``; burst takes most of the time.
    duration, start
        Of the burst, s.
    power : float
        W for the skin temperature.
    only : sequence of str, optional
        Beginnings of the parameters to look at (``"fins"``, ``"interface.bond_line"``); all if left out.
    split : mapping of chip to share, optional
        How several chips share the power.
    progress : bool
        Show a progress bar.

    Returns
    -------
    Study
        Table columns ``parameter``, ``what``, ``group``, ``value``, ``step``, for every output
        ``<output>_W_per_step`` (or ``_K``:
        effect of one step more, the mean of both sides, or one-sided where the remark says so), ``gain_W`` and ``move``
        (what one step in the better direction adds to the first output), ``remark``.  The table ``sides`` has the
        effect
        of each side.  Parameters without effect are left out.

    Raises
    ------
    ValueError, NetworkError
        Unknown output, parameter or mode; an ambient above a limit.
    """
    import pandas as pd

    wanted = tuple(outputs)
    unknown = [name for name in wanted if name not in OUTPUTS]
    if unknown or not wanted:
        raise ValueError(f"outputs {tuple(outputs)!r}; expected some of {', '.join(OUTPUTS)}")
    base = _base(design, mode, ambient, wanted, duration, power, start, split)
    keys = relevant(design, mode, only)
    steps = steps_of(design, base.machine.ambient, keys)
    answers = _answers_of(design, base, steps, wanted, power, start, split, progress)
    found: dict[str, dict[str, Answers]] = {key: {} for key in keys}
    for step, one in zip(steps, answers, strict=True):
        if one is not None:
            found[step.key][step.side] = one
    before = {
        "sustained": base.sustained_binds, "burst": base.burst.binds if base.burst else "", "skin": base.skin_node,
    }  # fmt: skip
    rows: list[dict[str, Any]] = []
    sides: list[dict[str, Any]] = []
    for key, both in found.items():
        if not any(abs(effect) > noticed(n) for side in both.values() for n, (effect, _) in side.items()):
            continue
        value = next(step.before for step in steps if step.key == key)
        rows.append(effect_row(design, key, keys[key], value, both, before, wanted))
        sides += [
            {"parameter": key, "output": name, "side": side, f"effect_{UNIT[name]}": effect, "binds": binds}
            for side, one in both.items() for name, (effect, binds) in one.items()
        ]  # fmt: skip
    dead = len(found) - len(rows)
    # What gains most comes first; then what can only lose, by how much.
    rows.sort(key=lambda row: (-abs(row["gain"]), -row.pop("reach"), row["parameter"]))
    effects = [f"{n}_{UNIT[n]}_per_step" for n in wanted]
    columns = ["parameter", "what", "group", "value", "step", *effects, "gain", "move", "remark"]
    table = pd.DataFrame(rows, columns=columns).rename(columns={"gain": f"gain_{UNIT[wanted[0]]}"})
    facts: dict[str, Any] = {}
    if "sustained" in wanted:
        facts |= {
            "sustained power": (base.sustained, "W"),
            "sustained power is held by": base.sustained_binds,
        }
    if base.burst is not None:
        facts |= {
            f"power for {duration:g} s": (base.burst.power, "W"),
            f"power for {duration:g} s is held by": base.burst.binds,
        }
    if "skin" in wanted:
        facts[f"{base.skin_node} at {power:g} W"] = (base.skin, "degC")
    facts["parameters with an effect"], facts["parameters without"] = len(rows), dead
    return Study(
        name="next_watt", title=f"The next watt of {design.name}, mode {mode}, {base.machine.ambient:g} °C",
        question="What is one practical step of each parameter worth?",
        table=table, tables={"sides": pd.DataFrame(sides)}, facts=facts,
        assumptions=(
            "Steps are those declared with the parameters: the smallest change worth making in practice.",
            "Sustained power and skin: fans at the mode's speed cap, not rounded to their speed grid. Burst: the "
            "mode's fan control with its grid, so that noise-related parameters move it in jumps.",
            "One parameter at a time; steps do not simply add up.",
            design.note or "No note on the origin of the design data.",
        ),
        caution=CAUTION,
        provenance=provenance(design, mode=mode, ambient=base.machine.ambient, outputs=list(wanted),
                              duration_s=duration, power_W=power, start=str(start)),
    )  # fmt: skip


def relevant(design: Design, mode: str, only: Sequence[str] = ()) -> dict[str, Declaration]:
    """Parameters with a practical step that can reach a thermal answer in this mode.

    Of the firmware only the mode's own noise cap and fans, and the sensors that its fan tables read.

    Raises
    ------
    NetworkError
        ``only`` names nothing.
    """
    chosen = design.modes.get(mode)
    read = {rows.sensor for control in chosen.fans.values() for rows in control.tables} if chosen else set()
    found: dict[str, Declaration] = {}
    for key, declared in parameters(design, derived=True).items():
        first, _, rest = key.partition(".")
        if declared.step is None:
            continue
        if first == "modes":
            name, _, inner = rest.partition(".")
            own = inner == "noise_cap" or (
                inner.startswith("fans.") and inner.rpartition(".")[2] in FAN_WORDS
            )
            if name != mode or not own:
                continue
        if first == "sensors" and (rest.rpartition(".")[2] != "offset" or rest.partition(".")[0] not in read):
            continue
        found[key] = declared
    if only:
        for word in only:
            if not any(key.startswith(word) for key in found):
                raise NetworkError(f"no parameter with a step begins with {word!r}{nearest(word, found)}")
        found = {key: value for key, value in found.items() if any(key.startswith(word) for word in only)}
    return found


# -- solving -----------------------------------------------------------------------------------------------------


def _base(
    design: Design, mode: str, ambient: float | None, outputs: Sequence[str], duration: float, power: float, start: Any,
    split: Mapping[str, float] | None,
) -> Base:  # fmt: skip
    machine = SteadyMachine(design, mode, ambient, split)
    if not (np.isfinite(power) and power > 0):
        raise ValueError(f"power {power!r} W; expected a finite power above 0 W")
    speeds = machine.cap(exact=True)
    best = machine.highest(speeds)
    at_power = machine.at(power, speeds)
    skins = [q for q, limit in enumerate(machine.limits) if limit.kind == "skin"]
    nearest_zone = max(skins, key=lambda q: at_power.excess[q]) if skins else 0
    node = machine.limits[nearest_zone].node
    burst = None
    if "burst" in outputs:
        held = HeldPower.of(design, mode, machine.ambient, start, split)
        if not (np.isfinite(duration) and duration >= held.plant.period):
            raise ValueError(
                f"duration {duration!r} s; expected at least one control sample ({held.plant.period:g} s)"
            )
        burst = BurstPower.of(held, ticks(duration, held.plant.period))
    return Base(
        machine, best.power, best.held_by, best.temperature, node,
        float(at_power.temperature[at_power.level.compiled.row(node)]), at_power.temperature, burst,
    )  # fmt: skip


def _answers_of(
    design: Design, base: Base, steps: Sequence[Step], outputs: Sequence[str], power: float, start: Any,
    split: Mapping[str, float] | None, progress: bool,
) -> list[Answers | None]:  # fmt: skip
    """Answers of every step, in their order; None where the changed machine cannot be had."""
    answers: dict[int, Answers | None] = {}
    together = [step for step in steps if not step.alone]
    room = base.machine.ambient
    try:
        copies = Copies(design, room, together)
        _ = copies.machine
    except (ThermnetError, ValueError, TypeError):
        together = buildable(together)
        copies = Copies(design, room, together)
    machines = [base.machine.like(copies.of(sample)) for sample in range(len(together) + 1)]
    speeds = [machine.cap(exact=True) for machine in machines]
    copies.prepare(speeds)
    bursts = _bursts(copies, base, start, split) if base.burst is not None else {}
    number = {id(step): sample for sample, step in enumerate(together, start=1)}
    for k, step in bar(list(enumerate(steps)), "next watt", "step", progress):
        if not step.alone and id(step) not in number:
            answers[k] = None
            continue
        sample = number.get(id(step), -1)
        try:
            machine = machines[sample] if sample > 0 else _by_itself(base, step, split)
            one = _steady_answers(
                machine, speeds[sample] if sample > 0 else machine.cap(exact=True), base, outputs, power
            )
            if base.burst is not None:
                burst = bursts[sample] if sample in bursts else _burst_by_itself(base, step, start, split)
                one["burst"] = (_clean(burst[0] - base.burst.power), burst[1])
            answers[k] = {name: one[name] for name in outputs}
        except (ThermnetError, ValueError):
            answers[k] = None
    return [answers[k] for k in range(len(steps))]


def _by_itself(base: Base, step: Step, split: Mapping[str, float] | None) -> SteadyMachine:
    return SteadyMachine(step.design, base.machine.mode_name, None, split)


def _burst_by_itself(
    base: Base, step: Step, start: Any, split: Mapping[str, float] | None
) -> tuple[float, str]:
    assert base.burst is not None
    held, samples = HeldPower.of(step.design, base.machine.mode_name, None, start, split), base.burst.samples
    power, q = base.burst.near(lambda p: held.excess(p, [samples])[0])
    return power, held.limits[q].name


def _steady_answers(
    machine: SteadyMachine, speeds: Mapping[str, float], base: Base, outputs: Sequence[str], power: float
) -> Answers:
    answers: Answers = {}
    level = machine.level(speeds)
    same = level.compiled.size == base.temperature.size
    if "skin" in outputs:
        level.last = base.skin_temperature.copy() if same else None
        point = machine.at(power, speeds)
        now = float(point.temperature[level.compiled.row(base.skin_node)])
        answers["skin"] = (_clean(now - base.skin), base.skin_node)
    if "sustained" in outputs:
        level.last = base.temperature.copy() if same else None
        best = machine.highest(speeds, guess=max(base.sustained, 1.0))
        answers["sustained"] = (_clean(best.power - base.sustained), best.held_by)
    return answers


def _bursts(
    copies: Copies, base: Base, start: Any, split: Mapping[str, float] | None
) -> dict[int, tuple[float, str]]:  # fmt: skip
    """Burst power of every sample and what holds it; samples that do not settle are missing."""
    machine, known = base.machine, base.burst
    assert known is not None
    chips = machine.chips
    load = Workload(name="held", watts=dict.fromkeys(chips, np.zeros(1)))
    try:
        task = ensemble_task(copies.many, load, machine.mode_name, None, None, start, tolerance=TOLERANCE)
    except (ThermnetError, ValueError):
        return {}
    task = dataclasses.replace(task, mode=ungoverned(machine.mode, chips))
    shares = np.array([machine.shares.get(name, np.nan) for name in chips])
    workers = os.cpu_count() or 1
    size = min(chunk_size(task), max(-(-task.samples // workers), 4))

    def solved(chunk: slice) -> dict[int, tuple[float, str]]:
        try:
            held = HeldUnits(task, chunk, shares)
        except (ThermnetError, ValueError):
            return {}
        found = {}
        for unit in range(held.count):
            power, q = known.near(partial(_excess, held, unit, known.samples))
            found[chunk.start + unit] = (power, machine.limits[q].name)
        return found

    chunks = [slice(a, min(a + size, task.samples)) for a in range(0, task.samples, size)]
    with ThreadPoolExecutor(workers) as pool:
        return {sample: answer for part in pool.map(solved, chunks) for sample, answer in part.items()}


def _excess(held: HeldUnits, unit: int, last: int, power: float) -> Array:
    return held.excess(unit, power, last)


def _clean(effect: float) -> float:
    """Drop what is rounding only."""
    return effect if abs(effect) > 1e-8 else 0.0


__all__ = ["OUTPUTS", "group_of", "next_watt", "relevant"]
