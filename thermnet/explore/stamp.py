"""Texts that move, as little images: laying out a word costs more than a millisecond, so each is laid out once."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.colors import to_rgba
from matplotlib.font_manager import FontProperties
from matplotlib.text import Text

MARGIN = 2
"""Pixels around a word, for letters that reach beyond their box."""


class StampedText(Text):
    """A text on one line, not rotated, placed on whole pixels; other formats than pixels get it as text."""

    def draw(self, renderer: Any) -> None:
        """Draw on pixels from the image kept of the word, elsewhere as any text."""
        if not isinstance(renderer, RendererAgg):
            super().draw(renderer)
            return
        if not self.get_text() or not self.get_visible():
            return
        image, width, height, descent = self._image(float(renderer.dpi))
        x, y = self.get_transform().transform(self.get_unitless_position())
        x -= {"left": 0.0, "center": 0.5 * width, "right": width}[self.get_horizontalalignment()]
        up = {"baseline": -descent, "bottom": 0.0, "center": -0.5 * height, "top": -height}
        y += up[self.get_verticalalignment()]
        if np.isfinite(x) and np.isfinite(y):
            renderer.draw_image(renderer.new_gc(), round(x) - MARGIN, round(y) - MARGIN, image)

    def size(self, dpi: float) -> tuple[float, float]:
        """Width and height in pixels."""
        _, width, height, _ = self._image(dpi)
        return width, height

    def _image(self, dpi: float) -> tuple[Any, float, float, float]:
        look = to_rgba(self.get_color()), self.get_fontsize(), str(self.get_fontweight())
        return _stamp(self.get_text(), *look, dpi)


@lru_cache(maxsize=1500)
def _stamp(
    words: str, colour: tuple[float, ...], size: float, weight: str, dpi: float
) -> tuple[Any, float, float, float]:
    """Image of a word (rows from the bottom up), its width and height, and how far it reaches below the line."""
    font = FontProperties(family="DejaVu Sans", size=size, weight=weight)
    width, height, descent = RendererAgg(1, 1, dpi).get_text_width_height_descent(words, font, False)
    wide, high = int(width) + 2 * MARGIN + 2, int(height) + 2 * MARGIN + 2
    renderer = RendererAgg(wide, high, dpi)
    gc = renderer.new_gc()
    gc.set_foreground(colour, isRGBA=True)
    renderer.draw_text(gc, MARGIN, high - MARGIN - descent, words, font, 0.0)
    drawn = np.array(renderer.buffer_rgba())
    return drawn[::-1].copy(), width, height, descent
