"""Figures of the steady studies: kelvin waterfall, noise frontier, next watt, ageing."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from thermnet.show.style import colours, marks_of
from thermnet.studies.study import Study
from thermnet.studies.words import number_text


def kelvin_waterfall(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Kelvins from the hot spot down to the room, one step per element."""
    c = colours(dark)
    rows = study.table[np.abs(study.table["drop_K"]) > 0.05]
    drops = rows["drop_K"].to_numpy(dtype=float)
    tops = float(study.table["from_degC"].iloc[0]) - np.concatenate([[0.0], np.cumsum(drops)[:-1]])
    for y, (top, drop) in enumerate(zip(tops, drops, strict=True)):
        ax.barh(y, -drop, left=top, height=0.66, facecolor=c["sky"], edgecolor=c["blue"])
        ax.annotate(f"{drop:.1f} K", (max(top, top - drop), y), (5, 0), textcoords="offset points", va="center")
        if y + 1 < len(drops):
            ax.plot([top - drop] * 2, [y, y + 1], color=c["quiet"], linewidth=0.9, linestyle=(0, (2, 2)))
    ax.set_yticks(range(len(rows)), rows["element"])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.margins(x=0.1)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("temperature, °C")
    ax.set_title("Where the kelvins go, hot spot to room")
    return ax


def describe_kelvin_waterfall(study: Study) -> str:
    """Say in words where most kelvins go."""
    rows = study.table.sort_values("drop_K", ascending=False).head(5)
    names, drops = rows["element"].tolist(), rows["drop_K"].to_numpy(dtype=float)
    return "Waterfall of kelvins; largest: " + ", ".join(f"{n} {d:.1f} K" for n, d in zip(names, drops, strict=True)) + "."


def noise_frontier(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Sustained watts against noise, a curve per ambient; markers tell which limit binds."""
    c = colours(dark)
    marks = marks_of(study.table["binds"])
    for k, (ambient, rows) in enumerate(study.table.groupby("ambient_degC", sort=True)):
        dashes = ("-", (0, (6, 2)), (0, (2, 2)))[k % 3]
        ax.plot(rows["noise_dBA"], rows["power_W"], color=c["ink"], linewidth=1.8, linestyle=dashes, label=f"room at {ambient:g} °C")
        if "power_p05_W" in rows:
            ax.fill_between(rows["noise_dBA"], rows["power_p05_W"], rows["power_p95_W"], color=c["faint"], zorder=0,
                            label="5 to 95 % of units" if k == 0 else None)  # fmt: skip
        for binds, part in rows.groupby("binds", sort=False):
            mark = marks[str(binds)]
            ax.plot(part["noise_dBA"], part["power_W"], linestyle="none", marker=mark.marker, color=c[mark.colour], markersize=7)
    for binds, mark in marks.items():
        ax.plot([], [], linestyle="none", marker=mark.marker, color=c[mark.colour], label=f"held by {binds}")
    ax.set_ylim(bottom=0.0)
    ax.set_xlabel("noise at the operator, dBA")
    ax.set_ylabel("sustained power, W")
    ax.set_title("Watts against noise")
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.14), ncols=3)
    return ax


def describe_noise_frontier(study: Study) -> str:
    """Say in words what the frontier's ends are."""
    low, high = study.table.iloc[0], study.table.iloc[-1]
    return (
        f"Sustained power against noise: {number_text(float(low['power_W']))} W at {number_text(float(low['noise_dBA']))} dBA "
        f"up to {number_text(float(high['power_W']))} W at {number_text(float(high['noise_dBA']))} dBA."
    )


def next_watt(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """What one practical step of each parameter gains in the study's first answer, strongest first."""
    c = colours(dark)
    rows = study.table.head(14)
    first, unit = _first_answer(study)
    gains = rows[f"gain_{unit}"].to_numpy(dtype=float)
    moves = [f"{name} ({move})" for name, move in zip(_parameter_names(rows), rows["move"], strict=True)]
    ax.barh(range(len(rows)), gains, height=0.66, facecolor=c["sky"], edgecolor=c["blue"])
    for y, gain in enumerate(gains):
        # Cooler is to the left; the label stands beyond the end of its bar.
        ax.annotate(f"{gain:.2f} {unit}", (gain, y), (5 if gain >= 0 else -5, 0), textcoords="offset points", va="center",
                    ha="left" if gain >= 0 else "right")  # fmt: skip
    ax.set_yticks(range(len(rows)), moves)
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.margins(x=0.14)
    ax.grid(axis="y", visible=False)
    words = {"sustained": "sustained watts gained", "burst": "burst watts gained", "skin": "change of the skin, K,"}
    ax.set_xlabel(f"{words[first]} per practical step")
    ax.set_title("The next watt" if unit == "W" else "The next kelvin at the skin")
    return ax


def describe_next_watt(study: Study) -> str:
    """Say in words which steps gain most."""
    rows = study.table.head(5)
    _, unit = _first_answer(study)
    pairs = zip(_parameter_names(rows), rows[f"gain_{unit}"].to_numpy(dtype=float), strict=True)
    return f"{unit} per practical step: " + ", ".join(f"{name} {gain:.2f} {unit}" for name, gain in pairs) + "."


def _first_answer(study: Study) -> tuple[str, str]:
    """First answer of the study (sustained, burst or skin) and its unit."""
    column = next(str(name) for name in study.table.columns if str(name).endswith("_per_step"))
    name, unit, *_ = column.split("_")
    return name, unit


def _parameter_names(rows: Any) -> list[str]:
    """Keys of parameters; joints, whose keys are numbers, by what they join."""
    return [
        f"joint {what.rpartition(': ')[2]}" if key.startswith("joints.") else key
        for key, what in zip(rows["parameter"], rows["what"], strict=True)
    ]


def ageing(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Sustained power at constant noise over the months, all causes and each alone."""
    c = colours(dark)
    months = study.table["months"]
    for column, name, colour, dashes in (
        ("power_W", "all together", "ink", "-"), ("dust_alone_W", "dust alone", "orange", (0, (6, 2))),
        ("fan_alone_W", "fan wear alone", "green", (0, (3, 1.5, 1, 1.5))), ("interface_alone_W", "interface alone", "blue", (0, (2, 2))),
    ):  # fmt: skip
        ax.plot(months, study.table[column], color=c[colour], linestyle=dashes, linewidth=2.0, label=name)
    ax.set_ylim(bottom=0.0)
    ax.set_xlabel("months in use")
    ax.set_ylabel("sustained power, W")
    ax.set_title("Power at constant noise as the machine ages")
    ax.legend(loc="lower left")
    return ax


def describe_ageing(study: Study) -> str:
    """Say in words how much power age takes."""
    first, last = study.table.iloc[0], study.table.iloc[-1]
    return (
        f"Sustained power falls from {number_text(float(first['power_W']))} W when new to "
        f"{number_text(float(last['power_W']))} W after {number_text(float(last['months']))} months."
    )
