"""What can go wrong with an interface material in a joint: risks, why, and what to ask for.

Engineering cautions from common practice, not a qualification: each row defers to the supplier's data and to
whoever is licensed to decide.  Levels are ``none``, ``low``, ``moderate``, ``high``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from thermnet.design.design import Design
from thermnet.materials.interface_materials import InterfaceMaterial
from thermnet.materials.solids import base_metal
from thermnet.studies.joint_options import JointPlace, known_material

COLDEST_TRANSPORT = -20.0
"""degC met in a parked vehicle or a hold; common practice, no source."""
LIQUID_METAL = (
    "Liquid metal is never a plain swap: it conducts electricity and flows, destroys aluminium, can freeze in transport "
    "(its true eutectic is near +11 degC, not the -19 degC often claimed), ages in humid air, and spills on removal. Have "
    "process, plating, coating and dam qualified; a first application and every removal belong in trained hands."
)
DEFERENCE = (
    "Engineering cautions from common practice, not a qualification: they defer to the supplier's data for the material, "
    "to local codes, and to whoever is licensed to decide on it."
)
WEARS, WEARS_MUCH = 1.3, 1.7
"""End-of-life factor from which ageing counts as moderate, as high."""

Row = tuple[str, str, str, str]


def risk_table(
    design: Design, joint: JointPlace, materials: Sequence[str], transport: float = COLDEST_TRANSPORT
) -> Any:
    """List the risks of each material in a joint.

    Parameters
    ----------
    transport : float
        Coldest the machine is shipped or stored, degC.

    Returns
    -------
    pandas.DataFrame
        Columns ``material``, ``risk``, ``level``, ``why``, ``ask_for``.
    """
    import pandas as pd

    rows = []
    for name in dict.fromkeys(materials):
        material = known_material(name)
        found = [
            _ageing(material), _shorting(material), _aluminium(design, joint, material), _copper(joint, material),
            _freezing(material, transport), _humidity(material), _voids(material), _fit(material), _service(material),
        ]  # fmt: skip
        rows += [(name, *row) for row in found]
    return pd.DataFrame(rows, columns=["material", "risk", "level", "why", "ask_for"])


def cautions_for(materials: Sequence[str]) -> list[str]:
    """What to say beside any result in which these materials appear."""
    liquid = any(known_material(name).attacks_aluminium for name in materials)
    return [*([LIQUID_METAL] if liquid else []), DEFERENCE]


def _ageing(material: InterfaceMaterial) -> Row:
    factor = material.end_of_life_factor
    low, high = material.ranges["end_of_life_factor"]
    level = "high" if factor >= WEARS_MUCH else "moderate" if factor >= WEARS else "low"
    why = {
        "paste": "a die that bows with every power cycle pumps it out, from the middle and the corners"
        if material.wetting_start is None
        else "melts and re-wets with use; little is pumped out",
        "gap": "oxidation, reaction with the plate, and migration",
        "pad": "stays where it is; silicone ones bleed oil"
        if not material.electrically_conductive
        else "stays where it is",
    }.get(material.law, "depends on the faces")
    return (
        "pump-out and ageing", level, f"{why}; area resistance at end of life x{factor:g} (practice {low:g} to {high:g})",
        "power cycling data on a bare die of your bow and temperature swing",
    )  # fmt: skip


def _shorting(material: InterfaceMaterial) -> Row:
    if not material.electrically_conductive:
        return "electrical shorting", "none", "does not conduct electricity", "the supplier's data sheet"
    if material.melting_point is not None:
        why = "conducts and flows: excess squeezed out, shaken loose or spilled on removal reaches bare components"
        return (
            "electrical shorting",
            "high",
            why,
            "dam, coating of all that is near, metered volume, shock and drop tests",
        )
    if material.law == "pad":
        return (
            "electrical shorting",
            "moderate",
            "crumbs and edges conduct",
            "clearance to bare contacts, cut edges sealed",
        )
    return "electrical shorting", "low", "conducts, but stays where it is", "clearance to bare contacts"


def _aluminium(design: Design, joint: JointPlace, material: InterfaceMaterial) -> Row:
    if not material.attacks_aluminium:
        return "attack of aluminium", "none", "does not react with aluminium", "-"
    near = sorted(
        name
        for name, part in design.parts.items()
        if base_metal(str(getattr(part, "material", ""))) == "aluminium"
    )
    behind = [m for m in (joint.hot, joint.cold) if base_metal(m) == "aluminium"]
    if behind:
        why = f"{behind[0]} lies behind the declared barrier: one scratch lets it creep along the grain boundaries"
    else:
        why = "creeps along the grain boundaries and destroys it within minutes to days"
    if near:
        why += f"; bare aluminium elsewhere in the machine: {', '.join(near)}"
    return (
        "attack of aluminium", "high" if behind or near else "moderate", why,
        "no bare aluminium that a drop can reach; plating and coating qualified by test",
    )  # fmt: skip


def _copper(joint: JointPlace, material: InterfaceMaterial) -> Row:
    if not material.attacks_aluminium:
        return "reaction with the plate", "none", "does not react with the plate", "-"
    bare = base_metal(joint.cold) == "copper"
    why = "reacts with copper over months and dries out" if bare else "slow where the face is nickel-plated"
    return (
        "reaction with the plate",
        "moderate" if bare else "low",
        why,
        "nickel plate, and its thickness on the drawing",
    )


def _freezing(material: InterfaceMaterial, transport: float) -> Row:
    melting = material.melting_point
    if melting is None:
        return "freezing in transport", "none", "has no melting point in use", "-"
    why = (
        f"the gallium-indium-tin eutectic freezes near {melting:g} degC (the -19 degC often claimed is how far it can "
        f"supercool) and swells by about 3 % as gallium does; transport down to {transport:g} degC"
    )
    level = "high" if transport < melting else "low"
    return (
        "freezing in transport",
        level,
        why,
        "frost cycles in the packed machine, then the joint measured again",
    )


def _humidity(material: InterfaceMaterial) -> Row:
    if not material.attacks_aluminium:
        level = "low" if material.law in ("paste", "pad") else "none"
        return "humidity", level, "little sensitive", "damp-heat data of the supplier"
    why = "humid air turns it into a solid oxide-hydroxide over years; damp gallium on aluminium gives off hydrogen"
    return (
        "humidity and hydrogen",
        "moderate",
        why,
        "damp-heat test of the sealed joint, and no closed pocket that could fill with gas",
    )


def _voids(material: InterfaceMaterial) -> Row:
    level, why = {
        "paste": ("moderate", "air trapped in the dispensed pattern; dry corners after pump-out"),
        "gap": ("high", "pulls back where a face is not wetted, and tears when the plate is lifted"),
        "pad": ("low", "air under a pad laid askew"),
        "dry": ("high", "is nothing but voids between high spots"),
    }[material.law]
    return "voids", level, why, "X-ray or ultrasound of first builds, and of units after drop and cycling"


def _fit(material: InterfaceMaterial) -> Row:
    if material.wetting_start is not None:
        why = f"needs one run above {material.wetting_end:g} degC at the joint before it wets; a first test looks bad"
        return "first heat", "moderate", why, "a heat step in the factory, or a note to whoever tests first"
    if material.law == "pad":
        return (
            "fit to the gap",
            "moderate",
            "does not fill uneven gaps: flatness and load decide",
            "flatness of both faces, load per part",
        )
    if material.law == "paste":
        return (
            "fit to the gap",
            "low",
            "fills what bow and tilt leave, at the price of a thicker joint",
            "bond line on built units",
        )
    return (
        "fit to the gap",
        "moderate",
        "wets only prepared faces; the gap sets its thickness",
        "volume metered to the gap",
    )


def _service(material: InterfaceMaterial) -> Row:
    if material.melting_point is not None:
        why = (
            "removal spills; alloyed faces cannot be cleaned back; not for repair outside a trained workshop"
        )
        return "serviceability", "high", why, "a written removal procedure, and who may follow it"
    if material.law == "pad" or material.wetting_start is not None:
        return "serviceability", "low", "a new pad or film at every opening", "spare part and its storage"
    if material.law == "paste":
        return (
            "serviceability",
            "low",
            "wiped off and applied anew; amount and pattern vary by hand",
            "stencil or metered dispense",
        )
    return "serviceability", "moderate", "not meant to be opened", "the supplier's rework note"
