"""What a closed-loop run comes to for one chip: temperature, work, where the power went, what held it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.firmware.workload import Workload
from thermnet.network.graph import nearest
from thermnet.run import Run
from thermnet.solve.machine import Chip, Machine

Array = NDArray[np.float64]
READINGS = ("settled", "peak", "mean")
"""How a temperature over time becomes one number: mean of the last quarter, highest, mean of all."""


@dataclass(frozen=True)
class LoopMeasures:
    """One chip over one run; means are over the run's time.

    Attributes
    ----------
    temperature : hot spot, degC, read as asked
    work : s at full frequency
    power, leakage : mean chip power and mean leakage in it, W
    frequency : mean share of the highest
    fan_speed : mean speed of the fastest fan, rpm (nan without fans)
    noise : noise of the time-averaged sound energy at the operator, dBA (nan where unknown)
    held : limit to share of the time
    """

    temperature: float
    work: float
    power: float
    leakage: float
    frequency: float
    fan_speed: float
    noise: float
    held: Mapping[str, float]


def measure(run: Run, machine: Machine, load: Workload, chip: str, reading: str = "settled") -> LoopMeasures:
    """Measure one chip of a closed-loop run.

    Parameters
    ----------
    run : Run
        With the history of every control sample.
    machine, load
        What was simulated.
    chip : str
    reading : "settled", "peak" or "mean"
    """
    one = chip_named(machine, chip)
    dt = np.diff(run.time)
    span = float(run.time[-1] - run.time[0])

    def mean(values: Any) -> float:
        return float(np.sum(np.asarray(values, dtype=float)[:-1] * dt) / span)

    fans = run.channels["fan_speed"].values.max(axis=1) if "fan_speed" in run.channels else None
    noise = run.channels["noise"].values[:, 0] if "noise" in run.channels else None
    return LoopMeasures(
        temperature=read(run.time, run.temperature(one.hot_spot), reading),
        work=float(run.channel("work", chip)[-1]), power=mean(run.channel("power", chip)),
        leakage=mean(leakage(run, one, load)), frequency=mean(run.channel("frequency", chip)),
        fan_speed=float("nan") if fans is None else mean(fans),
        noise=float("nan") if noise is None else 10.0 * float(np.log10(mean(10.0 ** (noise / 10.0)))),
        held=run.residency().get(chip, {}),
    )  # fmt: skip


def read(time: Any, temperature: Any, reading: str) -> float:
    """One number for a temperature over time; see :data:`READINGS`."""
    t, v = np.asarray(time, dtype=float), np.asarray(temperature, dtype=float)
    if reading == "peak":
        return float(v.max())
    if reading not in READINGS:
        raise ValueError(f"reading {reading!r}; expected one of {', '.join(READINGS)}")
    keep = t >= t[0] + (0.75 * (t[-1] - t[0]) if reading == "settled" else 0.0)
    if keep.sum() < 2:
        return float(v[-1])
    return float(np.trapezoid(v[keep], t[keep]) / (t[keep][-1] - t[keep][0]))


def leakage(run: Run, chip: Chip, load: Workload) -> Array:
    """Leakage of a chip at every reported time of a run, W: its laws at its temperatures and its voltage.

    A load below the rated leakage leaves part of the chip switched off, which does not leak (as in the closed
    loop).
    """
    rated = float(sum(law.power for _, law in chip.leaks))
    if rated <= 0.0:
        return np.zeros(run.time.size)
    step = float(run.solver["period_s"]) * int(run.solver.get("kept_every", 1))
    metered = load.sampled(chip.name, step, run.time.size)
    awake = np.minimum(metered * chip.leak_scale / rated, 1.0)
    frequency, voltage = (np.array(column) for column in zip(*chip.curve, strict=True))
    share = np.interp(run.channel("frequency", chip.name), frequency, voltage)
    total = np.zeros(run.time.size)
    for node, law in chip.leaks:
        growth = np.minimum(law.slope * (run.temperature(node) - law.reference), 6.0)
        total += law.power * np.exp(growth)
    return np.asarray(total * awake * share**chip.leak_voltage_exponent)


def chip_named(machine: Machine, name: str | None) -> Chip:
    """Chip by name, the first one for None.

    Raises
    ------
    ValueError
        The machine has no such chip.
    """
    names = [chip.name for chip in machine.chips]
    if name is None:
        return machine.chips[0]
    if name not in names:
        raise ValueError(f"no chip {name!r}{nearest(name, names)}")
    return machine.chips[names.index(name)]


def held_frequency(load: Workload) -> tuple[Workload, str]:
    """Let a load hold its frequency, so that voltage and leakage change what it draws; and say so."""
    if load.holds == "frequency":
        return load, ""
    from dataclasses import replace

    return replace(load, holds="frequency"), (
        "The load was given in watts: taken as what it draws at full frequency, at the curve's own voltage and the "
        "temperature at which the leakage is given."
    )
