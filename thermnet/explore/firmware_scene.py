"""How the firmware explorer looks: strips over time at the left, the fan table with the way the run took at the right."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from thermnet.explore.controls import calm_top
from thermnet.explore.firmware_explorer import SHOWN_FLAGS, FirmwareExplorer, FirmwarePicture, held_share
from thermnet.explore.machine import chips_of
from thermnet.explore.scene import EndNames, Legend, Scene, boxes, shares_text
from thermnet.explore.session import Frozen, in_words
from thermnet.show.style import LINES, marks_of
from thermnet.show.thin import spans

STRETCHES = 420
"""Stretches of time that a strip can tell apart."""


class FirmwareScene(Scene):
    """Strips at the left; table, path and legend at the right."""

    explorer: FirmwareExplorer

    def build(self, figure: Figure) -> None:
        """Make axes and artists, once."""
        left, width = 0.045, 0.405
        places = ((0.835, 0.12), (0.67, 0.11), (0.51, 0.10), (0.355, 0.095), (0.075, 0.22))
        names = chips_of(self.explorer.design)
        held = f", {' above '.join(names)}" if len(names) > 1 else ""
        titles = ("Chip power, W", "Die, hot spot, °C", "Fan, rpm", "What the skin limiter reads, °C", f"What holds the power{held}")
        self.power, self.die, self.fan, self.skin, self.bound = self.strips = [
            figure.add_axes((left, low, width, high), title=title) for (low, high), title in zip(places, titles, strict=True)
        ]
        for ax in self.strips:
            ax.tick_params(labelbottom=ax is self.bound, labelsize=9)
            ax.yaxis.set_major_locator(MaxNLocator(4))
        self.bound.set_xlabel("time, min", fontsize=9.5, labelpad=1)
        self.bound.set_yticks([])
        self.bound.grid(axis="y", visible=False)
        chips = max(len(mode.chips) for mode in self.explorer.design.modes.values())
        fans = max(len(mode.fans) for mode in self.explorer.design.modes.values())
        styles = [LINES[k % len(LINES)] for k in range(max(chips, fans, 1))]
        self.before_lines = {ax: [self.before(ax) for _ in range(n)] for ax, n in ((self.power, chips), (self.die, chips), (self.fan, fans), (self.skin, 1))}
        self.powers = [self.line(self.power, *styles[k], 1.6) for k in range(chips)]
        self.dies = [self.line(self.die, *styles[k], 1.6) for k in range(chips)]
        self.aims = [self.line(self.die, "quiet", (0, (2, 2)), 1.0) for _ in range(chips)]
        self.fans = [self.line(self.fan, *styles[k], 1.6) for k in range(fans)]
        self.skins = [self.line(self.skin, "green", "-", 1.6)]
        self.skin_limit = self.line(self.skin, "quiet", (0, (2, 2)), 1.0)
        self.names = {ax: EndNames(self, ax, n) for ax, n in ((self.power, chips), (self.die, 2 * chips), (self.fan, fans), (self.skin, 1))}
        marks = marks_of(SHOWN_FLAGS)
        self.bars_of = {flag: self.bars(self.bound, mark.colour, mark.hatch) for flag, mark in marks.items()}
        beside: dict[str, Any] = {"transform": self.bound.get_yaxis_transform(), "va": "center", "fontsize": 9}
        self.flag_words = {flag: self.words(self.bound, 1.02, **beside) for flag in marks}
        self.flag_shares = {flag: self.words(self.bound, 1.30, **beside) for flag in marks}
        self.table = figure.add_axes((0.665, 0.40, 0.305, 0.55), title="Fan table, rpm over sensor °C")
        self.table.set_xlabel("what the sensor reads, °C", fontsize=9.5)
        self.table.xaxis.set_label_coords(0.5, -0.09)
        for axis in (self.table.xaxis, self.table.yaxis):
            axis.set_major_locator(MaxNLocator(6))
        self.table_before = self.before(self.table)
        self.path = self.line(self.table, "sky", "-", 1.0)
        self.down = self.line(self.table, "quiet", (0, (3, 2)), 1.4)
        self.up = self.line(self.table, "ink", "-", 2.2)
        self.corners = self.line(self.table, "ink", "none", marker="o", markersize=6)
        self.now = self.line(self.table, "orange", "none", marker="D", markersize=8)
        self.empty = self.words(self.table, 0.5, 0.5, transform=self.table.transAxes, ha="center", va="center")
        self.hunts = self.words(self.table, 0.665, 0.265, transform=figure.transFigure, fontsize=9.5, fontweight="bold", va="center")
        self.legend = Legend(self, figure.add_axes((0.665, 0.03, 0.33, 0.19)), rows=5)

    def show(self, picture: FirmwarePicture, baseline: Frozen | None) -> None:
        """Move the artists to a picture."""
        before: FirmwarePicture | None = None if baseline is None else baseline.picture
        pictures = [picture] if before is None else [picture, before]
        minutes = max(float(p.time[-1]) for p in pictures) / 60.0
        for ax in self.strips:
            ax.set_xlim(0.0, minutes)
        self.limits(self.power, 0.0, calm_top(1.04 * max(float(p.power.max()) for p in pictures), 20.0))
        self._range(self.die, [p.die for p in pictures] + [p.die_aim for p in pictures], 20.0)
        limits = [np.array([p.skin_limit]) for p in pictures if p.skin_limit is not None]
        self._range(self.skin, [p.skin for p in pictures] + limits, 5.0)
        self.limits(self.fan, 0.0, calm_top(max([1.05 * float(p.fan.max()) for p in pictures if p.fan.size] + [1000.0]), 1000.0))
        self._strips(picture, before, minutes)
        self._bound(picture)
        self._table(picture, before)

    def _range(self, ax: Any, values: list[Any], step: float) -> None:
        low, high = min(float(np.min(v)) for v in values), max(float(np.max(v)) for v in values)
        self.limits(ax, step * np.floor(low / step), calm_top(high + 0.1 * step, step))

    def _strips(self, picture: FirmwarePicture, before: FirmwarePicture | None, minutes: float) -> None:
        c = self.c
        shown: list[tuple[Any, list[Any], str]] = [
            (self.power, self.powers, "power"), (self.die, self.dies, "die"), (self.fan, self.fans, "fan"),
            (self.skin, self.skins, "skin"),
        ]  # fmt: skip
        for ax, lines, field in shown:
            seen = Thinned(picture.time)
            columns = np.atleast_2d(getattr(picture, field).T)
            names = picture.fans if field == "fan" else (picture.skin_name,) if field == "skin" else picture.chips
            ends = []
            for k, line in enumerate(lines):
                there = k < len(names)
                self.put(line, seen.minutes if there else None, seen.of(columns[k]) if there else None)
                if there and field != "skin":
                    ends.append((float(columns[k][-1]), in_words(names[k]), line.get_color()))
            if field == "skin":
                there = picture.skin_limit is not None
                self.put(self.skin_limit, [0.0, minutes] if there else None, [picture.skin_limit] * 2 if there else None)
                ends = [(picture.skin_limit, f"limit {picture.skin_limit:g}", c["quiet"])] if picture.skin_limit is not None else []
            if field == "die":
                for k, line in enumerate(self.aims):
                    line.set_data([0.0, minutes], [picture.die_aim[k]] * 2)
                    ends.append((float(picture.die_aim[k]), f"throttle {picture.die_aim[k]:g}", c["quiet"]))
            self.names[ax].show(ends)
            past = None if before is None else Thinned(before.time)
            old = None if before is None else np.atleast_2d(getattr(before, field).T)
            for k, line in enumerate(self.before_lines[ax]):
                there = past is not None and old is not None and k < old.shape[0]
                self.put(line, past.minutes if there and past else None, past.of(old[k]) if there and past and old is not None else None)

    def _bound(self, picture: FirmwarePicture) -> None:
        self.limits(self.bound, -0.6, len(picture.rows) - 0.4)
        many, t = len(picture.chips), picture.time / 60.0
        pixel = float(t[-1]) / STRETCHES
        for flag, bars in self.bars_of.items():
            here = flag in picture.rows
            self.flag_words[flag].set_visible(here)
            self.flag_shares[flag].set_visible(False)
            found = []
            if here:
                code, y = picture.flags.index(flag), picture.rows.index(flag)
                parts = [held_share(picture, k, flag) for k in range(many)]
                for k in range(many):
                    top = y + 0.4 - 0.8 * k / many
                    found += boxes(spans(t, picture.bound[:, k], code, shortest=pixel), top - 0.8 / many + 0.04, top)
                self.flag_words[flag].set(text=flag, y=y, color=self.c["ink" if any(parts) else "quiet"])
                self.flag_shares[flag].set(text=shares_text(parts), y=y, visible=any(parts))
            bars.show(found)

    def _table(self, picture: FirmwarePicture, before: FirmwarePicture | None) -> None:
        c = self.c
        entries: list[tuple[str, dict[str, Any]]] = []
        there = bool(picture.steps)
        self.empty.set_text("" if there else "no fan" if not picture.fans else "this mode has no such table")
        for line in (self.up, self.down, self.path, self.corners, self.now, self.table_before):
            line.set_visible(there)
        if there:
            top = calm_top(max([s for _, s in picture.steps] + [float(picture.fan.max())]), 1000.0)
            low = 10.0 * np.floor(min(picture.steps[0][0] - picture.hysteresis, float(picture.reading.min())) / 10.0)
            high = calm_top(max(picture.steps[-1][0], float(picture.reading.max())) + 2.0, 10.0)
            self.table.set_xlim(low, high)
            self.limits(self.table, 0.0, top)
            self.up.set_data(*ladder(picture, 0.0, low, high))
            self.down.set_data(*ladder(picture, picture.hysteresis, low, high))
            self.corners.set_data(*zip(*picture.steps, strict=True))
            every = max(1, picture.time.size // 3000)
            self.path.set_data(picture.reading[::every], picture.fan[::every, 0])
            self.now.set_data([picture.reading[-1]], [picture.fan[-1, 0]])
            old = before is not None and bool(before.steps)
            self.put(self.table_before, *(ladder(before, 0.0, low, high) if old and before is not None else (None, None)))
            entries = [
                ("a step is taken", {"color": c["ink"], "linestyle": "-", "marker": "o"}),
                ("a step is left", {"color": c["quiet"], "linestyle": (0, (3, 2))}),
                (f"path of the run, {in_words(picture.fans[0])}", {"color": c["sky"], "linestyle": "-"}),
                ("end of the run", {"color": c["orange"], "marker": "D"}),
            ]
        if before is not None:
            entries.append(("frozen baseline", {"color": c["grey"], "linestyle": (0, (2.5, 1.5))}))
        self.legend.show(entries)
        worst = max(picture.ramps.values(), default=0.0)
        hunting = any("hunts" in text for text in picture.trouble)
        self.hunts.set(
            text="" if not picture.fans else f"{'Hunting' if hunting else 'No hunting'}: {worst:.1f} speed reversals a minute",
            color=c["orange" if hunting else "ink"],
        )


class Thinned:
    """Curves over time with as many points as the axis can show: the range within each stretch stays."""

    def __init__(self, time: Any) -> None:
        self.first = np.unique(np.linspace(0, time.size - 1, STRETCHES).astype(int))
        self.minutes = np.repeat(time[self.first], 2) / 60.0

    def of(self, values: Any) -> Any:
        """Lowest and highest value of each stretch, the one nearer to where it begins first."""
        low, high = np.minimum.reduceat(values, self.first), np.maximum.reduceat(values, self.first)
        rising = values[self.first] <= 0.5 * (low + high)
        found = np.empty(2 * low.size)
        found[0::2], found[1::2] = np.where(rising, low, high), np.where(rising, high, low)
        return found


def ladder(picture: FirmwarePicture, lower: float, low: float, high: float) -> tuple[Any, Any]:
    """Corners of the table as a staircase, its thresholds lowered by ``lower`` K."""
    x, y, speed = [low], [picture.idle_speed], picture.idle_speed
    for on, step in picture.steps:
        x += [on - lower, on - lower]
        y += [speed, max(step, speed)]
        speed = max(step, speed)
    return [*x, high], [*y, speed]
