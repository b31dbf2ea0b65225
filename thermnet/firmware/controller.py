"""A controller of your own in Python, in place of the built-in governor, throttles and fan tables.

It runs at every control sample on the same numerics as the built-in firmware, only slower (about a tenth of a
millisecond a sample).  State is passed, never stored, so that a run can be repeated and gone on with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol


@dataclass(frozen=True)
class Seen:
    """What the firmware knows at the start of a control sample.

    Attributes
    ----------
    time : s since the start of the run
    period : s, length of the control sample
    readings : sensor name to degC, polled, lagged, delayed and rounded as the sensor says
    power : chip name to W drawn in the sample before
    demand : chip name to W asked for in this sample
    fan_speed : fan name to rpm in the sample before
    """

    time: float
    period: float
    readings: Mapping[str, float]
    power: Mapping[str, float]
    demand: Mapping[str, float]
    fan_speed: Mapping[str, float]


@dataclass(frozen=True)
class Command:
    """What the firmware does in this control sample.

    Attributes
    ----------
    power_limit : chip name to W; chips left out are not limited
    fan_speed : fan name to rpm; fans left out keep their speed; rounded to the fan's speed grid and held to its cap
    """

    power_limit: Mapping[str, float] = field(default_factory=dict)
    fan_speed: Mapping[str, float] = field(default_factory=dict)


class Controller(Protocol):
    """Anything with these two methods."""

    def start(self, seen: Seen) -> Any:
        """State before the first sample (of any kind)."""
        ...

    def step(self, state: Any, seen: Seen) -> tuple[Command, Any]:
        """Decide this sample; returns the command and the new state."""
        ...
