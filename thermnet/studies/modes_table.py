"""What the firmware should be told: power limits, averaging time, fan table and noise of every mode."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.firmware.library import as_workload
from thermnet.firmware.mode import FanControl, Mode
from thermnet.firmware.workload import Workload
from thermnet.solve.pack import mode_of
from thermnet.studies.fan_ladder import Ladder, fan_ladder
from thermnet.studies.governed_loads import GovernedLoads, Limits, highest_feasible
from thermnet.studies.mode_settings import ChipLimits, ModeSettings, settings_rows
from thermnet.studies.side_by_side import unique_labels
from thermnet.studies.steady_level import Margins, Point
from thermnet.studies.steady_machine import SteadyMachine, several
from thermnet.studies.study import Study, design_hash, provenance
from thermnet.studies.sustained_power import CAUTION, bar, judged_at, single

WORKLOADS = ("compile", "render", "inference", "pages")
ACCURACY = 0.02
"""W to which a burst limit is found."""

STEP = 0.05
"""W: limits are handed over rounded down to this."""

COOLER = (0.0, 2.0, 4.0, 8.0, 12.0)
"""K by which fan thresholds are moved down where the limits cannot be kept in any other way."""


def modes_table(
    design: Any, mode: str | Sequence[str] | None = None, ambient: float | Sequence[float] | None = None,
    workloads: Sequence[Any] = WORKLOADS, margin: float = 2.0, *, posture: str | Sequence[str] | None = None,
    heat_margin: float = 0.1, highest_burst: float | None = None, averaging: tuple[float, float] = (2.0, 64.0),
    duration: float = 600.0, steps: int = 5, skins_judged_at: float | None = None,
    split: Mapping[str, float] | None = None, progress: bool = False,
) -> Study:  # fmt: skip
    """Search the limits, averaging time and fan table of each mode that keep every limit with a margin.

    For each mode, ambient and posture: the sustained limit is the highest power held for ever at the mode's noise cap;
    the fan table is the quietest that keeps the limits at every power below; burst limit and averaging time are those
    that let the most power through on the mean of the workloads, while the governor alone (no throttle, no skin
    limiter) keeps every limit when everything is asked again and again after short rests, and under every workload.  Found with
    root finding and bounded minimisation of scipy on closed-loop runs of the real kernel.

    Parameters
    ----------
    design : Design, sequence of Design, or mapping of label to Design
        One machine or a fleet.
    mode, ambient, posture : one or several
        All modes, each design's ambient (degC) and posture if left out.
    workloads : sequence
        Anything that :meth:`Design.simulate` takes as a workload.
    margin : float
        K kept below every temperature limit.
    heat_margin : float
        Share kept below every dry-out limit.
    highest_burst : float, optional
        W that the supply can give to all chips; the highest burst limit of the design's modes if left out.
    averaging : (s, s)
        Shortest and longest averaging time constant.
    duration : float
        s of each workload that is looked at, at most.
    steps : int
        Most steps of the fan table.
    skins_judged_at : float, optional
        degC at which the skin limits are meant; at another ambient they move with it.  Left out: they stand.
    split : mapping of chip to share, optional
        How several chips share the power; in proportion to the mode's sustained limits if left out.  Each chip gets its
        share as a limit of its own, which is safe whatever the other does.
    progress : bool
        Show a progress bar.

    Returns
    -------
    Study
        Table columns ``design``, ``mode``, ``ambient_degC``, ``posture``, ``sustained_limit_W``, ``held_by``, ``burst_limit_W``,
        ``burst_held_by``, ``averaging_time_s``, ``noise_dBA``, ``<fan>_cap_rpm``, ``fan_table`` (degC:rpm),
        ``mean_power_W`` (over the workloads), ``least_margin`` (K, or W for dry-out, over all proofs), ``solves``,
        ``remark``.  The table ``settings`` is what firmware people read (:mod:`thermnet.studies.mode_settings`), long
        form; ``loads`` has the mean power of each workload.

    Raises
    ------
    ValueError
        A margin, time or power out of range, an ambient above a limit, a noise cap below the idling fans, or no case at
        all in which any power can be held.
    NetworkError, DesignError
        Unknown mode, posture or workload.
    """
    import pandas as pd

    keep = Margins(margin, heat_margin)
    low, high = (float(value) for value in averaging)
    if not (0.0 < low <= high and np.isfinite(high)):
        raise ValueError(f"averaging {averaging!r} s; expected a shortest and a longest time above 0")
    if not (np.isfinite(duration) and duration >= 10.0):
        raise ValueError(f"duration {duration!r} s; expected at least 10")
    fleet = unique_labels(design)
    cases = [
        (label, own, m, float(a), p) for label, own in fleet.items() for p in several(posture, [own.posture], "postures")
        for a in several(ambient, [own.ambient], "ambients") for m in several(mode, list(own.modes), "modes")
    ]  # fmt: skip
    if highest_burst is not None and not (np.isfinite(highest_burst) and highest_burst > 0):
        raise ValueError(f"highest_burst {highest_burst!r} W; expected more than 0")
    loads = {label: _loads(own, workloads) for label, own in fleet.items()}
    tops = {label: _supply(own) if highest_burst is None else float(highest_burst) for label, own in fleet.items()}
    rows: list[dict[str, Any]] = []
    settings: list[ModeSettings] = []
    means: list[dict[str, Any]] = []
    for label, own, m, a, p in bar(cases, "modes", "case", progress):
        held = judged_at(own if p == own.posture else own.replace(posture=p), a, skins_judged_at)
        case = {"design": label, "mode": m, "ambient_degC": a, "posture": p}
        found = search(
            held, m, a, loads[label], keep, top=tops[label], averaging=(low, high), duration=duration, steps=steps,
            split=split,
        )  # fmt: skip
        rows.append(case | found.row())
        if found.settings is not None:
            settings.append(dataclasses.replace(found.settings, design=label))
            means += [
                case | {"workload": w.name, "mean_power_W": v} for w, v in zip(loads[label], found.means, strict=True)
            ]
    if not settings:
        raise ValueError(
            "no power can be held in any case asked for: " + "; ".join(str(row["remark"]) for row in rows)
        )
    table = pd.DataFrame(rows)
    names = [load.name for load in next(iter(loads.values()))]
    return Study(
        name="modes_table", title=f"Modes of {', '.join(fleet)} with {margin:g} K to spare",
        question="Which power limits, averaging time and fan table keep every limit, mode by mode?",
        table=table,
        tables={
            "settings": pd.DataFrame([row for s in settings for row in settings_rows(s)]), "loads": pd.DataFrame(means),
        },
        facts={
            "cases": len(rows), "without any power to hold": len(rows) - len(settings),
            "closed-loop runs": int(table["solves"].sum()),
            **{f"most a burst of {label} may draw": (top, "W") for label, top in tops.items()},
        },
        assumptions=(
            f"Margins: {margin:g} K below every temperature limit, {heat_margin:.0%} below dry-out.",
            "Proof: from idle everything asked for 15 min, then bursts after rests of half, one, two and four "
            "averaging time constants, and every workload; governor and fans alone, no throttle and no skin limiter.",
            f"Chosen for the most mean power over {', '.join(names)}, {duration:g} s of each.",
            f"Power limits rounded down to {STEP:g} W, thresholds to whole kelvins, speeds to the fans' grids.",
            "Skin limits as they stand at every ambient." if skins_judged_at is None
            else f"Skin limits are meant at {skins_judged_at:g} °C and move with the ambient.",
            *dict.fromkeys(own.note or "No note on the origin of the design data." for own in fleet.values()),
        ),
        figures=("limits", "fan_tables") if any(s.fans for s in settings) else ("limits",),
        caution=CAUTION + " Firmware must keep its junction throttle and skin limiter behind these limits.",
        provenance=provenance(
            next(iter(fleet.values())), designs={label: design_hash(own) for label, own in fleet.items()},
            mode=single(list(dict.fromkeys(row["mode"] for row in rows))), margin_K=margin, heat_margin=heat_margin,
            highest_burst_W=tops, workloads=names, averaging_s=[low, high], skins_judged_at=skins_judged_at,
        ),
    )  # fmt: skip


def _loads(design: Design, workloads: Any) -> list[Workload]:
    chips = [chip.name for chip in design.machine().chips]
    return [as_workload(load, chips, design.workloads) for load in several(workloads, WORKLOADS, "workloads")]


# -- one case ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Found:
    """What the search found for one mode, ambient and posture; ``settings`` is None where no power can be held."""

    settings: ModeSettings | None
    best: Point
    limits: Limits
    burst_held_by: str = "none"
    noise: float = float("nan")
    means: tuple[float, ...] = ()
    least_margin: float = float("nan")
    solves: int = 0
    remark: str = ""
    ladder: Ladder | None = None

    def row(self) -> dict[str, Any]:
        """Row of the study's table."""
        nothing = self.settings is None
        caps = (
            {}
            if self.settings is None
            else {n: control.speed_cap for n, control in self.settings.fans.items()}
        )
        supply = not nothing and self.best.power > self.limits.sustained + 2.0 * STEP
        return {
            "sustained_limit_W": np.nan if nothing else self.limits.sustained,
            "held_by": "the supply" if supply else self.best.held_by,
            "burst_limit_W": np.nan if nothing else self.limits.burst, "burst_held_by": self.burst_held_by,
            "averaging_time_s": np.nan if nothing else self.limits.averaging, "noise_dBA": self.noise,
            **{f"{name}_cap_rpm": cap for name, cap in caps.items()},
            "fan_table": _table_text(self.ladder), "mean_power_W": float(np.mean(self.means)) if self.means else np.nan,
            "least_margin": self.least_margin, "solves": self.solves, "remark": self.remark,
        }  # fmt: skip


def search(
    design: Design, mode: str, ambient: float, loads: Sequence[Workload], margins: Margins, *, top: float,
    averaging: tuple[float, float], duration: float, steps: int = 5, split: Mapping[str, float] | None = None,
) -> Found:  # fmt: skip
    """Search one case; see :func:`modes_table`."""
    shares = split if split is not None else _own_split(mode_of(design.modes, mode))
    machine = SteadyMachine(design, mode, ambient, shares)
    machine.at(5.0)
    best = machine.highest(machine.cap(), margins)
    idle = sum(machine.machine.idle_power.get(chip, 2.0) for chip in machine.shares)
    nothing = Limits(0.0, 0.0, averaging[0])
    if best.power <= idle:
        return Found(
            None,
            best,
            nothing,
            remark=f"{best.held_by} leaves {best.power:.1f} W, less than idle ({idle:.1f} W)",
        )
    plant = design.plant(machine.ambient, machine.mode.period)
    names = [limit.name for limit in machine.limits]
    solves = 0
    for cooler in COOLER:
        ladder = fan_ladder(design, machine, margins, steps=steps, cooler=cooler)
        fans = {} if ladder is None else ladder.controls(machine.mode.fans, machine.cap())
        trial = dataclasses.replace(machine.mode, fans=fans or machine.mode.fans)
        governed = GovernedLoads.of(plant, trial, loads, margins, machine.shares, top, duration)
        while True:
            limits, q = best_limits(governed, _down(min(best.power, top)), top, averaging)
            loads_borne = governed.borne(limits)
            more = [
                k for k, (_, over, _) in enumerate(loads_borne) if over > 0.0 and k not in governed.demanding
            ]
            if not more:
                break
            governed.demanding += more
        worst, binds = max(
            [governed.proven(limits), *(row[1:] for row in loads_borne)], key=lambda pair: pair[0]
        )
        solves += governed.solves
        least = float(governed.margins[binds]) - worst
        remark = f"fan thresholds {cooler:g} K lower, or the limits could not be kept" if cooler else ""
        if worst > 0.0:
            remark = f"{names[binds]} keeps only {least:.2f} of its margin: the fans rise too late"
        found = Found(
            _settings(design, machine, trial, limits, fans), best, limits, names[q] if q >= 0 else "the supply",
            machine.noise(machine.cap()) if fans else np.nan, tuple(row[0] for row in loads_borne), least, solves,
            remark, ladder,
        )  # fmt: skip
        if worst <= 0.0 or ladder is None:
            break
    return found


def best_limits(
    governed: GovernedLoads, sustained: float, top: float, averaging: tuple[float, float]
) -> tuple[Limits, int]:
    """Find burst limit and averaging time that let most through, and which limit holds the burst (-1: the supply).

    For each averaging time the burst limit is the highest that the proof allows (root finding); over the averaging time
    the mean power of the loads is maximised: a coarse look on a logarithmic scale, then Brent's bounded search around
    the best.  Limits are rounded down before they are judged, so that what is handed over is what was proven.
    """
    from scipy.optimize import minimize_scalar

    known: dict[float, tuple[float, Limits]] = {}

    def value(logarithm: float) -> float:
        tau = float(np.round(np.exp(logarithm), 1))
        if tau not in known:
            limits = Limits(sustained, _highest_burst(governed, sustained, tau, top), tau)
            known[tau] = (float(np.mean([row[0] for row in governed.borne(limits)])), limits)
        return -known[tau][0]

    ends = np.log(averaging[0]), np.log(averaging[1])
    looks = np.linspace(*ends, 6)
    values = [value(look) for look in looks]
    k = int(np.argmin(values))
    around = looks[max(k - 1, 0)], looks[min(k + 1, looks.size - 1)]
    if around[1] > around[0]:
        minimize_scalar(value, bounds=around, method="bounded", options={"xatol": 0.01, "maxiter": 12})
    # Of equally good times the longest is kept: it gives way least often.
    _, limits = max(known.values(), key=lambda item: (round(item[0], 4), item[1].averaging))
    # The limit that stands in the way of a little more.
    over, q = governed.required(dataclasses.replace(limits, burst=limits.burst + 4 * STEP))
    return limits, q if over > 0 and limits.burst < top else -1


def _highest_burst(governed: GovernedLoads, sustained: float, tau: float, top: float) -> float:
    if top <= sustained:
        return sustained

    def excess(burst: float) -> float:
        return governed.required(Limits(sustained, burst, tau))[0]

    power = highest_feasible(excess, sustained, top, ACCURACY)
    if power == top:
        return top
    # Fans move in steps, so a little less power is not always a little cooler: what is handed over is proven as it is.
    for less in range(12):
        burst = max(_down(power) - less * STEP, sustained)
        if burst == sustained or excess(burst) <= 0.0:
            break
    return burst


def _down(power: float) -> float:
    """Power rounded down to what firmware is handed."""
    return float(np.round(np.floor(power / STEP + 1e-9) * STEP, 6))


def _own_split(mode: Mode) -> dict[str, float] | None:
    limits = {name: control.sustained_limit for name, control in mode.chips.items()}
    total = sum(limits.values())
    return {name: value / total for name, value in limits.items()} if len(limits) > 1 else None


def _supply(design: Design) -> float:
    """Highest burst limit of all modes, all chips together (or their shared budget), W."""
    totals = []
    for mode in design.modes.values():
        total = sum(min(c.burst_limit, c.peak_limit or np.inf) for c in mode.chips.values())
        totals.append(min(total, mode.shared_budget or np.inf))
    return float(max(totals, default=60.0))


def _settings(
    design: Design, machine: SteadyMachine, mode: Mode, limits: Limits, fans: Mapping[str, FanControl]
) -> ModeSettings:
    chips = {
        chip: ChipLimits(limits.sustained * share, limits.burst * share, limits.averaging)
        for chip, share in machine.shares.items() if share > 0
    }  # fmt: skip
    return ModeSettings(
        machine.mode_name, machine.ambient, design.posture, chips, dict(fans),
        np.nan if mode.noise_cap is None else mode.noise_cap,
    )  # fmt: skip


def _table_text(ladder: Ladder | None) -> str:
    """Fan table as text: threshold in degC, colon, speed in rpm; one speed per fan where they differ."""
    if ladder is None:
        return ""
    speeds = list(zip(*ladder.speeds.values(), strict=True))
    return "  ".join(
        f"{on:.0f}:{'/'.join(dict.fromkeys(f'{speed:.0f}' for speed in row))}"
        for on, row in zip(ladder.thresholds, speeds, strict=True)
    )
