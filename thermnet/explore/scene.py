"""What a picture is drawn with: axes that stay, and artists that move when the data do."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Hashable, Mapping, Sequence
from typing import Any, ClassVar

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.transforms import blended_transform_factory

from thermnet.explore.session import Explorer, Frozen
from thermnet.explore.stamp import StampedText
from thermnet.show.style import _apart, colours


class Scene(ABC):
    """Draws the pictures of an explorer into one figure.

    Each axes with its ticks and all else that stays is drawn once per limits and kept as an image; what was made by
    :meth:`line`, :meth:`words` and the like moves and is drawn on top of them each time.

    Attributes
    ----------
    moving : artists that move, in the order in which they are drawn
    """

    width: ClassVar[int] = 980
    height: ClassVar[int] = 560

    def __init__(self, explorer: Explorer, dark: bool) -> None:
        self.explorer, self.dark, self.c = explorer, dark, colours(dark)
        self.moving: list[Artist] = []

    @abstractmethod
    def build(self, figure: Figure) -> None:
        """Make axes and artists, once."""

    @abstractmethod
    def show(self, picture: Any, baseline: Frozen | None) -> None:
        """Move the artists to a picture, and set limits in calm steps that depend on the pictures alone."""

    def key(self, ax: Axes) -> Hashable:
        """What the part of an axes that stays depends on."""
        return ax.get_xlim(), ax.get_ylim(), ax.get_title(loc="left")

    # -- makers --------------------------------------------------------------------------------------------

    def line(self, ax: Axes, colour: str, dashes: Any = "-", width: float = 2.0, **style: Any) -> Any:
        """Make a line that moves, of a colour by name."""
        (line,) = ax.plot([], [], color=self.c[colour], linestyle=dashes, linewidth=width, **style)
        return self.moves(line)

    def before(self, ax: Axes, dashes: Any = (0, (2.5, 1.5)), width: float = 1.5) -> Any:
        """Make a line for the frozen baseline: thin, grey, dashed, below the others."""
        return self.line(ax, "grey", dashes, width)

    def words(self, ax: Axes, x: float = 0.0, y: float = 0.0, **style: Any) -> Any:
        """Make a text that moves."""
        settings = {"color": self.c["ink"], "fontsize": 9.5, "clip_on": False, **style}
        text = StampedText(x, y, "", **{"transform": ax.transData, **settings})
        ax.add_artist(text)
        return self.moves(text)

    def bars(self, ax: Axes, colour: str, hatch: str) -> Bars:
        """Make boxes that move."""
        made = Bars(
            Path(np.zeros((0, 2))),
            facecolor=self.c["paper" if hatch else "faint"],
            edgecolor=self.c[colour],
            hatch=hatch,
            linewidth=0.9,
        )
        ax.add_artist(made)
        self.moves(made)
        return made

    @staticmethod
    def put(line: Line2D, x: Any, y: Any) -> None:
        """Move a line to points, or take it away where there are none (None)."""
        line.set_visible(x is not None and y is not None)
        if x is not None and y is not None:
            line.set_data(x, y)

    @staticmethod
    def limits(ax: Axes, low: float, high: float) -> None:
        """Set the vertical limits of axes where they differ; a unit apart where there is nothing to show."""
        high = max(high, low + 1.0)
        if ax.get_ylim() != (low, high):
            ax.set_ylim(low, high)

    def moves(self, artist: Any) -> Any:
        """Let an artist be drawn each time."""
        artist.set_animated(True)
        self.moving.append(artist)
        return artist


class Bars(PathPatch):
    """Many boxes as one path: a hatch costs as much for one box as for hundreds."""

    def show(self, corners: Sequence[Any]) -> None:
        """Move to boxes given by their corners (four each), or go away where there are none."""
        self.set_visible(bool(corners))
        if corners:
            self.set_path(Path.make_compound_path_from_polys(np.asarray(corners, dtype=float)))


class EndNames:
    """Names at the right end of lines, pushed apart where they meet."""

    def __init__(self, scene: Scene, ax: Axes, count: int, gap: float = 1.3) -> None:
        place = blended_transform_factory(ax.transAxes, ax.transData)
        self.ax, self.gap = ax, gap
        self.texts = [
            scene.words(ax, 1.02, 0.0, transform=place, va="center", ha="left") for _ in range(count)
        ]

    def show(self, ends: Sequence[tuple[float, str, str]]) -> None:
        """Place names given as (value, name, colour); limits of the axes must be set before."""
        low, high = self.ax.get_ylim()
        box = self.ax.bbox
        order = sorted(range(len(ends)), key=lambda k: ends[k][0])
        scale = (high - low) / box.height
        wanted = [min(max((ends[k][0] - low) / scale, 0.0), box.height) for k in order]
        figure: Any = self.ax.get_figure(root=True)
        places = _apart(wanted, self.gap * 9.5 * figure.dpi / 72.0)
        for text in self.texts:
            text.set_visible(False)
        for k, pixel in zip(order, places, strict=True):
            value, name, colour = ends[k]
            text = self.texts[k]
            text.set(text=name, color=colour, y=low + pixel * scale, visible=bool(np.isfinite(value)))


class Legend:
    """Words beside samples of lines and markers, in columns filled from the top; an axes of its own without a frame."""

    def __init__(self, scene: Scene, ax: Axes, rows: int, columns: int = 1) -> None:
        ax.set_axis_off()
        ax.set(xlim=(0.0, 1.0), ylim=(rows - 0.5, -0.5))
        self.slots = []
        for k in range(rows * columns):
            x, y = k // rows / columns, k % rows
            ends = [x + 0.005, x + 0.035, x + 0.065]
            (sample,) = ax.plot(ends, [y, y, y], markersize=7, linewidth=1.6, markevery=[1])
            self.slots.append((scene.moves(sample), scene.words(ax, x + 0.085, y, va="center", fontsize=9)))

    def show(self, entries: Sequence[tuple[str, Mapping[str, Any]]]) -> None:
        """Show (words, style of the line) pairs; a style without ``linestyle`` shows its marker alone."""
        for k, (sample, words) in enumerate(self.slots):
            used = k < len(entries)
            sample.set_visible(used)
            words.set_visible(used)
            if used:
                label, style = entries[k]
                sample.set(**{"linestyle": "none", "marker": "none", **style})
                words.set_text(label)


def put_beside(ax: Axes, words: StampedText, point: tuple[float, float], curves: Sequence[Any], gap: float = 9.0) -> None:
    """Put words beside a point, as near as they meet none of the curves; to the right above it if they always meet one.

    Parameters
    ----------
    ax : Axes
    words : StampedText
    point : (x, y) in the units of the axes
    curves : (x, y) arrays, x rising
    gap : float
        Distance from point and curves in pixels.
    """
    figure: Any = ax.get_figure(root=True)
    width, height = words.size(float(figure.dpi))
    gap *= figure.dpi / 100.0
    (x, y), box = ax.transData.transform(point), ax.bbox
    lines = [ax.transData.transform(np.column_stack(curve)) for curve in curves if len(curve[0])]
    ups = (0.7 * gap, -0.7 * gap - height, 2.0 * gap, -2.0 * gap - height)
    places = [(x + way * gap + min(way, 0) * width, y + up) for up in ups for way in (1, -1)]
    inside = [(a, b) for a, b in places if a >= box.x0 and a + width <= box.x1 + 2 * gap and b >= box.y0] or places
    free = (place for place in inside if not any(_meets(line, place, width, height, 0.5 * gap) for line in lines))
    a, b = next(free, inside[0])
    at = ax.transData.inverted().transform((a, b))
    words.set(x=float(at[0]), y=float(at[1]), ha="left", va="bottom")


def _meets(line: Any, place: tuple[float, float], width: float, height: float, gap: float) -> bool:
    """Whether a line (points in pixels, x rising) runs through a box, or nearer to it than ``gap``."""
    low, high = max(place[0] - gap, line[0, 0]), min(place[0] + width + gap, line[-1, 0])
    if low > high:
        return False
    y = np.interp(np.linspace(low, high, 40), line[:, 0], line[:, 1])
    return bool(y.min() <= place[1] + height + gap and y.max() >= place[1] - gap)


def boxes(spans: Sequence[tuple[float, float]], low: float, high: float) -> list[Any]:
    """Corners of boxes from (start, length) pairs."""
    return [[(a, low), (a, high), (a + n, high), (a + n, low)] for a, n in spans]


def shares_text(parts: Sequence[float]) -> str:
    """Shares of the time as text, one per chip."""
    return " / ".join("<1" if 0 < part < 0.01 else f"{100 * part:.0f}" for part in parts) + " %"
