"""The next watt: what one practical step of every declared parameter is worth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet import units
from thermnet.design.design import Design
from thermnet.design.replace import get, parameters, replace_in
from thermnet.errors import NetworkError, ThermnetError
from thermnet.network.graph import nearest
from thermnet.parameter import Declaration
from thermnet.solve.pack import ticks
from thermnet.studies.held_power import HeldPower, highest_power
from thermnet.studies.steady_machine import SteadyLevel, SteadyMachine
from thermnet.studies.study import Study, provenance
from thermnet.studies.sustained_power import CAUTION, bar

Array = NDArray[np.float64]
OUTPUTS = ("sustained", "burst", "skin")
UNIT = {"sustained": "W", "burst": "W", "skin": "K"}

FAN_WORDS = ("idle_speed", "speed_cap", "rise")
"""Fields of a mode's fan control that reach the power held for a while."""


@dataclass(frozen=True)
class Base:
    """The unchanged design and its answers: what every changed copy is compared with."""

    machine: SteadyMachine
    level: SteadyLevel
    speeds: Mapping[str, float]
    sustained: float
    sustained_binds: str
    temperature: Array
    skin_node: str
    skin: float
    skin_temperature: Array
    burst: BurstPower | None
    answers: Mapping[str, float] = field(default_factory=dict)


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
        return cls(power, held.limits[q].name if q >= 0 else "none", (high - low) / (2.0 * step), samples)

    def near(self, held: HeldPower, accuracy: float = 2e-4) -> tuple[float, str]:
        """Power of a changed design and what binds: Newton with the known slopes, then the secant."""
        power, slope = self.power, np.maximum(self.slope, 1e-9)
        before: tuple[float, Array] | None = None
        q = -1
        for _ in range(12):
            excess = held.excess(power, [self.samples])[0]
            if before is not None and abs(power - before[0]) > 1e-6:
                measured = (excess - before[1]) / (power - before[0])
                slope = np.where(measured > 0.2 * slope, measured, slope)
            step = -excess / slope
            q = int(np.argmin(step))
            if abs(step[q]) < accuracy:
                break
            before = (power, excess)
            power = max(power + float(step[q]), 0.0)
        return power, held.limits[q].name


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
    rows: list[dict[str, Any]] = []
    sides: list[dict[str, Any]] = []
    dead = 0
    for key in bar(list(keys), "next watt", "parameter", progress):
        found = _sides(design, base, key, keys[key], wanted, power, start, split)
        if not any(
            abs(effect) > _noticed(name) for side in found.values() for name, (effect, _) in side.items()
        ):
            dead += 1
            continue
        rows.append(_row(design, base, key, keys[key], found, wanted))
        sides += [
            {"parameter": key, "output": name, "side": side, f"effect_{UNIT[name]}": effect, "binds": binds}
            for side, answers in found.items() for name, (effect, binds) in answers.items()
        ]  # fmt: skip
    # What gains most comes first; then what can only lose, by how much.
    rows.sort(key=lambda row: (-abs(row["gain"]), -row.pop("reach"), row["parameter"]))
    answers = [f"{n}_{UNIT[n]}_per_step" for n in wanted]
    columns = ["parameter", "what", "group", "value", "step", *answers, "gain", "move", "remark"]
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
    speeds = machine.cap(exact=True)
    best = machine.highest(speeds)
    level = best.level
    if not (np.isfinite(power) and power > 0):
        raise ValueError(f"power {power!r} W; expected a finite power above 0 W")
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
        machine, level, speeds, best.power, best.held_by, best.temperature, node,
        float(at_power.temperature[level.compiled.row(node)]), at_power.temperature, burst,
    )  # fmt: skip


def _sides(
    design: Design, base: Base, key: str, declared: Declaration, outputs: Sequence[str], power: float, start: Any,
    split: Mapping[str, float] | None,
) -> dict[str, dict[str, tuple[float, str]]]:  # fmt: skip
    """Effect of one step more and one step less on every output, and what binds then; a refused side is missing."""
    value, step = float(np.asarray(get(design, key), dtype=float)), float(declared.step or 0.0)
    found: dict[str, dict[str, tuple[float, str]]] = {}
    for side, change in (("more", step), ("less", -step)):
        try:
            changed, room = _changed(design, base, key, value + change)
            machine = SteadyMachine(changed, base.machine.mode_name, room, split)
            found[side] = _answers(changed, machine, base, outputs, power, start, split)
        except (ThermnetError, ValueError):
            continue
        if side == "more" and all(abs(effect) < 1e-12 for effect, _ in found[side].values()):
            break  # nothing moved, to the last digit: the parameter reaches no answer
    return found


def _changed(design: Design, base: Base, key: str, value: float) -> tuple[Design, float]:
    if key == "ambient":
        return design, value
    return replace_in(design, {key: value}, whole=False), base.machine.ambient


def _answers(
    design: Design, machine: SteadyMachine, base: Base, outputs: Sequence[str], power: float, start: Any,
    split: Mapping[str, float] | None,
) -> dict[str, tuple[float, str]]:  # fmt: skip
    answers: dict[str, tuple[float, str]] = {}
    if set(outputs) & {"sustained", "skin"}:
        speeds = machine.cap(exact=True)
        level = machine.level(speeds)
        same = level.compiled.nodes == base.level.compiled.nodes
        if "skin" in outputs:
            guess = base.skin_temperature if same else None
            temperature = level.temperatures(machine.demand(power), guess)
            now = float(temperature[level.compiled.row(base.skin_node)])
            answers["skin"] = (_clean(now - base.skin), base.skin_node)
        if "sustained" in outputs:
            level.last = base.temperature.copy() if same else level.last
            best = machine.highest(speeds, guess=max(base.sustained, 1.0))
            answers["sustained"] = (_clean(best.power - base.sustained), best.held_by)
    if base.burst is not None and _alike(machine, base.machine):
        answers["burst"] = (0.0, base.burst.binds)
    elif base.burst is not None:
        held = HeldPower.of(design, machine.mode_name, machine.ambient, start, split)
        burst, binds = base.burst.near(held)
        answers["burst"] = (burst - base.burst.power, binds)
    return {name: answers[name] for name in outputs}


def _alike(one: SteadyMachine, other: SteadyMachine) -> bool:
    """Whether two machines are the same to the last digit: network at full speed, chips, fans, limits and mode."""
    a, b = (m.machine for m in (one, other))
    speeds = {fan.name: fan.maximum for fan in b.fans}
    first, second = (m.level(speeds).compiled for m in (one, other))
    arrays = ("capacity", "link_conductance", "law_parameters", "stream_rate")
    return (
        first.nodes == second.nodes
        and all(np.array_equal(getattr(first, name), getattr(second, name)) for name in arrays)
        and np.array_equal(np.asarray(first.boundary_values), np.asarray(second.boundary_values))
        and all(getattr(a, name) == getattr(b, name) for name in ("chips", "limits", "sources", "sensors"))
        and one.mode == other.mode
        and [(f.name, f.maximum, f.grid) for f in a.fans] == [(f.name, f.maximum, f.grid) for f in b.fans]
        and one.noise(speeds) == other.noise(speeds) and one.cap() == other.cap()
    )  # fmt: skip


# -- writing down ------------------------------------------------------------------------------------------------


def _row(
    design: Design, base: Base, key: str, declared: Declaration, found: Mapping[str, Mapping[str, tuple[float, str]]],
    outputs: Sequence[str],
) -> dict[str, Any]:  # fmt: skip
    value = float(np.asarray(get(design, key), dtype=float))
    shown = declared.shown or declared.unit
    row: dict[str, Any] = {
        "parameter": key, "what": meaning(design, key, declared), "group": group_of(design, key),
        "value": units.show(value, declared.unit, shown),
        "step": units.show(float(declared.step or 0.0), _difference(declared.unit), _difference(shown)),
    }  # fmt: skip
    remarks = []
    before = {
        "sustained": base.sustained_binds,
        "burst": base.burst.binds if base.burst else "",
        "skin": base.skin_node,
    }
    for name in outputs:
        more, less = (found.get(side, {}).get(name) for side in ("more", "less"))
        row[f"{name}_{UNIT[name]}_per_step"], remark = _per_step(name, more, less, before[name])
        remarks += [remark] if remark else []
    first = outputs[0]
    sign = -1.0 if first == "skin" else 1.0
    gains = {side: sign * answers[first][0] for side, answers in found.items()}
    best = max(gains, key=lambda side: gains[side])
    worth = gains[best] > _noticed(first)
    row |= {"gain": sign * gains[best] if worth else 0.0, "move": best if worth else "keep"}
    row |= {"remark": "; ".join(remarks), "reach": max(abs(gain) for gain in gains.values())}
    return row


def _per_step(
    name: str, more: tuple[float, str] | None, less: tuple[float, str] | None, before: str
) -> tuple[float, str]:
    """Effect of one step more: mean of both sides, or one side where the other is refused or another limit binds."""
    if more is None or less is None:
        side, refused = (less, "more") if more is None else (more, "less")
        if side is None:
            return float("nan"), f"{name}: both sides refused"
        return (-side[0] if more is None else side[0]), f"{name}: one-sided, one step {refused} is refused"
    if more[1] != less[1]:
        side, what = (less, "more") if more[1] != before else (more, "less")
        other = more[1] if what == "more" else less[1]
        return (
            -side[0] if what == "more" else side[0]
        ), f"{name}: one-sided, with one step {what} {other} binds"
    mean, bend = 0.5 * (more[0] - less[0]), abs(more[0] + less[0])
    if bend > abs(mean) and abs(mean) > 1e-9:
        smaller = more[0] if abs(more[0]) < abs(less[0]) else -less[0]
        return (
            smaller,
            f"{name}: the sides differ much, {more[0]:+.2g} and {less[0]:+.2g} {UNIT[name]}; the smaller is given",
        )
    return mean, ""


def meaning(design: Design, key: str, declared: Declaration) -> str:
    """Say in words what a parameter is."""
    first, _, rest = key.partition(".")
    if first == "joints":
        between = design.joints[int(rest.partition(".")[0])].between
        return f"{declared.doc}: {between[0]} to {between[1]}"
    return declared.doc


def group_of(design: Design, key: str) -> str:
    """Kind of part that a parameter belongs to; limits, surroundings and firmware stand apart."""
    first, _, rest = key.partition(".")
    last = rest.rpartition(".")[2]
    if first in ("ambient", "altitude"):
        return "surroundings"
    if first in ("modes", "sensors"):
        return "firmware"
    if first == "joints":
        return "joint"
    if last.endswith("limit") or last.startswith("limit"):
        return "limit"
    return design.parts[first].kind.replace("_", " ")


def _clean(effect: float) -> float:
    """Drop what is rounding only."""
    return effect if abs(effect) > 1e-8 else 0.0


def _difference(unit: str) -> str:
    return "K" if unit in ("degC", "degF", "kelvin") else unit


def _noticed(name: str) -> float:
    """Effect from which a parameter is worth a row."""
    return 5e-4 if name == "burst" else 1e-5


__all__ = ["OUTPUTS", "group_of", "next_watt", "relevant"]
