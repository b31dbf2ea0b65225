"""Passing from one correlation to the next without a jump."""

from __future__ import annotations

from typing import Any

import numpy as np


def smooth_step(x: Any, start: float, end: float) -> Any:
    """0 up to ``start``, 1 from ``end``, a cubic in log(x) with flat ends between (so value and slope are continuous).

    Parameters
    ----------
    x : float or array
        Any number of 0 or more.
    start, end : float
        Ends of the band, 0 < start < end.
    """
    share = np.log(np.clip(x, start, end) / start) / np.log(end / start)
    return share * share * (3.0 - 2.0 * share)


def between(low: Any, high: Any, x: Any, start: float, end: float) -> Any:
    """``low`` for x up to ``start``, ``high`` from ``end``, their weighted mean in the band (see ``smooth_step``)."""
    share = smooth_step(x, start, end)
    return low + share * (high - low)
