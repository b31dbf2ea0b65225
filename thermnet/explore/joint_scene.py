"""How the joint explorer looks: three maps of the chip, and what they hold from corner to corner below them."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from thermnet.explore.joint_explorer import JointExplorer, JointPicture, diagonal
from thermnet.explore.scene import Scene
from thermnet.explore.session import Frozen
from thermnet.show.joint_figures import SCALE

MAPS = (
    ("pressure", "Pressure, kPa", "kPa", "orange"), ("bond_line", "Bond line, µm", "µm", "blue"), ("rise", "Rise over plate, K", "K", "rose"),
)  # fmt: skip
"""Field of the picture, title, unit, colour of its line."""

SHARES = (0.0, 0.5, 1.0)
"""Places on the scale of colours that carry a number."""

EVEN = 0.01
"""Spread over the highest value below which no place is marked as the highest."""

DARK_EDGE = "#15191d"
"""Drawn around white lines, so that they are seen on every colour of the maps."""


class MapView:
    """One map with its scale, and the cut below it."""

    def __init__(
        self, scene: Scene, figure: Figure, left: float, field: str, title: str, unit: str, colour: str
    ) -> None:
        self.field, self.scene, c = field, scene, scene.c
        self.map = figure.add_axes((left, 0.455, 0.229, 0.40), title=title)
        self.bar = figure.add_axes((left + 0.237, 0.455, 0.010, 0.40))
        self.cut = figure.add_axes((left, 0.095, 0.247, 0.225), title=unit)
        self.map.grid(visible=False)
        for axis in (self.map.xaxis, self.map.yaxis):
            axis.set_major_locator(MaxNLocator(6, integer=True))
        self.map.set_xlabel("x, mm", fontsize=9, labelpad=1)
        for side in ("left", "bottom"):
            self.map.spines[side].set_visible(False)
        self.image = scene.moves(
            self.map.imshow(
                np.zeros((2, 2)),
                cmap=SCALE,
                origin="lower",
                interpolation="nearest",
                aspect="auto",
                animated=True,
            )
        )
        self.image.set_zorder(1)
        # The colours stay; only the words beside them move, which is quicker than new ticks.
        steps = np.linspace(0.0, 1.0, 128)[:, None]
        self.bar.imshow(steps, cmap=SCALE, origin="lower", aspect="auto", extent=(0, 1, 0, 1))
        self.bar.set_axis_off()
        beside: dict[str, Any] = {"transform": self.bar.transAxes, "va": "center", "fontsize": 9}
        self.scale = [scene.words(self.bar, 1.6, share, **beside) for share in SHARES]
        self.ways = [scene.line(self.map, "ink", "-", 2.2), scene.line(self.map, "ink", (0, (2, 2)), 1.0)]
        self.spots = [scene.line(self.map, "ink", "-", width) for width in (3.0, 1.4)]
        for under, over in (self.ways, self.spots):
            under.set_color(DARK_EDGE)
            over.set_color("#ffffff")
        self.ways[0].set_alpha(0.45)
        ring: dict[str, Any] = {"marker": "o", "markersize": 9, "markerfacecolor": "none", "clip_on": False}
        self.tops = [
            scene.line(self.map, "ink", "none", markeredgewidth=width, markeredgecolor=edge, **ring)
            for width, edge in ((3.4, DARK_EDGE), (1.6, "#ff9152"))
        ]
        self.told = scene.words(
            self.map,
            1.0,
            1.02,
            transform=self.map.transAxes,
            ha="right",
            va="bottom",
            fontsize=9,
            color=c["quiet"],
        )
        self.past = scene.before(self.cut)
        self.level = scene.line(self.cut, "quiet", (0, (2, 2)), 1.0)
        above: dict[str, Any] = {"transform": self.cut.transAxes, "va": "baseline", "ha": "right"}
        self.level_words = scene.words(self.cut, 1.0, 1.05, fontsize=9, color=c["quiet"], **above)
        self.line = scene.line(self.cut, colour, "-", 2.0)
        self.cut.set_xlabel("along the dashed diagonal, mm", fontsize=9)
        self.cut.xaxis.set_label_coords(0.5, -0.2)
        for axis in (self.cut.xaxis, self.cut.yaxis):
            axis.set_major_locator(MaxNLocator(5))

    def show(
        self, picture: JointPicture, before: JointPicture | None, level: float | None, name: str
    ) -> None:
        """Draw the map, mark its highest place, and draw the cut with a level to keep to or to compare with."""
        values = getattr(picture, self.field)
        shown = [values] if before is None else [values, getattr(before, self.field)]
        high = calm(max(float(v.max()) for v in shown))
        half_x, half_y = picture.half_x, picture.half_y
        self.image.set_data(values)
        self.image.set_extent((-half_x, half_x, -half_y, half_y))
        self.image.set_clim(0.0, high)
        self.map.set_xlim(-half_x, half_x)
        self.map.set_ylim(-half_y, half_y)
        for words, share in zip(self.scale, SHARES, strict=True):
            words.set_text(f"{share * high:g}")
        sign = 1.0 if picture.rising else -1.0
        for line in self.ways:
            line.set_data([-half_x, half_x], [-sign * half_y, sign * half_y])
        outline = border(picture.hot_spot, half_x, half_y)
        for line in self.spots:
            self.scene.put(line, *outline)
        row, column = np.unravel_index(int(np.argmax(values)), values.shape)
        place = cells(values.shape[1], half_x)[column], cells(values.shape[0], half_y)[row]
        uneven = float(np.ptp(values)) > EVEN * float(values.max())
        for mark in self.tops:
            self.scene.put(mark, [place[0]] if uneven else None, [place[1]] if uneven else None)
        self.told.set_text(f"top {values.max():.3g}" if values.max() < 1000 else f"top {values.max():.0f}")
        half = float(np.hypot(half_x, half_y))
        along = cells(values.shape[0], half)
        self.line.set_data(along, diagonal(values, picture.rising))
        if before is not None:
            old = getattr(before, self.field)
            self.past.set_data(
                cells(old.shape[0], float(np.hypot(before.half_x, before.half_y))),
                diagonal(old, picture.rising),
            )
        self.past.set_visible(before is not None)
        top = high if level is None or level > 4.0 * high else max(high, calm(1.02 * level))
        self.scene.limits(self.cut, 0.0, top)
        self.cut.set_xlim(-half, half)
        fits = level is not None and level <= top
        self.scene.put(self.level, [-half, half] if fits else None, [level, level] if fits else None)
        self.level_words.set_text(f"dotted: {name}" if fits else "")


class JointScene(Scene):
    """Maps above, cuts below, and a line of words under them."""

    explorer: JointExplorer

    def build(self, figure: Figure) -> None:
        """Make axes and artists, once."""
        self.views = [
            MapView(self, figure, left, *what) for left, what in zip((0.057, 0.385, 0.713), MAPS, strict=True)
        ]
        self.views[0].map.set_ylabel("y, mm (front to back)", fontsize=9, labelpad=1)
        self.note = self.words(
            self.views[0].map,
            0.057,
            0.965,
            transform=figure.transFigure,
            va="top",
            fontsize=9.5,
            color=self.c["quiet"],
        )

    def show(self, picture: JointPicture, baseline: Frozen | None) -> None:
        """Move the artists to a picture."""
        before: JointPicture | None = None if baseline is None else baseline.picture
        mean = float(picture.bond_line.mean())
        levels = (
            (picture.limit, f"allowed {picture.limit:g}"), (mean, f"mean {mean:.1f}"), (picture.flat_rise, f"flat joint, hottest {picture.flat_rise:.1f}"),
        )  # fmt: skip
        for view, (level, name) in zip(self.views, levels, strict=True):
            view.show(picture, before, level, name)
        words = "The chip seen from above. White frame: hot spot. Ring: highest value. Dashed: way of the cuts below."
        if before is not None:
            words += " Grey dashes: frozen baseline."
        self.note.set_text(words)


def calm(value: float) -> float:
    """End of a scale a little above a value: 1, 1.5, 2, 3, 4, 5, 6, 8 or 10 times a power of ten."""
    size = 10.0 ** np.floor(np.log10(max(value, 1e-9)))
    return float(size * next(top for top in (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if value <= top * size * (1 + 1e-9)))


def cells(count: int, half: float) -> Any:
    """Centres of cells from one edge to the other."""
    return (np.arange(count) + 0.5) / count * 2.0 * half - half


def border(share: Any, half_x: float, half_y: float) -> tuple[Any, Any]:
    """Corners of the frame around the cells that belong to a block by half or more."""
    rows, columns = np.nonzero(share >= 0.5)
    if not rows.size:
        return None, None
    size_x, size_y = 2.0 * half_x / share.shape[1], 2.0 * half_y / share.shape[0]
    left, right = columns.min() * size_x - half_x, (columns.max() + 1) * size_x - half_x
    low, high = rows.min() * size_y - half_y, (rows.max() + 1) * size_y - half_y
    return [left, right, right, left, left], [low, low, high, high, low]
