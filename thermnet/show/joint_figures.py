"""Figures of the joint study: maps of pressure, bond line and temperature rise, and the tilt while tightening."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from thermnet.show.style import LINES, colours
from thermnet.studies.study import Study
from thermnet.studies.words import heading, number_text

MAPS = {
    "pressure": ("pressure_kPa", "Pressure"),
    "bond_line": ("bond_line_um", "Bond line"),
    "rise": ("rise_K", "Temperature rise over the plate"),
}
"""Column and title of every map."""
SCALE = "cividis"
"""Even steps to the eye, and the same to readers with and without colour vision (Nunez, Anderton, Renslow 2018)."""


def pressure(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Pressure all over the chip."""
    return _map(ax, study, "pressure", dark)


def bond_line(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Thickness of the material all over the chip."""
    return _map(ax, study, "bond_line", dark)


def rise(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Temperature of the chip's heated face over the plate."""
    return _map(ax, study, "rise", dark)


def tightening(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """How far the gap opens across the chip at every step of tightening, for each order."""
    c = colours(dark)
    table = study.tables.get("tightening")
    if table is None:
        ax.text(
            0.5,
            0.5,
            "no screws or springs to tighten in turn",
            transform=ax.transAxes,
            ha="center",
            color=c["quiet"],
        )
        ax.set_axis_off()
        return ax
    for k, (order, rows) in enumerate(table.groupby("order", sort=False)):
        colour, dashes = LINES[k % len(LINES)]
        share = np.arange(1, len(rows) + 1) / len(rows) * 100.0
        ax.plot(
            share,
            np.maximum(rows["tilt_um"], 1.0),
            color=c[colour],
            linestyle=dashes,
            marker="osD^v"[k % 5],
            label=order,
        )
    ax.set_yscale("log")
    ax.set_xlim(0.0, 102.0)
    ax.set_xlabel("steps done, %")
    ax.set_ylabel("gap opens from corner to corner, µm")
    ax.set_title("Tilt while tightening")
    ax.legend(loc="best")
    return ax


def describe_pressure(study: Study) -> str:
    """Say in words what the map of pressure shows."""
    return _described(study, "pressure")


def describe_bond_line(study: Study) -> str:
    """Say in words what the map of the bond line shows."""
    return _described(study, "bond_line")


def describe_rise(study: Study) -> str:
    """Say in words what the map of the rise shows."""
    return _described(study, "rise")


def describe_tightening(study: Study) -> str:
    """Say in words how far the plate tilts on the way."""
    table = study.tables.get("tightening")
    if table is None:
        return "No screws or springs to tighten in turn."
    worst = table.groupby("order", sort=False)["tilt_um"].max()
    return "Worst opening of the gap on the way: " + "; ".join(
        f"{order} {number_text(float(value), 3)} µm" for order, value in worst.items()
    ) + "."  # fmt: skip


# -- inside ------------------------------------------------------------------------------------------------


def _map(ax: Axes, study: Study, which: str, dark: bool) -> Axes:
    c = colours(dark)
    column, title = MAPS[which]
    x, y, value = _grid(study, column)
    half_x, half_y = (0.5 * (v[1] - v[0]) for v in (x, y))
    image = ax.imshow(
        value, origin="lower", cmap=SCALE, interpolation="nearest", aspect="equal",
        extent=(x[0] - half_x, x[-1] + half_x, y[0] - half_y, y[-1] + half_y),
    )  # fmt: skip
    if np.ptp(value) < 1e-6 * max(abs(float(value.max())), 1e-12):  # one value: a scale around it
        middle = float(value.mean())
        image.set_clim(0.9 * middle - 1e-9, 1.1 * middle + 1e-9)
    bar = ax.figure.colorbar(image, ax=ax, shrink=0.9)
    bar.set_label(heading(column))
    bar.outline.set_visible(False)
    _outline(ax, study, "flux_W_per_mm2", 0.5, "#ffffff", "-", "hot spot")
    _outline(ax, study, "covered_percent", None, "#ff9152", "--", "no material")
    ax.grid(visible=False)
    ax.set_xlabel("x, mm")
    ax.set_ylabel("y, mm")
    ax.set_title(f"{title}: {study.provenance.get('joint', '')}, {study.provenance.get('design', '')}")
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.tick_params(color=c["quiet"])
    return ax


def _outline(
    ax: Axes, study: Study, column: str, share: float | None, colour: str, dashes: str, label: str
) -> None:
    """Draw the border of the hot spot (half way up in flux) or of what is not covered (half full), and name it."""
    x, y, value = _grid(study, column)
    low, high = float(value.min()), float(value.max())
    level = 50.0 if share is None else low + share * (high - low)
    if not low < level < high:
        return
    for width, shade in ((3.0, "#15191d"), (1.6, colour)):  # a dark edge keeps the line readable on any shade
        ax.contour(x, y, value, levels=[level], colors=[shade], linewidths=width, linestyles=dashes)
    inside = value < level if share is None else value > level
    rows, columns = np.nonzero(inside)
    top = int(rows.max())
    middle = float(np.mean(x[columns[rows == top]]))
    ax.annotate(label, (middle, y[top]), (0, 5), textcoords="offset points", ha="center", va="bottom", fontsize=9,
                color="#ffffff", bbox={"facecolor": "#15191d", "edgecolor": "none", "pad": 1.5, "alpha": 0.75})  # fmt: skip


def _grid(study: Study, column: str) -> tuple[Any, Any, Any]:
    table = study.tables.get("map")
    if table is None or column not in table.columns:
        raise LookupError(f"{study.name}: no table map with {column}; expected the study joint")
    x, y = np.unique(table["x_mm"].to_numpy()), np.unique(table["y_mm"].to_numpy())
    return x, y, table[column].to_numpy(dtype=float).reshape(y.size, x.size)


def _described(study: Study, which: str) -> str:
    column, title = MAPS[which]
    x, y, value = _grid(study, column)
    row, place = np.unravel_index(int(np.argmax(value)), value.shape)
    low, mean, high = (number_text(float(v), 3) for v in (value.min(), value.mean(), value.max()))
    unit = heading(column).rpartition(", ")[2]
    return (
        f"{title} over the chip, {unit}: lowest {low}, mean {mean}, highest {high} at x {number_text(float(x[place]), 3)} mm, "
        f"y {number_text(float(y[row]), 3)} mm."
    )
