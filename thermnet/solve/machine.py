"""What the closed loop needs to know of a machine; made by a design, independent of files and parts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.firmware.sensor import Sensor
from thermnet.network.compiled import CompiledNetwork
from thermnet.network.laws import Leakage
from thermnet.run import RunLimit

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Chip:
    """One chip as the firmware sees it.

    Attributes
    ----------
    share : node to share of the chip's dynamic power (adds up to 1)
    follow : node to W of loss per W of chip power (regulators)
    leaks : (node, Leakage) pairs at full voltage
    hot_spot, junction_limit : node watched by the junction throttle, and its limit in degC
    curve : (frequency, voltage) points as shares of the highest, both rising; level below the first
    leak_voltage_exponent : power of the voltage in leakage
    dynamic_scale, leak_scale : dynamic power and leakage at the highest frequency, relative to what they are at the
        voltage that loads are metered at (1 without a voltage offset)
    """

    name: str
    share: Mapping[str, float]
    follow: Mapping[str, float] = field(default_factory=dict)
    leaks: tuple[tuple[str, Leakage], ...] = ()
    hot_spot: str
    junction_limit: float
    curve: tuple[tuple[float, float], ...] = ((0.2, 0.6), (1.0, 1.0))
    leak_voltage_exponent: float = 2.0
    dynamic_scale: float = 1.0
    leak_scale: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Fan:
    """A fan as the firmware sees it: the speeds it can be set to, and its noise."""

    name: str
    maximum: float
    grid: float
    noise: Callable[[Any], Any] | None = None


@dataclass(frozen=True, kw_only=True)
class Machine:
    """A design at one ambient and posture, ready for the closed loop.

    ``assemble`` maps fan speeds in rpm (each an array over levels) to a compiled network whose trailing axis is
    the level.  ``sources`` maps the name of a part that heats to ({node: share}, nominal W).
    """

    name: str
    assemble: Callable[[Mapping[str, Any]], CompiledNetwork]
    chips: tuple[Chip, ...]
    fans: tuple[Fan, ...] = ()
    sources: Mapping[str, tuple[Mapping[str, float], float]] = field(default_factory=dict)
    sensors: Mapping[str, Sensor] = field(default_factory=dict)
    limits: tuple[RunLimit, ...] = ()
    ambient: float = 25.0
    idle_power: Mapping[str, float] = field(default_factory=dict)

    def noise(self, speeds: Mapping[str, Any]) -> Any:
        """Level at the operator in dBA of all fans together (nan when none is audible or known)."""
        levels = [fan.noise(speeds[fan.name]) for fan in self.fans if fan.noise is not None]
        if not levels:
            return np.full(np.shape(next(iter(speeds.values()), 0.0)), np.nan)
        return 10.0 * np.log10(sum(10.0 ** (np.asarray(level) / 10.0) for level in levels))
