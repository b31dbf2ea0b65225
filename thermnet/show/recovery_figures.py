"""Figures of recovery: how much of a burst is back after a rest, and how often bursts can be repeated."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from thermnet.show.axis import log_time, time_text
from thermnet.show.burst_figures import _headed, _needed
from thermnet.show.style import colours, name_ends
from thermnet.studies.study import Study
from thermnet.studies.words import number_text

WORDS_REACH = 0.1
"""Share of the axes' height that the words above a point reach up."""


def recovered(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Length of a second burst against the rest before it, beside what the mode's governor lets through."""
    c = colours(dark)
    table = _needed(study.table, study.name, "rest_s", "first_s", "second_s", "governor_s")
    first = float(table["first_s"].iloc[0])
    ax.axhline(first, color=c["quiet"], linewidth=1.1, linestyle=(0, (5, 3)))
    ax.plot(table["rest_s"], table["second_s"], color=c["orange"], marker="D", linewidth=2.3)
    ends = [(first, "first burst", c["quiet"])]
    known = table[np.isfinite(table["second_s"])]
    if len(known):
        ends.append((float(known["second_s"].iloc[-1]), "second burst", c["orange"]))
    allowed = table[np.isfinite(table["governor_s"])]
    if len(allowed):
        ax.plot(
            allowed["rest_s"], allowed["governor_s"], color=c["blue"], linestyle=(0, (6, 1.5)), marker="o"
        )
        ends.append((float(allowed["governor_s"].iloc[-1]), "governor", c["blue"]))
    top = 1.18 * max(first, *(value for value, *_ in ends))
    for rest, second, share in known[["rest_s", "second_s", "recovered_percent"]].itertuples(
        index=False, name=None
    ):
        # Below the point where the words above it would stand on the line of the first burst.
        offset = -18 if second + 0.02 * top < first < second + WORDS_REACH * top else 9
        ax.annotate(
            f"{share:.0f} %", (rest, second), (0, offset), textcoords="offset points", ha="center", fontsize=9.5
        )
    log_time(ax, float(table["rest_s"].min()) / 1.15, float(table["rest_s"].max()) * 1.15)
    ax.set_ylim(0.0, top)
    ax.set_xlabel("rest between the bursts (logarithmic)")
    ax.set_title(_headed(f"Length (s) of a {_power(study)} burst", study))
    name_ends(ax, ends)
    return ax


def describe_recovered(study: Study) -> str:
    """Say in words how a second burst recovers."""
    points = "; ".join(
        f"after {time_text(float(rest))} {number_text(float(second), 3)} s ({share:.0f} %)"
        for rest, second, share in study.table[["rest_s", "second_s", "recovered_percent"]].itertuples(
            index=False, name=None
        )
    )
    first = number_text(float(study.table["first_s"].iloc[0]), 3)
    return f"Length of a second {_power(study)} burst against the rest before it; the first lasts {first} s. {points}."


def duty(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Share of the time that bursts of each length can take for ever, with the cycle written at each bar."""
    c = colours(dark)
    table = _needed(study.tables["repetition"], "repetition", "duration_s", "rest_s", "duty_percent")
    for y, (duration, rest, share) in enumerate(
        table[["duration_s", "rest_s", "duty_percent"]].itertuples(index=False, name=None)
    ):
        if not np.isfinite(share):
            ax.text(2.0, y, "a limit is met in the first one", va="center", color=c["quiet"])
            continue
        ax.barh(y, share, height=0.6, facecolor=c["paper"], edgecolor=c["orange"], hatch="xxx")
        ax.annotate(f"{share:.0f} %, every {time_text(float(duration + rest))}", (share, y), (7, 0),
                    textcoords="offset points", va="center")  # fmt: skip
    ax.set_yticks(range(len(table)), [f"{time_text(float(d))} bursts" for d in table["duration_s"]])
    ax.set_ylim(len(table) - 0.4, -0.6)
    ax.set_xlim(0.0, 130.0)
    ax.set_xticks(range(0, 101, 20))
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("share of the time, per cent")
    ax.set_title(_headed(f"{_power(study)} bursts repeated for ever", study))
    return ax


def describe_duty(study: Study) -> str:
    """Say in words how often bursts can be repeated."""
    said = [
        f"{time_text(float(d))} bursts "
        + (
            f"{share:.0f} % of the time, {time_text(float(rest))} of rest"
            if np.isfinite(share)
            else "not at all"
        )
        for d, rest, share in study.tables["repetition"][["duration_s", "rest_s", "duty_percent"]].itertuples(
            index=False, name=None
        )
    ]
    return f"Bursts repeated for ever: {'; '.join(said)}."


def _power(study: Study) -> str:
    power: Any = study.provenance.get("power_W")
    return f"{power:g} W" if isinstance(power, int | float) else "power"
