"""What lies in a joint: interface material, gap pad, air gap."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from thermnet.materials import air
from thermnet.materials.interface_materials import INTERFACE_MATERIALS, InterfaceMaterial, interface_material
from thermnet.materials.solids import base_metal
from thermnet.parameter import choice, flag, quantity
from thermnet.parts.base import Joiner
from thermnet.physics import interface as physics

STILL_AIR = 8e-3
"""Widest gap in m whose air stays still (Rayleigh number below about 1700 at 40 K across)."""

FILLERS = tuple(INTERFACE_MATERIALS)
PADS = tuple(name for name, row in INTERFACE_MATERIALS.items() if row.law == "pad")


@dataclass(frozen=True, kw_only=True)
class FilledJoint(Joiner):
    """What every joint with an interface material in it has, whatever presses it together.

    Every value left out comes from the material's table; the bond line then follows from the pressure.
    """

    material: str = choice(FILLERS, default="grease", doc="interface material")
    bond_line: Any = quantity(
        "m", default=None, shown="um", above=0.0, below=5e-3, plausible=(10e-6, 80e-6), tolerance=0.4,
        step=5e-6,
        doc="thickness under load; from the pressure if left out",
    )  # fmt: skip
    conductivity: Any = quantity(
        "W/(m*K)", default=None, above=0.0, plausible=(1.0, 40.0), tolerance=0.2, step=0.5,
        doc="bulk conductivity as it is in thin joints, not the label's; from the material if left out",
    )  # fmt: skip
    contact_resistance: Any = quantity(
        "K*m^2/W", default=None, shown="K*mm^2/W", at_least=0.0, plausible=(0.3e-6, 5e-6), tolerance=0.4,
        step=0.5e-6, doc="of both faces together; from the material if left out",
    )  # fmt: skip
    ageing: Any = quantity(
        "1", default=0.0, at_least=0.0, at_most=1.0, plausible=(0.0, 1.0), step=0.1,
        doc="how far the joint has aged: 0 new, 1 at the end of its life",
    )  # fmt: skip
    end_of_life_factor: Any = quantity(
        "1", default=None, at_least=1.0, plausible=(1.0, 3.0), step=0.1,
        doc="area resistance at the end of life over new; from the material if left out",
    )  # fmt: skip
    wetted: bool = flag(default=True, doc="whether a phase-change film has had its first hot run")
    peak_temperature: Any = quantity(
        "degC", default=None, plausible=(25.0, 100.0), step=5.0,
        doc="hottest the joint has been; if given, says how much of a phase-change film has wetted",
    )  # fmt: skip
    barrier: bool = flag(doc="whether plating or coating keeps liquid metal off aluminium")

    def row(self) -> InterfaceMaterial:
        """Return the material's row of the table."""
        return interface_material(self.material)

    def pressure(self) -> Any:
        """Return the mean pressure on the joint, Pa."""
        return self.row().pressure

    def values_in_use(self) -> dict[str, Any]:
        """Return the bond line, conductivity, contact resistance, pressure and end-of-life factor in use.

        By field name (and ``pressure``): what was given, else what the table and the pressure make of it.
        """
        row = self.row()
        given = {
            "bond_line": self.bond_line,
            "conductivity": self.conductivity,
            "contact_resistance": self.contact_resistance,
            "end_of_life_factor": self.end_of_life_factor,
        }
        values = {name: getattr(row, name) if value is None else value for name, value in given.items()}
        values["pressure"] = self.pressure()
        if self.bond_line is None and row.law == "paste":
            values["bond_line"] = physics.paste_bond_line(
                row.yield_stress, values["pressure"], row.filler_limit
            )
        elif self.bond_line is None and row.law == "pad":
            strain = physics.pad_strain(values["pressure"], *_curve(row))
            values["bond_line"] = row.bond_line * (1.0 - strain)
        return values

    def new_area_resistance(self) -> Any:
        """Return the area resistance before any ageing, K m^2/W."""
        row, values = self.row(), self.values_in_use()
        bond_line, conductivity = values["bond_line"], values["conductivity"]
        if row.law == "dry":
            return physics.dry_area_resistance(
                values["contact_resistance"], row.pressure, values["pressure"], bond_line, conductivity
            )
        return self.partly_wetted(
            physics.area_resistance(bond_line, conductivity, values["contact_resistance"])
        )

    def partly_wetted(self, after: Any) -> Any:
        """Return the area resistance so far wetted, K m^2/W, of a film that has ``after`` once all of it has."""
        row = self.row()
        if row.wetting_start is None or row.unwetted_area_resistance is None:
            return after
        before = np.maximum(row.unwetted_area_resistance, after)
        return physics.partly_wetted_area_resistance(self.wetted_share(), before, after)

    def wetted_share(self) -> Any:
        """Return the share of the joint that has wetted (1 for all but phase-change films)."""
        row = self.row()
        if row.wetting_start is None:
            return 1.0
        if self.peak_temperature is None:
            return 1.0 if self.wetted else 0.0
        return physics.wetted_fraction(self.peak_temperature, row.wetting_start, row.wetting_end)

    def check_faces(self, hot_material: str = "", cold_material: str = "") -> None:
        """Refuse faces that the material destroys.

        Raises
        ------
        ValueError
            Liquid metal would touch aluminium and no ``barrier`` is declared.
        """
        row = self.row()
        bare = [m for m in (hot_material, cold_material) if m and base_metal(m) == "aluminium"]
        if row.attacks_aluminium and bare and not self.barrier:
            raise ValueError(
                f"{type(self).__name__}.material: {self.material} against {bare[0]}: it destroys aluminium within "
                f"minutes "
                "to days; expected another material, faces of nickel-plated copper, or barrier = true "
                "where a "
                "qualified plating or coating lies between"
            )

    def ageing_factor(self) -> Any:
        """Return the area resistance over that of a new joint."""
        factor = self.values_in_use()["end_of_life_factor"]
        return 1.0 + np.asarray(self.ageing) * (np.asarray(factor) - 1.0)

    def area_resistance(self, hot_material: str = "", cold_material: str = "") -> Any:
        """Area resistance in K m^2/W, contacts and ageing included.

        Raises
        ------
        ValueError
            Liquid metal would touch aluminium and no ``barrier`` is declared.
        """
        self.check_faces(hot_material, cold_material)
        return self.new_area_resistance() * self.ageing_factor()

    def cautions(self, hot_material: str = "", cold_material: str = "") -> tuple[str, ...]:
        """Return what to tell whoever builds this joint."""
        row, values = self.row(), self.values_in_use()
        found = list(row.cautions)
        metals = {base_metal(m) for m in (hot_material, cold_material) if m}
        if row.attacks_aluminium and "aluminium" in metals:
            found.append("Aluminium lies behind the barrier: one scratch is enough; prove it by test.")
        low, high = row.ranges["pressure"]
        if np.any(np.asarray(values["pressure"]) < low) or np.any(np.asarray(values["pressure"]) > high):
            found.append(
                f"Pressure {_span(values['pressure'], 1e-3)} kPa lies outside the usual {low / 1e3:g} to "
                f"{high / 1e3:g} kPa of {self.material}."
            )
        if row.law == "paste" and np.any(np.asarray(values["bond_line"]) < row.filler_limit):
            found.append(
                f"Bond line {_span(values['bond_line'], 1e6)} um is thinner than the filler allows "
                f"({row.filler_limit * 1e6:g} um)."
            )
        if np.any(np.asarray(self.wetted_share()) < 0.99):
            found.append("Not fully wetted yet: run it hot once, then test again.")
        return tuple(found)


@dataclass(frozen=True, kw_only=True)
class InterfaceLayer(FilledJoint):
    """An interface material between two flat, parallel faces, most often chip and plate.

    Every value left out comes from the material's table; the bond line then follows from the pressure, which
    is ``clamp_force`` over ``contact_area``, or the material's usual pressure where neither is given.  A bond
    line given here stands as it is.
    """

    kind: ClassVar[str] = "interface"

    clamp_force: Any = quantity(
        "N", default=None, above=0.0, plausible=(15.0, 200.0), tolerance=0.25, step=5.0,
        doc="force that presses the joint together",
    )  # fmt: skip
    contact_area: Any = quantity(
        "m^2", default=None, shown="mm^2", above=0.0, plausible=(60e-6, 600e-6), step=10e-6,
        doc="area the clamp force acts on (the chip)",
    )  # fmt: skip

    def __post_init__(self) -> None:
        super().__post_init__()
        if (self.clamp_force is None) != (self.contact_area is None):
            missing = "contact_area" if self.contact_area is None else "clamp_force"
            raise ValueError(
                f"InterfaceLayer.{missing}: not given; expected clamp_force and contact_area together"
            )

    def pressure(self) -> Any:
        """Return the pressure on the joint, Pa."""
        if self.clamp_force is None:
            return self.row().pressure
        return physics.joint_pressure(self.clamp_force, self.contact_area)


@dataclass(frozen=True, kw_only=True)
class GapPad(Joiner):
    """A soft pad or putty that bridges a gap, most often from memory or regulators to a plate or skin.

    Give ``compression`` where the gap is fixed, ``pressure`` where the force is; neither means the material's
    usual pressure.  Values left out come from the material's table.
    """

    kind: ClassVar[str] = "gap_pad"

    material: str = choice(PADS, default="gap_pad", doc="pad material")
    thickness: Any = quantity(
        "m", default=None, shown="mm", above=0.0, below=0.02, plausible=(0.3e-3, 3e-3), tolerance=0.1,
        step=0.25e-3,
        doc="as supplied, before compression; from the material if left out",
    )  # fmt: skip
    compression: Any = quantity(
        "1", default=None, at_least=0.0, below=0.9, plausible=(0.1, 0.5), absolute_tolerance=0.1, step=0.05,
        doc="share of the thickness pressed away",
    )  # fmt: skip
    pressure: Any = quantity(
        "Pa", default=None, shown="kPa", at_least=0.0, plausible=(20e3, 300e3), tolerance=0.3, step=10e3,
        doc="pressure on the pad",
    )  # fmt: skip
    conductivity: Any = quantity(
        "W/(m*K)", default=None, above=0.0, plausible=(2.0, 12.0), tolerance=0.15, step=0.5,
        doc="bulk conductivity; from the material if left out",
    )  # fmt: skip
    contact_resistance: Any = quantity(
        "K*m^2/W", default=None, shown="K*mm^2/W", at_least=0.0, plausible=(3e-6, 50e-6), tolerance=0.4,
        step=5e-6,
        doc="of both faces together; from the material if left out",
    )  # fmt: skip
    ageing: Any = quantity(
        "1", default=0.0, at_least=0.0, at_most=1.0, plausible=(0.0, 1.0), step=0.1,
        doc="how far the pad has aged: 0 new, 1 at the end of its life",
    )  # fmt: skip

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.compression is not None and self.pressure is not None:
            raise ValueError(
                "GapPad.pressure: given beside compression; expected one of them, the other follows from it"
            )

    def row(self) -> InterfaceMaterial:
        """Return the material's row of the table."""
        return interface_material(self.material)

    def strain(self) -> Any:
        """Return the share of the thickness pressed away."""
        if self.compression is not None:
            return self.compression
        row = self.row()
        pressure = row.pressure if self.pressure is None else self.pressure
        return physics.pad_strain(pressure, *_curve(row))

    def pressure_in_use(self) -> Any:
        """Return the pressure in Pa, from the compression curve where the compression was given."""
        row = self.row()
        if self.compression is not None:
            return physics.pad_pressure(self.compression, *_curve(row))
        return row.pressure if self.pressure is None else self.pressure

    def compressed_thickness(self) -> Any:
        """Return the thickness in the joint, m."""
        supplied = self.row().bond_line if self.thickness is None else self.thickness
        return supplied * (1.0 - np.asarray(self.strain()))

    def thickness_in_stack(self) -> Any:
        """Height in the joint, m."""
        return self.compressed_thickness()

    def area_resistance(self, hot_material: str = "", cold_material: str = "") -> Any:
        """Area resistance in K m^2/W, contacts and ageing included."""
        row = self.row()
        conductivity = row.conductivity if self.conductivity is None else self.conductivity
        contact = row.contact_resistance if self.contact_resistance is None else self.contact_resistance
        new = physics.area_resistance(self.compressed_thickness(), conductivity, contact)
        return new * (1.0 + np.asarray(self.ageing) * (row.end_of_life_factor - 1.0))

    def cautions(self, hot_material: str = "", cold_material: str = "") -> tuple[str, ...]:
        """Return what to tell whoever builds this joint."""
        found = list(self.row().cautions)
        strain = np.asarray(self.strain())
        if self.material == "gap_pad" and (np.any(strain < 0.20 - 1e-9) or np.any(strain > 0.45 + 1e-9)):
            found.append(f"Compression {_span(strain, 100)} % lies outside the recommended 20 to 45 %.")
        curve = self.row().compression
        if self.compression is not None and np.any(strain > curve[-1][1]):
            found.append(
                f"Compression {_span(strain, 100)} % lies past the end of the compression curve "
                f"({curve[-1][1] * 100:g} %): the pressure is unknown."
            )
        return tuple(found)


@dataclass(frozen=True, kw_only=True)
class AirGap(Joiner):
    """A thin gap of still air: conduction through the air, and radiation made linear about a temperature."""

    kind: ClassVar[str] = "air_gap"

    gap: Any = quantity(
        "m", default=1.2e-3, shown="mm", above=0.0, below=0.05, plausible=(0.3e-3, 4e-3),
        absolute_tolerance=0.3e-3,
        step=0.1e-3, doc="distance between the faces",
    )  # fmt: skip
    area: Any = quantity(
        "m^2", default=None, shown="cm^2", above=0.0, plausible=(5e-4, 0.05), step=1e-4,
        doc="area across which the faces see each other; that of the faces if left out",
    )  # fmt: skip
    hot_emissivity: Any = quantity(
        "1", default=0.3, above=0.0, at_most=1.0, plausible=(0.05, 0.95), step=0.1,
        doc="of the hotter face: bare metal 0.05 to 0.2, oxidised 0.3, painted or plastic 0.9",
    )  # fmt: skip
    cold_emissivity: Any = quantity(
        "1", default=0.85, above=0.0, at_most=1.0, plausible=(0.05, 0.95), step=0.1, doc="of the cooler face"
    )  # fmt: skip
    reference_temperature: Any = quantity(
        "degC", default=45.0, plausible=(25.0, 80.0), step=5.0,
        doc="mean temperature at which radiation and the air's conductivity are taken",
    )  # fmt: skip

    def conductance(self) -> Any:
        """Return the conductance per area, W/(m^2 K)."""
        gas = air.conductivity(self.reference_temperature)
        return physics.air_gap_conductance(
            self.gap, gas, self.hot_emissivity, self.cold_emissivity, self.reference_temperature
        )

    def area_resistance(self, hot_material: str = "", cold_material: str = "") -> Any:
        """Area resistance in K m^2/W."""
        return 1.0 / self.conductance()

    def thickness_in_stack(self) -> Any:
        """Height of the gap, m."""
        return self.gap

    def cautions(self, hot_material: str = "", cold_material: str = "") -> tuple[str, ...]:
        """Return what to know of this gap."""
        if np.any(np.asarray(self.gap) > STILL_AIR):
            wide = f"Gap {_span(self.gap, 1e3)} mm"
            return (f"{wide}: above about {STILL_AIR * 1e3:g} mm the air moves and carries more.",)
        return ()


def _curve(row: InterfaceMaterial) -> tuple[tuple[float, ...], tuple[float, ...]]:
    return tuple(p for p, _ in row.compression), tuple(e for _, e in row.compression)


def _span(value: Any, factor: float) -> str:
    low, high = float(np.min(value)) * factor, float(np.max(value)) * factor
    return f"{low:.3g}" if np.isclose(low, high) else f"{low:.3g} to {high:.3g}"
