"""Solids of a notebook computer and its surroundings, each with range and source.

``conductivity`` is along the sheet; ``through_conductivity`` across it (the same for isotropic solids).
Values are at 20 to 30 degC unless the row says otherwise.  They are illustrative defaults: where a result
depends on one, replace it with your supplier's data.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from thermnet.materials.lookup import find

INCROPERA = "Incropera, DeWitt, Bergman, Lavine, Fundamentals of Heat and Mass Transfer, 6th ed. 2007, app. A"
ALUMINIUM_HANDBOOK = "ASM Handbook vol. 2, 1990 (from memory)"
PRACTICE = "common practice, no source"

Range = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Solid:
    """One solid.

    Attributes
    ----------
    name, source, note : str
        Name in the table; where the values come from; what to know of them.
    conductivity, through_conductivity : float
        Along and across the sheet, W/(m K).
    density : float
        kg/m^3.
    specific_heat : float
        J/(kg K).
    base : str
        Metal the surface shows to an interface material (``aluminium``, ``copper`` ...), empty if none.
    ranges : mapping of str to (float, float)
        Range met in practice of each value.
    """

    name: str
    conductivity: float
    through_conductivity: float
    density: float
    specific_heat: float
    ranges: Mapping[str, Range] = field(repr=False)
    source: str
    base: str = ""
    note: str = ""

    @property
    def volumetric_heat_capacity(self) -> float:
        """Density times specific heat, J/(m^3 K)."""
        return self.density * self.specific_heat

    @property
    def diffusivity(self) -> float:
        """Thermal diffusivity across the sheet, m^2/s."""
        return self.through_conductivity / self.volumetric_heat_capacity

    @property
    def effusivity(self) -> float:
        """sqrt(k rho c) for heat entering the surface, W s^0.5/(m^2 K)."""
        return math.sqrt(self.through_conductivity * self.volumetric_heat_capacity)

    @property
    def is_anisotropic(self) -> bool:
        """Whether the solid conducts differently along and across the sheet."""
        return self.conductivity != self.through_conductivity


def _row(
    name: str,
    conductivity: float,
    conductivity_range: Range,
    density: float,
    density_range: Range,
    specific_heat: float,
    specific_heat_range: Range,
    source: str,
    *,
    through: float | None = None,
    through_range: Range | None = None,
    base: str = "",
    note: str = "",
) -> Solid:
    return Solid(
        name=name,
        conductivity=conductivity,
        through_conductivity=conductivity if through is None else through,
        density=density,
        specific_heat=specific_heat,
        ranges={
            "conductivity": conductivity_range,
            "through_conductivity": through_range or conductivity_range,
            "density": density_range,
            "specific_heat": specific_heat_range,
        },
        source=source,
        base=base,
        note=note,
    )


# name, conductivity, range, density, range, specific heat, range, source
_ROWS = (
    _row("copper", 390, (375, 401), 8960, (8900, 8970), 385, (380, 390),
         f"{INCROPERA}; commercial sheet a little lower",
         base="copper"),
    _row("copper_alloy", 300, (150, 360), 8900, (8750, 8960), 385, (375, 395), PRACTICE, base="copper",
         note="strengthened alloys of chamber shells and clips"),
    _row("brass", 110, (100, 125), 8530, (8400, 8600), 380, (370, 390), INCROPERA, base="copper"),
    _row("aluminium", 160, (130, 210), 2700, (2660, 2750), 896, (870, 963), PRACTICE, base="aluminium",
         note="chassis sheet or extrusion of unknown alloy"),
    _row("aluminium_1050", 229, (218, 237), 2705, (2700, 2710), 900, (895, 905), ALUMINIUM_HANDBOOK,
         base="aluminium",
         note="fins"),
    _row("aluminium_5052", 138, (130, 140), 2680, (2670, 2690), 900, (880, 963), ALUMINIUM_HANDBOOK,
         base="aluminium",
         note="stamped covers"),
    _row("aluminium_6061", 167, (154, 180), 2700, (2690, 2710), 896, (880, 963), ALUMINIUM_HANDBOOK,
         base="aluminium",
         note="machined housings"),
    _row("aluminium_cast", 96, (85, 130), 2740, (2650, 2760), 963, (880, 970), ALUMINIUM_HANDBOOK,
         base="aluminium",
         note="die-cast frames and heat sinks"),
    _row("magnesium_alloy", 72, (51, 84), 1810, (1770, 1830), 1020, (1000, 1050), PRACTICE, base="magnesium"),
    _row("steel", 60, (43, 64), 7850, (7830, 7870), 434, (430, 490), INCROPERA, base="iron",
         note="plain carbon"),
    _row("stainless_steel", 14.9, (13.4, 16.5), 7900, (7850, 8050), 477, (460, 500), INCROPERA, base="iron",
         note="type 304"),
    _row("titanium_alloy", 6.7, (6.5, 7.6), 4430, (4420, 4450), 540, (520, 570), PRACTICE, base="titanium"),
    _row("nickel", 90.7, (70, 91), 8900, (8850, 8910), 444, (440, 460), INCROPERA, base="nickel",
         note="plating conducts less than the pure metal; thin enough not to matter"),
    _row("silicon", 110, (85, 130), 2330, (2325, 2335), 750, (705, 790), INCROPERA, base="silicon",
         note="a hot die, about 80 degC: 148 W/(m K) pure at 27 degC, 99 at 127 degC, less when doped"),
    _row("silicon_cold", 148, (130, 150), 2330, (2325, 2335), 712, (700, 720), INCROPERA, base="silicon",
         note="pure, 27 degC"),
    _row("alumina", 30, (18, 40), 3900, (3700, 3980), 770, (750, 880), INCROPERA,
         note="ceramic, and filler of pastes"),
    _row("plastic", 0.25, (0.18, 0.30), 1150, (1050, 1200), 1350, (1200, 1500), PRACTICE, note="PC/ABS"),
    _row("glass_filled_plastic", 0.35, (0.25, 0.50), 1400, (1250, 1650), 1200, (1000, 1400), PRACTICE),
    _row("carbon_laminate", 6.0, (3.0, 60.0), 1550, (1450, 1700), 1000, (800, 1200), PRACTICE,
         through=0.8, through_range=(0.5, 1.2),
         note="woven; pitch fibre conducts far more in its own direction"),
    _row("glass", 1.05, (0.9, 1.4), 2450, (2400, 2530), 800, (730, 860), PRACTICE,
         note="aluminosilicate cover glass"),
    _row("graphite_sheet", 1000, (600, 1600), 1900, (850, 2200), 720, (700, 850), PRACTICE,
         through=5.0, through_range=(3.0, 20.0), note="40 to 100 um"),
    _row("graphite_film", 1500, (1200, 1950), 2000, (1800, 2200), 720, (700, 850), PRACTICE,
         through=5.0, through_range=(3.0, 20.0), note="10 to 40 um; the thinnest reach 1950 W/(m K)"),
    _row("board", 25, (10, 60), 2100, (1850, 2600), 950, (850, 1200), PRACTICE,
         through=0.5, through_range=(0.3, 1.5), note="FR-4 with the copper of 6 to 12 layers"),
    _row("board_bare", 0.81, (0.6, 1.1), 1850, (1750, 2000), 1100, (900, 1300), PRACTICE,
         through=0.30, through_range=(0.25, 0.40), note="FR-4 without copper"),
    _row("silicone", 0.2, (0.15, 0.25), 1100, (970, 1200), 1400, (1200, 1500), PRACTICE),
    _row("battery_cell", 25, (15, 35), 2400, (2000, 2700), 1050, (900, 1200), PRACTICE,
         through=0.8, through_range=(0.4, 1.5), note="pouch cell"),
    _row("wood", 0.17, (0.10, 0.25), 545, (450, 750), 2385, (1600, 2800), INCROPERA,
         note="a desk top of oak"),
    _row("skin_tissue", 0.37, (0.20, 0.50), 1000, (950, 1150), 3770, (3200, 3800),
         "Heat Transfer texts, tissue rows (from memory); the touch cases use the same values",
         note="living tissue without blood flow"),
)  # fmt: skip

SOLIDS: Mapping[str, Solid] = {row.name: row for row in _ROWS}
"""All solids by name."""

ALIASES: Mapping[str, str] = {
    "aluminum": "aluminium",
    "pc_abs": "plastic",
    "abs": "plastic",
    "magnesium": "magnesium_alloy",
    "fr4": "board",
    "fr-4": "board",
    "graphite": "graphite_sheet",
    "skin": "skin_tissue",
}
"""Other common names."""


def solid(name: str) -> Solid:
    """Return the solid of that name.

    Raises
    ------
    UnknownMaterialError
        (a ValueError) naming the nearest known solid.
    """
    return find(name, SOLIDS, "solid", ALIASES)


def base_metal(name: str) -> str:
    """Return the metal a surface of this solid shows, empty if unknown or none.

    A name outside the table still counts as aluminium if it says so, because liquid metal destroys aluminium.
    """
    row = SOLIDS.get(ALIASES.get(name, name))
    if row is not None:
        return row.base
    lowered = name.lower().replace("aluminum", "aluminium")
    # Aluminium first: plated aluminium is still aluminium where the plating has a scratch.
    return next((metal for metal in ("aluminium", "nickel", "copper") if metal in lowered), "")


def effusivity(name: str) -> float:
    """Return sqrt(k rho c) of a solid of the table, W s^0.5/(m^2 K)."""
    return solid(name).effusivity


def volumetric_heat_capacity(name: str) -> float:
    """Density times specific heat of a solid of the table, J/(m^3 K)."""
    return solid(name).volumetric_heat_capacity
