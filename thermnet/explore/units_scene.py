"""How the units explorer looks: the histogram against its limit, where the spread comes from, and how sure the Cpk is."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from thermnet.explore.controls import calm_top
from thermnet.explore.scene import Legend, Scene, boxes
from thermnet.explore.session import Frozen
from thermnet.explore.units_explorer import UnitsExplorer
from thermnet.explore.units_picture import UnitsPicture, histogram
from thermnet.tolerance.capability import CAPABLE

CURVE = 121
"""Points of the normal curve."""

WIDEST = 12.0
"""Sigmas from the mean within which a limit is drawn at its place; further off it is told at the edge."""

MARKS = (CAPABLE, 5.0 / 3.0)
"""Indices marked on the strip: those commonly asked for (common practice, no source)."""


class UnitsScene(Scene):
    """Histogram at the left; at the right the shares of the tolerances and the interval of the index."""

    explorer: UnitsExplorer

    def build(self, figure: Figure) -> None:
        """Make axes and artists, once."""
        c = self.c
        self.histogram = figure.add_axes((0.055, 0.215, 0.455, 0.70), title="Share of the units, %")
        self.shares = figure.add_axes((0.735, 0.375, 0.155, 0.54))
        self.index = figure.add_axes((0.655, 0.085, 0.315, 0.135))
        self.past_limit = self.before(self.histogram)
        self.good = self.bars(self.histogram, "blue", "")
        self.bad = self.bars(self.histogram, "orange", "///")
        self.past = self.line(self.histogram, "grey", "-", 1.6)  # over the bars, which would hide half of it
        self.curve = self.line(self.histogram, "ink", "-", 1.6)
        self.limit = self.line(self.histogram, "orange", (0, (6, 2)), 2.0)
        self.drawn = self.line(self.histogram, "ink", (0, (1, 1.2)), 1.6)
        across = self.histogram.get_xaxis_transform()
        style: dict[str, Any] = {"transform": across, "fontsize": 9, "va": "top"}
        self.limit_words = self.words(self.histogram, 0.0, 0.985, color=c["orange"], fontweight="bold", **style)
        self.drawn_words = self.words(self.histogram, 0.0, 0.94, **style)
        place: dict[str, Any] = {"transform": figure.transFigure, "fontsize": 9.5}
        self.what = self.words(self.histogram, 0.055, 0.985, va="top", color=c["quiet"], **place)
        bold: dict[str, Any] = {**place, "fontweight": "bold", "fontsize": 10}
        self.words(self.shares, 0.535, 0.932, **bold).set_text("Where the spread comes from, % of the variance")
        self.words(self.index, 0.535, 0.265, **bold).set_text("Cpk and its 95 % interval")
        self.histogram.xaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
        self.axis_words = self.words(self.histogram, 0.2825, 0.145, va="center", ha="center", **place)
        rows = len(self.explorer.strongest) + 1
        self.shares.set(xlim=(0.0, 100.0), ylim=(rows - 0.4, -0.6))
        self.shares.set_yticks([])
        self.shares.grid(axis="y", visible=False)
        self.shares.xaxis.set_major_locator(MaxNLocator(4))
        self.share_past = self.line(self.shares, "grey", "none", marker="|", markersize=13, markeredgewidth=2.0)
        self.share_bars = self.bars(self.shares, "blue", "")
        self.share_stale = self.bars(self.shares, "grey", "")
        self._last: Any = None
        beside: dict[str, Any] = {"transform": self.shares.get_yaxis_transform(), "va": "center", "fontsize": 9}
        self.share_names = [self.words(self.shares, -0.03, k, ha="right", **beside) for k in range(rows)]
        self.share_widths = [self.words(self.shares, 1.03, k, color=c["quiet"], **beside) for k in range(rows)]
        self.share_words = [self.words(self.shares, 0.0, k, va="center", fontsize=9) for k in range(rows)]
        self.rest = self.words(self.shares, 0.535, 0.325, va="top", color=c["quiet"], **{**place, "fontsize": 9})
        self.index.set(ylim=(-0.5, 2.5))
        self.index.set_yticks([])
        self.index.grid(axis="y", visible=False)
        self.marks = [self.line(self.index, "quiet", (0, (2, 2)), 1.0) for _ in MARKS]
        above: dict[str, Any] = {"transform": self.index.get_xaxis_transform(), "fontsize": 9, "ha": "center", "va": "bottom"}
        self.mark_words = [self.words(self.index, at, 1.0, color=c["quiet"], **above) for at in MARKS]
        self.index_past = self.line(self.index, "grey", "-", 3.0, marker="|", markersize=9)
        self.index_measured = self.line(self.index, "quiet", "-", 2.0, marker="|", markersize=9, markeredgewidth=2.0)
        self.index_line = self.line(self.index, "blue", "-", 3.0, marker="|", markersize=11, markeredgewidth=2.4)
        self.index_point = self.line(self.index, "blue", "none", marker="o", markersize=8, markeredgecolor=c["paper"])
        left: dict[str, Any] = {"transform": self.index.get_yaxis_transform(), "ha": "right", "va": "center", "fontsize": 9}
        self.index_number = self.words(self.index, 0.0, 2.0, va="center", fontweight="bold", fontsize=9)
        self.index_words = [self.words(self.index, -0.02, y, **left) for y in (2.0, 1.0, 0.0)]
        below = figure.add_axes((0.055, 0.012, 0.47, 0.105))
        self.legend = Legend(self, below, rows=2, columns=3)

    def show(self, picture: UnitsPicture, baseline: Frozen | None) -> None:
        """Move the artists to a picture."""
        before: UnitsPicture | None = None if baseline is None else baseline.picture
        if before is not None and before.unit != picture.unit:
            before = None
        self._histogram(picture, before)
        self._shares(picture, before)
        self._index(picture, before)

    def _histogram(self, picture: UnitsPicture, before: UnitsPicture | None) -> None:
        c, need = self.c, picture.need
        limit = float(need.upper if need.upper is not None else need.lower or 0.0)
        pictures = [picture] if before is None else [picture, before]
        low, high = span(pictures)
        self.histogram.set_xlim(low, high)
        part = 100.0 / picture.values.size
        heights = picture.counts * part
        tops = [float(histogram(p.values, picture.width)[1].max()) * 100.0 / p.values.size for p in pictures]
        self.limits(self.histogram, 0.0, calm_top(1.1 * max(tops), 10.0 if max(tops) < 40 else 20.0))
        middles = 0.5 * (picture.edges[:-1] + picture.edges[1:])
        out = middles > limit if need.upper is not None else middles < limit
        for bars, which in ((self.good, ~out), (self.bad, out)):
            bars.show([corners for k in np.flatnonzero(which & (heights > 0)) for corners in bar(picture.edges, heights, int(k))])
        fits = low <= limit <= high
        self.put(self.limit, [limit, limit] if fits else None, self.histogram.get_ylim())
        self.put(self.drawn, [picture.nominal] * 2, self.histogram.get_ylim())
        upper, room = need.upper is not None, 0.012 * (high - low)
        # The limit is named outside it, the machine as drawn inside; near the frame on the side where there is room.
        at = limit if fits else high if limit > high else low
        outside = at + room if upper else at - room
        crowded = outside > high - 0.17 * (high - low) if upper else outside < low + 0.17 * (high - low)
        told = f"limit {limit:g}" + ("" if fits else " >" if limit > high else " <")
        self.limit_words.set(text=told, x=at - room * (1 if upper else -1) if crowded else outside, ha="right" if upper == crowded else "left")
        left = upper if abs(picture.nominal - low) > 0.25 * (high - low) else False
        left = left or abs(picture.nominal - high) < 0.25 * (high - low)
        self.drawn_words.set(text=f"as drawn {picture.nominal:.4g}", x=picture.nominal - room * (1 if left else -1), ha="right" if left else "left")
        x = np.linspace(low, high, CURVE)
        width = picture.width
        sigma = picture.sigma
        known = sigma > 1e-9
        density = np.exp(-0.5 * ((x - picture.mean) / sigma) ** 2) / (sigma * np.sqrt(2.0 * np.pi)) if known else x
        self.put(self.curve, x if known else None, 100.0 * width * density)
        self.curve.set_linestyle("-" if picture.normal else (0, (3, 2)))
        self.curve.set_color(c["ink" if picture.normal else "quiet"])
        old = before
        if old is not None:
            # In the bins of the present picture: heights in others could not be compared.
            edges, counts = histogram(old.values, width)
            steps = np.repeat(np.r_[0.0, counts * 100.0 / old.values.size, 0.0], 2)[1:-1]
            self.past.set_data(np.repeat(edges, 2), steps)
            level = float(old.need.upper if old.need.upper is not None else old.need.lower or 0.0)
            self.put(self.past_limit, [level, level], self.histogram.get_ylim())
        self.past.set_visible(old is not None)
        self.past_limit.set_visible(old is not None)
        what = f"{picture.what[:1].upper()}{picture.what[1:]}, {picture.values.size} units"
        self.what.set_text(what if picture.whole else f"{what}, more are on their way")
        self.axis_words.set_text(f"{picture.what.partition(' at rest')[0].partition(' highest in')[0]}, {picture.unit}")
        entries: list[tuple[str, dict[str, Any]]] = [
            ("within the limit", {"color": c["blue"], "linestyle": "-", "linewidth": 5}),
            ("outside it", {"color": c["orange"], "linestyle": "-", "linewidth": 5}),
            ("fitted normal" if picture.normal else "not normal",
             {"color": self.curve.get_color(), "linestyle": self.curve.get_linestyle()}),
            ("machine as drawn", {"color": c["ink"], "linestyle": (0, (1, 1.2))}),
        ]  # fmt: skip
        if old is not None:
            entries.append(("frozen baseline", {"color": c["grey"], "linestyle": "-"}))
        self.legend.show(entries)

    def _shares(self, picture: UnitsPicture, before: UnitsPicture | None) -> None:
        # A few units would say little: what was shown before stays, in grey, while more are on their way.
        self._last = shares = self._last if picture.shares is None else np.clip(100.0 * picture.shares, 0.0, 100.0)
        spans = [] if shares is None else [(0.0, float(share)) for share in shares]
        corners = [b for k, one in enumerate(spans) if one[1] > 0 for b in boxes([one], k - 0.3, k + 0.3)]
        self.share_bars.show(corners if picture.shares is not None else [])
        self.share_stale.show(corners if picture.shares is None else [])
        for k, (name, width) in enumerate(zip(picture.names, picture.widths, strict=True)):
            strong = shares is not None and shares[k] >= 10.0
            self.share_names[k].set(text=name, color=self.c["ink" if strong or shares is None else "quiet"])
            self.share_widths[k].set_text(width)
            self.share_words[k].set(
                text="" if shares is None else f"{shares[k]:.0f}", x=0.0 if shares is None else shares[k] + 2.5,
                color=self.c["quiet" if picture.shares is None else "ink"],
            )  # fmt: skip
        old = None if before is None or before.shares is None else np.clip(100.0 * before.shares, 0.0, 100.0)
        self.put(self.share_past, old, None if old is None else np.arange(old.size))
        name, share = picture.largest_other
        told = "" if picture.shares is None else f"strongest other: {name.lower()} {100 * max(share, 0.0):.0f} %"
        left = 0.0 if picture.shares is None else 1.0 - float(picture.shares.sum())
        if left > 0.05:
            told += f"; {100 * left:.0f} % not linear"
        self.rest.set_text(told)

    def _index(self, picture: UnitsPicture, before: UnitsPicture | None) -> None:
        answers = picture.answers
        index, low, high = (float(answers[k]) for k in ("ppk", "ppk_low", "ppk_high"))
        known = bool(np.isfinite(index))
        parts, least, most = picture.measured
        ends = [0.0, 2.2, *((low, high, least, most) if known else ())]
        if before is not None and np.isfinite(before.answers["ppk"]):
            ends += [float(before.answers["ppk_low"]), float(before.answers["ppk_high"])]
        self.index.set_xlim(-calm_top(-min(ends), 1.0) if min(ends) < 0 else 0.0, calm_top(max(ends), 1.0 if max(ends) < 4 else 2.0))
        for line, words, at in zip(self.marks, self.mark_words, MARKS, strict=True):
            line.set_data([at, at], [-0.5, 2.5])
            # Names of marks that lie close together would run into each other: the first one says where they are.
            words.set_text(f"{at:.2f}" if at == MARKS[0] or self.index.get_xlim()[1] - self.index.get_xlim()[0] < 3.2 else "")
        self.put(self.index_line, [low, high] if known else None, [2.0, 2.0])
        self.put(self.index_point, [index] if known else None, [2.0])
        last = self.index.get_xlim()
        beyond = high > last[0] + 0.88 * (last[1] - last[0])
        room = 0.015 * (last[1] - last[0])
        self.index_number.set(text=f"{index:.2f}" if known else "", x=low - room if beyond else high + room, ha="right" if beyond else "left")
        self.put(self.index_measured, [least, most] if known else None, [1.0, 1.0])
        past = None if before is None or not np.isfinite(before.answers["ppk"]) else before.answers
        self.put(self.index_past, None if past is None else [past["ppk_low"], past["ppk_high"]], [0.0, 0.0])
        words = (f"{picture.values.size} units", f"{parts} parts measured", "baseline" if past is not None else "")
        for text, word in zip(self.index_words, words, strict=True):
            text.set_text(word)


def span(pictures: list[UnitsPicture]) -> tuple[float, float]:
    """Ends of the axis in calm steps: all units, the machine as drawn, and the limit where it is not far off."""
    lows, highs = [], []
    for picture in pictures:
        limit = picture.need.upper if picture.need.upper is not None else picture.need.lower
        near = limit is not None and abs(limit - picture.mean) <= WIDEST * picture.sigma
        points = [picture.nominal, float(picture.edges[0]), float(picture.edges[-1]), *([float(limit)] if limit is not None and near else [])]
        room = 0.35 * picture.sigma
        lows.append(min(points) - room)
        highs.append(max(points) + room)
    wide = max(max(highs) - min(lows), 1e-3)
    size = 10.0 ** np.floor(np.log10(wide))
    step = size * (0.5 if wide < 2 * size else 1.0 if wide < 4 * size else 2.0)
    return float(step * np.floor(min(lows) / step)), float(step * np.ceil(max(highs) / step))


def bar(edges: Any, heights: Any, k: int) -> list[Any]:
    """Corners of bar ``k`` of a histogram."""
    return boxes([(float(edges[k]), float(edges[k + 1] - edges[k]))], 0.0, float(heights[k]))
