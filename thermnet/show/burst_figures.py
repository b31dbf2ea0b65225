"""Figures of the burst studies: power against duration, and time to limit."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from thermnet.show.axis import log_time, time_text
from thermnet.show.style import LINES, Mark, colours, marks_of
from thermnet.show.tables import start_text
from thermnet.studies.study import Study
from thermnet.studies.words import cell_text, number_text


def power_duration(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Power that can be held, against how long; markers tell which limit binds.

    Reads ``study.table`` (``duration_s``, ``power_W``, ``binds``), and where present ``study.tables``:
    ``start states`` (the same with ``start``) and ``governor`` (``duration_s``, ``power_W``; drawn
    up to the fact ``mode's burst limit``).  A fact whose
    name starts with ``sustained`` is drawn as the level the curve comes down to.
    """
    c = colours(dark)
    main = _needed(study.table, study.name, "duration_s", "power_W", "binds")
    others = study.tables.get("start states")
    marks = marks_of([*main["binds"], *(others["binds"] if others is not None else ())])
    curves: list[Line2D] = []
    low, high = float(main["duration_s"].min()), float(main["duration_s"].max())
    if "power_p05_W" in main:
        ax.fill_between(main["duration_s"], main["power_p05_W"], main["power_p95_W"], color=c["faint"], zorder=0)
    top = float(main["power_W"].max())
    own = str(study.provenance.get("start", "idle"))
    curves.append(Line2D([], [], color=c["ink"], linewidth=2.2, label=f"{start_text(own)}, thick"))
    if others is not None and len(others):
        _needed(others, "start states", "start", "duration_s", "power_W", "binds")
        for k, (start, rows) in enumerate(
            others[others["start"].astype(str) != own].groupby("start", sort=False)
        ):
            dashes = LINES[1 + k % (len(LINES) - 2)][1]
            style: dict[str, Any] = {"color": c["grey"], "linestyle": dashes, "linewidth": 1.7}
            ax.plot(rows["duration_s"], rows["power_W"], **style)
            _markers(ax, rows, marks, c, size=5.0)
            curves.append(Line2D([], [], label=start_text(start), **style))
            top = max(top, float(rows["power_W"].max()))
    governor = study.tables.get("governor")
    if governor is not None and len(governor):
        rows = governor[np.isfinite(governor["power_W"])]
        ceiling = study.facts.get("mode's burst limit")
        if isinstance(ceiling, tuple) and ceiling[0] is not None:
            rows = rows.assign(power_W=np.minimum(rows["power_W"], ceiling[0]))
        style = {"color": c["quiet"], "linestyle": (0, (1, 1.6)), "linewidth": 1.5}
        ax.plot(rows["duration_s"], rows["power_W"], **style)
        curves.append(Line2D([], [], label="mode's governor", **style))
    _segments(ax, main, marks, c)
    _markers(ax, main, marks, c, size=8.0)
    level = next((fact for label, fact in study.facts.items() if label.lower().startswith("sustained")), None)
    if isinstance(level, tuple) and level[0] is not None and np.isfinite(level[0]):
        ax.axhline(level[0], color=c["quiet"], linewidth=1.0, linestyle=(0, (5, 3)))
        ax.annotate(
            f"sustained {number_text(float(level[0]), 3)} W",
            (0.008, level[0]),
            (0, -4),
            va="top",
            ha="left",
            xycoords=ax.get_yaxis_transform(),
            textcoords="offset points",
            color=c["quiet"],
            fontsize=9.5,
        )
    log_time(ax, low / 1.12, high * 1.12)
    ax.set_ylim(0.0, 1.12 * top)
    ax.set_xlabel("duration (logarithmic)")
    ax.set_title(_headed("Chip power (W) against duration", study))
    _legend(ax, _mark_handles(marks, c), "held by", c, below=_legend(ax, curves, "starting", c))
    return ax


def describe_power_duration(study: Study) -> str:
    """Say in words what the power-duration curve shows."""
    points = [
        f"{number_text(float(power))} W for {time_text(float(duration))} ({cell_text(binds)})"
        for duration, power, binds in study.table[["duration_s", "power_W", "binds"]].itertuples(
            index=False, name=None
        )
    ]
    starts = study.tables.get("start states")
    more = (
        f" Further curves: {', '.join(start_text(s) for s in starts['start'].unique())}."
        if starts is not None
        else ""
    )
    if "power_p05_W" in study.table:
        more += " A band shows 5 to 95 % of units."
    return f"Power against duration on a logarithmic time axis: {'; '.join(points)}.{more}"


def time_to_limit(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Time until the first limit is met, one bar per row of the table, on a logarithmic time axis.

    Reads ``study.table``: ``time_s`` (NaN where no limit is ever met), ``binds``, and every column before
    ``time_s`` as the row's label.
    """
    c = colours(dark)
    table = _needed(study.table, study.name, "time_s", "binds")
    times = table["time_s"].to_numpy(dtype=float)
    met = times[np.isfinite(times) & (times > 0)]
    low = min(0.5 * float(met.min()), 1.0) if met.size else 1.0
    high = max(4.0 * float(met.max()), 60.0) if met.size else 60.0
    labels = _row_labels(table)
    marks = marks_of(binds for binds, time in zip(table["binds"], times, strict=True) if np.isfinite(time))
    for y, (time, binds) in enumerate(zip(times, table["binds"], strict=True)):
        if not np.isfinite(time):
            ax.plot([low, high], [y, y], color=c["quiet"], linewidth=1.2, linestyle=(0, (2, 2)))
            ax.text(high * 0.93, y, "no limit met", va="center", ha="right", color=c["quiet"],
                    bbox={"facecolor": c["paper"], "edgecolor": "none", "pad": 2.0})  # fmt: skip
            continue
        mark, end = marks[str(binds)], max(float(time), low)
        ax.barh(
            y,
            end - low,
            left=low,
            height=0.62,
            facecolor=c["paper"],
            edgecolor=c[mark.colour],
            hatch=mark.hatch,
        )
        ax.plot([end], [y], marker=mark.marker, color=c[mark.colour], markersize=8, linestyle="none")
        ax.annotate(
            time_text(float(time)), (end, y), (9, 0), textcoords="offset points", va="center", ha="left"
        )
    log_time(ax, low, high)
    ax.set_yticks(range(len(labels)), labels)
    ax.set_ylim(len(labels) - 0.4, -0.6)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("time (logarithmic)")
    ax.set_title(_headed("Time to the first limit", study))
    if marks:
        _legend(ax, _mark_handles(marks, c), "first limit met", c)
    return ax


def describe_time_to_limit(study: Study) -> str:
    """Say in words what the bars show."""
    texts = [
        f"{label}: {time_text(float(time))} ({cell_text(binds)})"
        if np.isfinite(time)
        else f"{label}: no limit met"
        for label, time, binds in zip(
            _row_labels(study.table),
            study.table["time_s"].to_numpy(dtype=float),
            study.table["binds"],
            strict=True,
        )
    ]
    return f"Time to the first limit: {'; '.join(texts)}."


# -- inside ------------------------------------------------------------------------------------------------


def _needed(table: Any, where: str, *columns: str) -> Any:
    missing = [name for name in columns if name not in table.columns]
    if missing:
        raise LookupError(
            f"{where}: no column {', '.join(missing)}; found {', '.join(map(str, table.columns))}"
        )
    return table


def _headed(what: str, study: Study) -> str:
    """Title that still says which machine it is about when the figure is pasted elsewhere."""
    origin = study.provenance
    bits = [str(origin[key]) for key in ("design", "mode") if origin.get(key)]
    if isinstance(origin.get("ambient"), (int, float)):
        bits.append(f"{origin['ambient']:g} °C")
    return f"{what}: {', '.join(bits)}" if bits else what


def _segments(ax: Axes, table: Any, marks: dict[str, Mark], c: dict[str, str]) -> None:
    """Draw the curve; a piece between two points held by the same limit takes that limit's colour."""
    x, y, binds = table["duration_s"].to_numpy(), table["power_W"].to_numpy(), list(map(str, table["binds"]))
    for i in range(len(x) - 1):
        colour = c[marks[binds[i]].colour] if binds[i] == binds[i + 1] else c["ink"]
        ax.plot(x[i : i + 2], y[i : i + 2], color=colour, linewidth=2.2, zorder=3)


def _markers(ax: Axes, table: Any, marks: dict[str, Mark], c: dict[str, str], *, size: float) -> None:
    for binds, rows in table.groupby("binds", sort=False):
        mark = marks[str(binds)]
        ax.plot(rows["duration_s"], rows["power_W"], marker=mark.marker, linestyle="none",
                color=c[mark.colour], markersize=size, markeredgecolor=c["paper"], markeredgewidth=0.8,
                zorder=4)  # fmt: skip


def _mark_handles(marks: dict[str, Mark], c: dict[str, str]) -> list[Line2D]:
    return [
        Line2D(
            [],
            [],
            marker=mark.marker,
            linestyle="none",
            color=c[mark.colour],
            markersize=8,
            label=cell_text(name),
        )
        for name, mark in marks.items()
    ]


def _legend(ax: Axes, handles: list[Line2D], title: str, c: dict[str, str], below: Any = None) -> Any:
    """Put a legend to the right of the axes, under another one where given."""
    top = 1.0 if below is None else 1.0 - (len(below.get_texts()) + 1.9) * 0.062
    legend = ax.legend(
        handles=handles, title=title, alignment="left", loc="upper left", bbox_to_anchor=(1.01, top),
        handlelength=2.4, borderaxespad=0.0,
    )  # fmt: skip
    legend.get_title().set_color(c["quiet"])
    if below is not None:
        ax.add_artist(below)
        below.set_clip_on(False)  # clipped artists are left out of the layout
    return legend


def _row_labels(table: Any) -> list[str]:
    """Label each row by what stands before its time: power first, then the start state, then the rest."""
    columns = sorted(
        list(table.columns)[: list(table.columns).index("time_s")],
        key=lambda name: (not name.endswith("_W"), name != "start"),
    )
    labels = []
    for row in table[columns].itertuples(index=False, name=None):
        bits = []
        for name, value in zip(columns, row, strict=True):
            if name == "start":
                bits.append(start_text(value))
            else:
                bits.append(f"{number_text(float(value))} W" if name.endswith("_W") else cell_text(value))
        labels.append(" ".join(bits) or "time")
    return labels
