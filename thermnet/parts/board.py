"""The board with its voltage regulators, and what sits on it: memory and drive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from thermnet.parameter import names, quantity
from thermnet.parts.base import Assembly, Limit, Part, Patch

HAND_MODEL = "hand model of a 14-inch machine, illustrative"


@dataclass(frozen=True, kw_only=True)
class Board(Part):
    """The main board: one node for the board, one for the regulators of each chip it feeds.

    A regulator's loss is a share of its chip's power and follows it.  ``power`` is what else the board turns
    to heat (radio, controller, glue).

    Nodes: ``<name>.board`` and, for each chip fed, ``<name>.regulator`` (``regulator_<chip>`` if several).
    Faces: ``top`` and ``bottom`` (over the board's area), ``mount`` (a place for parts, without area), and
    one named like each regulator's node.

    Example: ``Board(feeds=("cpu",), regulator_loss=0.1)``.
    """

    kind: ClassVar[str] = "board"
    faces: ClassVar[tuple[str, ...]] = ("top", "bottom", "mount")

    capacity: Any = quantity(
        "J/K", default=70.0, above=0.0, plausible=(40.0, 250.0), tolerance=0.1, step=5.0,
        doc="board with its small parts", source=HAND_MODEL,
    )  # fmt: skip
    area: Any = quantity(
        "m^2", default=0.020, shown="cm^2", above=0.0, plausible=(0.008, 0.05), step=0.001,
        doc="of one side, for gaps and pads",
    )  # fmt: skip
    power: Any = quantity(
        "W",
        default=2.0,
        at_least=0.0,
        plausible=(0.5, 8.0),
        step=0.5,
        doc="heat of everything else on the board",
    )
    feeds: tuple[str, ...] = names(default=(), doc="chips whose supply sits on this board")
    regulator_loss: Any = quantity(
        "1", default=0.10, at_least=0.0, below=1.0, plausible=(0.05, 0.18), tolerance=0.15, step=0.01,
        doc="heat in the regulators per watt of chip power",
    )  # fmt: skip
    regulator_capacity: Any = quantity(
        "J/K", default=4.0, above=0.0, plausible=(1.0, 15.0), step=0.5, doc="of one chip's coils and switches"
    )
    regulator_resistance: Any = quantity(
        "K/W", default=5.0, above=0.0, plausible=(1.5, 12.0), tolerance=0.15, step=0.5,
        doc="one chip's regulators to the mean of the board",
    )  # fmt: skip
    regulator_area: Any = quantity(
        "m^2", default=400e-6, shown="mm^2", above=0.0, plausible=(100e-6, 1500e-6), step=50e-6,
        doc="top of one chip's regulators, for pads",
    )  # fmt: skip
    regulator_limit: Any = quantity(
        "degC", default=105.0, above=40.0, below=180.0, plausible=(95.0, 125.0), step=5.0,
        doc="temperature that the regulators must not exceed",
    )  # fmt: skip

    def __post_init__(self) -> None:
        super().__post_init__()
        if len(set(self.feeds)) != len(self.feeds):
            raise ValueError(f"Board.feeds: {list(self.feeds)}; expected each chip once")

    def regulators(self) -> dict[str, str]:
        """Name within the part of each fed chip's regulator."""
        return {chip: "regulator" if len(self.feeds) == 1 else f"regulator_{chip}" for chip in self.feeds}

    def face_names(self) -> tuple[str, ...]:
        """Faces of this board: the fixed ones and its regulators."""
        return (*self.faces, *self.regulators().values())

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add the board, its regulators, faces, heat and limits."""
        node = f"{name}.board"
        assembly.network.add_node(node, capacity=self.capacity, part=name)
        for side in ("top", "bottom"):
            assembly.add_face(f"{name}.{side}", Patch(node, self.area), material="board")
        assembly.add_face(f"{name}.mount", Patch(node), material="board")
        assembly.sources[name] = {node: 1.0}
        assembly.fixed_heat[name] = self.power
        for chip, place in self.regulators().items():
            regulator = f"{name}.{place}"
            assembly.network.add_node(regulator, capacity=self.regulator_capacity, part=name)
            assembly.network.add_link(regulator, node, resistance=self.regulator_resistance)
            assembly.add_face(regulator, Patch(regulator, self.regulator_area))
            assembly.followers.setdefault(chip, {})[regulator] = self.regulator_loss
            assembly.limits.append(Limit(regulator, "regulator", self.regulator_limit, node=regulator))


@dataclass(frozen=True, kw_only=True)
class Memory(Part):
    """Memory packages as one node.

    Node: ``<name>.package``.  Faces: ``top`` (for a pad), ``mount`` (to the board).
    """

    kind: ClassVar[str] = "memory"
    faces: ClassVar[tuple[str, ...]] = ("top", "mount")

    capacity: Any = quantity(
        "J/K", default=6.0, above=0.0, plausible=(2.0, 20.0), step=0.5, doc="all packages together"
    )
    power: Any = quantity("W", default=1.5, at_least=0.0, plausible=(0.3, 6.0), step=0.25, doc="nominal heat")
    area: Any = quantity(
        "m^2", default=500e-6, shown="mm^2", above=0.0, plausible=(100e-6, 2500e-6), step=50e-6,
        doc="top of the packages, for pads",
    )  # fmt: skip
    board_resistance: Any = quantity(
        "K/W",
        default=6.0,
        above=0.0,
        plausible=(2.0, 15.0),
        tolerance=0.15,
        step=0.5,
        doc="packages to board",
    )
    limit: Any = quantity(
        "degC", default=85.0, above=40.0, below=130.0, plausible=(80.0, 95.0), step=1.0,
        doc="package temperature; above it memory refreshes twice as often",
    )  # fmt: skip

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add the packages, faces, heat and limit."""
        add_component(assembly, name, "package", self.capacity, self.power, "memory", self.limit)
        assembly.add_face(f"{name}.top", Patch(f"{name}.package", self.area))
        assembly.add_face(f"{name}.mount", Patch(f"{name}.package", None, self.board_resistance))


@dataclass(frozen=True, kw_only=True)
class Drive(Part):
    """A solid-state drive as one node.

    Node: ``<name>.package``.  Faces: ``top`` (for a pad), ``mount`` (to the board).
    """

    kind: ClassVar[str] = "drive"
    faces: ClassVar[tuple[str, ...]] = ("top", "mount")

    capacity: Any = quantity(
        "J/K", default=9.0, above=0.0, plausible=(4.0, 20.0), step=0.5, doc="drive with its own small board"
    )
    power: Any = quantity(
        "W",
        default=1.0,
        at_least=0.0,
        plausible=(0.05, 9.0),
        step=0.25,
        doc="nominal heat; 3 to 9 W while writing",
    )
    area: Any = quantity(
        "m^2", default=1500e-6, shown="mm^2", above=0.0, plausible=(500e-6, 2000e-6), step=50e-6,
        doc="top of the drive, for pads",
    )  # fmt: skip
    board_resistance: Any = quantity(
        "K/W", default=8.0, above=0.0, plausible=(3.0, 20.0), tolerance=0.15, step=0.5, doc="drive to board"
    )
    limit: Any = quantity(
        "degC", default=70.0, above=40.0, below=110.0, plausible=(65.0, 80.0), step=1.0,
        doc="temperature at which it slows down; its own sensor reads 2 to 10 K low",
    )  # fmt: skip

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add the drive, faces, heat and limit."""
        add_component(assembly, name, "package", self.capacity, self.power, "drive", self.limit)
        assembly.add_face(f"{name}.top", Patch(f"{name}.package", self.area))
        assembly.add_face(f"{name}.mount", Patch(f"{name}.package", None, self.board_resistance))


def add_component(
    assembly: Assembly, name: str, place: str, capacity: Any, power: Any, kind: str, limit: Any
) -> None:
    """Add a part of one node with a nominal heat and a limit of its own."""
    node = f"{name}.{place}"
    assembly.network.add_node(node, capacity=capacity, part=name)
    assembly.sources[name] = {node: 1.0}
    assembly.fixed_heat[name] = power
    assembly.limits.append(Limit(node, kind, limit, node=node))
