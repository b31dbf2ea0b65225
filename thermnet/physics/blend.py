"""Passing from one correlation to the next without a jump."""

from __future__ import annotations

from typing import Any

import numpy as np


def smooth_step(x: Any, start: float, end: float) -> Any:
    """Rise from 0 at ``start`` to 1 at ``end`` by a cubic in log(x) with flat ends; constant outside.

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
    """Give ``low`` for x up to ``start``, ``high`` from ``end``, and their weighted mean in the band."""
    share = smooth_step(x, start, end)
    return low + share * (high - low)
