"""Figures of interface choice, of what made a die cooler, and of the limits that bind over time."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from thermnet.show.axis import plain_time, time_text
from thermnet.show.burst_figures import _headed, _needed
from thermnet.show.style import colours, marks_of
from thermnet.studies.study import Study
from thermnet.studies.words import cell_text, number_text

AS_DESIGNED = "as designed"
MEASURES = {
    "first_second": ("rise_1_s_K", "Hot-spot rise in the first second", "K"),
    "held_power": ("held_W", "Power held for a burst", "W"),
    "sustained_power": ("sustained_W", "Sustained power", "W"),
}
"""Figure of the interface choice: column, title, unit."""


# -- interface choice --------------------------------------------------------------------------------------


def first_second(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Rise in the first second: a row per material, dots by clamp load, hollow at the end of life."""
    return _dots(ax, study, "first_second", dark)


def held_power(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Power held for the burst's length, drawn as :func:`first_second`."""
    return _dots(ax, study, "held_power", dark)


def sustained_power(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Sustained power, drawn as :func:`first_second`."""
    return _dots(ax, study, "sustained_power", dark)


def describe_first_second(study: Study) -> str:
    """Say in words what the dots show."""
    return _describe_dots(study, "first_second")


def describe_held_power(study: Study) -> str:
    """Say in words what the dots show."""
    return _describe_dots(study, "held_power")


def describe_sustained_power(study: Study) -> str:
    """Say in words what the dots show."""
    return _describe_dots(study, "sustained_power")


def dot_size(study: Study) -> tuple[float, float]:
    """Size of a figure of dots in inches."""
    return 7.6, 1.9 + 0.55 * max(len(_materials(study)), 2)


def _materials(study: Study) -> list[str]:
    rows = study.table[study.table["clamp_load"] != AS_DESIGNED]
    return list(dict.fromkeys(rows["material"]))


def _dots(ax: Axes, study: Study, name: str, dark: bool) -> Axes:
    column, title, unit = MEASURES[name]
    c = colours(dark)
    table = _needed(study.table, study.name, "material", "clamp_load", "age", column)
    names = _materials(study)
    looks = {"low": ("blue", "v", -0.15), "high": ("orange", "^", 0.15)}
    for y, material in enumerate(names):
        for load, (colour, marker, shift) in looks.items():
            rows = table[(table["material"] == material) & (table["clamp_load"] == load)]
            new, old = (float(rows.loc[rows["age"] == age, column].iloc[0]) for age in ("new", "end of life"))
            ax.plot([new, old], [y + shift] * 2, color=c[colour], linewidth=1.3, zorder=2)
            for value, face in ((old, c["paper"]), (new, c[colour])):
                ax.plot([value], [y + shift], marker=marker, markersize=9, linestyle="none", markerfacecolor=face,
                        markeredgecolor=c[colour], markeredgewidth=1.5, zorder=3)  # fmt: skip
    designed = table[table["clamp_load"] == AS_DESIGNED].iloc[0]
    level = float(designed[column])
    ax.axvline(level, color=c["quiet"], linewidth=1.1, linestyle=(0, (5, 3)))
    ax.set_yticks(range(len(names)), [cell_text(material) for material in names])
    ax.set_ylim(len(names) - 0.5, -0.95)
    ax.margins(x=0.1)
    # The words stand on the side with more room; beyond the right edge is the legend.
    side, anchor = (-5, "right") if level > sum(ax.get_xlim()) / 2 else (5, "left")
    ax.annotate(f"as designed: {cell_text(designed['material'])}, {number_text(level, 3)} {unit}", (level, 1.0), (side, -2),
                xycoords=ax.get_xaxis_transform(), textcoords="offset points", va="top", ha=anchor, color=c["quiet"],
                fontsize=9.5)  # fmt: skip
    ax.grid(axis="y", visible=False)
    ax.set_xlabel({"K": "rise, K", "W": "power, W"}[unit])
    ax.set_title(_headed(title, study))
    handles = [
        Line2D(
            [], [], marker=marker, linestyle="none", color=c[colour], markersize=8, label=f"{load} clamp load"
        )
        for load, (colour, marker, _) in looks.items()
    ]
    for word, face in (("new", c["ink"]), ("end of life", c["paper"])):
        handles.append(Line2D([], [], marker="o", linestyle="none", markersize=8, label=word, markerfacecolor=face,
                              markeredgecolor=c["ink"]))  # fmt: skip
    ax.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0)
    return ax


def _describe_dots(study: Study, name: str) -> str:
    column, title, unit = MEASURES[name]
    said = []
    for row in study.table.to_dict("records"):
        where = "" if row["clamp_load"] == AS_DESIGNED else f", {row['clamp_load']} clamp load"
        said.append(
            f"{cell_text(row['material'])}{where}, {row['age']}: {number_text(float(row[column]), 3)} {unit}"
        )
    return f"{title}. {'; '.join(said)}."


# -- what made it cooler -----------------------------------------------------------------------------------


def kelvins(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Share of every change in the drop of die temperature; to the right is cooler."""
    return _bars(
        ax, study, ("cooler_K", "alone_K", "left_out_K"), "Who made the die cooler", "cooler by, K", dark
    )


def work(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Share of every change in the work done; to the right is more."""
    columns = ("work_percent", "work_alone_percent", None)
    return _bars(
        ax, study, columns, "What it was worth in work done", "more work, % of the work before", dark
    )


def describe_kelvins(study: Study) -> str:
    """Say in words what the bars show."""
    rows = study.table[["change", "cooler_K", "alone_K"]].itertuples(index=False, name=None)
    said = [f"{name} {value:+.2f} K ({alone:+.2f} K alone)" for name, value, alone in rows]
    return f"Share of each change in the drop of die temperature: {'; '.join(said)}."


def describe_work(study: Study) -> str:
    """Say in words what the bars show."""
    rows = study.table[["change", "work_percent", "work_alone_percent"]].itertuples(index=False, name=None)
    said = [f"{name} {value:+.2f} % ({alone:+.2f} % alone)" for name, value, alone in rows]
    return f"Share of each change in the work done: {'; '.join(said)}."


def bar_size(study: Study) -> tuple[float, float]:
    """Size of a figure of bars in inches."""
    return 7.6, 1.6 + 0.5 * max(len(study.table), 2)


def _bars(
    ax: Axes, study: Study, columns: tuple[str, str, str | None], title: str, unit: str, dark: bool
) -> Axes:
    share, alone, left_out = columns
    c = colours(dark)
    table = _needed(study.table, study.name, "change", share, alone)
    seen = [0.0]
    for y, row in enumerate(table.to_dict("records")):
        value, whole = float(row[share]), y == len(table) - 1
        colour = c["ink"] if whole else c["blue"] if value >= 0 else c["orange"]
        ax.barh(y, value, height=0.56, facecolor=c["faint"] if whole else c["paper"], edgecolor=colour, linewidth=1.4,
                hatch="" if whole else "///" if value >= 0 else "xxx")  # fmt: skip
        seen.append(value)
        if not whole:
            ax.plot([row[alone]], [y], marker="D", color=c["ink"], markersize=6, linestyle="none", zorder=4)
            seen.append(float(row[alone]))
            if left_out is not None:
                ax.plot([row[left_out]], [y], marker="o", markerfacecolor=c["paper"], markeredgecolor=c["ink"],
                        markersize=7, linestyle="none", zorder=3)  # fmt: skip
                seen.append(float(row[left_out]))
        ends = [value] if whole else [value, float(row[alone]), *([float(row[left_out])] if left_out else [])]
        text = "0" if abs(value) < 0.005 else f"{value:+.2f}"
        ax.annotate(text, (max(*ends, 0.0), y), (9, 0), textcoords="offset points", va="center", ha="left", zorder=5,
                    bbox={"facecolor": c["paper"], "edgecolor": "none", "pad": 1.0})  # fmt: skip
    claim = study.facts.get("claimed") if share == "cooler_K" else None
    if isinstance(claim, tuple) and claim[0] is not None:
        ax.axvline(float(claim[0]), color=c["rose"], linewidth=1.6, linestyle=(0, (3, 2)))
        ax.annotate(f"claimed {number_text(float(claim[0]), 3)} K", (float(claim[0]), 1.0), (-5, -2), va="top", ha="right",
                    xycoords=ax.get_xaxis_transform(), textcoords="offset points", color=c["ink"], fontsize=9.5)  # fmt: skip
        seen.append(float(claim[0]))
    reach = max(max(seen) - min(seen), 1.0)
    ax.set_xlim(min(seen) - 0.06 * reach, max(seen) + 0.16 * reach)
    ax.axvline(0.0, color=c["ink"], linewidth=1.1)
    ax.set_yticks(range(len(table)), [str(name) for name in table["change"]])
    ax.set_ylim(len(table) - 0.4, -0.95)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel(unit)
    ax.set_title(_headed(title, study))
    handles: list[Any] = [
        Patch(facecolor=c["paper"], edgecolor=c["blue"], hatch="///", label="share, gain"),
        Patch(facecolor=c["paper"], edgecolor=c["orange"], hatch="xxx", label="share, loss"),
        Line2D([], [], marker="D", color=c["ink"], linestyle="none", markersize=6, label="made alone"),
    ]
    if left_out is not None:
        handles.append(Line2D([], [], marker="o", markerfacecolor=c["paper"], markeredgecolor=c["ink"], linestyle="none",
                              markersize=7, label="made last"))  # fmt: skip
    ax.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0)
    return ax


# -- which limit binds -------------------------------------------------------------------------------------


def limits(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Ribbon of the limit that binds over time, a row per limit with its share of the time."""
    c = colours(dark)
    table = _needed(study.table, study.name, "limit", "share_percent", "better_interface_helps")
    stretches = _needed(study.tables["ribbon"], "ribbon", "limit", "start_s", "end_s")
    start = float(stretches["start_s"].min())
    duration = float(stretches["end_s"].max()) - start
    divisor, unit = plain_time(ax, duration)
    names = list(table["limit"])
    marks = marks_of("demand" if name == "none" else name for name in names)
    for y, (name, mark) in enumerate(zip(names, marks.values(), strict=True)):
        own = stretches[stretches["limit"] == name]
        least = duration / 500.0
        bars = [
            ((a - start) / divisor, max(b - a, least) / divisor)
            for a, b in own[["start_s", "end_s"]].itertuples(index=False, name=None)
        ]
        ax.broken_barh(bars, (y - 0.36, 0.72), facecolor=c["paper" if mark.hatch else "faint"],
                       edgecolor=c[mark.colour], hatch=mark.hatch, linewidth=0.9)  # fmt: skip
        part = float(table["share_percent"].iloc[y])
        text = "<1 %" if 0 < part < 1 else f"{part:.0f} %"
        ax.text(1.02, y, text, transform=ax.get_yaxis_transform(), va="center", ha="left", color=c["ink"])
    ax.set_yticks(range(len(names)), ["none: as asked" if name == "none" else name for name in names])
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel(f"time, {unit}")
    ax.set_title(_headed("Which limit binds, and its share of the time", study))
    return ax


def describe_limits(study: Study) -> str:
    """Say in words which limit binds for how long."""
    rows = study.table[["limit", "share_percent", "longest_s", "better_interface_helps"]]
    said = [
        f"{name} for {share:.0f} % of the time, longest {time_text(float(longest))} (a better interface helps: {helps})"
        for name, share, longest, helps in rows.itertuples(index=False, name=None)
    ]
    return f"Limits over time: {'; '.join(said)}."


def limit_size(study: Study) -> tuple[float, float]:
    """Size of the ribbon in inches."""
    return 7.6, 1.6 + 0.5 * max(len(study.table), 2)


def gain_size(study: Study) -> tuple[float, float]:
    """Size of the figure of gains in inches."""
    return 7.6, 1.6 + 0.55 * max(len(study.tables["gain"]) if "gain" in study.tables else 0, 2)


def gain(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """More work with a better interface: nominal, and the interval from worst to best."""
    c = colours(dark)
    if "gain" not in study.tables:
        ax.text(0.5, 0.5, "no design given, so no gain predicted", ha="center", va="center", transform=ax.transAxes,
                color=c["quiet"])  # fmt: skip
        ax.set_axis_off()
        return ax
    table = _needed(
        study.tables["gain"], "gain", "interface", "low_percent", "nominal_percent", "high_percent"
    )
    for y, (_, low, middle, high) in enumerate(table.itertuples(index=False, name=None)):
        ax.plot(
            [low, high],
            [y, y],
            color=c["blue"],
            linewidth=2.2,
            marker="|",
            markersize=12,
            markeredgewidth=2.0,
        )
        ax.plot([middle], [y], marker="o", color=c["orange"], markersize=8, linestyle="none", zorder=4)
        ax.annotate(f"{middle:+.1f} %" if abs(middle) >= 0.05 else "0.0 %", (middle, y), (0, 9), ha="center",
                    textcoords="offset points")  # fmt: skip
    values = np.concatenate([table[["low_percent", "high_percent"]].to_numpy(dtype=float).ravel(), [0.0]])
    reach = max(float(np.ptp(values)), 1.0)
    ax.set_xlim(values.min() - 0.08 * reach, values.max() + 0.08 * reach)
    ax.axvline(0.0, color=c["ink"], linewidth=1.1)
    ax.set_yticks(range(len(table)), [cell_text(name) for name in table["interface"]])
    ax.set_ylim(len(table) - 0.4, -0.75)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("more work, %")
    ax.set_title(_headed("What a better interface would buy", study))
    return ax


def describe_gain(study: Study) -> str:
    """Say in words what a better interface would buy."""
    if "gain" not in study.tables:
        return "No design was given, so no gain is predicted."
    said = [
        f"{cell_text(name)} {middle:+.1f} % ({low:+.1f} to {high:+.1f} %)"
        for name, low, middle, high in study.tables["gain"].itertuples(index=False, name=None)
    ]
    return f"More work done with a better interface: {'; '.join(said)}."
