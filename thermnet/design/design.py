"""A design: parts, joints, sensors and modes, ready to become a network and to be simulated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from thermnet import parameter
from thermnet.firmware.mode import Mode
from thermnet.firmware.sensor import Sensor
from thermnet.firmware.workload import Workload
from thermnet.parameter import names, quantity, text
from thermnet.parts.base import Part


@dataclass(frozen=True, kw_only=True)
class Joint:
    """Two faces brought together, through an interface part or a plain resistance."""

    between: tuple[str, ...] = names(doc="two faces, each part.face")
    through: str = text(default="", doc="interface part that lies in the joint")
    resistance: float | None = quantity("K/W", default=None, above=0.0, doc="plain resistance of the joint")
    area: float | None = quantity("m^2", default=None, above=0.0, shown="mm^2", doc="contact area, where neither face has one")

    def __post_init__(self) -> None:
        parameter.check(self)


@dataclass(frozen=True, kw_only=True)
class Design:
    """One machine.  Immutable: :meth:`replace` gives a changed copy."""

    name: str = text(doc="short name")
    title: str = text(default="", doc="one line")
    note: str = text(default="", doc="where the numbers come from")
    ambient: float = quantity("degC", default=25.0, at_least=-20.0, at_most=60.0, plausible=(15.0, 40.0), step=1.0,
                              doc="room temperature")  # fmt: skip
    altitude: float = quantity("m", default=0.0, at_least=-400.0, at_most=6000.0, plausible=(0.0, 3000.0), step=250.0,
                               doc="height above sea level")  # fmt: skip
    posture: str = text(default="desk", doc="how the machine is held: desk, lap, bed, stand, closed")
    parts: Mapping[str, Part] = field(default_factory=dict)
    joints: tuple[Joint, ...] = ()
    sensors: Mapping[str, Sensor] = field(default_factory=dict)
    modes: Mapping[str, Mode] = field(default_factory=dict)
    workloads: Mapping[str, Workload] = field(default_factory=dict)
    source: str = ""
