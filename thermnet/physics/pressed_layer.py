"""One interface material between faces that are not parallel: how it presses, how thick it is, how it resists.

Follows the ``law`` of the material's row (see :mod:`thermnet.materials.interface_materials`) place by place:

``paste``
    flows until its yield stress holds the local pressure; jams at the filler's limit;
``pad``
    is pressed along its compression curve; where the gap is wider than the pad there is air above it;
``gap``, ``dry``
    the faces rest on their high spots ``bond_line`` apart and what lies between fills the rest (metal, or air).

Where a bond line is given by hand the faces rest on spacers of that height, whatever the material.
Lengths in m, pressures in Pa, area resistances in K m^2/W; all arrays broadcast.
"""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.materials.interface_materials import PASTE_CONSTANT, PASTE_EXPONENT, InterfaceMaterial
from thermnet.physics.contact_mechanics import HARD, BedLaw, elastic_bed, pad_bed, paste_bed
from thermnet.physics.interface import area_resistance, dry_area_resistance

Array = NDArray[np.float64]


def layer_bed(
    row: InterfaceMaterial, bond_line: Any = None, supplied: Any = None
) -> tuple[BedLaw, tuple[Any, ...]]:
    """Bed law of a material and the parameters to hand to it (see ``settle_plate``).

    Parameters
    ----------
    row : InterfaceMaterial
    bond_line : float or array, optional
        Height of spacers on which the faces rest, m.
    supplied : float or array, optional
        Thickness of a pad as supplied; from the row if left out, m.
    """
    if bond_line is None and row.law == "paste":
        return paste_bed, (row.yield_stress, row.filler_limit, PASTE_CONSTANT, PASTE_EXPONENT)
    if bond_line is None and row.law == "pad":
        curve = row.compression
        law = partial(pad_bed, pressures=[p for p, _ in curve], strains=[e for _, e in curve])
        return law, (row.bond_line if supplied is None else supplied,)
    return elastic_bed, (row.bond_line if bond_line is None else bond_line, HARD)


def layer_thickness(
    row: InterfaceMaterial, gap: Any, bond_line: Any = None, supplied: Any = None
) -> tuple[Array, Array]:
    """Thickness of the material in a gap, and of the air beside it where a pad does not reach, m."""
    gap = np.asarray(gap, dtype=float)
    if bond_line is not None or row.law in ("gap", "dry"):
        return np.maximum(gap, row.bond_line if bond_line is None else bond_line), np.zeros_like(gap)
    if row.law == "paste":
        return np.maximum(gap, row.filler_limit), np.zeros_like(gap)
    free = np.asarray(row.bond_line if supplied is None else supplied, dtype=float)
    thinnest = free * (1.0 - row.compression[-1][1])
    return np.clip(gap, thinnest, free), np.maximum(gap - free, 0.0)


def layer_area_resistance(
    row: InterfaceMaterial, thickness: Any, air: Any, pressure: Any, gas_conductivity: Any,
    conductivity: Any = None, contact_resistance: Any = None,
) -> Any:  # fmt: skip
    """Area resistance of a new, wetted layer, place by place, K m^2/W.

    Parameters
    ----------
    row : InterfaceMaterial
    thickness, air, pressure : array
        From :func:`layer_thickness`, m, and the local pressure, Pa.
    gas_conductivity : float or array
        Of the air in the joint, W/(m K).
    conductivity, contact_resistance : float or array, optional
        Instead of those of the row.
    """
    k = row.conductivity if conductivity is None else conductivity
    contact = row.contact_resistance if contact_resistance is None else contact_resistance
    if row.law == "dry":
        return dry_area_resistance(contact, row.pressure, pressure, thickness, k)
    return area_resistance(thickness, k, contact) + np.asarray(air) / gas_conductivity
