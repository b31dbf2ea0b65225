"""Figures of what is not known: whether designs differ by more than that, and where the variance comes from."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from thermnet.show.style import colours
from thermnet.show.tolerance_figures import _critical, _named
from thermnet.studies.study import Study


def told_apart(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Difference of each design from the first with its 5 to 95 % band; filled where the band keeps off zero."""
    c = colours(dark)
    rows = study.tables["told apart"].to_dict("records")
    several = len({row["design"] for row in rows}) > 1
    for y, row in enumerate(rows):
        sure = row["told_apart"] == "yes"
        colour = c["blue"] if sure else c["orange"]
        ax.plot([row["difference_p05_W"], row["difference_p95_W"]], [y, y], color=colour, linewidth=2.0,
                linestyle="-" if sure else (0, (3, 1.5)), marker="|", markersize=11)  # fmt: skip
        ax.plot(row["difference_W"], y, linestyle="none", marker="o" if sure else "s", color=colour, markersize=8,
                markerfacecolor=colour if sure else c["paper"])  # fmt: skip
        ax.annotate(f"{row['difference_W']:+.2g} W", (row["difference_W"], y), (0, 9), textcoords="offset points", ha="center",
                    fontsize=9)  # fmt: skip
    ax.axvline(0.0, color=c["ink"], linewidth=1.2)
    ax.set_yticks(range(len(rows)), [f"{r['design']}: {r['quantity']}" if several else r["quantity"] for r in rows])
    ax.set_ylim(len(rows) - 0.4, -0.8)
    ax.margins(x=0.12)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel(f"W more than {study.table['design'].iloc[0]}; bars: 5 to 95 % of the units")
    ax.set_title("Is the difference larger than what is not known?")
    sure_mark = Line2D([], [], color=c["blue"], marker="o", markersize=8, label="larger")
    open_mark = Line2D([], [], color=c["orange"], marker="s", markersize=8, markerfacecolor=c["paper"], linestyle=(0, (3, 1.5)),
                       label="not larger")  # fmt: skip
    kinds = {row["told_apart"] for row in rows}
    ax.legend(handles=[*([sure_mark] if "yes" in kinds else []), *([open_mark] if "no" in kinds else [])], loc="best")
    return ax


def describe_told_apart(study: Study) -> str:
    """Say in words which differences are larger than what is not known."""
    said = [
        f"{row['design']} {row['quantity']} {row['difference_W']:+.2g} W ({row['difference_p05_W']:+.2g} to "
        f"{row['difference_p95_W']:+.2g} W): {'larger' if row['told_apart'] == 'yes' else 'not larger'}"
        for row in study.tables["told apart"].to_dict("records")
    ]
    return f"Differences from {study.table['design'].iloc[0]}, and whether they are larger than what is not known. {'; '.join(said)}."


def apart_size(study: Study) -> tuple[float, float]:
    """Size of the figure in inches."""
    rows = study.tables.get("told apart")
    return 7.6, 1.8 + 0.5 * max(0 if rows is None else len(rows), 2)


def indices(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """First-order and total Sobol indices of the strongest parameters, two bars each."""
    c = colours(dark)
    rows = study.tables["indices"]
    high = np.maximum(rows[["first_order", "total"]].to_numpy(dtype=float), 0.0)
    for y, (first, total) in enumerate(high):
        ax.barh(y - 0.19, first, height=0.36, facecolor=c["sky"], edgecolor=c["blue"], label="first-order: alone" if y == 0 else None)
        ax.barh(y + 0.19, total, height=0.36, facecolor=c["paper"], edgecolor=c["orange"], hatch="///",
                label="total: with all it acts together with" if y == 0 else None)  # fmt: skip
        ax.annotate(f"{first:.2f}", (first, y - 0.19), (5, 0), textcoords="offset points", va="center", fontsize=9)
        ax.annotate(f"{total:.2f}", (total, y + 0.19), (5, 0), textcoords="offset points", va="center", fontsize=9)
    ax.set_yticks(range(len(rows)), rows["parameter"])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_xlim(0.0, 1.15 * max(float(high.max()), 0.1))
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("share of the variance (Sobol index)")
    ax.set_title(f"What the variance of {_named(_critical(study))} comes from")
    ax.legend(loc="lower right")
    return ax


def describe_indices(study: Study) -> str:
    """Say in words how large the indices are."""
    said = [f"{r['parameter']} {r['first_order']:.2f} alone, {r['total']:.2f} in all" for r in study.tables["indices"].to_dict("records")]
    return f"Sobol indices of {_named(_critical(study))}: {'; '.join(said)}."
