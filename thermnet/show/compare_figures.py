"""Figures of a comparison: burst curves, power over noise, dry-out margin over tilt, gains and losses."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from thermnet.show.axis import log_time, time_text
from thermnet.show.burst_figures import _headed, _needed
from thermnet.show.style import LINES, colours, name_ends
from thermnet.studies.study import Study
from thermnet.studies.words import number_text

MARKERS = ("o", "s", "D", "^", "v", "P", "X")
"""Marker of the first, second ... design."""

GAINS = (
    ("sustained_W", "sustained power"), ("power_10_s_W", "power for 10 s"), ("power_60_s_W", "power for 60 s"),
    ("mass_g", "mass of the stack"), ("height_mm", "height over the chip"), ("cost", "cost"),
)  # fmt: skip
"""Columns compared in per cent, and their names."""


def bursts(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Power that each design holds, against how long; circles where curves of the first design cross others."""
    c = colours(dark)
    table = _needed(study.tables["bursts"], "bursts", "design", "duration_s", "power_W")
    ends = []
    for k, (name, rows) in enumerate(table.groupby("design", sort=False)):
        colour, dashes = LINES[k % len(LINES)]
        ax.plot(
            rows["duration_s"], rows["power_W"], color=c[colour], linestyle=dashes, marker=MARKERS[k % len(MARKERS)],
            markersize=4.5, linewidth=2.4 if k == 0 else 1.9, zorder=4 if k == 0 else 3,
        )  # fmt: skip
        ends.append((float(rows["power_W"].iloc[-1]), str(name), c[colour]))
        _whiskers(ax, study, k, c[colour])
    crossings = study.tables.get("crossings")
    first = str(study.table["design"].iloc[0])
    if crossings is not None:
        mine = crossings[(crossings["leads_before"] == first) | (crossings["leads_after"] == first)]
        ax.plot(mine["duration_s"], mine["power_W"], "o", markersize=11, markerfacecolor="none",
                markeredgecolor=c["ink"], markeredgewidth=1.2, linestyle="none", zorder=5)  # fmt: skip
        for group in _close_together([float(t) for t in mine["duration_s"]]):
            last = mine[mine["duration_s"] == group[-1]].iloc[0]
            words = [f"{t:.2g} s" if t < 60.0 else time_text(float(f"{t:.2g}")) for t in group]
            ax.annotate(", ".join(dict.fromkeys(words)), (last["duration_s"], last["power_W"]), (7, 8),
                        textcoords="offset points", color=c["ink"], fontsize=9.5)  # fmt: skip
    log_time(ax, float(table["duration_s"].min()) / 1.12, float(table["duration_s"].max()) * 1.12)
    ends_of_bands = study.table.filter(regex=r"^power_.*_p95_W$").to_numpy(dtype=float)
    ax.set_ylim(0.0, 1.1 * float(max(table["power_W"].max(), np.max(ends_of_bands, initial=0.0))))
    ax.set_xlabel("duration (logarithmic)")
    ax.set_title(_headed("Chip power (W) against duration", study))
    name_ends(ax, ends)
    return ax


def _close_together(times: list[float], apart: float = 1.5) -> list[list[float]]:
    """Rising times in groups whose labels would run into each other on the logarithmic axis."""
    groups: list[list[float]] = []
    for time in sorted(times):
        if groups and time < apart * groups[-1][-1]:
            groups[-1].append(time)
        else:
            groups.append([time])
    return groups


def _whiskers(ax: Axes, study: Study, k: int, colour: str) -> None:
    """Bar over 5 to 95 % of the units at the durations for which the study has it."""
    row = study.table.iloc[k]
    for column in study.table.columns:
        if column.startswith("power_") and column.endswith("_s_p05_W"):
            duration = float(column.split("_")[1])
            ends = [float(row[column]), float(row[column.replace("_p05_", "_p95_")])]
            # Side by side, so that bars of two designs do not hide each other.
            ax.plot([duration * (1.0 + 0.05 * k)] * 2, ends, color=colour, linewidth=1.2, marker="_", markersize=9, zorder=3)


def describe_bursts(study: Study) -> str:
    """Say in words what the burst curves show."""
    table = study.tables["bursts"]
    said = []
    for name, rows in table.groupby("design", sort=False):
        points = ", ".join(
            f"{number_text(float(p), 3)} W for {time_text(float(t))}"
            for t, p in zip(rows["duration_s"], rows["power_W"], strict=True)
        )
        said.append(f"{name}: {points}")
    crossings = study.facts.get("burst curves cross", "")
    return f"Power against duration for each design. {'; '.join(said)}. Crossings: {crossings}."


def noise(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Sustained power of each design against noise at the operator."""
    c = colours(dark)
    table = _needed(study.tables["noise"], "noise", "design", "noise_dBA", "power_W")
    ends = []
    for k, (name, rows) in enumerate(table.groupby("design", sort=False)):
        colour, dashes = LINES[k % len(LINES)]
        ax.plot(rows["noise_dBA"], rows["power_W"], color=c[colour], linestyle=dashes,
                marker=MARKERS[k % len(MARKERS)], markersize=4.5, linewidth=2.4 if k == 0 else 1.9)  # fmt: skip
        ends.append((float(rows["power_W"].iloc[-1]), str(name), c[colour]))
    cap, level = study.provenance.get("noise_cap_dBA"), study.provenance.get("power_W")
    if isinstance(cap, int | float):
        ax.axvline(cap, color=c["quiet"], linewidth=1.0, linestyle=(0, (5, 3)))
        ax.annotate(f"cap {cap:g} dBA", (cap, 0.02), (-4, 0), xycoords=ax.get_xaxis_transform(),
                    textcoords="offset points", ha="right", va="bottom", color=c["quiet"], fontsize=9.5)  # fmt: skip
    if isinstance(level, int | float):
        ax.axhline(level, color=c["quiet"], linewidth=1.0, linestyle=(0, (2, 2)))
        ax.annotate(f"{level:g} W", (0.008, level), (0, 3), xycoords=ax.get_yaxis_transform(),
                    textcoords="offset points", color=c["quiet"], fontsize=9.5)  # fmt: skip
    ax.set_ylim(0.0, 1.1 * float(table["power_W"].max()))
    ax.set_xlabel("noise at the operator, dBA")
    ax.set_title(_headed("Sustained power (W) against noise", study))
    name_ends(ax, ends)
    return ax


def describe_noise(study: Study) -> str:
    """Say in words what the noise curves show."""
    said = []
    for name, rows in study.tables["noise"].groupby("design", sort=False):
        low, high = rows.iloc[0], rows.iloc[-1]
        said.append(
            f"{name}: {number_text(float(low['power_W']), 3)} W at {number_text(float(low['noise_dBA']), 3)} dBA, "
            f"{number_text(float(high['power_W']), 3)} W at {number_text(float(high['noise_dBA']), 3)} dBA"
        )
    return f"Sustained power against noise. {'; '.join(said)}."


def tilt(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Distance to dry-out of each design at equal power, against tilt; one line per room temperature."""
    c = colours(dark)
    table = _needed(study.tables["tilt"], "tilt", "design", "ambient_degC", "tilt_deg", "margin_W")
    rooms = list(dict.fromkeys(table["ambient_degC"]))
    ends = []
    for k, (name, own) in enumerate(table.groupby("design", sort=False)):
        colour, dashes = LINES[k % len(LINES)]
        for number, room in enumerate(rooms):
            rows = own[own["ambient_degC"] == room]
            ax.plot(rows["tilt_deg"], rows["margin_W"], color=c[colour], linestyle=dashes,
                    marker=MARKERS[k % len(MARKERS)], markersize=5.5, linewidth=2.0 if number == 0 else 1.1,
                    markerfacecolor=c[colour] if number == 0 else c["paper"])  # fmt: skip
            if number == 0:
                ends.append((float(rows["margin_W"].iloc[-1]), str(name), c[colour]))
    low, high = float(table["margin_W"].min()), float(table["margin_W"].max())
    ax.set_ylim(min(1.15 * low, -0.08 * high), 1.1 * high)
    ax.axhline(0.0, color=c["ink"], linewidth=1.2)
    ax.axhspan(ax.get_ylim()[0], 0.0, facecolor=c["faint"], zorder=0)
    ax.annotate("dried out", (0.01, 0.0), (0, 4), xycoords="axes fraction", va="bottom",
                textcoords="offset points", color=c["quiet"], fontsize=9.5)  # fmt: skip
    label = "evaporator above condenser, degrees"
    if len(rooms) > 1:
        label += f" (filled: {rooms[0]:g} °C, open: {', '.join(f'{room:g}' for room in rooms[1:])} °C)"
    ax.set_xlabel(label)
    level = study.provenance.get("power_W")
    what = (
        f"Heat to spare before dry-out (W) at {level:g} W"
        if isinstance(level, int | float)
        else "Heat to spare (W)"
    )
    ax.set_title(what)
    name_ends(ax, ends)
    return ax


def describe_tilt(study: Study) -> str:
    """Say in words what the margins over tilt show."""
    said = []
    for (name, room), rows in study.tables["tilt"].groupby(["design", "ambient_degC"], sort=False):
        points = ", ".join(
            f"{number_text(float(m), 3)} W at {t:g}°"
            for t, m in zip(rows["tilt_deg"], rows["margin_W"], strict=True)
        )
        said.append(f"{name} at {room:g} °C: {points}")
    return f"Distance to dry-out against tilt, below zero is dried out. {'; '.join(said)}."


def gains(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Draw what each design gains or loses against the first, in per cent."""
    c = colours(dark)
    table = study.table
    known = [
        (col, word) for col, word in GAINS
        if col in table and np.isfinite(table[col]).all() and table[col].iloc[0]
    ]  # fmt: skip
    others = list(table["design"].iloc[1:])
    height = 0.8 / max(len(others), 1)
    values = [v for col, _ in known for v in _per_cent(table, col)]
    values += [-1.0, 1.0]
    for k, name in enumerate(others):
        colour, _ = LINES[(k + 1) % len(LINES)]
        for row, (column, _) in enumerate(known):
            value = _per_cent(table, column)[k]
            y = row + (k - 0.5 * (len(others) - 1)) * height
            ax.plot([0.0, value], [y, y], color=c[colour], linewidth=1.4)
            ax.plot([value], [y], marker=MARKERS[(k + 1) % len(MARKERS)], color=c[colour], markersize=6.5,
                    linestyle="none", label=str(name) if row == 0 else None)  # fmt: skip
            ax.annotate(_signed(value), (value, y), (8 if value >= 0 else -8, 0), textcoords="offset points",
                        va="center", ha="left" if value >= 0 else "right", fontsize=9)  # fmt: skip
    for row in range(len(known) - 1):
        ax.axhline(row + 0.5, color=c["faint"], linewidth=0.8)
    ax.axvline(0.0, color=c["ink"], linewidth=1.2)
    ax.set_yticks(range(len(known)), [word for _, word in known])
    ax.set_ylim(len(known) - 0.4, -0.6)
    span = max(values) - min(values)
    ax.set_xlim(min(0.0, min(values)) - 0.17 * span, max(0.0, max(values)) + 0.17 * span)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel(f"per cent more than {table['design'].iloc[0]}")
    ax.set_title(_headed("Gains and losses", study))
    ax.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0, handlelength=1.2)
    return ax


def describe_gains(study: Study) -> str:
    """Say in words what each design gains or loses."""
    table = study.table
    said = []
    for k, name in enumerate(table["design"].iloc[1:]):
        bits = [
            f"{word} {_signed(_per_cent(table, column)[k])}"
            for column, word in GAINS if column in table and table[column].iloc[0]
        ]  # fmt: skip
        said.append(f"{name}: {', '.join(bits)}")
    return f"Against {table['design'].iloc[0]}. {'; '.join(said)}."


def _signed(value: float) -> str:
    return "0 %" if abs(value) < 0.5 else f"{value:+.0f} %"


def _per_cent(table: Any, column: str) -> list[float]:
    first = float(table[column].iloc[0])
    return [100.0 * (float(value) / first - 1.0) for value in table[column].iloc[1:]]
