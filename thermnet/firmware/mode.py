"""An operating mode as data: power limits, throttles, fan tables, skin limits, charger back-off, noise cap."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from thermnet import parameter
from thermnet.parameter import choice, quantity, table, text


@dataclass(frozen=True, kw_only=True)
class ChipControl:
    """How one chip's power is held.

    The running average follows ``dPavg/dt = (P - Pavg)/averaging_time`` (exact discretisation); power may reach
    ``burst_limit`` while the average is below ``sustained_limit`` and is held at ``sustained_limit`` after that.
    The junction throttle lowers a ceiling of its own from ``throttle_margin`` below the junction limit on.
    """

    burst_limit: float = quantity("W", above=0.0, plausible=(10.0, 200.0), step=1.0, doc="power allowed in a burst")
    sustained_limit: float = quantity("W", above=0.0, plausible=(4.0, 150.0), step=1.0,
                                      doc="running-average power allowed for ever")  # fmt: skip
    averaging_time: float = quantity("s", default=28.0, above=0.0, plausible=(1.0, 64.0), step=1.0,
                                     doc="averaging time constant of the governor")  # fmt: skip
    peak_limit: float | None = quantity("W", default=None, above=0.0, plausible=(20.0, 300.0), step=1.0,
                                        doc="clamp that holds at every control sample (supply, adapter, battery)")  # fmt: skip
    floor: float = quantity("W", default=3.0, at_least=0.0, plausible=(1.0, 15.0), step=0.5,
                            doc="no loop takes the chip below this power")  # fmt: skip
    junction_sensor: str = text(default="", doc="sensor the throttle reads; empty: the hot spot itself, undelayed")
    throttle: str = choice(("pi", "step"), default="pi", doc="junction throttle: proportional-integral, or power steps")
    throttle_margin: float = quantity("K", default=2.0, at_least=0.0, plausible=(0.0, 8.0), step=0.5,
                                      doc="throttle aims this far below the junction limit")  # fmt: skip
    proportional_gain: float = quantity("W/K", default=1.0, at_least=0.0, plausible=(0.1, 5.0), step=0.1,
                                        doc="throttle gain on the error (pi)")  # fmt: skip
    integral_gain: float = quantity("W/K/s", default=1.0, at_least=0.0, plausible=(0.05, 5.0), step=0.1,
                                    doc="throttle gain on the error's integral (pi)")  # fmt: skip
    power_step: float = quantity("W", default=1.0, above=0.0, plausible=(0.2, 5.0), step=0.1,
                                 doc="change of the ceiling per throttle period (step)")  # fmt: skip
    throttle_period: float = quantity("s", default=0.1, above=0.0, plausible=(0.01, 1.0), step=0.01,
                                      doc="period of the junction throttle")  # fmt: skip
    weight: float = quantity("1", default=1.0, above=0.0, plausible=(0.1, 10.0), step=0.1,
                             doc="claim on a shared budget relative to the other chips")  # fmt: skip

    def __post_init__(self) -> None:
        parameter.check(self)


@dataclass(frozen=True, kw_only=True)
class FanTable:
    """Thresholds of one sensor: at each ``on`` temperature the fan is asked for that row's speed."""

    sensor: str = text(doc="sensor that this table reads")
    steps: tuple[tuple[float, float], ...] = table(
        (("on", "degC"), ("speed", "rpm")), doc="threshold and speed, both rising; below the first the fan rests at its idle speed"
    )
    hysteresis: float = quantity("K", default=3.0, at_least=0.0, plausible=(0.0, 8.0), step=0.5,
                                 doc="a step is left only this far below its threshold")  # fmt: skip

    def __post_init__(self) -> None:
        parameter.check(self)
        if not self.steps:
            raise ValueError("FanTable.steps: empty; expected at least one row")
        for before, after in zip(self.steps, self.steps[1:], strict=False):
            if after[0] <= before[0] or after[1] < before[1]:
                raise ValueError("FanTable.steps: thresholds must rise and speeds must not fall")


@dataclass(frozen=True, kw_only=True)
class FanControl:
    """How one fan is driven: the highest request of its tables, limited in rate, dwell and speed."""

    tables: tuple[FanTable, ...] = ()
    idle_speed: float = quantity("rpm", default=0.0, at_least=0.0, plausible=(0.0, 2500.0), step=100.0,
                                 doc="speed below every threshold")  # fmt: skip
    speed_cap: float | None = quantity("rpm", default=None, above=0.0, plausible=(2000.0, 7000.0), step=100.0,
                                       doc="highest speed in this mode (beside the noise cap)")  # fmt: skip
    rise: float = quantity("rpm/s", default=500.0, above=0.0, plausible=(100.0, 2000.0), step=50.0,
                           doc="fastest change of speed upwards")  # fmt: skip
    fall: float = quantity("rpm/s", default=150.0, above=0.0, plausible=(20.0, 2000.0), step=10.0,
                           doc="fastest change of speed downwards")  # fmt: skip
    dwell: float = quantity("s", default=5.0, at_least=0.0, plausible=(0.0, 120.0), step=1.0,
                            doc="a step, once taken, is kept at least this long before stepping down")  # fmt: skip
    period: float = quantity("s", default=1.0, above=0.0, plausible=(0.1, 5.0), step=0.1, doc="period of the fan loop")

    def __post_init__(self) -> None:
        parameter.check(self)


@dataclass(frozen=True, kw_only=True)
class SkinControl:
    """Skin limiter: holds a proxy sensor at its limit by lowering a power ceiling slowly."""

    sensor: str = text(doc="proxy sensor for the skin zone")
    limit: float = quantity("degC", above=20.0, below=90.0, plausible=(38.0, 52.0), step=1.0, doc="held estimate of the skin")
    release: float = quantity("K", default=4.0, at_least=0.0, plausible=(0.5, 10.0), step=0.5,
                              doc="limiter lets go this far below its limit")  # fmt: skip
    proportional_gain: float = quantity("W/K", default=2.0, at_least=0.0, plausible=(0.1, 10.0), step=0.1,
                                        doc="gain on the error")  # fmt: skip
    integral_gain: float = quantity("W/K/s", default=0.01, at_least=0.0, plausible=(0.0005, 0.1), step=0.001,
                                    doc="gain on the error's integral")  # fmt: skip
    recovery: float = quantity("W/s", default=0.1, above=0.0, plausible=(0.01, 2.0), step=0.01,
                               doc="rate at which the ceiling rises once released")  # fmt: skip
    floor: float = quantity("W", default=8.0, at_least=0.0, plausible=(3.0, 40.0), step=1.0,
                            doc="the limiter never takes the chips below this total")  # fmt: skip
    period: float = quantity("s", default=5.0, above=0.0, plausible=(1.0, 60.0), step=1.0, doc="period of the skin loop")

    def __post_init__(self) -> None:
        parameter.check(self)


@dataclass(frozen=True, kw_only=True)
class ChargerControl:
    """Charging backs off in steps as a sensor warms; the row's share multiplies the charger's heat."""

    charger: str = text(doc="name of the charger part")
    sensor: str = text(doc="sensor that decides")
    steps: tuple[tuple[float, float], ...] = table(
        (("on", "degC"), ("share", "1")), doc="threshold and share of full charging heat from there on"
    )
    hysteresis: float = quantity("K", default=2.0, at_least=0.0, plausible=(0.0, 8.0), step=0.5, doc="as for fan tables")
    period: float = quantity("s", default=5.0, above=0.0, plausible=(1.0, 60.0), step=1.0, doc="period of the charger loop")

    def __post_init__(self) -> None:
        parameter.check(self)
        if not self.steps:
            raise ValueError("ChargerControl.steps: empty; expected at least one row")
        if any(after[0] <= before[0] for before, after in zip(self.steps, self.steps[1:], strict=False)):
            raise ValueError("ChargerControl.steps: thresholds must rise")
        if any(not 0.0 <= share <= 1.0 for _, share in self.steps):
            raise ValueError("ChargerControl.steps: shares must lie from 0 to 1")


@dataclass(frozen=True, kw_only=True)
class Mode:
    """Everything the firmware does differently in one operating mode."""

    title: str = text(default="", doc="what the mode is for")
    period: float = quantity("s", default=0.1, above=0.0, at_most=10.0, plausible=(0.01, 1.0), step=0.01,
                             doc="control sample of the power governor; other loops run at multiples of it")  # fmt: skip
    noise_cap: float | None = quantity("dBA", default=None, above=0.0, plausible=(26.0, 54.0), step=1.0,
                                       doc="highest noise at the operator; becomes a speed cap for the fans")  # fmt: skip
    shared_budget: float | None = quantity("W", default=None, above=0.0, plausible=(20.0, 250.0), step=1.0,
                                           doc="power that all chips share")  # fmt: skip
    chips: Mapping[str, ChipControl] = field(default_factory=dict)
    fans: Mapping[str, FanControl] = field(default_factory=dict)
    skin_limits: tuple[SkinControl, ...] = ()
    charger: ChargerControl | None = None

    def __post_init__(self) -> None:
        parameter.check(self)
