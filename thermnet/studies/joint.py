"""What a joint between chip and plate looks like place by place, and what its faults cost."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.design.samples import sample_count
from thermnet.parts.clamped_joint import ClampedJoint
from thermnet.parts.die import Die
from thermnet.parts.joint_map import JointMap
from thermnet.physics.fasteners import in_pound_force
from thermnet.physics.joint_maps import mean_area_resistance
from thermnet.physics.mounted_plate import crosswise
from thermnet.studies.joint_view import clamped, joints_on_chips, view_joint
from thermnet.studies.study import Study, provenance

Array = NDArray[np.float64]

CAUTION = (
    "A model result for design decisions. What load, edge pressure and board strain a bare die and its package may "
    "carry is the supplier's to say; clamp loads, torques and process windows must be qualified on real parts."
)


def joint(
    design: Design, mode: str = "desk", ambient: float | None = None, *, through: str | None = None,
    power: float | None = None, across: int = 40, progress: bool = False,
) -> Study:  # fmt: skip
    """Pressure, bond line and temperature rise all over a joint, and what its faults cost against a flat one.

    Parameters
    ----------
    design : Design
        With a ``clamped_joint``, or a plain ``interface`` (then shown as the flat joint it stands for).
    mode : str
        Gives the power, where none is given: its burst limit of that chip.
    ambient : float, optional
        degC; only kept in the provenance, because rises are counted over the plate.
    through : str, optional
        Name of the interface part; the first one on top of a chip if left out.
    power : float, optional
        W of the chip.
    across : int
        Cells along each side of the maps.
    progress : bool
        Takes no notice: a map takes a fraction of a second.

    Returns
    -------
    Study
        One row per block of the die: ``block``, ``area_mm2``, ``heat_W``, ``area_resistance_K_mm2_per_W``,
        ``flat_K_mm2_per_W``, ``link_K_per_W``, ``mean_bond_line_um``, ``mean_rise_K``, ``peak_rise_K``.  Further tables:
        ``map`` (one row per cell), ``loads``, and ``tightening`` where there are screws or springs.

    Raises
    ------
    ValueError
        No such joint, a design of many samples, or a power or number of cells that cannot be.
    """
    import pandas as pd

    if sample_count(design) is not None:
        raise ValueError(
            f"{design.name} is a design of many samples; expected a single machine (take one of them)"
        )
    if not 4 <= across <= 200:
        raise ValueError(f"{across} cells along each side; expected 4 to 200")
    name, chip = _joint_on_chip(design, through)
    die: Die = design.parts[chip]  # type: ignore[assignment]
    own, plain = clamped(design.parts[name], die)
    watts = _power(design, mode, chip) if power is None else float(power)
    if not np.isfinite(watts) or watts < 0.0:
        raise ValueError(f"power {watts:g} W; expected 0 W or more")
    view = view_joint(own, die, watts, across)
    found, flat, flux, rise, level = view.found, view.flat, view.flux, view.rise, view.flat_rise
    rows = []
    for (block, area), heat, share in zip(view.areas.items(), view.heats, view.shares, strict=True):
        here = mean_area_resistance(found.area_resistance, share)
        rows.append(
            {
                "block": block, "area_mm2": area * 1e6, "heat_W": heat,
                "area_resistance_K_mm2_per_W": float(here) * 1e6,
                "flat_K_mm2_per_W": float(mean_area_resistance(flat.area_resistance, share)) * 1e6,
                "link_K_per_W": float(here) / area,
                "mean_bond_line_um": float(np.sum(share * found.bond_line) / np.sum(share)) * 1e6,
                "mean_rise_K": float(np.sum(share * rise) / np.sum(share)),
                "peak_rise_K": float(np.max(np.where(share > 0.5, rise, -np.inf))),
            }
        )  # fmt: skip
    tables = {"map": _map_table(found, flux, rise, level), "loads": _loads_table(own, found)}
    if len(own.screws) + len(own.springs) > 1 and plain is None:
        tables["tightening"] = _tightening_table(own)
    tilt_known = "settled by the forces" if own.tilt_x is None and own.tilt_y is None else "held as given"
    return Study(
        name="joint", title=f"Joint {name} on {chip} of {design.name}, {watts:.4g} W",
        question="Where does the joint press, where is it thick, and what do its faults cost?",
        table=pd.DataFrame(rows), tables=tables,
        facts={
            "clamp load": (float(found.force()), "N"), "clamp load, pound-force": (float(in_pound_force(found.force())), "lbf"),
            "mean pressure": (float(found.mean_pressure()) / 1e3, "kPa"),
            "lowest pressure": (float(np.min(found.pressure)) / 1e3, "kPa"),
            "highest pressure": (float(np.max(found.pressure)) / 1e3, "kPa"),
            "bond line, thinnest": (float(np.min(found.bond_line)) * 1e6, "um"),
            "bond line, thickest": (float(np.max(found.bond_line)) * 1e6, "um"),
            "gap opens from corner to corner": (float(found.tilt()) * 1e6, "um"), "tilt": tilt_known,
            "covered": (float(found.coverage()) * 100.0, "percent"),
            "squeezed out": (float(found.squeezed_out) * 1e9, "mm^3"),
            "area resistance of the whole": (float(found.whole()) * 1e6, "K_mm2_per_W"),
            "the same, flat": (float(flat.whole()) * 1e6, "K_mm2_per_W"),
            "hottest place over the plate": (float(np.max(rise)), "K"),
            "the same, flat joint": (float(np.max(level)), "K"),
        },
        assumptions=(
            "Chip and plate are rigid; bows are those under load at the joint's temperature.",
            "The bond-line law of the material, measured under even pressure, is used place by place.",
            "The plate is of one temperature; heat spreads sideways in the silicon only, each block heated evenly.",
            "Links average the conductance over each block; the flat joint has the same load, centred, and no voids.",
            *(() if plain is None else (plain,)),
            design.note or "No note on the origin of the design data.",
        ),
        figures=("rise", "bond_line", "pressure", *(("tightening",) if "tightening" in tables else ())),
        caution=" ".join((CAUTION, *own.cautions(design.parts[chip].material))),  # type: ignore[attr-defined]
        provenance=provenance(design, mode=mode, ambient=design.ambient if ambient is None else ambient, joint=name,
                              power_W=watts, solver={"cells": across}),
    )  # fmt: skip


# -- inside ------------------------------------------------------------------------------------------------


def _joint_on_chip(design: Design, through: str | None) -> tuple[str, str]:
    """Name of the interface part and of the chip below it."""
    known = joints_on_chips(design)
    if not known or (through is not None and through not in known):
        raise ValueError(
            f"{design.name}: joint {through or 'on a chip'} not found; expected a clamped_joint or interface on top of a "
            f"chip: {', '.join(known) or 'there is none'}"
        )
    name = next(iter(known)) if through is None else through
    return name, known[name]


def _power(design: Design, mode: str, chip: str) -> float:
    if mode not in design.modes:
        raise ValueError(f"mode {mode!r}; expected one of {', '.join(design.modes)}")
    control = design.modes[mode].chips.get(chip)
    if control is None:
        raise ValueError(f"mode {mode} says nothing of chip {chip}; expected a power")
    return float(control.burst_limit)


def _map_table(found: JointMap, flux: Array, rise: Array, level: Array) -> Any:
    import pandas as pd

    return pd.DataFrame(
        {
            "x_mm": found.x * 1e3, "y_mm": found.y * 1e3, "pressure_kPa": found.pressure / 1e3,
            "bond_line_um": found.bond_line * 1e6, "covered_percent": found.filled * 100.0,
            "area_resistance_K_mm2_per_W": found.area_resistance * 1e6, "flux_W_per_mm2": flux * 1e-6, "rise_K": rise,
            "flat_rise_K": level,
        }
    )  # fmt: skip


def _loads_table(own: ClampedJoint, found: JointMap) -> Any:
    import pandas as pd

    kinds = ["screw"] * len(own.screws) + ["spring"] * len(own.springs) or ["clamp force"]
    rows = [
        {"load": f"{kind} {k}", "x_mm": float(x) * 1e3, "y_mm": float(y) * 1e3, "force_N": float(force)}
        for k, (kind, (x, y, _, _), force) in enumerate(zip(kinds, own.loads(), found.loads, strict=True), 1)
    ]
    return pd.DataFrame(rows)


def _tightening_table(own: ClampedJoint) -> Any:
    """All at once one after the other, crosswise, and crosswise in three passes: worst on the way."""
    import pandas as pd

    rows = own.loads()
    x, y = [float(r[0]) for r in rows], [float(r[1]) for r in rows]
    orders = {
        "round": [(k, 1.0) for k in range(len(rows))],
        "crosswise": crosswise(x, y),
        "crosswise in three passes": crosswise(x, y, (1 / 3, 2 / 3, 1.0)),
    }
    told = []
    for name, order in orders.items():
        for number, step in enumerate(own.tightening(order), 1):
            told.append(
                {
                    "order": name, "step": number, "screw": step.screw + 1, "share_percent": step.share * 100.0,
                    "tilt_um": step.tilt * 1e6, "highest_pressure_kPa": step.peak_pressure / 1e3,
                    "thickest_um": step.widest * 1e6, "pulled_apart_percent": step.pulled * 100.0,
                }
            )  # fmt: skip
    return pd.DataFrame(told)
