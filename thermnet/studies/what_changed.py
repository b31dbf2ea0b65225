"""The difference between two designs, parameter by parameter, and what each change did to the result."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from thermnet import units
from thermnet.design.check import problems_of
from thermnet.design.design import Design
from thermnet.design.replace import get, slots
from thermnet.errors import DesignError, ThermnetError
from thermnet.parameter import declarations
from thermnet.parts.base import Part
from thermnet.solve.pack import mode_of
from thermnet.studies.burst_budget import CAUTION
from thermnet.studies.held_power import HeldPower, highest_power
from thermnet.studies.steady_machine import check_limits
from thermnet.studies.study import Study, design_hash, provenance

MOST_SHARED = 6
"""Changes up to which every order in which they could be made is averaged (2 to this power designs)."""

STRUCTURE = "parts and joints"
"""Name of the change that swaps parts or joints, which no parameter can express."""

REFERENCES = ("preheat_from",)
"""Fields of parts that name another part."""

IGNORED = ("name", "title", "note")
OUTPUTS = ("sustained_W", "burst_W", "junction_degC", "skin_degC")


@dataclasses.dataclass(frozen=True)
class Change:
    """One difference: its dotted key, both values in the inside unit, and how they are written for people."""

    key: str
    before: Any
    after: Any
    before_text: str
    after_text: str


def what_changed(
    design_a: Design, design_b: Design, mode: str = "desk", ambient: float | None = None, *,
    duration: float = 10.0, power: float | None = None, split: Mapping[str, float] | None = None,
    progress: bool = False,
) -> Study:  # fmt: skip
    """Difference between two designs and the part of each change in what it did.

    Parameters
    ----------
    design_a, design_b : Design
        Before and after.
    mode : str
    ambient : float, optional
        degC for both; each design's own if left out (a different ambient is then one of the changes).
    duration : float
        s of the burst.
    power : float, optional
        W at which junction and skin are compared; the first design's sustained limit if left out.
    split : mapping of chip to share, optional
    progress : bool

    Returns
    -------
    Study
        One row per change: ``key``, ``before``, ``after``, and for ``sustained_W``, ``burst_W``, ``junction_K`` and
        ``skin_K`` what the change did alone from the first design (``..._first``), alone in the second
        (``..._last``), and its fair part (``..._part``): the mean over all orders of making the changes, with up to
        six of them; above that the mean of the two.  The parts add up to the whole up to six changes; what is left
        over above that is told as ``interaction``.  Table ``totals`` has both designs and the whole difference.

    Raises
    ------
    NetworkError, ValueError
        A mode one of the designs does not have, impossible numbers.
    DesignError
        Designs of which no mixture can be built.
    """
    import pandas as pd

    changes = differences(design_a, design_b, ambient)
    given = _Measure(mode, ambient, float(duration), _level(design_a, mode, power, split), split)
    results: dict[frozenset[str], tuple[float, ...]] = {}
    failed: list[str] = []
    shared = 0 < len(changes) <= MOST_SHARED
    everything = frozenset(c.key for c in changes)
    wanted = _subsets(everything) if shared else _ends(everything)
    steps: Any = wanted
    if progress:
        from tqdm.auto import tqdm

        steps = tqdm(wanted, desc="what changed", unit="design", leave=False)
    for subset in steps:
        if subset in results:
            continue
        try:
            mixture = mixed(design_a, design_b, changes, subset)
            results[subset] = given.of(mixture)
        except (ThermnetError, ValueError) as error:
            if subset in (frozenset(), everything):
                raise
            failed.append(f"{', '.join(sorted(subset))}: {str(error).splitlines()[0]}")
            results[subset] = (math.nan,) * len(OUTPUTS)
    rows = [_row(c, everything, results, shared) for c in changes]
    columns = [
        "key",
        "before",
        "after",
        *(f"{_difference(o)}_{w}" for o in OUTPUTS for w in ("first", "last", "part")),
    ]
    table = pd.DataFrame(rows, columns=columns)
    first, last = results[frozenset()], results[everything]
    whole = [b - a for a, b in zip(first, last, strict=True)]
    totals = pd.DataFrame(
        [("first", *first), ("second", *last), ("difference", *whole)], columns=["design", *OUTPUTS]
    )
    left = [w - float(table[f"{_difference(o)}_part"].sum()) for o, w in zip(OUTPUTS, whole, strict=True)]
    facts: dict[str, Any] = {"changes": len(changes)}
    words = (
        f"sustained power at {mode}",
        f"power for {duration:g} s",
        f"junction at {given.power:g} W",
        f"hottest skin at {given.power:g} W",
    )
    for word, output, amount in zip(words, OUTPUTS, whole, strict=True):
        unit = "W" if output.endswith("_W") else "K"
        facts[word] = (amount, unit)
        most = _most(table, f"{_difference(output)}_part")
        if most:
            facts[f"most of it from ({word})"] = most
    if any(abs(v) > 0.05 for v in left):
        facts["interaction, not given to any one"] = ", ".join(
            f"{v:+.2f} {'W' if o.endswith('_W') else 'K'} ({o.removesuffix('_W').removesuffix('_degC')})"
            for o, v in zip(OUTPUTS, left, strict=True)
        )
    return Study(
        name="what_changed", title=f"{design_b.name} against {design_a.name}, mode {mode}",
        question="What is different, and what did each change do?",
        table=table, tables={"totals": totals}, facts=facts,
        assumptions=(
            f"Sustained power and {duration:g} s burst from idle with the mode's fans; its power limits do not act.",
            _method(len(changes)),
            *([f"Not buildable, left out: {'; '.join(failed[:6])}."] if failed else []),
        ),
        caution=CAUTION,
        provenance=provenance(design_a, other=design_b.name, other_hash=design_hash(design_b), mode=mode,
                              ambient=ambient, duration_s=duration, power_W=given.power, split=split),
    )  # fmt: skip


def _method(count: int) -> str:
    if count == 0:
        return "The designs do not differ in anything that is declared."
    if count <= MOST_SHARED:
        return "Part of a change: mean over all orders of making the changes (fair shares of game theory, Shapley 1953)."
    return "Part of a change: mean of what it did alone at either end."


def differences(design_a: Design, design_b: Design, ambient: float | None = None) -> list[Change]:
    """List everything that differs: parameters both have, and one entry for parts and joints that only one has."""
    a, b = slots(design_a), slots(design_b)
    structure = _structure(design_a, design_b)
    skipped = set(IGNORED) | ({"ambient"} if ambient is not None else set())
    found = []
    for key in [k for k in a if k in b and not a[k].is_cell]:
        if key in skipped or (key.startswith("joints.") and structure):
            continue
        if structure and (a[key].declared.role == "names" or key.rpartition(".")[2] in REFERENCES):
            continue
        if structure and key.startswith("modes.") and not _same_controls(design_a, design_b):
            continue
        if _kept_by_structure(key, design_a, design_b):
            continue
        before, after = a[key].value, b[key].value
        if _equal(before, after):
            continue
        written = (_written(design_a, key, a[key]), _written(design_b, key, b[key]))
        found.append(Change(key, before, after, *written))
    if structure:
        found.append(Change(STRUCTURE, None, None, *structure))
    return found


def mixed(design_a: Design, design_b: Design, changes: Sequence[Change], subset: frozenset[str]) -> Design:
    """Build the first design with some of the changes made.

    Raises
    ------
    DesignError
        Changes that do not work without the others.
    """
    base = design_a
    if STRUCTURE in subset:
        parts: dict[str, Part] = {}
        for name, part in design_b.parts.items():
            own = design_a.parts.get(name)
            parts[name] = _renaming(own, part) if own is not None and own.kind == part.kind else part
        base = dataclasses.replace(design_b, parts=parts, **_settings_of(design_a, design_b))
    values = {c.key: c.after for c in changes if c.key in subset and c.key != STRUCTURE}
    made = base.replace(**values) if values else base
    problems = problems_of(made, made.parts, {n: p.kind for n, p in made.parts.items()}, made.joints)
    if problems:
        raise DesignError(made.name, problems)
    return made


@dataclasses.dataclass(frozen=True)
class _Measure:
    mode: str
    ambient: float | None
    duration: float
    power: float
    split: Mapping[str, float] | None

    def of(self, design: Design) -> tuple[float, ...]:
        """Sustained and burst power, junction and hottest skin at the held power."""
        held = HeldPower.of(design, self.mode, self.ambient, "idle", self.split)
        check_limits(held.limits, held.ambient)
        sustained, _ = highest_power(held.steady_excess, 30.0)
        last = max(1, round(self.duration / held.plant.period))
        burst, _ = highest_power(lambda p: held.excess(p, [last])[0], 1.3 * max(sustained, 20.0))
        soak = held.soak(self.power)
        at = dict(zip(held.plant.nodes, soak.everything, strict=True))
        junction = max(float(at[q.node]) for q in held.limits if q.kind == "junction")
        skins = [float(at[q.node]) for q in held.limits if q.kind == "skin"]
        return sustained, burst, junction, max(skins) if skins else float("nan")


def _renaming(own: Part, other: Part) -> Part:
    """Copy a part with the names of other parts that its counterpart gives (which fans, fins, chips)."""
    named = {
        n: getattr(other, n) for n, d in declarations(own).items() if d.role == "names" or n in REFERENCES
    }
    return dataclasses.replace(own, **named) if named else own


def _settings_of(design: Design, other: Design) -> dict[str, Any]:
    """Room and posture of the first design, and its modes and loads where they fit the other; sensors go with parts."""
    room = {
        "ambient": design.ambient,
        "altitude": design.altitude,
        "posture": design.posture,
        "name": design.name,
    }
    return room | (
        {"modes": design.modes, "workloads": design.workloads} if _same_controls(design, other) else {}
    )


def _same_controls(a: Design, b: Design) -> bool:
    """Whether the modes of one design can run the other: the same chips, fans, chargers and sensors by name."""

    def named(design: Design) -> tuple[Any, ...]:
        kinds = ("die", "fan", "charger")
        return {n for n, p in design.parts.items() if p.kind in kinds}, set(design.sensors), set(design.modes)

    return named(a) == named(b)


def _subsets(keys: frozenset[str]) -> list[frozenset[str]]:
    return [frozenset(s) for n in range(len(keys) + 1) for s in itertools.combinations(sorted(keys), n)]


def _ends(keys: frozenset[str]) -> list[frozenset[str]]:
    """The two designs, and every change alone at either end."""
    if not keys:
        return [keys]
    return [frozenset(), keys, *(frozenset({k}) for k in keys), *(keys - {k} for k in keys)]


def _row(
    change: Change, everything: frozenset[str], results: Mapping[frozenset[str], tuple[float, ...]], shared: bool
) -> tuple[Any, ...]:  # fmt: skip
    cells: list[Any] = [change.key, change.before_text, change.after_text]
    for k in range(len(OUTPUTS)):
        at = {subset: values[k] for subset, values in results.items()}
        first = at[frozenset({change.key})] - at[frozenset()]
        last = at[everything] - at[everything - {change.key}]
        part = _fair(change.key, everything, at) if shared else 0.5 * (first + last)
        cells += [first, last, part]
    return tuple(cells)


def _fair(key: str, everything: frozenset[str], at: Mapping[frozenset[str], float]) -> float:
    """Mean over all orders of what a change adds when it is made (Shapley 1953)."""
    others, n = everything - {key}, len(everything)
    total = 0.0
    for subset in _subsets(others):
        weight = math.factorial(len(subset)) * math.factorial(n - len(subset) - 1) / math.factorial(n)
        total += weight * (at[subset | {key}] - at[subset])
    return total


def _structure(a: Design, b: Design) -> tuple[str, str] | None:
    """What parts and joints only one of the designs has, in words; None if they are the same."""
    kinds_a, kinds_b = ({n: p.kind for n, p in d.parts.items()} for d in (a, b))
    joints_a, joints_b = ({(j.between, j.through) for j in d.joints} for d in (a, b))
    if kinds_a == kinds_b and joints_a == joints_b and len(a.joints) == len(b.joints):
        return None
    gone = [n for n, kind in kinds_a.items() if kinds_b.get(n) != kind]
    new = [n for n, kind in kinds_b.items() if kinds_a.get(n) != kind]
    text_a = ", ".join(f"{n} ({kinds_a[n]})" for n in gone) or f"{len(joints_a - joints_b)} joints"
    text_b = ", ".join(f"{n} ({kinds_b[n]})" for n in new) or f"{len(joints_b - joints_a)} joints"
    return text_a, text_b


def _kept_by_structure(key: str, a: Design, b: Design) -> bool:
    """Whether a parameter belongs to a part that is of another kind in the other design."""
    owner = key.partition(".")[0]
    kinds = [d.parts[owner].kind if owner in d.parts else None for d in (a, b)]
    return kinds[0] != kinds[1] or (key.startswith("sensors.") and key.endswith(".reads"))


def _equal(a: Any, b: Any) -> bool:
    if a is None or b is None:
        return a is b
    if isinstance(a, float | int | np.ndarray) and isinstance(b, float | int | np.ndarray):
        return bool(np.array_equal(np.asarray(a, dtype=float), np.asarray(b, dtype=float)))
    return bool(a == b)


def _written(design: Design, key: str, slot: Any) -> str:
    """Value as people write it; one that was left out with what is used instead."""
    value, declared = slot.value, slot.declared
    if value is None:
        used = get(design, key)
        text = "left out"
        return (
            f"{text} ({units.show(float(used), declared.unit, declared.shown or declared.unit)})"
            if _one(used)
            else text
        )
    if declared.role == "quantity" and _one(value):
        return units.show(float(value), declared.unit, declared.shown or declared.unit)
    return str(value)


def _one(value: Any) -> bool:
    return value is not None and not isinstance(value, str) and np.ndim(value) == 0


def _difference(output: str) -> str:
    return output.replace("_degC", "_K")


def _level(design: Design, mode: str, power: float | None, split: Mapping[str, float] | None) -> float:
    chips = mode_of(design.modes, mode).chips
    names = list(split) if split else [next(iter(chips))]
    level = sum(chips[n].sustained_limit for n in names if n in chips) if power is None else float(power)
    if not (np.isfinite(level) and level >= 0):
        raise ValueError(f"power {power!r} W; expected a finite power of 0 W or more")
    return float(level)


def _most(table: Any, column: str) -> str:
    """Change with the largest part, if it is more than nothing."""
    values = table[column].to_numpy(dtype=float)
    if len(values) and not np.isfinite(values).all():
        return f"not told: {int(np.sum(~np.isfinite(values)))} changes cannot be made alone"
    if not len(values) or np.nanmax(np.abs(values)) < 0.02:
        return ""
    k = int(np.nanargmax(np.abs(values)))
    unit = "W" if "_W_" in column else "K"
    return f"{table['key'].iloc[k]}, {values[k]:+.2g} {unit}"
