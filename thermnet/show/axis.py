"""Axes as people read them: times as 10 s, 5 min, 1 h; clean logarithmic ticks."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter, NullLocator

_STOPS = (1e-3, 1e-2, 0.1, 0.3, 1, 3, 10, 30, 60, 180, 600, 1800, 3600, 10800, 36000)


def time_text(seconds: float) -> str:
    """Short text of a time: ``30 ms``, ``10 s``, ``5 min``, ``2 h``."""
    if seconds < 1.0:
        return f"{seconds * 1e3:.3g} ms"
    if seconds < 60.0:
        return f"{seconds:.3g} s"
    if seconds < 3600.0:
        return f"{seconds / 60.0:.3g} min"
    return f"{seconds / 3600.0:.3g} h"


def log_time(ax: Axes, low: float, high: float) -> None:
    """Make the x axis a logarithmic time axis from ``low`` to ``high`` s."""
    ax.set_xscale("log")
    ax.set_xlim(low, high)
    stops = [s for s in _STOPS if low * 0.999 <= s <= high * 1.001]
    if len(stops) > 8:
        stops = [s for s in stops if s in (1e-3, 1e-2, 0.1, 1, 10, 60, 600, 3600, 36000)]
    ax.xaxis.set_major_locator(FixedLocator(stops or [low, high]))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: time_text(value)))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_minor_formatter(NullFormatter())


def plain_time(ax: Axes, duration: float) -> tuple[float, str]:
    """Make the x axis a plain time axis; return the divisor from seconds and the unit drawn."""
    divisor, unit = (
        (1.0, "s") if duration <= 300 else (60.0, "min") if duration <= 4 * 3600 else (3600.0, "h")
    )
    ax.set_xlim(0.0, duration / divisor)
    return divisor, unit


def room_above(ax: Axes, *values: Any, share: float = 0.08) -> None:
    """Set y limits a little beyond the finite values."""
    flat = np.concatenate([np.ravel(np.asarray(v, dtype=float)) for v in values]) if values else np.array([])
    flat = flat[np.isfinite(flat)]
    if flat.size == 0:
        return
    low, high = float(flat.min()), float(flat.max())
    space = max((high - low) * share, 0.02 * max(abs(high), 1.0))
    ax.set_ylim(low - space, high + space)
