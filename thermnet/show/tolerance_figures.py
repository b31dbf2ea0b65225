"""Figures of the tolerance study: what moves the critical output, its histogram, yield against units."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from thermnet.show.style import colours
from thermnet.studies.study import Study
from thermnet.studies.words import number_text


def _critical(study: Study) -> str:
    return str(study.facts["output nearest its limit"])


def _named(output: str) -> str:
    name, _, unit = output.rpartition("_")
    words = name.replace(".", " ").replace("peak ", "highest ")
    return f"{words}, {'°C' if unit == 'degC' else unit}"


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
    for side, word in (("lower_limit", "lower limit"), ("upper_limit", "upper limit")):
        value = float(answer[side])
        if np.isfinite(value):
            ax.axvline(value, color=c["orange"], linewidth=2.0, linestyle=(0, (6, 2)))
            ax.annotate(f"{word} {number_text(value)}", (value, 0.98), (-5, 0), xycoords=ax.get_xaxis_transform(),
                        textcoords="offset points", rotation=90, va="top", ha="right", color=c["orange"])  # fmt: skip
    ax.axvline(float(answer["nominal"]), color=c["ink"], linewidth=1.2)
    ax.annotate("nominal", (float(answer["nominal"]), 0.98), (4, 0), xycoords=ax.get_xaxis_transform(),
                textcoords="offset points", rotation=90, va="top", color=c["ink"])  # fmt: skip
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
    for key, word in (("lower_limit", "lower limit"), ("upper_limit", "upper limit")):
        value = study.provenance.get(key)
        if isinstance(value, int | float):
            ax.axvline(value, color=c["orange"], linewidth=2.0, linestyle=(0, (6, 2)))
            ax.annotate(f"{word} {number_text(value)}", (value, 0.98), (-5, 0), xycoords=ax.get_xaxis_transform(),
                        textcoords="offset points", rotation=90, va="top", ha="right", color=c["orange"])  # fmt: skip
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
