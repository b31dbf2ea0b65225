"""Vapor chamber: a flat plate that spreads the heat of one or several chips by vapour, up to a limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from thermnet.parameter import count, flag, quantity
from thermnet.parts.base import Assembly, Limit, Patch
from thermnet.parts.two_phase import REFERENCE, TwoPhasePart
from thermnet.physics import two_phase, vapor_chamber


@dataclass(frozen=True, kw_only=True)
class VaporChamber(TwoPhasePart):
    """A flat copper-water chamber, its wick on the side of the chips.

    Chips join face ``top`` (several may): each sees the wall and the wick under its own area, helped by the
    wall's spreading.  Face ``condenser`` is the other side.  ``evaporator_length`` and ``evaporator_width``
    are the size of the heated area that decides the heat limit and the vapour's spreading: the chip's, or
    one that holds all chips.  With fins at one end give ``condenser_distance``: vapour and liquid then run
    the length of the chamber, and limit and resistance are those of a wide flat pipe.  Replace
    ``resistance`` (from the vapour under the chips to the condenser face) and ``heat_limit`` by your
    supplier's measured values where you have them.
    """

    kind: ClassVar[str] = "vapor_chamber"
    faces: ClassVar[tuple[str, ...]] = ("top", "condenser")

    length: Any = quantity("m", shown="mm", above=0.0, plausible=(0.04, 0.30), step=5e-3, doc="outer length")
    width: Any = quantity("m", shown="mm", above=0.0, plausible=(0.03, 0.15), step=5e-3, doc="outer width")
    thickness: Any = quantity(
        "m", default=1.5e-3, shown="mm", above=0.0, plausible=(0.3e-3, 4e-3),
        absolute_tolerance=0.05e-3, step=0.1e-3,
        doc="outer thickness",
    )  # fmt: skip
    vapour_gap: Any = quantity(
        "m", default=0.6e-3, shown="mm", above=0.0, plausible=(0.1e-3, 2e-3),
        absolute_tolerance=0.05e-3, step=0.05e-3,
        doc="height of the vapour space",
    )  # fmt: skip
    wick_thickness: Any = quantity(
        "m", default=0.3e-3, shown="mm", above=0.0, plausible=(0.05e-3, 0.6e-3), tolerance=0.15, step=0.05e-3,
        doc="thickness of the wick",
    )  # fmt: skip
    evaporator_length: Any = quantity(
        "m", shown="mm", above=0.0, plausible=(8e-3, 60e-3), step=1e-3, doc="length of the heated area"
    )
    evaporator_width: Any = quantity(
        "m", shown="mm", above=0.0, plausible=(8e-3, 60e-3), step=1e-3, doc="width of the heated area"
    )
    condenser_area: Any = quantity(
        "m^2", default=None, shown="cm^2", above=0.0, plausible=(10e-4, 300e-4),
        doc="area that gives off heat (left out: the whole side)",
    )  # fmt: skip
    condenser_at_rim: bool = flag(default=False, doc="heat leaves at the outer edge rather than evenly")
    condenser_distance: Any = quantity(
        "m", default=None, shown="mm", above=0.0, plausible=(0.03, 0.2), step=5e-3,
        doc="along the length from the middle of the chips to the middle of the fins, where all heat leaves "
        "at one end (left out: heat leaves evenly over the face)",
    )  # fmt: skip
    condenser_ends: int = count(
        default=1, at_least=1, at_most=2,
        doc="with condenser_distance: fins at one end, or at both with the chips between",
    )  # fmt: skip
    rim_width: Any = quantity(
        "m", default=2e-3, shown="mm", at_least=0.0, plausible=(0.0, 5e-3), doc="width of the sealed edge"
    )
    open_share: Any = quantity(
        "1", default=0.9, above=0.0, at_most=1.0, plausible=(0.6, 1.0),
        doc="share of the vapour gap free of supports",
    )  # fmt: skip
    lift: Any = quantity(
        "m", default=None, shown="mm", at_least=0.0, plausible=(0.0, 0.2),
        doc="way up the slope to the chips when tilted (left out: half the length, or condenser_distance)",
    )  # fmt: skip

    def __post_init__(self) -> None:
        super().__post_init__()
        if np.any(self.wall_thickness < 1e-6):
            raise ValueError(
                f"VaporChamber.thickness: {1e3 * float(np.min(self.thickness)):.3g} mm leaves no wall; "
                "expected more than vapour gap and wick together, "
                f"{1e3 * float(np.max(self.vapour_gap + self.wick_thickness)):.3g} mm"
            )
        for inner, outer, limit in (
            ("evaporator_length", "length", self.inner_length),
            ("evaporator_width", "width", self.inner_width),
        ):
            value = getattr(self, inner)
            if np.any(np.asarray(limit) <= 0) or np.any(np.asarray(value) > np.asarray(limit)):
                raise ValueError(
                    f"VaporChamber.{inner}: {1e3 * float(np.max(value)):.4g} mm; expected at most the "
                    f"{outer} inside the rim, {1e3 * float(np.min(limit)):.4g} mm"
                )
        if self.condenser_distance is not None and np.any(
            np.asarray(self.condenser_distance) >= np.asarray(self.length)
        ):
            raise ValueError(
                f"VaporChamber.condenser_distance: {1e3 * float(np.max(self.condenser_distance)):.4g} mm; "
                f"expected less than the length, {1e3 * float(np.min(self.length)):.4g} mm"
            )
        if self.condenser_area is not None and np.any(
            np.asarray(self.condenser_area) > self.length * self.width
        ):
            raise ValueError(
                f"VaporChamber.condenser_area: {1e4 * float(np.max(self.condenser_area)):.4g} cm^2; expected "
                f"at most the plate's {1e4 * float(np.min(self.length * self.width)):.4g} cm^2"
            )

    @property
    def inner_length(self) -> Any:
        """Length inside the rim, m."""
        return self.length - 2.0 * np.asarray(self.rim_width)

    @property
    def inner_width(self) -> Any:
        """Width inside the rim, m."""
        return self.width - 2.0 * np.asarray(self.rim_width)

    @property
    def inner_area(self) -> Any:
        """Area of the vapour space, m^2."""
        return self.inner_length * self.inner_width

    @property
    def wall_thickness(self) -> Any:
        """Thickness of each of the two walls, m."""
        return 0.5 * (np.asarray(self.thickness) - self.vapour_gap - self.wick_thickness)

    @property
    def source_area(self) -> Any:
        """Heated area that decides limit and spreading, m^2."""
        return self.evaporator_length * self.evaporator_width

    def source_resistance(self, area: Any) -> Any:
        """Resistance in K/W from the outside under a source of ``area`` m^2 to the vapour."""
        return sum(self._under_source(area).values())

    def area_resistance(self) -> Any:
        """Area resistance of wall and wick under a wide source, K m^2/W."""
        return (
            self.wall_thickness / self.wall_conductivity
            + self.wick_thickness / self.filled_wick(REFERENCE).conductivity
        )

    def resistances(self, vapour_temperature: Any = REFERENCE) -> dict[str, Any]:
        """Resistances in K/W by name, computed, from under the heated area to the condenser's outside."""
        source = self._under_source(self.source_area)
        away = self.length * self.width if self.condenser_area is None else self.condenser_area
        return {
            "evaporator_wall": source["wall"],
            "evaporator_wick": source["wick"],
            "vapour": self._vapour_resistance(vapour_temperature) / self.open_share,
            "condenser_wall": self.wall_thickness / (self.wall_conductivity * away),
        }  # fmt: skip

    def limits(self, vapour_temperature: Any = REFERENCE) -> dict[str, Any]:
        """All limits in W by name, warm."""
        away = self.condenser_distance
        lift = self.lift
        if lift is None:
            lift = 0.5 * self.length if away is None else away
        return vapor_chamber.heat_limits(
            vapour_temperature, self.filled_wick(vapour_temperature), wick_thickness=self.wick_thickness,
            vapour_gap=self.vapour_gap, source_area=self.source_area, chamber_area=self.inner_area,
            wick_resistance=self._under_source(self.source_area)["wick"], length=lift, tilt=self.tilt,
            open_share=self.open_share, rim=self.condenser_at_rim, width=self.inner_width, distance=away,
            ends=self.condenser_ends,
            nucleation_radius=self.nucleation_radius,
        )  # fmt: skip

    def governing_limit(self, vapour_temperature: Any = REFERENCE) -> tuple[Any, Any]:
        """Name and value in W of the limit that governs."""
        return two_phase.governing(self.limits(vapour_temperature))

    def limit_at(self, vapour_temperature: Any) -> Any:
        """Heat limit in W, computed: smooth minimum of all limits, cold start not counted."""
        return two_phase.smooth_minimum(*self.limits(vapour_temperature).values())

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add nodes ``name.evaporator``, ``name.condenser``, their link, the faces and the dry-out limit."""
        evaporator, condenser = f"{name}.evaporator", f"{name}.condenser"
        computed = self.resistances()
        law = self.law(computed["vapour"] + computed["condenser_wall"])
        half, wick_and_water = self._capacities()
        assembly.network.add_node(evaporator, half + wick_and_water, part=name)
        assembly.network.add_node(condenser, half, part=name)
        link = assembly.network.add_link(evaporator, condenser, law=law)
        area = self.length * self.width
        assembly.add_face(
            f"{name}.top",
            Patch(evaporator, area),
            constriction=self.source_resistance,
            material=self.wall_material,
        )
        away = area if self.condenser_area is None else self.condenser_area
        assembly.add_face(condenser, Patch(condenser, away), material=self.wall_material)
        assembly.limits.append(Limit(f"{name} dry-out", "dry_out", law.limit, link=link))

    def volumes(self) -> tuple[Any, Any, Any]:
        """Metal of the two walls and rim, metal of the wick, and water, m^3 (supports left out)."""
        filled = self.filled_wick(REFERENCE)
        area, inner = self.length * self.width, self.inner_area
        shell = 2.0 * area * self.wall_thickness + (area - inner) * (self.vapour_gap + self.wick_thickness)
        wick_metal = inner * (1.0 - filled.porosity) * self.wick_thickness
        return (
            shell,
            wick_metal,
            vapor_chamber.water_volume(inner, self.wick_thickness, filled.porosity, self.fill),
        )

    def capacity(self) -> Any:
        """Heat capacity with the water, J/K."""
        half, rest = self._capacities()
        return 2.0 * half + rest

    def mass(self) -> Any:
        """Mass with the water, kg (supports left out)."""
        shell, wick_metal, liquid = self.volumes()
        return self.mass_of(shell + wick_metal, liquid)

    def thickness_in_stack(self) -> Any:
        """Outer thickness, m."""
        return self.thickness

    def _capacities(self) -> tuple[Any, Any]:
        """Half of the shell's capacity, and that of wick and water, J/K."""
        shell, wick_metal, liquid = self.volumes()
        return 0.5 * self.metal_capacity(shell), self.metal_capacity(wick_metal) + self.water_capacity(liquid)

    def _vapour_resistance(self, vapour_temperature: Any) -> Any:
        """Resistance of the free vapour gap from the source to where heat leaves, K/W."""
        if self.condenser_distance is None:
            return vapor_chamber.vapour_resistance(
                vapour_temperature, self.vapour_gap, self.source_area, self.inner_area
            )
        return vapor_chamber.remote_vapour_resistance(
            vapour_temperature,
            self.vapour_gap,
            self.source_area,
            self.inner_width,
            self.condenser_distance,
            self.condenser_ends,
        )

    def _under_source(self, area: Any) -> dict[str, Any]:
        return vapor_chamber.source_resistance(
            area, self.wall_thickness, self.wall_conductivity, self.wick_thickness,
            self.filled_wick(REFERENCE).conductivity,
        )  # fmt: skip
