"""Power at constant noise against months: dust in the fins, an ageing interface, a wearing fan."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from thermnet import parameter
from thermnet.design.design import Design
from thermnet.parameter import quantity
from thermnet.parts.base import Part
from thermnet.parts.fan import Fan
from thermnet.parts.fins import FinStack
from thermnet.parts.interface import InterfaceLayer
from thermnet.solve.pack import mode_of
from thermnet.studies.steady_machine import SteadyMachine
from thermnet.studies.study import Study, provenance
from thermnet.studies.sustained_power import CAUTION, bar

MONTHS = (0.0, 3.0, 6.0, 12.0, 18.0, 24.0, 36.0, 48.0)
CAUSES = ("dust", "interface", "fan")


@dataclass(frozen=True, kw_only=True)
class AgeingRates:
    """How fast a machine ages.  All defaults are illustrative: common practice, no source.

    Dust closes channels and lays a mat on the fins' face, both in proportion to time in use; the default takes about a
    quarter of the flow of a thin machine in two years (10 to 40 % in one to three years in dusty homes).  The interface
    goes from new (0) to the end of its life (1) with a power of time; what that costs is the material's own end-of-life
    factor.  The fan's bearings take speed off every command and add noise at the same speed.
    """

    channels_closed: float = quantity("1", default=0.08, at_least=0.0, below=0.95, plausible=(0.02, 0.2), step=0.02,
                                      doc="share of the fin channels closed by dust per year")  # fmt: skip
    mat_loss: float = quantity("1", default=1.5, at_least=0.0, at_most=100.0, plausible=(0.3, 4.0), step=0.5,
                               doc="velocity heads added by the mat of fibres per year")  # fmt: skip
    most_closed: float = quantity("1", default=0.6, at_least=0.0, below=0.95, plausible=(0.3, 0.8), step=0.05,
                                  doc="share of channels closed at which dust settles no further")  # fmt: skip
    interface_life: float = quantity("1", default=4.0, above=0.0, plausible=(1.0, 8.0), step=0.5,
                                     doc="years until the interface is at the end of its life")  # fmt: skip
    interface_exponent: float = quantity("1", default=1.0, above=0.0, at_most=4.0, plausible=(0.5, 1.5), step=0.1,
                                         doc="power of time with which the interface ages")  # fmt: skip
    speed_lost: float = quantity("1", default=0.02, at_least=0.0, below=0.3, plausible=(0.0, 0.05), step=0.01,
                                 doc="share of the commanded fan speed lost per year to dry bearings")  # fmt: skip
    noise_gained: float = quantity("dBA", default=0.5, at_least=0.0, at_most=10.0, plausible=(0.0, 1.5), step=0.25,
                                   doc="noise added at the same speed per year")  # fmt: skip

    def __post_init__(self) -> None:
        parameter.check(self)


def ageing(
    design: Design, mode: str = "desk", ambient: float | None = None, months: Sequence[float] = MONTHS, *,
    rates: AgeingRates | None = None, cleaned_every: float | None = None, split: Mapping[str, float] | None = None,
    progress: bool = False,
) -> Study:  # fmt: skip
    """Age a machine and find the power that it still holds at the noise it made when new.

    Parameters
    ----------
    design : Design
        The machine as it is at month 0.
    mode : str
        Its noise cap is the noise that is kept; without one, the noise of the fans at full speed when new.
    ambient : float, optional
        degC; the design's own if left out.
    months : sequence
        Ages to look at; 0 is added.
    rates : AgeingRates, optional
        How fast it ages.
    cleaned_every : float, optional
        Months after which dust is blown out each time.
    split : mapping of chip to share, optional
        How several chips share the power.
    progress : bool
        Show a progress bar.

    Returns
    -------
    Study
        Table columns ``months``, ``power_W``, ``binds``, ``lost_W``, what each cause alone would leave
        (``dust_alone_W``, ``interface_alone_W``, ``fan_alone_W``), ``same_command_W`` (firmware that commands the
        speeds it did when new), ``flow_percent`` of new, ``hot_spot_rise_K`` (at the power held when new).

    Raises
    ------
    ValueError
        Months that are negative or not finite, a rate out of range.
    NetworkError
        Unknown mode.
    """
    import pandas as pd

    speed = rates or AgeingRates()
    ages = sorted({0.0, *(float(m) for m in months)})
    if not all(np.isfinite(ages)) or ages[0] < 0:
        raise ValueError(f"months {tuple(months)!r}; expected finite ages of 0 months or more")
    if cleaned_every is not None and not (np.isfinite(cleaned_every) and cleaned_every > 0):
        raise ValueError(f"cleaned_every {cleaned_every!r}; expected more than 0 months")
    new = SteadyMachine(design, mode, ambient, split)
    commanded = new.cap(exact=True)
    noise = new.noise(commanded) if commanded else np.nan
    kept = _at_noise(design, mode, noise)
    first = SteadyMachine(kept, mode, new.ambient, split)
    fresh = first.highest(commanded)
    hot = [q.node for q in first.limits if q.kind == "junction"]
    rows: list[dict[str, Any]] = []
    for month in bar(ages, "ageing", "age", progress):
        dusty = month if cleaned_every is None else month % cleaned_every
        machines = {
            name: SteadyMachine(aged(kept, speed, month, dusty, causes), mode, new.ambient, split)
            for name, causes in {"all": CAUSES, **{cause: (cause,) for cause in CAUSES}}.items()
        }
        points = {
            name: machine.highest(machine.cap(exact=True), guess=fresh.power)
            for name, machine in machines.items()
        }
        worn = machines["all"]
        then = worn.at(fresh.power, worn.cap(exact=True))
        rises = [
            then.temperature[then.level.compiled.row(n)] - fresh.temperature[fresh.level.compiled.row(n)]
            for n in hot
        ]
        rows.append(
            {"months": month, "power_W": points["all"].power, "binds": points["all"].held_by,
             "lost_W": fresh.power - points["all"].power}
            | {f"{cause}_alone_W": points[cause].power for cause in CAUSES}
            | {"same_command_W": worn.highest(commanded, guess=fresh.power).power,
               "flow_percent": 100.0 * _flow(points["all"]) / _flow(fresh) if commanded else np.nan,
               "hot_spot_rise_K": float(max(rises, default=np.nan))}
        )  # fmt: skip
    table = pd.DataFrame(rows)
    last = table.iloc[-1]
    facts: dict[str, Any] = {"power when new": (fresh.power, "W"), "noise kept": (noise, "dBA")}
    facts[f"lost after {last['months']:g} months"] = (float(last["lost_W"]), "W")
    losses = {cause: fresh.power - float(last[f"{cause}_alone_W"]) for cause in CAUSES}
    facts["largest cause"] = max(losses, key=lambda cause: losses[cause])
    told = "; ".join(
        f"{declared.doc} {getattr(speed, name):g}{' dB' if declared.unit == 'dBA' else ''}"
        for name, declared in parameter.declarations(speed).items()
    )
    return Study(
        name="ageing", title=f"Ageing of {design.name}, mode {mode}, {new.ambient:g} °C",
        question="How much power is left at the same noise after so many months?",
        table=table, facts=facts,
        assumptions=(
            "Rates are illustrative (common practice, no source): " + told + ".",
            "Sustained power, fans at the speed that makes the noise of the new machine, not rounded to their grid.",
            "Dust, interface and fan age independently; skins, pads, battery and pipes stay as they are.",
            f"Dust blown out every {cleaned_every:g} months." if cleaned_every else "Never cleaned.",
            design.note or "No note on the origin of the design data.",
        ),
        caution=CAUTION + " Blow out dust with the machine off and the fan held still.",
        provenance=provenance(design, mode=mode, ambient=new.ambient, cleaned_every=cleaned_every,
                              rates=dataclasses.asdict(speed)),
    )  # fmt: skip


def aged(
    design: Design, rates: AgeingRates, months: float, dusty: float, causes: Sequence[str] = CAUSES
) -> Design:
    """Copy a design as it is after ``months``, ``dusty`` months after its last cleaning, by some of the causes."""
    years, since = months / 12.0, dusty / 12.0
    parts: dict[str, Part] = dict(design.parts)
    for name, part in design.parts.items():
        if isinstance(part, FinStack) and "dust" in causes:
            closed = np.minimum(
                part.blocked + rates.channels_closed * since, np.maximum(rates.most_closed, part.blocked)
            )
            parts[name] = dataclasses.replace(
                part, blocked=closed, dust_loss=part.dust_loss + rates.mat_loss * since
            )
        elif isinstance(part, InterfaceLayer) and "interface" in causes:
            share = min(1.0, (years / rates.interface_life) ** rates.interface_exponent)
            parts[name] = dataclasses.replace(
                part, ageing=part.ageing + (1.0 - np.asarray(part.ageing)) * share
            )
        elif isinstance(part, Fan) and "fan" in causes:
            wear = part.wear * max(1.0 - rates.speed_lost * years, 0.1)
            level = part.reference_noise + rates.noise_gained * years
            parts[name] = dataclasses.replace(part, wear=wear, reference_noise=level)
    return dataclasses.replace(design, parts=parts)


def _at_noise(design: Design, mode: str, noise: float) -> Design:
    """Copy a design whose mode keeps the fans at a noise, dBA."""
    chosen = mode_of(design.modes, mode)
    if not np.isfinite(noise):
        return design
    cap = max(noise, 1e-3) if chosen.noise_cap is None else min(chosen.noise_cap, noise)
    return dataclasses.replace(
        design, modes={**design.modes, mode: dataclasses.replace(chosen, noise_cap=cap)}
    )


def _flow(point: Any) -> float:
    """Capacity rate in W/K of the air that leaves to the room."""
    compiled = point.level.compiled
    return float(
        sum(
            rate
            for (a, b), rate in zip(compiled.stream_ends, compiled.stream_rate, strict=True)
            if a >= compiled.size
        )
    )
