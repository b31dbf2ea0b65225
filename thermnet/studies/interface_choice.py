"""Which interface material to put in a joint: the first second, the burst, the sustained power, and the risks."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.parts.interface import FilledJoint
from thermnet.solve.pack import mode_of
from thermnet.studies.burst_budget import CAUTION, _word
from thermnet.studies.held_power import HeldPower, highest_power, samples_of
from thermnet.studies.interface_risks import COLDEST_TRANSPORT, cautions_for, risk_table
from thermnet.studies.joint_options import (
    JointPlace,
    joint_on_die,
    known_material,
    mean_bond_line,
    pressed,
    with_material,
)
from thermnet.studies.study import Study, provenance
from thermnet.studies.time_to_limit import first_crossings

MATERIALS = ("grease", "phase_change", "graphite_pad", "liquid_metal")
LOW_PRESSURE, HIGH_PRESSURE = 200e3, 600e3
"""Pa on the die: relaxed at the end of life, and well clamped (common practice, no source)."""
LONGEST = 600.0
"""s; a burst that lasts longer counts as sustained."""
AS_DESIGNED = "as designed"


def interface_choice(
    design: Design, mode: str = "desk", ambient: float | None = None, materials: Sequence[str] = MATERIALS, *,
    joint: str | None = None, loads: tuple[float, float] | None = None, barrier: bool | None = None,
    burst: float | None = None, hold: float = 20.0, start: Any = "idle", transport: float = COLDEST_TRANSPORT,
    progress: bool = False,
) -> Study:  # fmt: skip
    """Compare interface materials in one joint, new and at the end of life, at low and high clamp load.

    For each: how much the hot spot rises in the first second of a burst, how long the burst lasts and how many
    watts are held for ``hold`` s, what is sustained, and which limit binds; beside it a table of risks.  The
    mode's fans act, its power limits and throttles do not.

    Parameters
    ----------
    design : Design
    mode, ambient, start
        As for :func:`burst_budget`.
    materials : sequence of str
        Names of interface materials.
    joint : str, optional
        Name of the interface part on a die; the first one if left out.
    loads : (low, high), optional
        Clamp loads in N; 0.2 and 0.6 MPa on the die if left out.
    barrier : bool, optional
        Whether plating or coating keeps liquid metal off aluminium; as the design has it if left out.
    burst : float, optional
        W; the mode's burst limit for the chip if left out.
    hold : float
        s, for which the watts held are told.
    transport : float
        Coldest the machine is shipped or stored, degC.

    Returns
    -------
    Study
        One row per material, clamp load and age; the first row is the joint as designed.  Columns ``material``,
        ``clamp_load``, ``age``, ``load_N``, ``pressure_kPa``, ``bond_line_um``, ``joint_K_mm2_per_W``,
        ``rise_1_s_K``, ``cooler_1_s_K`` (than as designed), ``burst_s`` (nan: longer than ten minutes),
        ``burst_held_by``, ``held_W``, ``sustained_W``, ``sustained_held_by``.

    Raises
    ------
    DesignError, ValueError
        No such joint or material; liquid metal against bare aluminium without a barrier.
    """
    import pandas as pd

    place = joint_on_die(design, joint)
    chosen = mode_of(design.modes, mode)
    power = chosen.chips[place.chip].burst_limit if burst is None else float(burst)
    if not (np.isfinite(power) and power > 0):
        raise ValueError(f"burst {burst!r} W; expected a power above 0 W")
    names = [known_material(name).name for name in materials]
    if not names:
        raise ValueError("materials: none; expected at least one interface material")
    asked = _Asked(mode, ambient, start, power, hold, place)
    options: Any = _options(place, names, _loads(loads, place), barrier)
    if progress:
        from tqdm.auto import tqdm

        options = tqdm(options, desc="interface materials", unit="joint", leave=False)
    rows = []
    for words, filler in options:
        rows.append(words | _figures(design, filler, asked))
    own = rows[0]["rise_1_s_K"]
    table = pd.DataFrame([row | {"cooler_1_s_K": own - row["rise_1_s_K"]} for row in rows])
    risks = risk_table(design, place, names, transport)
    ambient_used = design.machine(ambient).ambient
    return Study(
        name="interface_choice", title=f"Interface choice for {design.name}, mode {mode}, {ambient_used:g} °C",
        question="Which interface material: what is it worth in the first second, in a burst and sustained, and at what risk?",
        table=table, tables={"risks": risks}, facts=_facts(table, power, hold),
        assumptions=(
            f"Joint {place.part!r} on {place.chip}: {power:g} W on the chip from {_word(start)}; the mode's fans act, its "
            "power limits and throttles do not.",
            "End of life: the area resistance of a new joint times the material's end-of-life factor.",
            "The gap that bow and tilt leave beyond the material's own bond line is the same for all pastes and liquid "
            "metal; pads are taken to follow it." if _has_gap(place) else
            "Bond lines follow from material and clamp load; liquid metal takes the gap it finds.",
            "Phase-change films have had their first hot run.",
            "Values of materials are illustrative (common practice, no source) unless your design states its own.",
            f"{design.note or 'No note on the origin of the design data.'}",
        ),
        caution=" ".join([*cautions_for(names), CAUTION]),
        provenance=provenance(design, mode=mode, ambient=ambient_used, materials=names, joint=place.part, power_W=power,
                              hold_s=hold, loads_N=list(_loads(loads, place)), barrier=barrier, transport_degC=transport,
                              start=_word(start)),
    )  # fmt: skip


@dataclasses.dataclass(frozen=True)
class _Asked:
    """Conditions common to all options."""

    mode: str
    ambient: float | None
    start: Any
    power: float
    hold: float
    place: JointPlace


def _options(
    place: JointPlace, names: Sequence[str], loads: tuple[float, float], barrier: bool | None
) -> list[tuple[dict[str, Any], FilledJoint]]:
    """The joint as designed, then every material at both loads, new and aged, with the words that tell them apart."""
    base = place.filler if barrier is None else dataclasses.replace(place.filler, barrier=barrier)
    rows: list[tuple[dict[str, Any], FilledJoint]] = [
        ({"material": place.filler.material, "clamp_load": AS_DESIGNED, "age": AS_DESIGNED}, base)
    ]
    for name in names:
        for load, force in zip(("low", "high"), loads, strict=True):
            # Press first: a gap that the drawing states belongs to the faces, not to the material that goes in next.
            there = with_material(pressed(base, force, place.area), name)
            for age, share in (("new", 0.0), ("end of life", 1.0)):
                words = {"material": name, "clamp_load": load, "age": age}
                rows.append((words, dataclasses.replace(there, ageing=share)))
    return rows


def _figures(design: Design, filler: FilledJoint, asked: _Asked) -> dict[str, Any]:
    """What one option is worth."""
    place = asked.place
    held = HeldPower.of(
        design.replace(**{place.part: filler}), asked.mode, asked.ambient, asked.start, {place.chip: 1.0}
    )
    run = held.run(asked.power, LONGEST)
    spot = run.temperature(f"{place.chip}.hot_spot")
    crossed = {name: t for name, t in first_crossings(run, held).items() if np.isfinite(t)}
    first = min(crossed, key=lambda name: crossed[name]) if crossed else "none"
    (last,) = samples_of([asked.hold], held.plant.period)
    watts, _ = highest_power(lambda p: held.excess(p, [last])[0], asked.power)
    sustained, q = highest_power(held.steady_excess, 0.6 * asked.power)
    pressure = float(np.mean(filler.pressure()))
    return {
        "load_N": pressure * place.area, "pressure_kPa": pressure * 1e-3, "bond_line_um": mean_bond_line(filler) * 1e6,
        "joint_K_mm2_per_W": place.area_resistance(filler) * 1e6,
        "rise_1_s_K": float(np.interp(1.0, run.time, spot)) - float(spot[0]), "burst_s": crossed.get(first, float("nan")),
        "burst_held_by": first, "held_W": watts, "sustained_W": sustained,
        "sustained_held_by": held.limits[q].name if q >= 0 else "none",
    }  # fmt: skip


def _facts(table: Any, power: float, hold: float) -> dict[str, Any]:
    own = table.iloc[0]
    facts: dict[str, Any] = {
        "burst": (power, "W"), "as designed, rise in the first second": (float(own["rise_1_s_K"]), "K"),
        "as designed, burst lasts": _lasts(float(own["burst_s"])),
        f"as designed, held for {hold:g} s": (float(own["held_W"]), "W"),
        "as designed, sustained": (float(own["sustained_W"]), "W"),
        "sustained is held by": str(own["sustained_held_by"]),
    }  # fmt: skip
    new = table[table["age"] == "new"]
    best = new.loc[new["cooler_1_s_K"].idxmax()]
    facts["coolest in the first second"] = f"{_words(best)}"
    facts["its gain in the first second"] = (float(best["cooler_1_s_K"]), "K")
    facts["its gain in the burst"] = (float(best["held_W"] - own["held_W"]), "W")
    facts["its gain sustained"] = (float(best["sustained_W"] - own["sustained_W"]), "W")
    worst = table.loc[table["rise_1_s_K"].idxmax()]
    facts["hottest in the first second"] = f"{_words(worst)}"
    return facts


def _lasts(seconds: float) -> Any:
    return (seconds, "s") if np.isfinite(seconds) else f"longer than {LONGEST / 60:g} min"


def _words(row: Mapping[str, Any]) -> str:
    if row["clamp_load"] == AS_DESIGNED:
        return f"{row['material']} as designed"
    return f"{row['material']}, {row['clamp_load']} load, {row['age']}".replace("_", " ")


def _loads(loads: tuple[float, float] | None, place: JointPlace) -> tuple[float, float]:
    if loads is None:
        return LOW_PRESSURE * place.area, HIGH_PRESSURE * place.area
    low, high = (float(value) for value in loads)
    if not (np.isfinite(high) and 0 < low < high):
        raise ValueError(f"loads {loads!r} N; expected a low and a higher clamp load above 0 N")
    return low, high


def _has_gap(place: JointPlace) -> bool:
    return place.filler.bond_line is not None


__all__ = ["MATERIALS", "interface_choice"]
