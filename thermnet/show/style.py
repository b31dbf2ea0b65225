"""How figures look: colours, line styles, markers, sizes, and reproducible files.

Nothing is told by colour alone: lines differ in dashes and carry their names at their ends, limits have a
marker and a row of their own.  Colours are those of Okabe and Ito (Color Universal Design, 2008), darkened or
lightened for the background where needed.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory

LIGHT = {
    "paper": "#ffffff", "ink": "#1d2328", "quiet": "#5a626a", "faint": "#dde1e5",
    "blue": "#0072b2", "orange": "#d55e00", "green": "#009e73", "rose": "#c0609a", "amber": "#b97d00",
    "sky": "#3a9bd6", "grey": "#8a9299",
}  # fmt: skip
"""Colour by name on a light background."""

DARK = {
    "paper": "#15191d", "ink": "#e9ebee", "quiet": "#a7afb7", "faint": "#343b42",
    "blue": "#5aa9e0", "orange": "#ff9152", "green": "#3cc7a0", "rose": "#e8a6cd", "amber": "#f0b840",
    "sky": "#9bd6f7", "grey": "#98a1a9",
}  # fmt: skip
"""The same names on a dark background."""

LINES: tuple[tuple[str, Any], ...] = (
    ("orange", "-"), ("blue", (0, (6, 1.5))), ("green", (0, (3, 1.2, 1, 1.2))), ("rose", (0, (1.4, 1.2))),
    ("amber", (0, (8, 1.5, 1.5, 1.5, 1.5, 1.5))), ("sky", (0, (4, 3))), ("grey", "-"),
)  # fmt: skip
"""Colour and dashes of the first, second ... line."""


@dataclass(frozen=True)
class Mark:
    """How a binding limit is shown: colour name, marker and hatch."""

    colour: str
    marker: str
    hatch: str


MARKS = {
    "demand": Mark("grey", ".", ""),
    "burst limit": Mark("sky", "s", "///"),
    "sustained limit": Mark("blue", "o", "\\\\\\"),
    "peak limit": Mark("rose", "^", "//-"),
    "junction": Mark("orange", "D", "xxx"),
    "skin": Mark("green", "v", "---"),
    "dry out": Mark("amber", "X", "+++"),
    "shared budget": Mark("rose", "P", "|||"),
    "regulator": Mark("amber", "h", "//|"),
    "battery": Mark("green", "*", "\\\\-"),
    "memory": Mark("sky", "<", "x-"),
    "drive": Mark("blue", ">", "x|"),
    "noise": Mark("grey", "p", "||"),
}
"""Marks of the limits the package knows by name."""

_SPARE = (Mark("ink", "d", "//"), Mark("ink", "H", "||"), Mark("ink", "8", "--"))

FONTS = "'DejaVu Sans', Verdana, 'Segoe UI', 'Helvetica Neue', Arial, sans-serif"


def mark_of(limit: str) -> Mark:
    """Mark of a limit by its name or kind: ``cpu.junction`` is a ``junction``, ``dry-out`` is ``dry out``."""
    word = re.sub(r"[_.-]+", " ", str(limit)).strip().lower()
    if word in MARKS:
        return MARKS[word]
    inside = [name for name in MARKS if name in word]
    return MARKS[inside[0]] if inside else _SPARE[sum(map(ord, word)) % len(_SPARE)]


def marks_of(limits: Iterable[str]) -> dict[str, Mark]:
    """Give each of several limits its mark, no two alike: a second skin zone gets another marker."""
    found: dict[str, Mark] = {}
    for limit in dict.fromkeys(map(str, limits)):
        mark = mark_of(limit)
        taken = {other.marker for other in found.values()}
        if mark.marker in taken:
            free = [marker for marker in "v^<>sDphd8" if marker not in taken]
            twice = f"{mark.hatch}{mark.hatch[:1]}|"
            mark = Mark(mark.colour, free[0] if free else mark.marker, twice)
        found[limit] = mark
    return found


def colours(dark: bool = False) -> dict[str, str]:
    """Colours by name for a light or a dark background."""
    return DARK if dark else LIGHT


@contextmanager
def look(dark: bool = False) -> Iterator[dict[str, str]]:
    """Apply the look to everything drawn inside, and give the colours by name."""
    c = colours(dark)
    settings = {
        "font.family": "DejaVu Sans", "font.size": 10.5, "axes.titlesize": 11, "axes.labelsize": 10.5,
        "xtick.labelsize": 10, "ytick.labelsize": 10, "legend.fontsize": 10,
        "figure.facecolor": c["paper"], "axes.facecolor": c["paper"], "savefig.facecolor": c["paper"],
        "text.color": c["ink"], "axes.labelcolor": c["ink"], "axes.edgecolor": c["quiet"],
        "axes.titlelocation": "left", "axes.titlecolor": c["ink"], "axes.titleweight": "bold",
        "xtick.color": c["quiet"], "ytick.color": c["quiet"], "xtick.labelcolor": c["ink"],
        "ytick.labelcolor": c["ink"], "axes.grid": True, "axes.axisbelow": True,
        "grid.color": c["faint"], "grid.linewidth": 0.8,
        "axes.spines.top": False, "axes.spines.right": False, "axes.linewidth": 0.9,
        "lines.linewidth": 2.0, "lines.markersize": 7, "lines.solid_capstyle": "round",
        # Room for letters that are wider at low resolution than where the figure was laid out.
        "figure.constrained_layout.w_pad": 0.1, "figure.constrained_layout.h_pad": 0.07,
        "hatch.linewidth": 0.8, "legend.frameon": False, "figure.dpi": 110, "savefig.dpi": 160,
        "svg.fonttype": "none", "svg.hashsalt": "thermnet", "path.simplify": True,
        "path.simplify_threshold": 0.3,
    }  # fmt: skip
    with mpl.rc_context(settings):
        yield c


class Drawing(Figure):
    """A matplotlib figure outside pyplot that shows itself in a notebook and knows what it shows.

    Attributes
    ----------
    title, alt : str
        Heading and text alternative for readers who do not see the figure.
    """

    title: str = ""
    alt: str = ""
    waiting: Names | None = None

    def _repr_svg_(self) -> str:
        return svg_text(self)

    def __repr__(self) -> str:
        return f"<Drawing: {self.title or 'untitled'}>"


def new_figure(width: float = 7.4, height: float = 4.4) -> Drawing:
    """Start a figure of a size in inches (call inside :func:`look`, and :func:`settle` at the end)."""
    figure = Drawing(figsize=(width, height), layout="constrained")
    figure.waiting = []
    return figure


def svg_text(figure: Figure) -> str:
    """Write a figure as a complete SVG file: text stays text, no date, same input gives the same bytes."""
    stream = io.StringIO()
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "thermnet"}):
        figure.savefig(
            stream, format="svg", metadata={"Date": None, "Creator": None}, facecolor=figure.get_facecolor()
        )
    text = re.sub(r' d="([^"]+)"', _shorter, stream.getvalue())
    return text.replace("'DejaVu Sans'", FONTS)


def _shorter(path: re.Match[str]) -> str:
    """Give a path's coordinates two decimals: a hundredth of a point is finer than any screen or printer."""
    return re.sub(
        r"-?\d+\.\d{3,}", lambda number: f"{float(number.group()):.2f}".rstrip("0").rstrip("."), path.group()
    )


def inline_svg(figure: Figure, name: str, *, title: str = "", alt: str = "") -> str:
    """Write a figure as an ``<svg>`` element for a page, following the page's light or dark colours.

    Parameters
    ----------
    figure : Figure
        Drawn with the light look.
    name : str
        Prefix for every id inside, unique on the page.
    title, alt : str
        Accessible name and description; those of the figure if left out.
    """
    text = svg_text(figure)
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.S)
    text = re.sub(r"<defs>\s*<style[^>]*>.*?</style>\s*</defs>", "", text, flags=re.S)
    text = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{name}-\1"', text)
    for word, colour in LIGHT.items():
        text = re.sub(rf"{colour}\b", f"var(--{word}, {colour})", text, flags=re.I)
    box = re.search(r'viewBox="([^"]+)"', text)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="{box.group(1) if box else "0 0 500 300"}" role="img" '
        f'aria-labelledby="{name}-title {name}-alt" '
        'style="width:100%;height:auto;overflow:visible;stroke-linejoin:round;stroke-linecap:butt">'
        f'<title id="{name}-title">{escape(title or getattr(figure, "title", ""))}</title>'
        f'<desc id="{name}-alt">{escape(alt or getattr(figure, "alt", ""))}</desc>'
    )
    body = text[text.index(">", text.index("<svg")) + 1 :]
    return re.sub(r"\n\s*", "\n", head + body).strip()


def save_figure(figure: Figure, stem: Path) -> list[Path]:
    """Write a figure as ``stem.svg`` and ``stem.png`` and return both paths."""
    svg, png = stem.with_suffix(".svg"), stem.with_suffix(".png")
    svg.write_text(svg_text(figure), encoding="utf-8")
    figure.savefig(png, format="png", dpi=160, metadata={"Software": None}, facecolor=figure.get_facecolor())
    return [svg, png]


Names = list[tuple[Axes, list[Any], float]]
"""Names at line ends that wait to be pushed apart: axes, texts, smallest distance in text heights."""


def name_ends(ax: Axes, ends: Sequence[tuple[float, str, str]], *, gap: float = 1.25) -> None:
    """Write each line's name to the right of the axes at the height of its end, pushed apart where they meet.

    Parameters
    ----------
    ax : Axes
    ends : sequence of (value at the right edge, name, colour)
    gap : float
        Smallest distance between two names, in text heights.
    """
    place = blended_transform_factory(ax.transAxes, ax.transData)
    texts = [
        ax.text(
            1.025,
            value,
            name,
            transform=place,
            va="center",
            ha="left",
            color=colour,
            fontsize=10,
            clip_on=False,
        )
        for value, name, colour in ends
    ]
    figure = ax.get_figure(root=True)
    waiting: Names | None = getattr(figure, "waiting", None)
    if waiting is not None:
        waiting.append((ax, texts, gap))
    elif figure is not None and texts:
        figure.draw_without_rendering()
        _push_apart(ax, texts, gap)


def settle(figure: Any) -> None:
    """Lay a figure out once and for all, and push the names at line ends apart.

    The layout is then kept as it is, so that every file written from the figure is the same.
    """
    if not isinstance(figure, Drawing) or figure.waiting is None:
        return
    figure.draw_without_rendering()
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    for ax in figure.axes:
        # The layout's last digits depend on the order in memory; a millionth of the figure is fine enough.
        left, bottom, width, height = (round(float(side), 6) for side in ax.get_position().bounds)
        ax.set_position((left, bottom, width, height))
    for ax, texts, gap in figure.waiting:
        _push_apart(ax, texts, gap)
    figure.waiting = None


def _push_apart(ax: Axes, texts: Sequence[Any], gap: float) -> None:
    figure = ax.get_figure(root=True)
    if figure is None or not texts:
        return
    low, high = ax.bbox.y0, ax.bbox.y1
    order = sorted(texts, key=lambda text: float(text.get_position()[1]))
    heights = [float(ax.transData.transform((1.0, text.get_position()[1]))[1]) for text in order]
    wanted = [min(max(pixel, low), high) for pixel in heights]
    for text, pixel in zip(order, _apart(wanted, gap * 10.0 * figure.dpi / 72.0), strict=True):
        text.set_position((1.025, float(ax.transData.inverted().transform((0.0, pixel))[1])))


def _apart(wanted: Sequence[float], gap: float) -> list[float]:
    """Move rising positions apart to at least ``gap``, as little as can be: clusters keep their mean."""
    clusters: list[list[float]] = []
    for position in wanted:
        clusters.append([position, 1.0])
        while len(clusters) > 1:
            (a, n), (b, m) = clusters[-2], clusters[-1]
            if b - a >= 0.5 * (n + m) * gap:
                break
            clusters[-2:] = [[(a * n + b * m) / (n + m), n + m]]
    return [centre + (k - 0.5 * (n - 1)) * gap for centre, n in clusters for k in range(int(n))]
