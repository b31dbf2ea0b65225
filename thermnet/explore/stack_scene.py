"""How the stack explorer looks: burst curves of both machines, and their strips on one time axis."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator

from thermnet.explore.burst_explorer import HORIZON, Curve
from thermnet.explore.burst_scene import EARLIEST, FIRST, LATEST, STOPS, Sampled, nearest_zone
from thermnet.explore.controls import calm_top
from thermnet.explore.scene import EndNames, Legend, Scene
from thermnet.explore.session import Frozen, in_words
from thermnet.explore.stack_explorer import StackExplorer, StackPicture, Variant
from thermnet.show.axis import log_time
from thermnet.show.style import LINES, marks_of


class StackScene(Scene):
    """Curves at the left, strips at the right; each machine has a colour and dashes of its own."""

    explorer: StackExplorer
    height = 520

    def build(self, figure: Figure) -> None:
        """Make axes and artists, once."""
        self.curve = figure.add_axes((0.045, 0.385, 0.36, 0.56), title="Chip power against duration, W")
        right, width = 0.51, 0.335
        self.power = figure.add_axes((right, 0.73, width, 0.215), title="Chip power under the limits, W")
        self.die = figure.add_axes((right, 0.415, width, 0.215), title="Hottest die, °C")
        self.skin = figure.add_axes((right, 0.095, width, 0.215), title="Skin nearest to its limit, °C")
        strips = (self.power, self.die, self.skin)
        for ax in (self.curve, *strips):
            log_time(ax, EARLIEST if ax is self.curve else FIRST, LATEST if ax is self.curve else HORIZON)
            ax.xaxis.set_major_locator(FixedLocator(STOPS))
            ax.tick_params(labelbottom=ax in (self.curve, self.skin), labelsize=9)
        self.curve.set_xlabel("held for (logarithmic)", fontsize=9.5)
        self.skin.set_xlabel("time after the load starts (logarithmic)", fontsize=9.5)
        self.legend = Legend(self, figure.add_axes((0.045, 0.0, 0.36, 0.285)), rows=8)
        count = len(self.explorer.kinds)
        self.last: list[Variant | None] = [None] * count
        self.last_curve: list[Curve | None] = [None] * count
        styles = LINES[:count]
        self.before_lines = {
            ax: [self.before(ax, dashes, 1.3) for _, dashes in styles] for ax in (self.curve, *strips)
        }
        self.lines = {
            ax: [self.line(ax, colour, dashes, 1.9) for colour, dashes in styles]
            for ax in (self.curve, *strips)
        }
        self.levels = [self.line(self.curve, colour, (0, (1, 2.5)), 1.2) for colour, _ in styles]
        self.limit_lines = {
            ax: [self.line(ax, "quiet", (0, (2, 2)), 1.0) for _ in styles] for ax in (self.die, self.skin)
        }
        self.names = {ax: EndNames(self, ax, 2 * count) for ax in strips}
        self.marks: dict[str, Any] = {}

    def show(self, picture: StackPicture, baseline: Frozen | None) -> None:
        """Move the artists to a picture; what is still being worked out stays as it was, in grey and without its marks."""
        for k, variant in enumerate(picture.variants):
            ready = {ax: variant is not None for ax in self.lines}
            if variant is not None:
                self.last[k] = variant
                self.last_curve[k] = variant.curve or self.last_curve[k]
                ready[self.curve] = variant.curve is not None
            for ax, lines in self.lines.items():
                lines[k].set_color(self.c[LINES[k][0] if ready[ax] else "grey"])
            self.levels[k].set_visible(ready[self.curve])
        shown = [(k, variant) for k, variant in enumerate(self.last) if variant is not None]
        before: list[Variant] = (
            [] if baseline is None else [v for v in baseline.picture.variants if v is not None]
        )
        curves = [(k, curve) for k, curve in enumerate(self.last_curve) if curve is not None]
        self._limits(
            [variant for _, variant in shown] + before,
            [c for _, c in curves] + [v.curve for v in before if v.curve],
        )
        self._strips(shown, before)
        fresh = [k for k, v in enumerate(picture.variants) if v is not None and v.curve is not None]
        self._curves(shown, curves, fresh, before)

    def _limits(self, variants: list[Variant], curves: list[Curve]) -> None:
        runs = [variant.run for variant in variants]
        self.limits(
            self.power, 0.0, calm_top(1.04 * max(float(r.power.sum(axis=1).max()) for r in runs), 20.0)
        )
        low = min(float(r.die.min()) for r in runs)
        high = max(max(float(r.die.max()), float(r.die_limit.max())) for r in runs)
        self.limits(self.die, 20.0 * np.floor(low / 20.0), calm_top(high + 2.0, 20.0))
        zones = [(r.skin[z], r.skin_limit[z]) for r in runs if (z := nearest_zone(r))]
        if zones:
            bottom = min(float(values.min()) for values, _ in zones)
            top = max(max(float(values.max()), limit) for values, limit in zones)
            self.limits(self.skin, 5.0 * np.floor(bottom / 5.0), calm_top(top + 0.5, 5.0))
        if curves:
            # What a machine takes for a second may be far off the point: half as much again as for ten is enough.
            enough = max(
                3.2 * max(r.burst for r in runs),
                1.5 * max(float(np.interp(10.0, c.duration, c.power)) for c in curves),
            )
            self.limits(
                self.curve, 0.0, calm_top(min(1.02 * max(float(c.power.max()) for c in curves), enough), 20.0)
            )

    def _strips(self, shown: list[tuple[int, Variant]], before: list[Variant]) -> None:
        c = self.c
        ends: dict[Any, list[tuple[float, str, str]]] = {ax: [] for ax in self.names}
        for k, variant in shown:
            run, colour = variant.run, self.lines[self.die][k].get_color()
            seen, zone = Sampled(run.time), nearest_zone(run)
            power, die = run.power.sum(axis=1), run.die[:, int(np.argmax(run.die.max(axis=0)))]
            self.lines[self.power][k].set_data(seen.time, seen.of(power))
            self.lines[self.die][k].set_data(seen.time, seen.of(die))
            ends[self.power].append((float(power[-1]), variant.label, colour))
            ends[self.die].append((float(die[-1]), variant.label, colour))
            if zone:
                self.lines[self.skin][k].set_data(seen.time, seen.of(run.skin[zone]))
                ends[self.skin].append((float(run.skin[zone][-1]), variant.label, colour))
        for ax, levels in (
            (self.die, [(float(v.run.die_limit.min()), "limit") for _, v in shown]),
            (self.skin, _skin_limits(shown)),
        ):
            distinct = sorted({value for value, _ in levels})
            for k, line in enumerate(self.limit_lines[ax]):
                self.put(line, [FIRST, HORIZON], [distinct[k]] * 2 if k < len(distinct) else None)
            ends[ax] += [(value, f"limit {value:g}", c["quiet"]) for value in distinct]
        for ax, names in self.names.items():
            names.show(ends[ax])
        for k in range(len(self.last)):
            lines = {ax: own[k] for ax, own in self.before_lines.items()}
            if k >= len(before):
                for line in lines.values():
                    self.put(line, None, None)
                continue
            old = before[k].run
            seen, zone = Sampled(old.time), nearest_zone(old)
            self.put(lines[self.power], seen.time, seen.of(old.power.sum(axis=1)))
            self.put(lines[self.die], seen.time, seen.of(old.die[:, int(np.argmax(old.die.max(axis=0)))]))
            self.put(lines[self.skin], seen.time, seen.of(old.skin[zone]) if zone else None)

    def _curves(
        self, shown: list[tuple[int, Variant]], curves: list[tuple[int, Curve]], fresh: list[int], before: list[Variant],
    ) -> None:  # fmt: skip
        c = self.c
        entries: list[tuple[str, dict[str, Any]]] = []
        points: dict[str, list[tuple[float, float]]] = {}
        for k, curve in curves:
            self.lines[self.curve][k].set_data(curve.duration, curve.power)
            if k not in fresh:
                continue
            self.put(self.levels[k], [EARLIEST, LATEST], [curve.sustained] * 2 if np.isfinite(curve.sustained) else None)
            for duration, power, binds in zip(curve.duration, curve.power, curve.binds, strict=True):
                points.setdefault(binds, []).append((float(duration), float(power)))
        for k, variant in shown:
            found = dict(curves).get(k) if k in fresh else None
            level = ", being worked out" if found is None else ""
            if found is not None and np.isfinite(found.sustained):
                level = f", sustains {found.sustained:.1f} W (dotted)"
            style = {"color": self.lines[self.curve][k].get_color(), "linestyle": LINES[k][1]}
            entries.append((f"{variant.label}{level}", style))
        if before:
            entries.append(("frozen baseline", {"color": c["grey"], "linestyle": (0, (2.5, 1.5))}))
        styles = marks_of(sorted(points))
        for name, marks in self.marks.items():
            marks.set_visible(name in points)
        for name, mark in styles.items():
            if name not in self.marks:
                self.marks[name] = self.line(
                    self.curve,
                    mark.colour,
                    "none",
                    markersize=7,
                    markeredgecolor=c["paper"],
                    markeredgewidth=0.8,
                )
            x, y = zip(*points[name], strict=True)
            self.marks[name].set(color=c[mark.colour], marker=mark.marker)
            self.marks[name].set_data(x, y)
            entries.append((f"held by {in_words(name)}", {"color": c[mark.colour], "marker": mark.marker}))
        self.legend.show(entries[: len(self.legend.slots)])
        for k in range(len(self.last)):
            old = before[k].curve if k < len(before) else None
            self.put(
                self.before_lines[self.curve][k], old.duration if old else None, old.power if old else None
            )


def _skin_limits(shown: list[tuple[int, Variant]]) -> list[tuple[float, str]]:
    return [
        (variant.run.skin_limit[zone], "limit") for _, variant in shown if (zone := nearest_zone(variant.run))
    ]
