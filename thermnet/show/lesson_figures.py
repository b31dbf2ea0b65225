"""Figures of lessons: a quantity swept, with the learner's number beside it, and the guesses of a class."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

from thermnet.show.style import LINES, Drawing, colours, look, name_ends, new_figure, settle
from thermnet.studies.study import Study
from thermnet.studies.words import number_text

MARKERS = "oDsv^P"
FARTHEST = 0.4
"""How far outside the curves a guess is drawn, as a share of their height."""


def sweep_figure(
    x: Sequence[float], lines: Mapping[str, Sequence[float]], *, title: str, x_label: str, y_label: str,
    marked: tuple[float, float] | None = None, guess: float | None = None, log: bool = False, from_zero: bool = True,
    dark: bool = False,
) -> Drawing:  # fmt: skip
    """Draw some quantities against one that was swept.

    Parameters
    ----------
    x, lines : sequence, mapping of name to sequence
    title, x_label, y_label : str
        Labels with their units.
    marked : (x, y), optional
        The point that was asked for.
    guess : float, optional
        The learner's number, a dotted line.
    log : bool
        Whether x is logarithmic.
    from_zero : bool
        Whether y starts at zero.
    """
    with look(dark):
        c = colours(dark)
        figure = new_figure(7.4, 4.2)
        ax = figure.subplots()
        ends = []
        for (colour, dashes), marker, (name, values) in zip(LINES, MARKERS, lines.items(), strict=False):
            ax.plot(x, values, color=c[colour], linestyle=dashes, marker=marker, linewidth=2.0, markersize=6)
            ends.append((float(values[-1]), name, c[colour]))
        seen = np.array([v for values in lines.values() for v in values], dtype=float)
        low, high = min(float(np.nanmin(seen)), 0.0 if from_zero else np.inf), float(np.nanmax(seen))
        span = max(high - low, 1e-9 + 0.05 * abs(high))
        if guess is not None:
            # A guess far off must not squeeze the curves flat: it is drawn at the edge and says its value.
            shown = float(np.clip(guess, low - FARTHEST * span, high + FARTHEST * span))
            ax.axhline(shown, color=c["ink"], linewidth=1.4, linestyle=(0, (1.2, 1.8)))
            ends.append(
                (
                    shown,
                    "your number" if shown == guess else f"your number ({number_text(float(guess), 3)})",
                    c["ink"],
                )
            )
            low, high = min(low, shown), max(high, shown)
        if marked is not None:
            ax.plot(
                *marked,
                marker="o",
                markersize=15,
                markerfacecolor="none",
                markeredgecolor=c["ink"],
                markeredgewidth=1.4,
            )
        if log:
            ax.set_xscale("log")
            ax.xaxis.set_major_locator(FixedLocator(list(x)))
            ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: number_text(float(value))))
            ax.xaxis.set_minor_formatter(NullFormatter())
        space = 0.08 * span
        ax.set_ylim(low if from_zero and low >= 0.0 else low - space, high + space)
        ax.set_xlabel(x_label)
        ax.set_ylabel(y_label)
        ax.set_title(title)
        name_ends(ax, ends)
        settle(figure)
    figure.title = title
    told = "; ".join(
        f"{name}: "
        + ", ".join(
            f"{number_text(float(b), 3)} at {number_text(float(a), 3)}"
            for a, b in zip(x, values, strict=True)
        )
        for name, values in lines.items()
    )
    figure.alt = f"{y_label} against {x_label}. {told}." + (
        "" if guess is None else f" The learner's number is {number_text(float(guess), 3)}."
    )
    return figure


def guesses(ax: Axes, study: Study, *, dark: bool = False) -> Axes:
    """Every learner's number over the answer, a row per lesson; the middle line is right."""
    c = colours(dark)
    table = study.tables["commitments"]
    rows = study.table["lesson"].tolist()
    for y, lesson in enumerate(rows):
        part = table[table["lesson"] == lesson]
        ratio = np.clip(part["guess_over_answer"].to_numpy(dtype=float), 0.1, 10.0)
        ax.plot(ratio, np.full(ratio.size, y), linestyle="none", marker="o", markersize=8, markerfacecolor="none",
                markeredgecolor=c["blue"], markeredgewidth=1.5)  # fmt: skip
        if ratio.size:
            ax.plot(np.median(ratio), y, marker="D", markersize=8, color=c["orange"])
    ax.axvspan(0.75, 1.25, color=c["faint"], zorder=0)
    ax.axvline(1.0, color=c["ink"], linewidth=1.2)
    ax.set_xscale("log")
    ax.set_xlim(0.09, 11.0)
    ax.xaxis.set_major_locator(FixedLocator([0.1, 0.2, 0.5, 1, 2, 5, 10]))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g} x"))
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.set_yticks(range(len(rows)), study.table["title"].tolist())
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_xlabel("number committed over the answer (logarithmic; beyond ten times at the edge)")
    ax.set_title("What the class expected: circles, and their median (diamond)")
    return ax


def describe_guesses(study: Study) -> str:
    """Say in words where the class stood."""
    told = "; ".join(
        f"{title}: median {number_text(float(ratio), 3)} times the answer, {count} learners"
        for title, ratio, count in zip(
            study.table["title"], study.table["median_over_answer"], study.table["learners"], strict=True
        )
    )
    return f"Numbers committed over the answer, by lesson. {told}."
