"""How the burst explorer looks: four strips on one time axis, and the power-duration curve beside them."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator

from thermnet.explore.burst_explorer import HORIZON, SHOWN_FLAGS, BurstExplorer, BurstPicture, Curve
from thermnet.explore.controls import calm_top
from thermnet.explore.machine import chips_of
from thermnet.explore.scene import EndNames, Legend, Scene, boxes, put_beside, shares_text
from thermnet.explore.session import Frozen, in_words
from thermnet.show.axis import log_time
from thermnet.show.style import LINES, marks_of
from thermnet.show.thin import share, spans

FIRST = 0.5
"""s at the left end of the strips."""

EARLIEST, LATEST = 0.9, 667.0
"""s at the ends of the curve's time axis."""

STOPS = (1.0, 5.0, 20.0, 60.0, 180.0, 600.0)
"""s marked on both time axes."""


class BurstScene(Scene):
    """Strips at the left, curve at the right."""

    explorer: BurstExplorer

    def build(self, figure: Figure) -> None:
        """Make axes and artists, once."""
        c = self.c
        left, width = 0.045, 0.405
        chips = chips_of(self.explorer.design)
        held = f", {' above '.join(chips)}" if len(chips) > 1 else ", and for what share of the time"
        self.power = figure.add_axes((left, 0.775, width, 0.175), title="Chip power, W")
        self.die = figure.add_axes((left, 0.555, width, 0.150), title="Die, hot spot, °C")
        self.skin = figure.add_axes((left, 0.355, width, 0.130), title="Skin, °C")
        self.bound = figure.add_axes((left, 0.085, width, 0.195), title=f"What holds the power{held}")
        self.curve = figure.add_axes((0.665, 0.345, 0.305, 0.605), title="Power against duration, W")
        self.strips = (self.power, self.die, self.skin, self.bound)
        for ax in (*self.strips, self.curve):
            log_time(ax, EARLIEST if ax is self.curve else FIRST, LATEST if ax is self.curve else HORIZON)
            ax.xaxis.set_major_locator(FixedLocator(STOPS))
            ax.tick_params(labelbottom=ax in (self.bound, self.curve), labelsize=9)
        self.curve.set_xlabel("held for (logarithmic)", fontsize=9.5)
        self.bound.set_xlabel("time after the load starts (logarithmic)", fontsize=9.5)
        self.power_before = [self.before(self.power) for _ in chips]
        self.die_before = [self.before(self.die) for _ in chips]
        self.skin_before = self.before(self.skin)
        self.curve_before = self.before(self.curve)
        styles = [LINES[k % len(LINES)] for k in range(len(chips))]
        self.averages = [self.line(self.power, "quiet", (0, (1, 1.2)), 1.4) for _ in chips]
        self.powers = [self.line(self.power, colour, dashes, 1.8) for colour, dashes in styles]
        self.dies = [self.line(self.die, colour, dashes, 1.8) for colour, dashes in styles]
        self.die_limits = [self.line(self.die, "quiet", (0, (2, 2)), 1.0) for _ in chips]
        self.skin_line = self.line(self.skin, "green", LINES[2][1], 1.8)
        self.skin_limit = self.line(self.skin, "quiet", (0, (2, 2)), 1.0)
        self.power_names = EndNames(self, self.power, 2 * len(chips))
        self.die_names = EndNames(self, self.die, 2 * len(chips))
        self.skin_names = EndNames(self, self.skin, 2)
        self.bound.set_yticks([])
        self.bound.grid(axis="y", visible=False)
        marks = marks_of(SHOWN_FLAGS)
        self.bound_bars = {
            flag: self.bars(self.bound, mark.colour, mark.hatch) for flag, mark in marks.items()
        }
        beside: dict[str, Any] = {
            "transform": self.bound.get_yaxis_transform(),
            "va": "center",
            "fontsize": 9,
        }
        self.bound_shares = {flag: self.words(self.bound, 1.30, **beside) for flag in marks}
        self.bound_words = {flag: self.words(self.bound, 1.02, **beside) for flag in marks}
        self.governor = self.line(self.curve, "quiet", (0, (1, 1.6)), 1.5)
        self.level = self.line(self.curve, "quiet", (0, (5, 3)), 1.0)
        self.level_words = self.words(self.curve, 0.0, 0.0, fontsize=9, color=c["quiet"], va="top", ha="left")
        self.curve_line = self.line(self.curve, "ink", "-", 2.2)
        self.curve_marks: dict[str, Any] = {}
        self._last: Curve | None = None
        self.point = self.line(
            self.curve,
            "ink",
            "none",
            1.0,
            marker="o",
            markersize=13,
            markerfacecolor="none",
            markeredgewidth=2.2,
        )
        self.point_words = self.words(self.curve, fontsize=10, fontweight="bold", va="bottom")
        below = figure.add_axes((0.665, 0.02, 0.33, 0.225))
        self.legend = Legend(self, below, rows=5, columns=2)

    def show(self, picture: BurstPicture, baseline: Frozen | None) -> None:
        """Move the artists to a picture."""
        before: BurstPicture | None = None if baseline is None else baseline.picture
        pictures = [picture] if before is None else [picture, before]
        self._limits(pictures)
        self._strips(picture, before)
        self._bound(picture)
        self._curve(picture, before)

    def _limits(self, pictures: list[BurstPicture]) -> None:
        top = calm_top(1.04 * max(float(p.power.max()) for p in pictures), 20.0)
        self.limits(self.power, 0.0, top)
        low = min(float(p.die.min()) for p in pictures)
        high = max(max(float(p.die.max()), float(p.die_limit.max())) for p in pictures)
        self.limits(self.die, 20.0 * np.floor(low / 20.0), calm_top(high + 2.0, 20.0))
        values = [
            (float(v.min()), max(float(v.max()), p.skin_limit[z]))
            for p in pictures
            for z, v in p.skin.items()
        ]
        self.limits(
            self.skin,
            5.0 * np.floor(min(v for v, _ in values) / 5.0),
            calm_top(max(v for _, v in values) + 0.5, 5.0),
        )
        curves = [curve for p in pictures if (curve := p.curve or self._last) is not None]
        tops = [1.05 * p.burst for p in pictures] + [1.02 * float(curve.power.max()) for curve in curves]
        # What a machine takes for a second may be far off the point: half as much again as for ten is enough.
        at_ten = [1.5 * float(np.interp(10.0, curve.duration, curve.power)) for curve in curves]
        enough = max([3.2 * max(p.burst for p in pictures), *at_ten])
        self.limits(self.curve, 0.0, calm_top(min(max(tops), enough), 20.0))

    def _strips(self, picture: BurstPicture, before: BurstPicture | None) -> None:
        c, chips = self.c, picture.chips
        seen = Sampled(picture.time)
        t = seen.time
        many = len(chips) > 1
        power_ends, die_ends = [], []
        for k, chip in enumerate(chips):
            colour = c[LINES[k % len(LINES)][0]]
            self.powers[k].set_data(t, seen.of(picture.power[:, k]))
            self.averages[k].set_data(t, seen.of(picture.average[:, k]))
            self.dies[k].set_data(t, seen.of(picture.die[:, k]))
            self.die_limits[k].set_data([FIRST, HORIZON], [picture.die_limit[k]] * 2)
            power_ends.append((float(picture.power[-1, k]), chip, colour))
            power_ends.append(
                (float(picture.average[-1, k]), f"{chip} average" if many else "running average", c["quiet"])
            )
            die_ends.append((float(picture.die[-1, k]), chip, colour))
            die_ends.append((float(picture.die_limit[k]), f"limit {picture.die_limit[k]:g}", c["quiet"]))
            self.put(self.power_before[k], t, seen.of(before.power[:, k]) if before else None)
            self.put(self.die_before[k], t, seen.of(before.die[:, k]) if before else None)
        self.power_names.show(power_ends)
        self.die_names.show(die_ends)
        zone = nearest_zone(picture)
        if zone:
            limit = picture.skin_limit[zone]
            self.skin_line.set_data(t, seen.of(picture.skin[zone]))
            self.skin_limit.set_data([FIRST, HORIZON], [limit, limit])
            self.skin_names.show(
                [
                    (float(picture.skin[zone][-1]), zone.replace("_", " ").replace(".", " "), c["green"]),
                    (limit, f"limit {limit:g}", c["quiet"]),
                ]
            )
        old = nearest_zone(before) if before else ""
        past = Sampled(before.time) if before else seen
        self.put(self.skin_before, past.time, past.of(before.skin[old]) if before and old else None)

    def _bound(self, picture: BurstPicture) -> None:
        self.limits(self.bound, -0.6, len(picture.rows) - 0.4)
        many = len(picture.chips)
        t = np.maximum(picture.time, FIRST)
        for flag, bars in self.bound_bars.items():
            found, words = [], self.bound_words[flag]
            words.set_visible(flag in picture.rows)
            self.bound_shares[flag].set_visible(False)
            if flag in picture.rows:
                code, y, parts = picture.flags.index(flag), picture.rows.index(flag), []
                for k in range(many):
                    top = y + 0.4 - 0.8 * k / many
                    stretches = [(a, n) for a, n in spans(t, picture.bound[:, k], code) if n > 0]
                    found += boxes(stretches, top - 0.8 / many + 0.04, top)
                    parts.append(share(picture.time, picture.bound[:, k], code))
                self.bound_shares[flag].set(text=shares_text(parts), y=y, visible=any(parts))
                words.set(text=flag, y=y, color=self.c["ink" if any(parts) else "quiet"])
            bars.show(found)

    def _curve(self, picture: BurstPicture, before: BurstPicture | None) -> None:
        c, curve = self.c, picture.curve or self._last
        self.governor.set_data(*picture.governor)
        for marks in self.curve_marks.values():
            marks.set_data([], [])
        was = before.curve if before else None
        self.put(self.curve_before, was.duration if was else None, was.power if was else None)
        entries: list[tuple[str, dict[str, Any]]] = [
            ("mode's governor allows", {"color": c["quiet"], "linestyle": (0, (1, 1.6))})
        ]
        if before is not None:
            entries.append(("frozen baseline", {"color": c["grey"], "linestyle": (0, (2.5, 1.5))}))
        # While a curve is being worked out the one before stays, in grey and without its marks.
        self.curve_line.set_color(c["ink" if picture.curve else "grey"])
        if curve is None:
            self.curve_line.set_data([], [])
            self.level.set_data([], [])
            self.level_words.set_text("")
        else:
            self._last = curve
            self.curve_line.set_data(curve.duration, curve.power)
            if np.isfinite(curve.sustained):
                self.level.set_data([EARLIEST, LATEST], [curve.sustained] * 2)
                below = curve.sustained - 0.012 * self.curve.get_ylim()[1]
                self.level_words.set(text=f"sustained {curve.sustained:.1f} W", x=EARLIEST * 1.05, y=below)
            styles = marks_of(curve.binds if picture.curve else ())
            for name, mark in styles.items():
                if name not in self.curve_marks:
                    self.curve_marks[name] = self.line(
                        self.curve,
                        mark.colour,
                        "none",
                        marker=mark.marker,
                        markersize=8,
                        markeredgecolor=c["paper"],
                        markeredgewidth=0.8,
                    )
                here = [i for i, binds in enumerate(curve.binds) if binds == name]
                self.curve_marks[name].set_data(curve.duration[here], curve.power[here])
                entries.append((f"held by {in_words(name)}", {"color": c[mark.colour], "marker": mark.marker}))
        self._point(picture)
        self.legend.show(entries)

    def _point(self, picture: BurstPicture) -> None:
        if picture.point is None:
            self.point.set_data([], [])
            self.point_words.set_text("")
            return
        seconds, power = picture.point
        x = min(max(seconds, EARLIEST), LATEST)
        self.point.set_data([x], [power])
        self.point_words.set_text(f"{power:g} W for {seconds:.0f} s")
        curves = [line.get_data() for line in (self.curve_line, self.governor, self.level)]
        put_beside(self.curve, self.point_words, (x, power), curves)


def nearest_zone(picture: BurstPicture | None) -> str:
    """Skin zone that comes nearest to its limit, or passes it furthest."""
    if picture is None:
        return ""
    return max(
        picture.skin, key=lambda zone: float(picture.skin[zone].max()) - picture.skin_limit[zone], default=""
    )


class Sampled:
    """Curves over time with as many points as the logarithmic axis can show: the range within each stretch stays."""

    def __init__(self, time: Any, stretches: int = 400) -> None:
        edges = np.geomspace(FIRST, time[-1], stretches)
        self.first = np.unique(np.clip(np.searchsorted(time, edges - 1e-9), 0, time.size - 1))
        self.time = np.repeat(time[self.first], 2)

    def of(self, values: Any) -> Any:
        """Lowest and highest value of each stretch, the one nearer to the stretch before first."""
        low, high = np.minimum.reduceat(values, self.first), np.maximum.reduceat(values, self.first)
        found = np.empty(2 * low.size)
        rising = values[self.first] <= 0.5 * (low + high)
        found[0::2], found[1::2] = np.where(rising, low, high), np.where(rising, high, low)
        return found
