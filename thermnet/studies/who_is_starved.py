"""One plate over several chips and pads: who loses contact when one of them is not as drawn."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

from thermnet.materials.interface_materials import interface_material
from thermnet.physics.mounted_plate import Body, Load, Mounted, mount
from thermnet.studies.joint import CAUTION
from thermnet.studies.study import Study, provenance

Changes = Mapping[str, Mapping[str, Any]]
"""Body name to field and the amount added to it, in the inside unit."""


def demo_plate() -> tuple[tuple[Body, ...], tuple[Load, ...]]:
    """Invented plate of a 16-inch machine: two chips, four memories and a row of regulators, six spring screws.

    All values illustrative (common practice, no source).
    """
    memories = [
        Body(name=f"memory_{k}", x=x, y=y, length=12e-3, width=10e-3, drawn_gap=0.75e-3, supplied=1.0e-3)
        for k, (x, y) in enumerate(((31e-3, 18e-3), (45e-3, 18e-3), (31e-3, -18e-3), (45e-3, -18e-3)), 1)
    ]
    bodies = (
        Body(name="cpu", material="grease", length=15e-3, width=14e-3, drawn_gap=30e-6),
        Body(name="gpu", material="grease", x=37e-3, length=20e-3, width=15e-3, drawn_gap=30e-6),
        *memories,
        Body(name="regulators", x=-18e-3, length=8e-3, width=36e-3, drawn_gap=0.75e-3, supplied=1.0e-3),
    )
    places = (
        (-12e-3, -15e-3),
        (-12e-3, 15e-3),
        (17e-3, -14e-3),
        (17e-3, 14e-3),
        (54e-3, -14e-3),
        (54e-3, 14e-3),
    )
    return bodies, tuple((x, y, 34.0, 12e3) for x, y in places)


def who_is_starved(
    bodies: Sequence[Body] | None = None, loads: Sequence[Load] | None = None, changes: Changes | None = None, *,
    across: int = 12, progress: bool = False,
) -> Study:  # fmt: skip
    """Force, gap and area resistance of every body under one plate, as drawn and with something changed.

    Parameters
    ----------
    bodies, loads : sequences, optional
        See :mod:`thermnet.physics.mounted_plate`; :func:`demo_plate` if left out.
    changes : mapping, optional
        Body to field and amount added, e.g. ``{"memory_1": {"supplied": 1e-4}}`` for a pad 0.1 mm too thick; that of the
        largest pad if left out.
    across : int
        Cells along each side of every body.
    progress : bool
        Takes no notice: it takes a fraction of a second.

    Returns
    -------
    Study
        One row per body: ``body``, ``drawn_force_N``, ``force_N``, ``drawn_gap_um``, ``gap_um``,
        ``drawn_K_mm2_per_W``, ``area_resistance_K_mm2_per_W``, ``change_percent``, ``touching_percent``.

    Raises
    ------
    ValueError
        A body or field that is not there, or a plate that tips over.
    """
    import pandas as pd

    if (bodies is None) != (loads is None):
        raise ValueError("bodies without loads, or loads without bodies; expected both or neither")
    drawn, pressed = demo_plate() if bodies is None or loads is None else (tuple(bodies), tuple(loads))
    if changes is None:
        pads = [body.name for body in drawn if body.supplied is not None]
        if not pads:
            raise ValueError(
                "changes: none given and no pad to make thicker; expected body and field to change"
            )
        changes = {pads[0]: {"supplied": 0.1e-3}}
    before, after = mount(drawn, pressed, across), mount(_changed(drawn, changes), pressed, across)
    rows = []
    for old, new in zip(before.bodies, after.bodies, strict=True):
        rows.append(
            {
                "body": old.name, "drawn_force_N": old.force, "force_N": new.force, "drawn_gap_um": old.gap * 1e6,
                "gap_um": new.gap * 1e6, "drawn_K_mm2_per_W": old.area_resistance * 1e6,
                "area_resistance_K_mm2_per_W": new.area_resistance * 1e6,
                "change_percent": (new.area_resistance / old.area_resistance - 1.0) * 100.0,
                "touching_percent": new.touching * 100.0,
            }
        )  # fmt: skip
    table = pd.DataFrame(rows)
    worst = rows[max(range(len(rows)), key=lambda k: float(rows[k]["change_percent"]))]
    told = "; ".join(
        f"{name} {field} {amount * 1e6:+.4g} um"
        for name, one in changes.items()
        for field, amount in one.items()
    )
    return Study(
        name="who_is_starved", title=f"Who is starved under one plate: {told}",
        question="Who loses force and contact when one body under a shared plate is not as drawn?",
        table=table,
        facts={
            "worst off": str(worst["body"]), "its area resistance grows by": (float(worst["change_percent"]), "percent"),
            "it loses": (float(worst["drawn_force_N"] - worst["force_N"]), "N"), "total force": (_total(after), "N"),
            "plate rises at the origin by": ((after.settled.height - before.settled.height) * 1e6, "um"),
            "tilt along x": (after.settled.slope_x * 1e3, "mm per m"),
            "tilt along y": (after.settled.slope_y * 1e3, "mm per m"),
        },
        assumptions=(
            "The plate and the board are rigid: in a real machine both bend, which spreads the loss more evenly.",
            "Pads follow their compression curves, pastes their bond-line law; none of them pulls.",
            "Without bodies of your own the plate is invented and its values illustrative (common practice, no source).",
        ),
        caution=CAUTION, provenance=provenance(None, changes={k: dict(v) for k, v in changes.items()}, cells=across),
    )  # fmt: skip


def _changed(bodies: Sequence[Body], changes: Changes) -> tuple[Body, ...]:
    names = [body.name for body in bodies]
    known = [f.name for f in dataclasses.fields(Body) if f.name not in ("name", "material")]
    for name, one in changes.items():
        if name not in names:
            raise ValueError(f"body {name!r}; expected one of {', '.join(names)}")
        wrong = [field for field in one if field not in known]
        if wrong:
            raise ValueError(f"field {wrong[0]!r} of {name}; expected one of {', '.join(known)}")
    return tuple(
        dataclasses.replace(body, **{k: _now(body, k) + v for k, v in changes.get(body.name, {}).items()})
        for body in bodies
    )


def _now(body: Body, field: str) -> Any:
    """Value of a field; the thickness of a pad left out is that of its material."""
    value = getattr(body, field)
    return interface_material(body.material).bond_line if value is None else value


def _total(mounted: Mounted) -> float:
    return float(sum(state.force for state in mounted.bodies))
