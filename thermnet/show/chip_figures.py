"""Figure of two chips under one cooling stack: what one may draw against what the other draws."""

from __future__ import annotations

from typing import Any

from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from thermnet.show.burst_figures import _headed, _legend, _mark_handles
from thermnet.show.style import LINES, colours, marks_of
from thermnet.studies.chip_frontier import EVER
from thermnet.studies.study import Study
from thermnet.studies.words import number_text


def frontier(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Power of the second chip against that of the first, for ever and for bursts; markers tell what holds it."""
    c = colours(dark)
    first, second = _chips(study)
    table = study.table
    marks = marks_of(table["binds"])
    handles = []
    for k, held in enumerate(dict.fromkeys(table["held"])):
        rows = table[table["held"] == held]
        colour, dashes = LINES[k % len(LINES)] if k else ("ink", "-")
        ax.plot(
            rows[f"{first}_W"],
            rows[f"{second}_W"],
            color=c[colour],
            linestyle=dashes,
            linewidth=2.2 - 0.5 * (k > 0),
        )
        handles.append(Line2D([], [], color=c[colour], linestyle=dashes, label=str(held)))
        for binds, own in rows.groupby("binds", sort=False):
            mark = marks[str(binds)]
            ax.plot(own[f"{first}_W"], own[f"{second}_W"], marker=mark.marker, color=c[mark.colour], markersize=6.5,
                    markeredgecolor=c["paper"], linestyle="none", zorder=4)  # fmt: skip
    for_ever = table[table["held"] == EVER]
    best = for_ever.sort_values("total_W").iloc[-1]
    x, y = float(best[f"{first}_W"]), float(best[f"{second}_W"])
    ax.plot(
        [x],
        [y],
        "o",
        markersize=14,
        markerfacecolor="none",
        markeredgecolor=c["ink"],
        linestyle="none",
        zorder=5,
    )
    ax.annotate(f"most in all: {number_text(float(best['total_W']), 3)} W", (x, y), (-12, -18),
                textcoords="offset points", ha="right", va="top")  # fmt: skip
    ax.set_xlim(0.0, 1.08 * float(table[f"{first}_W"].max()))
    ax.set_ylim(0.0, 1.12 * float(table[f"{second}_W"].max()))
    ax.set_xlabel(f"{first} power, W")
    ax.set_title(_headed(f"Power (W) of {second} against {first}", study))
    _legend(ax, _mark_handles(marks, c), "held by", c, below=_legend(ax, handles, "held", c))
    return ax


def describe_frontier(study: Study) -> str:
    """Say in words what the frontier shows."""
    first, second = _chips(study)
    points = "; ".join(
        f"{first} {number_text(float(a), 3)} W with {second} {number_text(float(b), 3)} W ({binds})"
        for a, b, binds in study.table[study.table["held"] == EVER][
            [f"{first}_W", f"{second}_W", "binds"]
        ].itertuples(index=False, name=None)
    )
    return f"Highest powers of two chips together, for ever: {points}."


def _chips(study: Study) -> tuple[str, str]:
    chips: Any = study.provenance["chips"]
    return str(chips[0]), str(chips[1])
