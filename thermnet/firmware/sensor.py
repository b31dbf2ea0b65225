"""What the firmware can see: temperature sensors with offset, lag, delay, resolution and a poll period."""

from __future__ import annotations

from dataclasses import dataclass

from thermnet import parameter
from thermnet.parameter import names, quantity


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """A temperature reading made of one or more nodes.

    The reading is ``offset`` plus the mean of the nodes in ``reads``, followed by a first-order lag (exact
    discretisation at the poll period), a pure delay, and rounding to ``resolution``.
    """

    reads: tuple[str, ...] = names(doc="nodes that the sensor sits between; their mean is read")
    offset: float = quantity("K", default=0.0, plausible=(-20.0, 25.0), absolute_tolerance=2.0, step=1.0,
                             doc="constant added to the reading")  # fmt: skip
    lag: float = quantity("s", default=0.0, at_least=0.0, plausible=(0.0, 600.0), step=1.0, doc="first-order lag")
    delay: float = quantity("s", default=0.0, at_least=0.0, at_most=3600.0, plausible=(0.0, 10.0), step=0.1,
                            doc="pure delay before the firmware sees a reading")  # fmt: skip
    resolution: float = quantity("K", default=0.0, at_least=0.0, plausible=(0.0, 2.0), step=0.25,
                                 doc="rounding of the reading (0: none)")  # fmt: skip
    period: float = quantity("s", default=0.1, above=0.0, plausible=(0.01, 60.0), step=0.1, doc="poll period")

    def __post_init__(self) -> None:
        parameter.check(self)
        if not self.reads:
            raise ValueError("Sensor.reads: names no node; expected at least one")
