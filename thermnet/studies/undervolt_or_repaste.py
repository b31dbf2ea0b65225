"""A claimed drop in temperature: how much each change contributed, in kelvins and in work done."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from itertools import combinations
from math import isfinite
from typing import Any

from thermnet.design.design import Design
from thermnet.design.replace import get, slots
from thermnet.errors import DesignError
from thermnet.firmware.library import as_workload
from thermnet.firmware.workload import Workload
from thermnet.materials.interface_materials import INTERFACE_MATERIALS
from thermnet.parts.die import Die
from thermnet.physics.silicon import CAUTION as UNDERVOLT_CAUTION
from thermnet.physics.silicon import dynamic_power_ratio
from thermnet.run import Status
from thermnet.solve.pack import mode_of
from thermnet.studies.attribution import shapley, subsets
from thermnet.studies.burst_budget import _word
from thermnet.studies.interface_risks import cautions_for
from thermnet.studies.loop_measures import READINGS, LoopMeasures, chip_named, held_frequency, measure
from thermnet.studies.study import Study, provenance
from thermnet.studies.words import number_text

MOST_CHANGES = 6
"""Every combination is simulated: 2^6 = 64 runs."""

NOT_A_FIX = (
    "An undervolt is not a thermal fix: it trades margin against errors for heat, and one unit's margin says nothing "
    "about another's."
)

Changes = Mapping[str, Mapping[str, Any]]


def undervolt_or_repaste(
    design: Design, changes: Changes | None = None, mode: str = "desk", ambient: float | None = None, *,
    after: Design | None = None, before: Mapping[str, Any] | None = None, workload: Any = "render",
    duration: float | None = None, start: Any = "idle", claimed: Sequence[float] | None = None,
    reading: str = "settled", chip: str | None = None, progress: bool = False,
) -> Study:  # fmt: skip
    """Attribute a drop in die temperature, and the change in work done, to each of several changes.

    Every combination of the changes is simulated with the firmware in the loop, so that the square law of the
    voltage, the leakage that follows the die, and whatever the governor, the throttles and the fans then do with
    the headroom are all in it.  Each change's share is what it adds, averaged over all orders of making the
    changes (:func:`thermnet.studies.attribution.shapley`): the shares add up to the whole and do not depend on
    the order.  Beside them stand the change made alone, and the change left out of all the others.

    Parameters
    ----------
    design : Design
        The machine before.
    changes : mapping of name to mapping of dotted key to value
        What was done, up to six changes: ``{"undervolt": {"cpu.voltage_offset": "-80 mV"}, "re-paste":
        {"interface.ageing": 0.0}}``.  Fans (``modes.desk.noise_cap``), the room (``ambient``) and power limits
        (``modes.desk.chips.cpu.sustained_limit``) may be changes too.
    after : Design, optional
        The machine after, in place of ``changes``; see :func:`changes_between`.
    before : mapping, optional
        Dotted keys that bring the design to the state it was in before (a worn joint, dust).
    workload, mode, ambient, duration, start
        As for :meth:`Design.simulate`; a load in watts is taken as what it draws at full frequency.
    claimed : (before, after), optional
        Temperatures in degC that somebody measured or claims, to compare with.
    reading : "settled", "peak" or "mean"
        Die temperature as the mean of the run's last quarter, its highest, or the mean of all.
    chip : str, optional
        Whose die; the first chip's if left out.

    Returns
    -------
    Study
        Table columns ``change``, ``cooler_K``, ``alone_K``, ``left_out_K``, ``work_percent``,
        ``work_alone_percent``, ``power_saved_W``, ``noise_dBA``; the last row is all changes together.

    Raises
    ------
    DesignError, NetworkError, ValueError
        No or too many changes, keys that do not exist or stand in two changes, a thermal runaway.
    """
    base = design.replace(**(before or {}))
    if ambient is not None:
        base = base.replace(ambient=float(ambient))
    if (changes is None) == (after is None):
        raise ValueError("undervolt_or_repaste: expected changes, or the design after them, one of the two")
    if after is not None:
        changes = changes_between(base, after, mode)
    named = _checked(base, changes or {})
    claim = _claim(claimed)
    if reading not in READINGS:
        raise ValueError(f"reading {reading!r}; expected one of {', '.join(READINGS)}")
    one = chip_named(base.machine(), chip).name
    load, note = held_frequency(_load(base, workload))
    found = _measured(base, named, load, mode, one, duration, start, reading, progress)
    table = _shares(named, found)
    total = table.iloc[-1]
    first, last = found[frozenset()], found[frozenset(named)]
    facts: dict[str, Any] = {
        "die before": (first.temperature, "degC"), "die after": (last.temperature, "degC"),
        "cooler by": (float(total["cooler_K"]), "K"), "more work by": (float(total["work_percent"]), "percent"),
    }  # fmt: skip
    for row in table.iloc[:-1].itertuples(index=False):
        facts[f"{row.change}: cooler by"] = (float(row.cooler_K), "K")
    for row in table.iloc[:-1].itertuples(index=False):
        facts[f"{row.change}: more work by"] = (float(row.work_percent), "percent")
    tables = {"states": _states(named, found), "changed": _changed(base, named)}
    volts = _voltages(base, named)
    if volts is not None:
        tables["voltage"] = volts
    if claim is not None:
        tables["claim"] = _against_claim(claim, first, last)
        facts["claimed"] = (claim[0] - claim[1], "K")
        facts["claimed and not explained"] = (claim[0] - claim[1] - float(total["cooler_K"]), "K")
    facts["in words"] = in_words(table)
    return Study(
        name="undervolt_or_repaste",
        title=f"Undervolt or re-paste: {design.name}, mode {mode}, {base.ambient:g} °C",
        question="How much of the drop in temperature is each change's, and what was it worth in work done?",
        table=table, tables=tables, facts=facts,
        assumptions=tuple(filter(None, (
            f"Load {load.name!r} over {number_text(load.duration if duration is None else float(duration))} s, the "
            f"same before and after; die temperature: {_READING[reading]}.",
            note,
            f"All {2 ** len(named)} combinations simulated with the firmware in the loop; each change's share is what it "
            "adds, averaged over all orders (Shapley 1953).",
            "Work is time at full frequency, weighed by what the load asks for at each moment.",
            "An undervolted chip is taken to compute the same; whether it does is not for a thermal model to say.",
            f"{design.note or 'No note on the origin of the design data.'}",
        ))),
        caution=_caution(named, base),
        provenance=provenance(base, mode=mode, ambient=base.ambient, workload=load.name, duration=duration,
                              start=_word(start),
                              changes={name: dict(keys) for name, keys in named.items()}, before=dict(before or {}) or None,
                              claimed=list(claim) if claim else None, reading=reading, chip=one),
    )  # fmt: skip


def changes_between(before: Design, after: Design, mode: str) -> dict[str, dict[str, Any]]:
    """Group what differs between two designs into named changes.

    A voltage offset, the room, and a mode's power limits, fans and skin limits are changes of their own; all
    parameters of one part are one change, named after the part.

    Raises
    ------
    ValueError
        The designs differ in more than their parameters, or in modes other than ``mode``.
    """
    refused = ValueError(
        f"{before.name} and {after.name} differ in more than parameters; expected the same parts, joints and modes "
        "with other values, or the changes one by one"
    )
    kinds = [{name: part.kind for name, part in one.parts.items()} for one in (before, after)]
    if kinds[0] != kinds[1] or set(before.modes) != set(after.modes):
        raise refused
    old, new = slots(before), slots(after)
    found: dict[str, dict[str, Any]] = {}
    for key, slot in new.items():
        if slot.is_cell or key not in old or _same(old[key].value, slot.value):
            continue
        if key.split(".")[0] not in ("name", "title", "note", "source"):
            found.setdefault(_group(key, mode), {})[key] = slot.value
    changed = before.replace(**{key: value for keys in found.values() for key, value in keys.items()})
    plain: dict[str, Any] = dict.fromkeys(("name", "title", "note", "source"), "")
    if dataclasses.replace(changed, **plain) != dataclasses.replace(after, **plain):
        raise refused
    return found


def in_words(table: Any) -> str:
    """Say in one sentence who made the die cooler, and what it was worth."""
    rows, total = table.iloc[:-1], table.iloc[-1]
    whole, gain = float(total["cooler_K"]), float(total["work_percent"])
    by_kelvin = rows.reindex(rows["cooler_K"].abs().sort_values(ascending=False).index)
    parts = [f"{_short(row.cooler_K)} K {row.change}" for row in by_kelvin.itertuples(index=False)]
    head = f"{_short(abs(whole))} K {'cooler' if whole >= 0 else 'hotter'} ({', '.join(parts)})"
    if abs(gain) < 0.05:
        return f"{head}, and no more work done."
    by_work = rows.reindex(rows["work_percent"].abs().sort_values(ascending=False).index)
    parts = [f"{_short(row.work_percent)} {row.change}" for row in by_work.itertuples(index=False)]
    return f"{head}; {_short(abs(gain))} % {'more' if gain > 0 else 'less'} work done ({', '.join(parts)})."


def _short(value: float) -> str:
    return "0.0" if abs(value) < 0.05 else f"{value:.1f}"


# -- running -----------------------------------------------------------------------------------------------


def _measured(
    base: Design, named: Changes, load: Workload, mode: str, chip: str, duration: float | None, start: Any, reading: str,
    progress: bool,
) -> dict[frozenset[str], LoopMeasures]:  # fmt: skip
    """Simulate every combination of the changes."""
    mode_of(base.modes, mode)
    combos: Any = subsets(named)
    if progress:
        from tqdm.auto import tqdm

        combos = tqdm(combos, desc="combinations of changes", unit="run", leave=False)
    found = {}
    for some in combos:
        keys = {key: value for name in named if name in some for key, value in named[name].items()}
        changed = base.replace(**keys)
        run = changed.simulate(load, mode, duration=duration, start=start)
        if run.status is Status.RUNAWAY:
            raise ValueError(f"{_said(some, named)}: {run.status.value}")
        found[some] = measure(run, changed.machine(), load, chip, reading)
    return found


def _shares(named: Changes, found: Mapping[frozenset[str], LoopMeasures]) -> Any:
    """Table of each change's share, alone and left out; the last row is all together."""
    import pandas as pd

    names, everything = list(named), frozenset(named)
    none = found[frozenset()]
    worth = {
        "cooler_K": {some: -m.temperature for some, m in found.items()},
        "work_percent": {
            some: 100.0 * m.work / none.work if none.work > 0 else 0.0 for some, m in found.items()
        },
        "power_saved_W": {some: -m.power for some, m in found.items()},
        "noise_dBA": {some: m.noise if isfinite(m.noise) else 0.0 for some, m in found.items()},
    }
    share = {column: shapley(values, names) for column, values in worth.items()}

    def step(column: str, to: frozenset[str], of: frozenset[str]) -> float:
        return worth[column][to] - worth[column][of]

    rows = []
    for name in [*names, ""]:
        own = everything if not name else frozenset({name})
        rows.append({
            "change": name or "together",
            "cooler_K": share["cooler_K"][name] if name else step("cooler_K", everything, frozenset()),
            "alone_K": step("cooler_K", own, frozenset()),
            "left_out_K": step("cooler_K", everything, everything - own),
            "work_percent": share["work_percent"][name] if name else step("work_percent", everything, frozenset()),
            "work_alone_percent": step("work_percent", own, frozenset()),
            "power_saved_W": share["power_saved_W"][name] if name else step("power_saved_W", everything, frozenset()),
            "noise_dBA": share["noise_dBA"][name] if name else step("noise_dBA", everything, frozenset()),
        })  # fmt: skip
    return pd.DataFrame(rows)


def _states(named: Changes, found: Mapping[frozenset[str], LoopMeasures]) -> Any:
    """One row per combination: what the die, the power, the fans and the firmware did."""
    import pandas as pd

    flags = sorted({flag for m in found.values() for flag in m.held})
    return pd.DataFrame([
        {
            "state": _said(some, named), "changes": len(some), "die_degC": m.temperature, "work_s": m.work,
            "power_W": m.power, "dynamic_W": m.power - m.leakage, "leakage_W": m.leakage,
            "frequency_percent": 100.0 * m.frequency, "fan_rpm": m.fan_speed, "noise_dBA": m.noise,
        } | {f"{flag.replace(' ', '_')}_percent": 100.0 * m.held.get(flag, 0.0) for flag in flags}
        for some, m in found.items()
    ])  # fmt: skip


def _changed(base: Design, named: Changes) -> Any:
    """One row per key: what it was and what it became, as numbers in the inside unit."""
    import pandas as pd

    rows = []
    for name, keys in named.items():
        after = base.replace(**keys)
        for key in keys:
            unit = slots(base)[_plain(key)].declared.unit
            rows.append({"change": name, "key": key, "before": _text(get(base, key)), "after": _text(get(after, key)),
                         "unit": "" if unit == "1" else unit})  # fmt: skip
    return pd.DataFrame(rows)


def _voltages(base: Design, named: Changes) -> Any:
    """What an offset does at the same frequency and temperature, before the firmware answers."""
    import pandas as pd

    rows = []
    for name, keys in named.items():
        after = base.replace(**keys)
        for part_name, part in after.parts.items():
            old = base.parts[part_name]
            if (
                not isinstance(part, Die)
                or not isinstance(old, Die)
                or part.voltage_offset == old.voltage_offset
            ):
                continue
            top = part.top_frequency()
            was, now = float(old.voltage(top)), float(part.voltage(top))
            rows.append({
                "change": name, "chip": part_name, "before_V": was, "after_V": now,
                "dynamic_percent": 100.0 * (float(dynamic_power_ratio(now, was)) - 1.0),
                "leakage_percent": 100.0 * ((now / was) ** float(part.leakage_voltage_exponent) - 1.0),
            })  # fmt: skip
    return pd.DataFrame(rows) if rows else None


def _against_claim(claim: tuple[float, float], first: LoopMeasures, last: LoopMeasures) -> Any:
    import pandas as pd

    drop = first.temperature - last.temperature
    return pd.DataFrame({
        "what": ["claimed", "explained by the changes", "claimed and not explained"],
        "before_degC": [claim[0], first.temperature, float("nan")],
        "after_degC": [claim[1], last.temperature, float("nan")],
        "cooler_K": [claim[0] - claim[1], drop, claim[0] - claim[1] - drop],
    })  # fmt: skip


# -- what was asked ----------------------------------------------------------------------------------------


def _checked(base: Design, changes: Changes) -> dict[str, dict[str, Any]]:
    """Changes by name, or an error that names what does not fit."""
    if not isinstance(changes, Mapping) or not all(
        isinstance(keys, Mapping) and keys for keys in changes.values()
    ):
        raise ValueError(
            f"changes {changes!r}; expected a mapping of name to dotted keys and values, such as "
            '{"undervolt": {"cpu.voltage_offset": "-80 mV"}}'
        )
    named = {str(name): dict(keys) for name, keys in changes.items()}
    if not 1 <= len(named) <= MOST_CHANGES:
        raise ValueError(
            f"{len(named)} changes; expected 1 to {MOST_CHANGES} (every combination is simulated)"
        )
    if "together" in named:
        raise ValueError(
            "a change is called 'together', which is the name of all of them; expected another name"
        )
    for one, other in combinations(named, 2):
        both = {_plain(key) for key in named[one]} & {_plain(key) for key in named[other]}
        if both:
            raise ValueError(
                f"{sorted(both)[0]} stands in {one!r} and in {other!r}; expected it in one change"
            )
    problems = []
    for name, keys in named.items():
        try:
            base.replace(**keys)
        except DesignError as error:
            problems += [dataclasses.replace(p, key=f"{name}: {p.key}") for p in error.problems]
    if problems:
        raise DesignError(f"changes to {base.name}", problems)
    return named


def _claim(claimed: Sequence[float] | None) -> tuple[float, float] | None:
    if claimed is None:
        return None
    values = [float(value) for value in claimed]
    if len(values) != 2 or not all(isfinite(value) for value in values):
        raise ValueError(f"claimed {claimed!r}; expected two temperatures in degC, before and after")
    return values[0], values[1]


def _load(base: Design, workload: Any) -> Workload:
    if isinstance(workload, str) and workload in base.workloads:
        return base.workloads[workload]
    return as_workload(workload, [chip.name for chip in base.machine().chips])


def _caution(named: Changes, base: Design) -> str | None:
    said = []
    keys = [(_plain(key), value) for changes in named.values() for key, value in changes.items()]
    if any(key.endswith(".voltage_offset") for key, _ in keys):
        said += [UNDERVOLT_CAUTION, NOT_A_FIX]
    fillers = [value for key, value in keys if key.endswith(".material") and value in INTERFACE_MATERIALS]
    if fillers:
        said += cautions_for(fillers)
    return " ".join(said) or None


_READING = {
    "settled": "mean over the last quarter of the run", "peak": "highest of the run", "mean": "mean over the run",
}  # fmt: skip


def _group(key: str, mode: str) -> str:
    steps = key.split(".")
    if key.endswith(".voltage_offset"):
        return "voltage"
    if steps[0] != "modes":
        return steps[1] if steps[0] == "sensors" else steps[0]
    if steps[1] != mode:
        raise ValueError(
            f"{key} differs, which is not of mode {mode!r}; expected changes that act in the mode simulated"
        )
    return {"chips": "power limits", "shared_budget": "power limits", "fans": "fans", "noise_cap": "fans",
            "skin_limits": "skin limits"}.get(steps[2], steps[2])  # fmt: skip


def _same(a: Any, b: Any) -> bool:
    return bool(a is b or a == b)


def _plain(key: str) -> str:
    return key.removeprefix("parts.")


def _text(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, int | float) and not isinstance(value, bool):
        return number_text(float(value))
    return str(value)


def _said(names: frozenset[str], named: Changes) -> str:
    return " + ".join(name for name in named if name in names) or "before"


__all__ = ["MOST_CHANGES", "changes_between", "in_words", "undervolt_or_repaste"]
