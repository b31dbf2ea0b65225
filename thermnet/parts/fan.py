"""A fan: its curve, the speeds it can turn at, and its noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from thermnet.parameter import count, flag, quantity, table
from thermnet.parts.base import Assembly, Part
from thermnet.physics import acoustics, airflow


@dataclass(frozen=True, kw_only=True)
class Fan(Part):
    """A fan, described at one reference speed in standard air of 1.2 kg/m^3.

    The pressure falls from ``shutoff_pressure`` at no flow to 0 at ``free_flow``; between the two either
    ``linear_share`` or ``points`` gives the shape.  Flow, pressure and noise follow the fan laws with speed,
    pressure also with the density of the air.  A fan adds no node: an air path turns it.

    Example: ``Fan(free_flow=1.9e-3, shutoff_pressure=110, reference_speed=4500, maximum_speed=5000,
    reference_noise=38)``.
    """

    kind: ClassVar[str] = "fan"

    free_flow: Any = quantity(
        "m^3/s", shown="cfm", above=0.0, at_most=0.05, plausible=(1.2e-3, 6.2e-3), tolerance=0.06,
        step=5e-5,
        doc="flow against no pressure at the reference speed; 1 cfm = 0.472 l/s",
    )  # fmt: skip
    shutoff_pressure: Any = quantity(
        "Pa", above=0.0, at_most=3000.0, plausible=(60.0, 450.0), tolerance=0.10, step=5.0,
        doc="pressure at no flow at the reference speed",
    )  # fmt: skip
    reference_speed: Any = quantity(
        "rpm", above=0.0, at_most=30000.0, plausible=(3000.0, 7000.0), step=100.0,
        doc="speed at which flow, pressure and noise are given",
    )  # fmt: skip
    maximum_speed: Any = quantity(
        "rpm", above=0.0, at_most=30000.0, plausible=(4500.0, 7000.0), tolerance=0.05, step=100.0,
        doc="fastest speed; a higher command turns the fan at this speed",
    )  # fmt: skip
    minimum_speed: Any = quantity(
        "rpm", default=1800.0, at_least=0.0, at_most=30000.0, plausible=(1200.0, 2500.0),
        step=100.0,
        doc="slowest speed at which the fan keeps turning",
    )  # fmt: skip
    speed_step: Any = quantity(
        "rpm", default=50.0, above=0.0, at_most=2000.0, plausible=(10.0, 300.0), step=10.0,
        doc="resolution of the speed command",
    )  # fmt: skip
    linear_share: Any = quantity(
        "1", default=0.4, at_least=0.0, at_most=1.0, plausible=(0.0, 1.0), step=0.1,
        doc="shape of the curve: 1 a straight line, 0 a parabola; without effect when points are given",
    )  # fmt: skip
    points: tuple[tuple[float, float], ...] = table(
        (("flow", "m^3/s"), ("pressure", "Pa")), default=(),
        doc="measured curve from no flow to no pressure: the shape, scaled to free_flow and shutoff_pressure",
    )  # fmt: skip
    reference_noise: Any = quantity(
        "dBA", above=0.0, at_most=90.0, plausible=(26.0, 54.0), absolute_tolerance=2.0, step=1.0,
        doc="noise of this fan alone, installed, at the operator, at the reference speed",
    )  # fmt: skip
    noise_exponent: Any = quantity(
        "1", default=55.0, at_least=30.0, at_most=80.0, plausible=(50.0, 60.0), step=1.0,
        doc="dB per tenfold speed", source="fan laws; theory gives 50 to 55, practice 50 to 60",
    )  # fmt: skip
    blades: int = count(default=41, at_least=1, at_most=300, doc="number of blades, for the blade tone")
    wear: Any = quantity(
        "1", default=1.0, at_least=0.0, at_most=1.1, plausible=(0.88, 1.0), tolerance=0.03,
        step=0.01,
        doc="share of the commanded speed that is reached (dry bearings: 0.90 to 0.95)",
    )  # fmt: skip
    stopped_loss: Any = quantity(
        "1", default=1.0, above=0.0, at_most=1000.0, plausible=(0.3, 5.0), step=0.1,
        doc="pressure lost through the stopped fan at free_flow, over shutoff_pressure",
    )  # fmt: skip
    check_valve: bool = flag(default=False, doc="a flap keeps air from running back through the stopped fan")

    def __post_init__(self) -> None:
        super().__post_init__()
        if np.any(np.asarray(self.minimum_speed) > np.asarray(self.maximum_speed)):
            raise ValueError(
                f"Fan.minimum_speed: {self.minimum_speed} rpm; "
                f"expected at most maximum_speed, {self.maximum_speed} rpm"
            )
        if len(self.points):
            wrong = airflow.check_points(self.points)
            if wrong:
                raise ValueError(f"Fan.points: {self.points!r}; {wrong}")

    def add_to(self, assembly: Assembly, name: str) -> None:
        """Add nothing: the fan works through the air path that names it."""

    def curve(self) -> airflow.FanCurve:
        """Curve at the reference speed."""
        points = tuple((v / self.points[-1][0], p / self.points[0][1]) for v, p in self.points)
        return airflow.FanCurve(
            self.free_flow,
            self.shutoff_pressure,
            self.linear_share,
            points,
            self.stopped_loss,
            self.check_valve,
        )

    def turning_speed(self, speed_rpm: Any) -> Any:
        """Speed in rpm that the fan really turns at for a command in rpm.

        Raises
        ------
        ValueError
            A negative or not finite command.
        """
        speed = np.asarray(speed_rpm, dtype=float)
        if not np.all(np.isfinite(speed) & (speed >= 0)):
            raise ValueError(f"fan speed {speed_rpm!r} rpm; expected a finite speed of 0 or more")
        return self.wear * np.minimum(speed, self.maximum_speed)

    def running(self, speed_rpm: Any, density: Any = airflow.FAN_AIR_DENSITY) -> airflow.RunningFan:
        """Fan at a commanded speed in rpm in air of a density in kg/m^3."""
        return airflow.RunningFan(
            self.curve(),
            self.turning_speed(speed_rpm) / self.reference_speed,
            density / airflow.FAN_AIR_DENSITY,
        )

    def pressure(self, flow: Any, speed_rpm: Any, density: Any = airflow.FAN_AIR_DENSITY) -> Any:
        """Pressure rise in Pa at a flow in m^3/s and a commanded speed in rpm."""
        return airflow.fan_pressure(flow, *self.running(speed_rpm, density))

    def flow(self, pressure: Any, speed_rpm: Any, density: Any = airflow.FAN_AIR_DENSITY) -> Any:
        """Flow in m^3/s against a pressure rise in Pa at a commanded speed in rpm."""
        return airflow.fan_flow(pressure, *self.running(speed_rpm, density))

    def noise(self, speed_rpm: Any) -> Any:
        """Level in dBA at the operator at a commanded speed in rpm; 0 when stopped."""
        return acoustics.level_at_speed(
            self.reference_noise, self.turning_speed(speed_rpm), self.reference_speed, self.noise_exponent
        )

    def blade_tone(self, speed_rpm: Any) -> Any:
        """Blade-pass frequency in Hz at a commanded speed in rpm."""
        return acoustics.blade_pass_frequency(self.blades, self.turning_speed(speed_rpm))


def total_noise(fans: Mapping[str, Fan], speeds: Mapping[str, Any]) -> Any:
    """Level in dBA at the operator of all fans at commanded speeds in rpm (a fan left out stands still)."""
    return acoustics.add_levels([fan.noise(speeds.get(name, 0.0)) for name, fan in fans.items()])


def speed_caps(fans: Mapping[str, Fan], noise_cap: Any) -> dict[str, Any]:
    """Highest speed command of each fan, in rpm, at which all fans together stay within a noise cap.

    Parameters
    ----------
    fans : mapping of str to Fan
    noise_cap : float or array
        dBA at the operator.

    Returns
    -------
    dict of str to rpm
        All fans at the same share of their reference speeds, rounded down to their steps and never above
        their maximum.  Where that lies below a fan's slowest speed, the fan has to stand still: 0 rpm.
    """
    share = acoustics.speed_ratio_for_level(
        noise_cap,
        [fan.reference_noise for fan in fans.values()],
        [fan.noise_exponent for fan in fans.values()],
    )
    caps = {}
    for name, fan in fans.items():
        command = share * fan.reference_speed / np.maximum(fan.wear, 1e-9)
        # A little slack keeps a command that sits on the grid from being rounded down a whole step.
        steps = np.floor(np.minimum(command, fan.maximum_speed) / fan.speed_step + 1e-9) * fan.speed_step
        caps[name] = np.where(steps >= fan.minimum_speed, steps, 0.0)[()]
    return caps
