"""Materials that fill the joint between two faces, each value with range and source.

Area resistances are in K m^2/W, bond lines in m, pressures in Pa.  Most values are common practice without a
citable source: treat them as illustrative and replace them with your supplier's data measured at the
thickness, pressure and surface you use (ASTM D5470), not with the bulk conductivity on a label.

How the thickness comes about is the row's ``law``:

``paste``
    a yield-stress fluid full of particles: c (yield stress/pressure)^m, not below the filler's own limit;
``gap``
    whatever gap the two faces leave (liquid metal, solder): ``bond_line`` as it stands;
``pad``
    supplied thickness ``bond_line`` less the strain of the ``compression`` curve at the pressure;
``dry``
    no filler: spots in contact, and air of effective thickness ``bond_line`` beside them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from thermnet.materials.lookup import find

PRACTICE = "common practice, no source"

PASTE_CONSTANT = 1.31e-4
"""m; bond line = 1.31e-4 (yield stress/pressure)^0.166.

R. Prasher, Proc. IEEE 94 (2006) 1571, after Prasher et al., IMECE2002-32118 (both constants from memory).
"""
PASTE_EXPONENT = 0.166

Range = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class InterfaceMaterial:
    """One interface material.

    Attributes
    ----------
    name, law : str
        Name in the table; ``paste``, ``gap``, ``pad`` or ``dry`` (see the module).
    conductivity : float
        Bulk, W/(m K); for ``dry`` that of the air between.
    contact_resistance : float
        Of both faces together, K m^2/W.  For ``dry`` that of the touching spots at ``pressure``.
    bond_line : float
        m: typical installed (``paste``, ``gap``), as supplied (``pad``), effective air gap (``dry``).
    pressure : float
        Typical, Pa.
    end_of_life_factor : float
        Area resistance at the end of life over that of a new joint.
    yield_stress, filler_limit : float
        Of a paste: Pa, and the thinnest bond line its particles allow, m.
    compression : tuple of (Pa, ratio)
        Of a pad: strain against pressure.
    wetting_start, wetting_end : float or None
        degC at the joint between which a phase-change film melts and wets for the first time.
    unwetted_area_resistance : float or None
        Of a phase-change film before that, K m^2/W.
    melting_point : float or None
        degC, where the joint is meant to be liquid.
    electrically_conductive, attacks_aluminium : bool
        What must be kept away from it.
    cautions : tuple of str
        What to tell whoever uses it.
    ranges : mapping
        Range of each number met in practice.
    sources : mapping
        Source of each number that has one; the rest is common practice without a source.
    """

    name: str
    law: str
    conductivity: float
    contact_resistance: float
    bond_line: float
    pressure: float
    end_of_life_factor: float
    ranges: Mapping[str, Range] = field(repr=False)
    yield_stress: float = 0.0
    filler_limit: float = 0.0
    compression: tuple[tuple[float, float], ...] = ()
    wetting_start: float | None = None
    wetting_end: float | None = None
    unwetted_area_resistance: float | None = None
    melting_point: float | None = None
    electrically_conductive: bool = False
    attacks_aluminium: bool = False
    cautions: tuple[str, ...] = ()
    sources: Mapping[str, str] = field(default_factory=dict, repr=False)

    def source(self, value: str) -> str:
        """Where a number of this row comes from."""
        return self.sources.get(value, PRACTICE)


_CONDUCTS = "Conducts electricity: keep it off bare components and contacts."

_ROWS = (
    InterfaceMaterial(
        name="grease", law="paste",
        conductivity=4.0, contact_resistance=1.4e-6, bond_line=31e-6, pressure=250e3, end_of_life_factor=2.0,
        yield_stress=40.0, filler_limit=12e-6,
        ranges={
            "conductivity": (2.0, 8.0), "contact_resistance": (0.5e-6, 4e-6), "bond_line": (15e-6, 60e-6),
            "pressure": (140e3, 500e3), "end_of_life_factor": (1.3, 3.0), "yield_stress": (10.0, 400.0),
            "filler_limit": (8e-6, 25e-6),
        },
        cautions=(
            "Labels promise two to four times the conductivity a thin joint shows; compare area resistance "
            "at your "
            "bond line and pressure.",
            "On a bare die that bows with heat the paste is pumped out over cycles, from the middle and "
            "the corners.",
        ),
        sources={"end_of_life_factor": "range of practice; five greases cycled: DeVoto et al., ITherm 2017"},
    ),
    InterfaceMaterial(
        name="phase_change", law="paste",
        conductivity=4.5, contact_resistance=1.5e-6, bond_line=20e-6, pressure=250e3, end_of_life_factor=1.15,
        yield_stress=3.0, filler_limit=10e-6, wetting_start=45.0, wetting_end=60.0,
        unwetted_area_resistance=32e-6,
        ranges={
            "conductivity": (3.0, 8.5), "contact_resistance": (0.5e-6, 3e-6), "bond_line": (10e-6, 30e-6),
            "pressure": (140e3, 480e3), "end_of_life_factor": (1.0, 1.3), "yield_stress": (1.0, 50.0),
            "filler_limit": (8e-6, 20e-6), "wetting_start": (43.0, 55.0), "wetting_end": (52.0, 70.0),
            "unwetted_area_resistance": (15e-6, 60e-6),
        },
        cautions=(
            "Needs one run hot enough to melt and wet before it shows what it can do: a first test looks "
            "bad.",
        ),
    ),
    InterfaceMaterial(
        name="liquid_metal", law="gap",
        conductivity=20.0, contact_resistance=1.0e-6, bond_line=30e-6, pressure=80e3, end_of_life_factor=1.5,
        melting_point=11.0, electrically_conductive=True, attacks_aluminium=True,
        ranges={
            "conductivity": (15.0, 40.0), "contact_resistance": (0.3e-6, 2e-6), "bond_line": (10e-6, 50e-6),
            "pressure": (30e3, 150e3), "end_of_life_factor": (1.0, 2.0), "melting_point": (5.0, 16.0),
        },
        cautions=(
            _CONDUCTS + " Excess can flow: use a dam, coat what is near, check after transport and frost.",
            "Destroys aluminium within minutes to days (it creeps along the grain boundaries): no bare "
            "aluminium "
            "anywhere it can reach.",
            "Reacts with copper over months; a nickel plate slows that.",
            "Humid air turns it into a solid oxide over years.",
            "The gallium-indium-tin eutectic melts near +11 degC, not at the -19 degC often claimed (that "
            "is how far "
            "it supercools): after cold storage the joint can be solid, and gallium swells as it freezes.",
            "Never a plain swap for another material: have the process, the plating and the dam qualified.",
        ),
        sources={
            "conductivity": "16.5 W/(m K) widely quoted for Ga-In-Sn; 24.8 from its electrical "
            "conductivity by the "
            "Wiedemann-Franz law; measured range: Thermo 2 (2022) 1",
            "melting_point": "true eutectic Ga68.5-In21.5-Sn10 (wt%): 10.5 to 13 degC, Handschuh-Wang et "
            "al.; "
            "Ga-In eutectic 15.3 degC",
        },
    ),
    InterfaceMaterial(
        name="graphite_pad", law="pad",
        conductivity=20.0, contact_resistance=4.0e-6, bond_line=220e-6, pressure=300e3,
        end_of_life_factor=1.05,
        compression=((0.0, 0.0), (100e3, 0.10), (200e3, 0.17), (300e3, 0.22), (500e3, 0.30), (800e3, 0.36)),
        electrically_conductive=True,
        ranges={
            "conductivity": (10.0, 35.0), "contact_resistance": (2e-6, 8e-6), "bond_line": (80e-6, 350e-6),
            "pressure": (200e3, 500e3), "end_of_life_factor": (1.0, 1.1),
        },
        cautions=(_CONDUCTS + " Crumbs count.", "Does not fill rough or uneven gaps."),
    ),
    InterfaceMaterial(
        name="gap_pad", law="pad",
        conductivity=5.0, contact_resistance=20e-6, bond_line=1.0e-3, pressure=100e3, end_of_life_factor=1.15,
        compression=(
            (0.0, 0.0), (20e3, 0.07), (50e3, 0.15), (100e3, 0.25), (200e3, 0.38), (350e3, 0.49), (700e3,
            0.60),
        ),
        ranges={
            "conductivity": (2.0, 12.0), "contact_resistance": (5e-6, 50e-6), "bond_line": (0.3e-3, 3.0e-3),
            "pressure": (30e3, 200e3), "end_of_life_factor": (1.0, 1.2),
        },
        cautions=(
            "Force rises steeply with strain: check the board's strain; stay within 20 to 45 % compression.",
            "Soft silicones bleed oil, more so above 45 % compression.",
        ),
        sources={"compression": PRACTICE + "; recommended window 20 to 45 %, supplier guidance"},
    ),
    InterfaceMaterial(
        name="gap_putty", law="pad",
        conductivity=4.5, contact_resistance=8e-6, bond_line=1.0e-3, pressure=30e3, end_of_life_factor=1.2,
        compression=(
            (0.0, 0.0), (5e3, 0.25), (10e3, 0.40), (20e3, 0.55), (50e3, 0.70), (100e3, 0.78), (300e3, 0.85),
        ),
        ranges={
            "conductivity": (2.0, 9.0), "contact_resistance": (3e-6, 20e-6), "bond_line": (0.3e-3, 3.0e-3),
            "pressure": (10e3, 100e3), "end_of_life_factor": (1.0, 1.5),
        },
        cautions=("Stays soft: in a joint that stands upright or moves with heat it can slump or crack.",),
    ),
    InterfaceMaterial(
        name="solder", law="gap",
        conductivity=60.0, contact_resistance=0.5e-6, bond_line=300e-6, pressure=100e3,
        end_of_life_factor=1.3,
        electrically_conductive=True,
        ranges={
            "conductivity": (50.0, 86.0), "contact_resistance": (0.2e-6, 2e-6), "bond_line": (200e-6, 400e-6),
            "pressure": (0.0, 300e3), "end_of_life_factor": (1.0, 2.0),
        },
        cautions=("Cracks with temperature cycles; needs metallised faces. Rare inside a notebook.",
        _CONDUCTS),
    ),
    InterfaceMaterial(
        name="dry", law="dry",
        conductivity=0.027, contact_resistance=600e-6, bond_line=10e-6, pressure=250e3,
        end_of_life_factor=1.0,
        ranges={
            "conductivity": (0.024, 0.031), "contact_resistance": (60e-6, 2000e-6), "bond_line": (2e-6,
            60e-6),
            "pressure": (50e3, 1000e3), "end_of_life_factor": (1.0, 1.2),
        },
        cautions=("A dry joint depends on flatness and finish more than on anything else: measure it.",),
        sources={
            "contact_resistance": "range of the whole joint 50 to 320 K mm^2/W; 322 dry against 43 filled "
            "at 750 kPa: "
            "ES Energy & Environment 4 (2019) 41"
        },
    ),
)  # fmt: skip

INTERFACE_MATERIALS: Mapping[str, InterfaceMaterial] = {row.name: row for row in _ROWS}
"""All interface materials by name."""

ALIASES: Mapping[str, str] = {"paste": "grease", "pad": "gap_pad", "putty": "gap_putty", "dry_contact": "dry"}
"""Other common names."""

MELTING_POINTS: Mapping[str, tuple[float, str]] = {
    "gallium": (29.7646, "ITS-90 fixed point"),
    "gallium_indium_eutectic": (15.3, "from memory"),
    "gallium_indium_tin_eutectic": (11.0, "Handschuh-Wang et al.; 10.5 to 13 degC in the literature"),
}
"""degC and source, of what liquid-metal joints are made of."""


def interface_material(name: str) -> InterfaceMaterial:
    """Return the interface material of that name.

    Raises
    ------
    UnknownMaterialError
        (a ValueError) naming the nearest known material.
    """
    return find(name, INTERFACE_MATERIALS, "interface material", ALIASES)


def melting_point(name: str) -> float:
    """Melting point in degC of gallium and its alloys (see ``MELTING_POINTS``)."""
    return find(name, MELTING_POINTS, "metal")[0]
