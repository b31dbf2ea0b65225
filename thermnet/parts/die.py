"""A die: hot spot, rest, further blocks; its leakage and its voltage-frequency curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from thermnet.materials.solids import solid
from thermnet.network import Leakage
from thermnet.parameter import quantity, table, text
from thermnet.parts.base import Assembly, Limit, Part, Patch
from thermnet.physics import silicon

HAND_MODEL = "hand model of a 14-inch machine, illustrative"
CURVE = ((0.65, 0.8e9), (0.72, 1.8e9), (0.85, 3.0e9), (1.00, 4.0e9), (1.15, 4.7e9))
"""Voltage (V) and frequency (Hz) of the invented demo chip."""


@dataclass(frozen=True, kw_only=True)
class Die(Part):
    """A bare die, cooled from its back, in two or more blocks.

    The hot spot is the area that works hardest, the rest is everything else; further blocks (tiles, a second
    cluster) may be named in ``blocks``.  Each block is one node at half the die's thickness, with its share
    of the power, its own patch of the top face and a lateral resistance to the rest.

    The leakage is put down in ``assembly.leakage``; whether it comes on top of a workload's power or is part
    of it is for the workload to say.

    Nodes: ``<name>.hot_spot``, ``<name>.rest``, ``<name>.block_1`` ...
    Faces: ``top`` (one patch per block) and ``board``.

    Example: ``Die(area=150e-6, hot_spot_area=36e-6, hot_spot_share=0.5)``.
    """

    kind: ClassVar[str] = "die"
    faces: ClassVar[tuple[str, ...]] = ("top", "board")

    area: Any = quantity(
        "m^2",
        default=150e-6,
        shown="mm^2",
        above=0.0,
        plausible=(50e-6, 600e-6),
        step=5e-6,
        doc="whole silicon area",
    )
    thickness: Any = quantity(
        "m", default=0.775e-3, shown="mm", above=0.0, below=5e-3, plausible=(0.2e-3, 1.0e-3), tolerance=0.03,
        step=0.05e-3, doc="silicon thickness",
    )  # fmt: skip
    material: str = text(default="silicon", doc="die material")
    hot_spot_area: Any = quantity(
        "m^2", default=36e-6, shown="mm^2", above=0.0, plausible=(5e-6, 120e-6), step=2e-6,
        doc="area of the block that works hardest",
    )  # fmt: skip
    hot_spot_share: Any = quantity(
        "1", default=0.5, at_least=0.0, at_most=1.0, plausible=(0.2, 0.8), absolute_tolerance=0.08, step=0.05,
        doc="share of the chip's power in the hot spot",
    )  # fmt: skip
    lateral_resistance: Any = quantity(
        "K/W", default=0.45, above=0.0, plausible=(0.2, 1.0), tolerance=0.2, step=0.05,
        doc="hot spot to rest, along the silicon", source=HAND_MODEL,
    )  # fmt: skip
    hot_spot_constriction: Any = quantity(
        "K/W", default=0.02, at_least=0.0, plausible=(0.0, 0.1), step=0.01,
        doc="added between hot spot and top for heat that gathers inside the hot spot's own area",
    )  # fmt: skip
    blocks: tuple[tuple[float, float], ...] = table(
        (("area", "m^2"), ("share", "1")),
        default=(),
        doc="further blocks: area and share of the chip's power",
    )
    board_resistance: Any = quantity(
        "K/W", default=12.0, above=0.0, plausible=(4.0, 30.0), tolerance=0.2, step=1.0,
        doc="rest to board through package and joints", source=HAND_MODEL,
    )  # fmt: skip
    junction_limit: Any = quantity(
        "degC", default=95.0, above=30.0, below=150.0, plausible=(80.0, 105.0), step=1.0,
        doc="temperature that the hot spot must not exceed",
    )  # fmt: skip
    leakage: Any = quantity(
        "W", default=4.0, at_least=0.0, plausible=(0.5, 25.0), tolerance=0.5, step=0.5,
        doc="leakage of the whole chip at its reference temperature and voltage",
    )  # fmt: skip
    leakage_temperature: Any = quantity(
        "degC",
        default=70.0,
        plausible=(25.0, 100.0),
        step=5.0,
        doc="temperature at which the leakage is given",
    )
    leakage_voltage: Any = quantity(
        "V",
        default=0.90,
        above=0.0,
        plausible=(0.6, 1.2),
        step=0.05,
        doc="voltage at which the leakage is given",
    )
    leakage_slope: Any = quantity(
        "1/K", default=0.018, at_least=0.0, plausible=(0.010, 0.035), tolerance=0.2, step=0.002,
        doc="relative growth of leakage per kelvin",
        source="exponential form: De Vogeleer et al., arXiv 1404.3381; value common practice, no source",
    )  # fmt: skip
    leakage_voltage_exponent: Any = quantity(
        "1",
        default=2.5,
        at_least=0.0,
        plausible=(1.0, 4.0),
        step=0.5,
        doc="leakage goes with voltage to this power",
    )
    switched_capacitance: Any = quantity(
        "F", default=14e-9, shown="nF", above=0.0, plausible=(2e-9, 100e-9), step=0.5e-9,
        doc="effective capacitance switched per cycle under full load",
    )  # fmt: skip
    curve: tuple[tuple[float, float], ...] = table(
        (("voltage", "V"), ("frequency", "Hz")), default=CURVE, doc="voltage-frequency curve, both rising"
    )
    voltage_offset: Any = quantity(
        "V", default=0.0, above=-0.3, below=0.3, plausible=(-0.12, 0.05), step=0.01,
        doc="added to the curve's voltage; negative when undervolted",
    )  # fmt: skip

    def __post_init__(self) -> None:
        super().__post_init__()
        solid(self.material)
        if any(area <= 0 or share < 0 for area, share in self.blocks):
            raise ValueError(f"Die.blocks: {self.blocks!r}; expected areas above 0 and shares of 0 or more")
        if np.any(np.asarray(self.rest_area()) <= 0):
            raise ValueError(
                f"Die.hot_spot_area: {self.hot_spot_area!r} m^2; expected hot spot and blocks to leave some "
                f"of the die's {self.area!r} m^2"
            )
        if np.any(np.asarray(self.rest_share()) < -1e-12):
            raise ValueError(
                f"Die.hot_spot_share: {self.hot_spot_share!r}; expected shares that add up to 1 at most"
            )
        try:
            silicon.curve_points(*self._points())
        except ValueError as error:
            raise ValueError(f"Die.curve: {error}") from None
        lowest = self.curve[0][0]
        if np.any(lowest + np.asarray(self.voltage_offset) <= 0):
            raise ValueError(f"Die.voltage_offset: {self.voltage_offset!r} V; expected above -{lowest:g} V")

    # -- thermal ---------------------------------------------------------------------------------------

    def rest_area(self) -> Any:
        """Area of the rest, m^2."""
        return self.area - self.hot_spot_area - sum(area for area, _ in self.blocks)

    def rest_share(self) -> Any:
        """Share of the chip's power in the rest."""
        return 1.0 - self.hot_spot_share - sum(share for _, share in self.blocks)

    def mass(self) -> Any:
        """Mass of the silicon, kg."""
        return solid(self.material).density * self.area * self.thickness

    def thickness_in_stack(self) -> Any:
        """Height of the die, m."""
        return self.thickness

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add the blocks, their lateral links, the two faces, heat source, junction limit and leakage."""
        material = solid(self.material)
        hot, rest = f"{name}.hot_spot", f"{name}.rest"
        blocks = {hot: (self.hot_spot_area, self.hot_spot_share), rest: (self.rest_area(), self.rest_share())}
        blocks |= {f"{name}.block_{i}": row for i, row in enumerate(self.blocks, 1)}
        patches = []
        for node, (area, _) in blocks.items():
            capacity = material.volumetric_heat_capacity * self.thickness * area
            assembly.network.add_node(node, capacity=capacity, part=name)
            resistance = 0.5 * self.thickness / (material.through_conductivity * area)
            patches.append(
                Patch(node, area, resistance + (self.hot_spot_constriction if node == hot else 0.0))
            )
        for node, (area, _) in blocks.items():
            if node != rest:
                # Heat leaves a block over its rim, which grows with the root of its area.
                rim = np.sqrt(np.divide(self.hot_spot_area, area))
                assembly.network.add_link(node, rest, resistance=self.lateral_resistance * rim)
        assembly.add_face(f"{name}.top", *patches, material=self.material)
        assembly.add_face(
            f"{name}.board", Patch(rest, self.area, self.board_resistance), material=self.material
        )
        assembly.sources[name] = {node: share for node, (_, share) in blocks.items()}
        assembly.limits.append(Limit(f"{name}.junction", "junction", self.junction_limit, node=hot))
        total = self.leakage_at(self.leakage_temperature, self.leakage_voltage + self.voltage_offset)
        for node, (area, _) in blocks.items():
            law = Leakage(
                power=total * area / self.area, reference=self.leakage_temperature, slope=self.leakage_slope
            )
            assembly.leakage.setdefault(name, []).append((node, law))

    # -- electrical ------------------------------------------------------------------------------------

    def top_frequency(self) -> float:
        """Highest frequency of the curve, Hz."""
        return self.curve[-1][1]

    def voltage(self, frequency: Any) -> Any:
        """Supply voltage in V at a frequency in Hz, offset included."""
        return silicon.curve_voltage(frequency, *self._points()) + self.voltage_offset

    def leakage_at(self, temperature: Any, voltage: Any) -> Any:
        """Leakage in W of the whole chip at a temperature in degC and a voltage in V."""
        return silicon.leakage_power(
            self.leakage, temperature, self.leakage_temperature, self.leakage_slope, voltage,
            self.leakage_voltage, self.leakage_voltage_exponent,
        )  # fmt: skip

    def power(self, frequency: Any, temperature: Any, activity: Any = 1.0) -> Any:
        """Chip power in W at a frequency in Hz, a temperature in degC and an activity (1 = full load)."""
        voltage = self.voltage(frequency)
        switching = silicon.dynamic_power(activity, self.switched_capacitance, voltage, frequency)
        return switching + self.leakage_at(temperature, voltage)

    def frequency(self, power: Any, temperature: Any, activity: Any = 1.0) -> Any:
        """Highest frequency in Hz that keeps the chip within ``power`` W at a silicon temperature in degC."""
        voltages, frequencies = self._points()
        return silicon.frequency_at_power(
            power, temperature, voltages=voltages, frequencies=frequencies, activity=activity,
            capacitance=self.switched_capacitance, voltage_offset=self.voltage_offset, leakage=self.leakage,
            reference_temperature=self.leakage_temperature, slope=self.leakage_slope,
            reference_voltage=self.leakage_voltage, voltage_exponent=self.leakage_voltage_exponent,
        )  # fmt: skip

    def performance(self, power: Any, temperature: Any, activity: Any = 1.0, memory_share: Any = 0.0) -> Any:
        """Work per second within ``power`` W relative to that at the top of the curve.

        ``memory_share`` is the share of run time at the top of the curve spent waiting for memory.
        """
        frequency = self.frequency(power, temperature, activity)
        return silicon.relative_performance(frequency, self.top_frequency(), memory_share)

    def _points(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        return tuple(v for v, _ in self.curve), tuple(f for _, f in self.curve)
