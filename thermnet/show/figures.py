"""Which figures there are for which study, and how to draw one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes

from thermnet.show import (
    band_figures,
    burst_figures,
    change_figures,
    chip_figures,
    compare_figures,
    interface_figures,
    joint_figures,
    lesson_figures,
    mode_figures,
    recovery_figures,
    tolerance_figures,
    watt_figures,
)
from thermnet.show.run_figures import plot_run
from thermnet.show.style import Drawing, look, new_figure, settle
from thermnet.studies.study import Study


@dataclass(frozen=True)
class FigureOf:
    """One figure of a study.

    Attributes
    ----------
    name : str
    draw : callable
        Draws into axes: ``draw(ax, study, dark=...)``.
    describe : callable
        Says in words what a study's figure shows, for readers who do not see it.
    reading : str
        One line on how to read it.
    draws : tuple of str
        Further tables that are curves of this figure and need not be printed beside it.
    needs : str
        Table without which there is no such figure.
    size : callable
        Width and height in inches for a study.
    """

    name: str
    draw: Callable[..., Axes]
    describe: Callable[[Study], str]
    reading: str = ""
    draws: tuple[str, ...] = ()
    needs: str = ""
    size: Callable[[Study], tuple[float, float]] = lambda study: (7.6, 4.6)


FIGURES: dict[str, tuple[FigureOf, ...]] = {
    "burst_budget": (
        FigureOf(
            "power_duration", burst_figures.power_duration, burst_figures.describe_power_duration,
            "Each point is the highest power that lasts so long; its marker tells what holds it.",
            draws=("governor",),
        ),
    ),
    "time_to_limit": (
        FigureOf(
            "time_to_limit", burst_figures.time_to_limit, burst_figures.describe_time_to_limit,
            "Each bar ends where the first limit is met; its marker tells which.",
            size=lambda study: (7.6, 1.5 + 0.42 * max(len(study.table), 2)),
        ),
    ),
    "compare": (
        FigureOf(
            "bursts", compare_figures.bursts, compare_figures.describe_bursts,
            "Names stand at the line ends; circles mark where the first design's curve crosses another; upright bars, where "
            "drawn, hold 5 to 95 % of the units.",
            draws=("bursts",),
        ),
        FigureOf(
            "noise", compare_figures.noise, compare_figures.describe_noise,
            "Read up from a noise for the power, or across from a power for the noise.", draws=("noise",),
        ),
        FigureOf(
            "tilt", compare_figures.tilt, compare_figures.describe_tilt,
            "Heat that pipes and chambers could carry beyond what they do; below zero they have dried out.",
            draws=("tilt",), needs="tilt",
        ),
        FigureOf(
            "gains", compare_figures.gains, compare_figures.describe_gains,
            "Power to the right is a gain; mass and height to the right are a loss.", draws=("differences",),
            size=lambda study: (7.6, 1.6 + 0.26 * 5 * max(len(study.table) - 1, 1)),
        ),
        FigureOf(
            "told_apart", band_figures.told_apart, band_figures.describe_told_apart,
            "A bar that keeps off zero: nearly every unit of one design is ahead of its pair of the other.",
            needs="told apart", size=band_figures.apart_size,
        ),
    ),
    "joint": (
        FigureOf("rise", joint_figures.rise, joint_figures.describe_rise,
                 "Where the chip is hottest over the plate; the outlines are hot spot and bare places.",
                 draws=("map",), size=lambda study: (6.6, 5.2)),
        FigureOf("bond_line", joint_figures.bond_line, joint_figures.describe_bond_line,
                 "Thick is slow: bow, tilt and load decide where.", size=lambda study: (6.6, 5.2)),
        FigureOf("pressure", joint_figures.pressure, joint_figures.describe_pressure,
                 "An edge or corner far above the mean may chip a bare die.", size=lambda study: (6.6, 5.2)),
        FigureOf("tightening", joint_figures.tightening, joint_figures.describe_tightening,
                 "Lower is kinder to the die's edges; the last steps of all orders meet.", draws=("tightening",)),
    ),
    "factory_capability": (
        FigureOf("capability", tolerance_figures.capability, tolerance_figures.describe_capability,
                 "Bars near a limit are parts that nearly miss it.", draws=("histogram",)),
    ),
    "tolerance": (
        FigureOf("histogram", tolerance_figures.histogram, tolerance_figures.describe_histogram,
                 "All units of the output nearest its limit.", draws=("histogram",)),
        FigureOf("tornado", tolerance_figures.tornado, tolerance_figures.describe_tornado,
                 "One parameter at a time; the longest bar is the one to control.",
                 size=lambda study: (7.8, 1.6 + 0.36 * min(len(study.tables["what moves it"]), 10))),
        FigureOf("indices", band_figures.indices, band_figures.describe_indices,
                 "Where the second bar is longer, the parameter acts together with others.", needs="indices"),
        FigureOf("running_yield", tolerance_figures.running_yield, tolerance_figures.describe_running_yield,
                 "The band narrows as units are added.", draws=("yield",)),
    ),
    "kelvin_ledger": (
        FigureOf("kelvin_waterfall", watt_figures.kelvin_waterfall, watt_figures.describe_kelvin_waterfall,
                 "Read from the top: each bar is one element of the way out.",
                 size=lambda study: (9.4, 1.6 + 0.34 * len(study.table))),
    ),
    "sustained_power": (
        FigureOf("sustained", mode_figures.sustained, mode_figures.describe_sustained,
                 "Between the marker and the tick lies what lifting the binding limit alone would bring.",
                 size=mode_figures.rows_high),
    ),
    "modes_table": (
        FigureOf("limits", mode_figures.limits, mode_figures.describe_limits,
                 "Left end: held for ever; right end: what a burst may begin with.", draws=("loads",),
                 size=mode_figures.rows_high),
        FigureOf("fan_tables", mode_figures.fan_tables, mode_figures.describe_fan_tables,
                 "The quietest staircases that keep every limit; a step is left again only some kelvins lower."),
    ),
    "noise_frontier": (
        FigureOf("noise_frontier", watt_figures.noise_frontier, watt_figures.describe_noise_frontier,
                 "What each decibel is worth; the marker tells what holds the power."),
    ),
    "next_watt": (
        FigureOf("next_watt", watt_figures.next_watt, watt_figures.describe_next_watt,
                 "One practical step at a time, in the direction that helps.", size=lambda study: (8.2, 5.6)),
    ),
    "ageing": (
        FigureOf("ageing", watt_figures.ageing, watt_figures.describe_ageing, "The lowest line is what is left."),
    ),
    "recovery": (
        FigureOf("recovered", recovery_figures.recovered, recovery_figures.describe_recovered,
                 "How long a second burst lasts after a rest, in seconds and as a share of the first."),
        FigureOf("duty", recovery_figures.duty, recovery_figures.describe_duty,
                 "The longest share of the time that bursts can take without meeting a limit, ever.",
                 size=lambda study: (7.0, 1.6 + 0.5 * max(len(study.tables["repetition"]), 2))),
    ),
    "chip_frontier": (
        FigureOf("frontier", chip_figures.frontier, chip_figures.describe_frontier,
                 "On the line a limit is just met; below and to the left there is room.", size=lambda study: (7.4, 5.0)),
    ),
    "what_changed": (
        FigureOf("power_changes", change_figures.power_changes, change_figures.describe_power_changes,
                 "To the right a change gained power, to the left it lost some.",
                 size=lambda study: (7.6, 1.6 + 0.55 * min(max(len(study.table), 2), change_figures.MOST))),
    ),
    "skin_estimator": (
        FigureOf("estimated", change_figures.estimated, change_figures.describe_estimated,
                 "The estimator knows chip power, fan speed and room only; it has not seen this load.",
                 draws=("trace",)),
    ),
    "interface_choice": (
        FigureOf("first_second", interface_figures.first_second, interface_figures.describe_first_second,
                 "To the left is cooler; a line joins new (filled) and end of life (open).", size=interface_figures.dot_size),
        FigureOf("held_power", interface_figures.held_power, interface_figures.describe_held_power,
                 "To the right is more power for the length of the burst.", size=interface_figures.dot_size),
        FigureOf("sustained_power", interface_figures.sustained_power, interface_figures.describe_sustained_power,
                 "To the right is more power for ever; dots on one line mean that something else binds.",
                 size=interface_figures.dot_size),
    ),
    "undervolt_or_repaste": (
        FigureOf("kelvins", interface_figures.kelvins, interface_figures.describe_kelvins,
                 "Shares add up to the whole; markers show each change made alone, and made last.",
                 size=interface_figures.bar_size),
        FigureOf("work", interface_figures.work, interface_figures.describe_work,
                 "What each change was worth in work done.", size=interface_figures.bar_size),
    ),
    "thermally_limited": (
        FigureOf("limits", interface_figures.limits, interface_figures.describe_limits,
                 "One row per limit; at the right its share of the time.", draws=("ribbon", "trace"),
                 size=interface_figures.limit_size),
        FigureOf("gain", interface_figures.gain, interface_figures.describe_gain,
                 "A line from the worst to the best case; the dot is nominal.", size=interface_figures.gain_size),
    ),
    "lessons": (
        FigureOf("guesses", lesson_figures.guesses, lesson_figures.describe_guesses,
                 "The grey band is 25 % either side of the answer.", size=lambda study: (8.0, 1.4 + 0.36 * len(study.table))),
    ),
}  # fmt: skip
"""Figures by the name of the study.  A new figure is one entry here."""


def figures_of(study: Study) -> tuple[FigureOf, ...]:
    """Return the figures of a study, in the order in which it wants them."""
    known = tuple(f for f in FIGURES.get(study.name, ()) if not f.needs or f.needs in study.tables)
    if not study.figures:
        return known
    by_name = {figure.name: figure for figure in known}
    return tuple(by_name[name] for name in study.figures if name in by_name)


def draw(
    study: Study, figure: str | None = None, *, ax: Axes | None = None, dark: bool = False, **options: Any
) -> Any:
    """Draw one figure of a study; see :meth:`Study.plot`."""
    known = figures_of(study)
    chosen = next((f for f in known if f.name == figure), None) if figure else next(iter(known), None)
    if chosen is None:
        names = ", ".join(f.name for f in known) or "none"
        raise LookupError(
            f"no figure {figure or ''} for the study {study.name}; there is: {names}".replace("  ", " ")
        )
    with look(dark):
        target = ax
        if target is None:
            target = new_figure(*chosen.size(study)).subplots()
        chosen.draw(target, study, dark=dark, **options)
        drawing = target.get_figure(root=True)
        settle(drawing)
        if isinstance(drawing, Drawing) and ax is None:
            drawing.title, drawing.alt = study.title, chosen.describe(study)
    return drawing


__all__ = ["FIGURES", "FigureOf", "draw", "figures_of", "plot_run"]
