"""Figures of a difference between two designs, and of an estimator against the run it was tried on."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from thermnet.show.axis import plain_time
from thermnet.show.burst_figures import _headed, _needed
from thermnet.show.style import LINES, colours, name_ends
from thermnet.studies.study import Study
from thermnet.studies.words import number_text

MOST = 20
"""Changes drawn at most, the largest."""


def power_changes(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Part of each change in the sustained (filled) and burst power (open)."""
    c = colours(dark)
    table = _needed(study.table, study.name, "key", "before", "after", "sustained_W_part", "burst_W_part")
    if not len(table):
        ax.text(0.5, 0.5, "no difference", ha="center", va="center", transform=ax.transAxes, color=c["quiet"])
        ax.set_axis_off()
        return ax
    size = table[["sustained_W_part", "burst_W_part"]].abs().max(axis=1)
    rows = table.loc[size.sort_values(ascending=False, kind="stable").index].head(MOST)
    reach = max(float(size.max()), 0.1)
    for y, (sustained, burst) in enumerate(
        rows[["sustained_W_part", "burst_W_part"]].itertuples(index=False, name=None)
    ):
        for shift, value, word in ((-0.17, sustained, "sustained power"), (0.17, burst, "burst power")):
            filled = word == "sustained power"
            colour = c["blue"] if filled else c["orange"]
            ax.barh(y + shift, value, height=0.3, facecolor=colour if filled else c["paper"], edgecolor=colour,
                    hatch="" if filled else "////", label=word if y == 0 else None)  # fmt: skip
            if np.isfinite(value):
                ax.annotate(f"{value:+.2f}" if abs(value) >= 0.005 else "0", (value, y + shift),
                            (5 if value >= 0 else -5, 0), textcoords="offset points", va="center",
                            ha="left" if value >= 0 else "right", fontsize=9)  # fmt: skip
    labels = [
        key if key == "parts and joints" else f"{key}\n{_short(before)} to {_short(after)}"
        for key, before, after in rows[["key", "before", "after"]].itertuples(index=False, name=None)
    ]
    ax.axvline(0.0, color=c["ink"], linewidth=1.2)
    ax.set_yticks(range(len(rows)), labels)
    ax.set_ylim(len(rows) - 0.4, -0.6)
    low = min(0.0, float(rows[["sustained_W_part", "burst_W_part"]].min().min()))
    high = max(0.0, float(rows[["sustained_W_part", "burst_W_part"]].max().max()))
    ax.set_xlim(low - 0.18 * reach, high + 0.18 * reach)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("part of the change in power, W")
    ax.set_title("What each change did")
    ax.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0)
    return ax


def describe_power_changes(study: Study) -> str:
    """Say in words what each change did."""
    said = [
        f"{key}: sustained {s:+.2f} W, burst {b:+.2f} W"
        for key, s, b in study.table[["key", "sustained_W_part", "burst_W_part"]].itertuples(
            index=False, name=None
        )
    ]
    return f"Part of each change in sustained and burst power. {'; '.join(said) or 'No difference'}."


def estimated(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Skin temperatures of the run (lines) and of the estimator (dashes)."""
    c = colours(dark)
    trace = study.tables["trace"]
    divisor, unit = plain_time(ax, float(trace["time_s"].iloc[-1]))
    ends = []
    for k, name in enumerate(study.table["output"]):
        colour = LINES[k % len(LINES)][0]
        column = f"{name.replace('.', '_')}_degC"
        guess = f"{name.replace('.', '_')}_estimated_degC"
        ax.plot(trace["time_s"] / divisor, trace[column], color=c[colour], linewidth=2.2)
        ax.plot(trace["time_s"] / divisor, trace[guess], color=c["ink"], linewidth=1.3, linestyle=(0, (4, 2)))
        ends.append((float(trace[column].iloc[-1]), str(name), c[colour]))
    ax.set_xlabel(f"time, {unit}")
    ax.set_title(_headed("Skin (°C): run, and estimate (dashed)", study))
    name_ends(ax, ends)
    return ax


def describe_estimated(study: Study) -> str:
    """Say in words how far the estimator is off."""
    said = [
        f"{name}: rms {number_text(float(rms), 2)} K, largest {number_text(float(largest), 2)} K"
        for name, rms, largest in study.table[["output", "rms_K", "largest_K"]].itertuples(
            index=False, name=None
        )
    ]
    return f"Skin temperatures of a run and their estimates over time. {'; '.join(said)}."


def _short(text: str) -> str:
    return text if len(text) <= 30 else f"{text[:28]} ..."
