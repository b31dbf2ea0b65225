"""Figures of modes: power limits and fan tables found for them, and the power that each sustains."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from thermnet.show.style import LINES, Drawing, colours, marks_of
from thermnet.studies.study import Study
from thermnet.studies.words import number_text

MOST = 16
"""Rows drawn; longer tables say how many are left out."""


def limits(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Sustained limit and burst limit of every case, joined by a line; noise and averaging time beside it."""
    c = colours(dark)
    table = study.table[np.isfinite(study.table["sustained_limit_W"])].head(MOST)
    marks = marks_of([*table["held_by"], *table["burst_held_by"]])
    for y, row in enumerate(_rows(table)):
        ax.plot([row.sustained_limit_W, row.burst_limit_W], [y, y], color=c["quiet"], linewidth=2.2, zorder=1)
        for value, binds in ((row.sustained_limit_W, row.held_by), (row.burst_limit_W, row.burst_held_by)):
            mark = marks[str(binds)]
            ax.plot(
                value, y, linestyle="none", marker=mark.marker, color=c[mark.colour], markersize=8, zorder=2
            )
        heard = f"{row.noise_dBA:.0f} dBA, " if np.isfinite(row.noise_dBA) else ""
        ax.annotate(f"{heard}{row.averaging_time_s:.0f} s", (row.burst_limit_W, y), (9, 0), textcoords="offset points",
                    va="center", fontsize=9.5, color=c["quiet"])  # fmt: skip
    for binds, mark in marks.items():
        ax.plot([], [], linestyle="none", marker=mark.marker, color=c[mark.colour], label=f"held by {binds}")
    ax.set_yticks(range(len(table)), case_names(table))
    ax.set_ylim(len(table) - 0.4, -0.6)
    ax.set_xlim(0.0, 1.3 * float(table["burst_limit_W"].max()))
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("chip power, W: sustained limit to burst limit (beside it: noise, averaging time)")
    left_out = len(study.table) - len(table)
    ax.set_title(
        "Power limits that keep every margin" + (f" ({left_out} more in the table)" if left_out else "")
    )
    _legend_below(ax)
    return ax


def describe_limits(study: Study) -> str:
    """Say in words which limits were found."""
    table = study.table[np.isfinite(study.table["sustained_limit_W"])].head(MOST)
    said = [
        f"{name} {number_text(float(row.sustained_limit_W), 3)} W for ever and {number_text(float(row.burst_limit_W), 3)} W at first"
        for name, row in zip(case_names(table), _rows(table), strict=True)
    ]
    return f"Power limits by mode: {'; '.join(said)}."


def fan_tables(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Fan tables of the first design, room and posture: speed over the sensor's reading, one staircase per mode."""
    c = colours(dark)
    curves = staircases(study)
    hottest = max(on for _, _, steps in curves for on, _ in steps)
    coolest = min(on for _, _, steps in curves for on, _ in steps)
    left, right = coolest - 6.0, hottest + 8.0
    top = 0.0
    for k, (name, idle, steps) in enumerate(curves):
        colour, dashes = LINES[k % len(LINES)]
        x, y = [left], [idle]
        for on, speed in steps:
            x += [on, on]
            y += [y[-1], speed]
        ax.plot([*x, right], [*y, y[-1]], color=c[colour], linestyle=dashes, linewidth=2.2, label=name)
        top = max(top, *y)
    ax.set_xlim(left, right)
    ax.set_ylim(0.0, 1.12 * top)
    ax.set_xlabel(f"reading of the sensor {_sensor(study)}, rising, °C")
    ax.set_ylabel("fan speed, rpm")
    row = study.table.iloc[0]
    ax.set_title(f"Fan tables of {row['design']}, {row['ambient_degC']:g} °C, {row['posture']}")
    ax.legend(loc="upper left")
    return ax


def describe_fan_tables(study: Study) -> str:
    """Say in words what the fan tables are."""
    said = [
        f"{name}: " + ", ".join(f"{speed:.0f} rpm from {on:.0f} °C" for on, speed in steps)
        for name, _, steps in staircases(study)
    ]
    return f"Fan tables. {'; '.join(said)}."


def staircases(study: Study) -> list[tuple[str, float, list[tuple[float, float]]]]:
    """Mode, idle speed and rising (degC, rpm) steps of the first fan, for the first design, ambient and posture."""
    rows = study.tables["settings"]
    first = rows.iloc[0]
    for column in ("design", "ambient_degC", "posture"):
        rows = rows[rows[column] == first[column]]
    fans = rows[rows["item"] == "fan"]
    if not len(fans):
        raise LookupError(f"{first['design']} has no fan; there is no fan table to draw")
    own = rows[rows["name"] == fans["name"].iloc[0]]
    found = []
    for mode, part in own.groupby("mode", sort=False):
        steps = part[part["item"] == "step"].sort_values("on_degC")
        idle = float(part.loc[part["item"] == "fan", "idle_speed_rpm"].iloc[0])
        found.append((str(mode), idle, list(zip(steps["on_degC"], steps["speed_rpm"], strict=True))))
    return [curve for curve in found if curve[2]]


def sustained(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Sustained power of every mode, ambient and posture; the marker tells what holds it, the tick the next limit."""
    c = colours(dark)
    table = study.table.head(MOST)
    marks = marks_of(table["binds"])
    for y, row in enumerate(_rows(table)):
        mark = marks[str(row.binds)]
        ax.plot([0.0, row.power_W], [y, y], color=c["quiet"], linewidth=2.2, zorder=1)
        if "power_p05_W" in table:
            ax.plot([row.power_p05_W, row.power_p95_W], [y, y], color=c["sky"], linewidth=9.0, alpha=0.55,
                    solid_capstyle="butt", zorder=0, label="5 to 95 % of units" if y == 0 else None)  # fmt: skip
        ax.plot(
            row.power_W, y, linestyle="none", marker=mark.marker, color=c[mark.colour], markersize=9, zorder=3
        )
        if np.isfinite(row.next_power_W):
            ax.plot(
                [row.power_W, row.next_power_W],
                [y, y],
                color=c["quiet"],
                linewidth=1.0,
                linestyle=(0, (2, 2)),
                zorder=1,
            )
            ax.plot(
                row.next_power_W, y, linestyle="none", marker="|", color=c["ink"], markersize=11, zorder=2
            )
        heard = f", {row.noise_dBA:.0f} dBA" if np.isfinite(row.noise_dBA) and row.noise_dBA > 0 else ""
        end = max(row.power_W, row.next_power_W) if np.isfinite(row.next_power_W) else row.power_W
        ax.annotate(f"{row.power_W:.1f} W{heard}", (end, y), (9, 0), textcoords="offset points", va="center")
    for binds, mark in marks.items():
        ax.plot([], [], linestyle="none", marker=mark.marker, color=c[mark.colour], label=f"held by {binds}")
    ax.plot(
        [],
        [],
        linestyle="none",
        marker="|",
        markersize=11,
        color=c["ink"],
        label="where the next limit waits",
    )
    far = np.nanmax(table[["power_W", "next_power_W"]].to_numpy(dtype=float))
    ax.set_xlim(0.0, 1.3 * float(far))
    ax.set_yticks(range(len(table)), case_names(table))
    ax.set_ylim(len(table) - 0.4, -0.6)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("chip power held for ever, W")
    ax.set_title(f"Sustained power of {study.provenance.get('design', 'the machine')}")
    _legend_below(ax)
    return ax


def describe_sustained(study: Study) -> str:
    """Say in words what every mode sustains."""
    table = study.table.head(MOST)
    said = [
        f"{name} {number_text(float(row.power_W), 3)} W, held by {row.binds}"
        for name, row in zip(case_names(table), _rows(table), strict=True)
    ]
    return f"Sustained power: {'; '.join(said)}."


def case_names(table: Any) -> list[str]:
    """Name of every row by what differs between the rows: design, mode, ambient, posture."""
    parts = []
    for column in ("design", "mode", "ambient_degC", "posture"):
        if column in table and (table[column].nunique() > 1 or column == "mode"):
            parts.append([f"{v:g} °C" if column == "ambient_degC" else str(v) for v in table[column]])
    return [", ".join(words) for words in zip(*parts, strict=True)]


def rows_high(study: Study) -> tuple[float, float]:
    """Size in inches of a figure with one line per case."""
    return 7.6, 2.0 + 0.34 * min(max(len(study.table), 2), MOST)


def _rows(table: Any) -> list[Any]:
    return list(table.itertuples(index=False))


def _legend_below(ax: Axes, columns: int = 3) -> None:
    """Put the legend under the axes, where rows of any number leave it room."""
    figure = ax.get_figure(root=True)
    handles, labels = ax.get_legend_handles_labels()
    if isinstance(figure, Drawing):
        figure.legend(handles, labels, loc="outside lower center", ncols=columns)
    else:
        ax.legend(loc="best")


def _sensor(study: Study) -> str:
    steps = study.tables["settings"]
    return str(steps.loc[steps["item"] == "step", "sensor"].iloc[0])
