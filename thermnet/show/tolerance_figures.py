"""Figures of the tolerance study: what moves the critical output, its histogram, yield against units."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from thermnet.show.style import colours
from thermnet.studies.study import Study
from thermnet.studies.words import number_text

SIDES = {"lower_limit": "lower limit", "upper_limit": "upper limit"}
"""Columns of limits and what they are called."""

ROW = 0.07
"""Share of the axes' height for a name above the bars."""

LIMIT_LINE: dict[str, Any] = {"color": "orange", "linewidth": 2.0, "linestyle": (0, (6, 2))}
NOMINAL_LINE: dict[str, Any] = {"color": "ink", "linewidth": 1.2}


def _critical(study: Study) -> str:
    return str(study.facts["output nearest its limit"])


def _named(output: str) -> str:
    name, _, unit = output.rpartition("_")
    words = name.replace(".", " ").replace("peak ", "highest ")
    return f"{words}, {'°C' if unit == 'degC' else unit}"


def _lines_named(ax: Axes, lines: list[tuple[float, str, dict[str, Any]]], c: dict[str, str]) -> None:
    """Draw upright lines through a histogram, each with its name in a row of its own above the bars."""
    low, high = ax.get_ylim()
    ax.set_ylim(low, low + (high - low) / (1.0 - ROW * len(lines)))
    for value, _, style in lines:
        ax.axvline(value, **{**style, "color": c[style["color"]]})
    ax.margins(x=0.05)
    for row, (value, name, style) in enumerate(lines):
        left, right = ax.get_xlim()
        towards = "right" if value > 0.5 * (left + right) else "left"
        ax.annotate(name, (value, 1.0 - ROW * (row + 0.5)), (-5 if towards == "right" else 5, 0), va="center", ha=towards,
                    xycoords=ax.get_xaxis_transform(), textcoords="offset points", color=c[style["color"]],
                    bbox={"facecolor": c["paper"], "edgecolor": "none", "pad": 1.0})  # fmt: skip


def tornado(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Change of the critical output as each parameter goes to its low and to its high three-sigma end."""
    c = colours(dark)
    rows = study.tables["what moves it"].head(10)
    ends = rows[["at_low", "at_high", "share_percent"]].to_numpy(dtype=float)
    for y, (at_low, at_high, share) in enumerate(ends):
        ax.barh(y, at_low, height=0.62, facecolor=c["paper"], edgecolor=c["blue"], hatch="///")
        ax.barh(y, at_high, height=0.62, facecolor=c["orange"], edgecolor=c["orange"])
        ax.annotate(
            f"{share:.0f} %", (max(at_low, at_high, 0.0), y), (6, 0), textcoords="offset points", va="center"
        )
    ax.axvline(0.0, color=c["ink"], linewidth=1.0)
    ax.set_yticks(range(len(rows)), rows["parameter"])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.grid(axis="y", visible=False)
    ax.margins(x=0.12)
    ax.set_xlabel(f"change of {_named(_critical(study))}")
    ax.set_title("Each parameter from end to end; share of the variance")
    handles = [
        ax.barh([-9], [0], facecolor=c["paper"], edgecolor=c["blue"], hatch="///", label="at its low end"),
        ax.barh([-9], [0], facecolor=c["orange"], edgecolor=c["orange"], label="at its high end"),
    ]
    ax.legend(handles=handles, loc="lower right")
    return ax


def describe_tornado(study: Study) -> str:
    """Say in words what moves the critical output."""
    rows = study.tables["what moves it"].head(5)
    parts = [f"{r.parameter} {r.share_percent:.0f} %" for r in rows.itertuples(index=False)]
    return f"Bars of the change of {_named(_critical(study))}; shares of its variance: {', '.join(parts)}."


def histogram(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Histogram of the critical output over all units, with its limit and capability."""
    c = colours(dark)
    rows = study.tables["histogram"]
    out = _critical(study)
    ax.stairs(
        rows["units"],
        [*rows["from"], rows["to"].iloc[-1]],
        fill=True,
        facecolor=c["sky"],
        edgecolor=c["blue"],
    )
    answer = study.table[study.table["output"] == out].iloc[0]
    lines = [(float(answer[side]), f"{word} {number_text(float(answer[side]))}", LIMIT_LINE)
             for side, word in SIDES.items() if np.isfinite(answer[side])]  # fmt: skip
    lines.append((float(answer["nominal"]), "nominal", NOMINAL_LINE))
    _lines_named(ax, lines, c)
    ax.set_ylabel("units")
    ax.set_xlabel(_named(out))
    ax.set_title(
        f"Ppk {answer['ppk']:.2f} ({answer['ppk_low']:.2f} to {answer['ppk_high']:.2f}), yield {answer['yield_percent']:.2f} %"
    )
    return ax


def describe_histogram(study: Study) -> str:
    """Say in words how the critical output is spread."""
    answer = study.table[study.table["output"] == _critical(study)].iloc[0]
    return (
        f"Histogram of {_named(_critical(study))}: 5 to 95 % of the units from {number_text(float(answer['p05']))} to "
        f"{number_text(float(answer['p95']))}, Ppk {answer['ppk']:.2f}, yield {answer['yield_percent']:.2f} %."
    )


def capability(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Histogram of measured values with the limits."""
    c = colours(dark)
    rows = study.tables["histogram"]
    ax.stairs(rows["values"], [*rows["from"], rows["to"].iloc[-1]], fill=True, facecolor=c["sky"], edgecolor=c["blue"])
    limits = {word: study.provenance.get(key) for key, word in SIDES.items()}
    _lines_named(ax, [(float(value), f"{word} {number_text(value)}", LIMIT_LINE)
                      for word, value in limits.items() if isinstance(value, int | float)], c)  # fmt: skip
    last = study.table.iloc[-1]
    ax.set_xlabel(str(study.provenance.get("column", "values")))
    ax.set_ylabel("parts")
    ax.set_title(f"Ppk {last['estimate']:.2f} ({last['low']:.2f} to {last['high']:.2f})")
    return ax


def describe_capability(study: Study) -> str:
    """Say in words how the values lie to the limits."""
    rows = [f"{r['index']} {r['estimate']:.2f} ({r['by']})" for r in study.table.to_dict("records")]
    return f"Histogram of {study.facts['values']} measured values with their limits. {', '.join(rows)}."


def running_yield(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Yield over all limits against the number of units simulated, with its exact 95 % interval."""
    c = colours(dark)
    rows = study.tables["yield"]
    ax.fill_between(
        rows["units"], rows["low_percent"], rows["high_percent"], color=c["faint"], label="95 % interval"
    )
    ax.plot(rows["units"], rows["yield_percent"], color=c["blue"], linewidth=2.0, label="yield")
    ax.set_xscale("log")
    ax.set_xlabel("units simulated (logarithmic)")
    ax.set_ylabel("yield, %")
    ax.set_ylim(max(0.0, float(rows["low_percent"].iloc[len(rows) // 3]) - 2.0), 100.5)
    ax.set_title("Yield over all limits as units are added")
    ax.legend(loc="lower right")
    return ax


def describe_running_yield(study: Study) -> str:
    """Say in words how sure the yield is."""
    last: Any = study.tables["yield"].iloc[-1]
    return (
        f"Yield {last['yield_percent']:.2f} % after {int(last['units'])} units, 95 % interval {last['low_percent']:.2f} to "
        f"{last['high_percent']:.2f} %."
    )
