"""A skin: one wall of the housing with a hot zone of its own, and what it gives to its surroundings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from thermnet.materials import air
from thermnet.materials.solids import solid
from thermnet.network import SurfaceExchange
from thermnet.parameter import choice, count, quantity, text
from thermnet.parts import posture
from thermnet.parts.base import Assembly, Limit, Part, Patch
from thermnet.physics import deck, touch
from thermnet.physics.convection import skin_exchange

FILM_RISE = 5.0
"""K by which the air film is taken to be above the room where its properties are read (they hardly vary)."""


@dataclass(frozen=True, kw_only=True)
class Skin(Part):
    """One wall of the housing: a hot zone, the rest, and rings between them if asked for.

    The node of a zone is its outer face, the one that is touched.  The zone is a rectangle of the wall's own
    proportions; heat spreads along wall, graphite and frame (see ``thermnet.physics.deck.zone_in_deck``).
    Each zone gives heat to ``ambient`` by natural convection and radiation and, where the posture says so, to
    what it touches.

    Nodes: ``<name>.hot_zone``, ``<name>.zone_2`` ... (with more than two zones), ``<name>.rest``.
    Faces (inside of the wall): ``hot_zone`` and ``rest``.

    Example: ``Skin(orientation="down", material="plastic", thickness=1.5e-3, graphite_thickness=50e-6)``.
    """

    kind: ClassVar[str] = "skin"
    faces: ClassVar[tuple[str, ...]] = ("hot_zone", "rest")

    orientation: str = choice(
        ("up", "down", "vertical"), default="down", doc="where the outer face looks, machine open on a desk"
    )
    material: str = text(default="aluminium", doc="wall material")
    thickness: Any = quantity(
        "m", default=0.8e-3, shown="mm", above=0.0, below=0.02, plausible=(0.4e-3, 2.5e-3), tolerance=0.06,
        step=0.1e-3, doc="wall thickness",
    )  # fmt: skip
    length: Any = quantity(
        "m",
        default=0.312,
        shown="mm",
        above=0.0,
        below=2.0,
        plausible=(0.2, 0.42),
        step=2e-3,
        doc="side to side",
    )
    width: Any = quantity(
        "m", default=0.220, shown="mm", above=0.0, below=2.0, plausible=(0.15, 0.30), step=2e-3,
        doc="front to rear; upwards on a vertical skin",
    )  # fmt: skip
    hot_zone_area: Any = quantity(
        "m^2", default=0.006, shown="cm^2", above=0.0, plausible=(0.002, 0.015), step=0.5e-3,
        doc="area that sees the hot parts inside",
    )  # fmt: skip
    hot_zone_offset_length: Any = quantity(
        "1", default=0.3, at_least=0.0, at_most=1.0, plausible=(0.0, 1.0), step=0.1,
        doc="hot zone off the middle, sideways: 0 in the middle, 1 at the edge",
    )  # fmt: skip
    hot_zone_offset_width: Any = quantity(
        "1", default=0.9, at_least=0.0, at_most=1.0, plausible=(0.0, 1.0), step=0.1,
        doc="hot zone off the middle, to the rear: 0 in the middle, 1 at the edge",
    )  # fmt: skip
    zones: int = count(default=2, at_least=2, at_most=6, doc="hot zone, rest, and rings between them")
    emissivity: Any = quantity(
        "1", default=0.85, at_least=0.0, at_most=1.0, plausible=(0.1, 0.95), absolute_tolerance=0.05,
        step=0.05, doc="of the outer face: paint or plastic 0.85, bare metal 0.1",
    )  # fmt: skip
    graphite_thickness: Any = quantity(
        "m", default=0.0, shown="um", at_least=0.0, below=2e-3, plausible=(0.0, 200e-6), step=10e-6,
        doc="graphite sheet on the inside, 0 for none",
    )  # fmt: skip
    graphite_conductivity: Any = quantity(
        "W/(m*K)", default=1500.0, above=0.0, plausible=(600.0, 1950.0), tolerance=0.15, step=100.0,
        doc="of the graphite along its sheet",
    )  # fmt: skip
    frame_sheet: Any = quantity(
        "W/K", default=0.008, at_least=0.0, plausible=(0.0, 0.05), step=0.002,
        doc="conductivity times thickness of what is fixed to the wall: frame, shielding foil",
    )  # fmt: skip
    attached_capacity: Any = quantity(
        "J/K", default=45.0, at_least=0.0, plausible=(0.0, 150.0), step=5.0,
        doc="heat capacity of what is fixed to the rest: keyboard, speakers, ribs",
        source="hand model of a 14-inch machine, illustrative",
    )  # fmt: skip
    limit: Any = quantity(
        "degC", default=45.0, above=20.0, below=120.0, plausible=(38.0, 52.0), step=1.0,
        doc="temperature that the hot zone must not exceed",
    )  # fmt: skip
    limit_rest: Any = quantity(
        "degC", default=43.0, above=20.0, below=120.0, plausible=(36.0, 48.0), step=1.0,
        doc="temperature that the rest must not exceed",
    )  # fmt: skip
    contact_time: Any = quantity(
        "s", default=60.0, at_least=0.0, plausible=(0.0, 28800.0), step=10.0,
        doc="how long this skin is touched in normal use, for the published touch limit",
    )  # fmt: skip
    touch_surface: str = choice(
        ("by_material", "metal", "glass", "plastic"),
        default="by_material",
        doc="surface class for the touch limit",
    )

    def __post_init__(self) -> None:
        super().__post_init__()
        solid(self.material)
        whole = np.multiply(self.length, self.width)
        if np.any(np.asarray(self.hot_zone_area) >= whole):
            raise ValueError(
                f"Skin.hot_zone_area: {self.hot_zone_area!r} m^2; expected less than length x width, "
                f"{whole!r} m^2"
            )

    def zone_names(self) -> tuple[str, ...]:
        """Names of the zones from hot to cool."""
        return ("hot_zone", *(f"zone_{i}" for i in range(2, self.zones)), "rest")

    def zone_areas(self) -> tuple[Any, ...]:
        """Areas of the zones in m^2, in the order of their names."""
        _, shares = deck.ring_resistances(self._scale(), self.zones - 1, 1.0)
        around = np.multiply(self.length, self.width) - self.hot_zone_area
        return (self.hot_zone_area, *(share * around for share in shares))

    def sheet(self) -> Any:
        """Sheet conductance of wall, graphite and frame together, W/K."""
        wall = (solid(self.material).conductivity, self.thickness)
        return (
            deck.sheet_conductance(wall, (self.graphite_conductivity, self.graphite_thickness))
            + self.frame_sheet
        )

    def zone_to_rest(self) -> Any:
        """Resistance along the wall from the hot zone's mean to the mean of everything around it, K/W."""
        scale = self._scale()
        return deck.zone_in_deck(
            self.length, self.width, scale * self.length, scale * self.width, self.sheet(),
            self.hot_zone_offset_length, self.hot_zone_offset_width,
        )  # fmt: skip

    def surface_class(self) -> str:
        """Class of surface for touch: metal (painted too), glass or plastic."""
        if self.touch_surface != "by_material":
            return self.touch_surface
        return touch.surface_class(self.material)

    def touch_limit(self) -> Any:
        """Return the published touch limit in degC; read ``thermnet.physics.touch.CAUTION``."""
        return touch.touch_limit(self.surface_class(), self.contact_time)

    def mass(self) -> Any:
        """Mass of wall and graphite, kg."""
        per_area = solid(self.material).density * self.thickness + _GRAPHITE.density * self.graphite_thickness
        return np.multiply(self.length, self.width) * per_area

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add the zones, the way along the wall, the exchange with the surroundings, faces and limits."""
        nodes = [f"{name}.{zone}" for zone in self.zone_names()]
        areas = self.zone_areas()
        wall = solid(self.material)
        per_area = wall.volumetric_heat_capacity * self.thickness
        per_area = per_area + _GRAPHITE.volumetric_heat_capacity * self.graphite_thickness
        lateral, shares = deck.ring_resistances(self._scale(), self.zones - 1, self.zone_to_rest())
        attached = [0.0, *(share * self.attached_capacity for share in shares)]
        for node, area, more in zip(nodes, areas, attached, strict=True):
            assembly.network.add_node(node, capacity=per_area * area + more, part=name)
        for a, b, resistance in zip(nodes[:-1], nodes[1:], lateral, strict=True):
            assembly.network.add_link(a, b, resistance=resistance, name=f"{a} along the wall")
        for node, area in zip(nodes, areas, strict=True):
            self._add_surroundings(assembly, node, area)
            value = self.limit_rest if node == nodes[-1] else self.limit
            assembly.limits.append(Limit(node, "skin", value, node=node))
        through = self.thickness / wall.through_conductivity
        through = through + self.graphite_thickness / _GRAPHITE.through_conductivity
        patches = [Patch(node, area, through / area) for node, area in zip(nodes, areas, strict=True)]
        assembly.add_face(f"{name}.hot_zone", patches[0], material=self.material)
        assembly.add_face(f"{name}.rest", *patches[1:], material=self.material)

    def _add_surroundings(self, assembly: Assembly, node: str, area: Any) -> None:
        state = posture.surroundings(assembly.posture, self.orientation)
        free = 1.0 - np.asarray(state.contact, dtype=float)
        if np.any(free > 0):
            exchange = skin_exchange(
                self.width, self.length, self.orientation if state.angle is None else state.angle,
                self.emissivity, area=area,
                film_temperature=np.asarray(assembly.ambient) + FILM_RISE,
                pressure=air.STANDARD_PRESSURE * np.asarray(assembly.air_density_ratio),
            )  # fmt: skip
            law = SurfaceExchange(
                radiating_area=exchange.radiating_area * free * state.radiation,
                convection=exchange.convection * free * state.convection,
                exponent=exchange.exponent,
            )
            assembly.network.add_link(node, "ambient", law=law, name=f"{node} to the room")
        if np.any(free < 1):
            if state.behind == "body" and "body" not in assembly.network.graph:
                assembly.network.add_boundary("body", posture.body_temperature(assembly.posture))
            conductance = (1.0 - free) * area / state.area_resistance
            assembly.network.add_link(node, state.behind, conductance=conductance, name=f"{node} in contact")

    def _scale(self) -> Any:
        return np.sqrt(self.hot_zone_area / np.multiply(self.length, self.width))


_GRAPHITE = solid("graphite_film")
