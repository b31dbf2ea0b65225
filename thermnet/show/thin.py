"""Fewer points for long histories, without losing peaks or limits that bind only for moments."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def thin(time: Any, values: Any, points: int = 700) -> tuple[Array, Array]:
    """Keep about ``points`` of a curve: first, last, lowest and highest sample of each of equal stretches.

    Returns
    -------
    time, values : arrays
        In the order of time; the curve itself where it is short enough already.
    """
    t, v = np.asarray(time, dtype=float), np.asarray(values, dtype=float)
    if t.size <= points:
        return t, v
    edges = np.linspace(0, t.size, max(points // 4, 1) + 1).astype(int)
    keep: set[int] = {0, t.size - 1}
    for a, b in pairwise(edges):
        part = v[a:b]
        if part.size and not np.all(np.isnan(part)):
            keep |= {int(a), int(b - 1), int(a + np.nanargmin(part)), int(a + np.nanargmax(part))}
    chosen = np.array(sorted(keep))
    return t[chosen], v[chosen]


def spans(time: Any, codes: Any, code: int, *, shortest: float = 0.0) -> list[tuple[float, float]]:
    """Return (start, length) of every stretch where ``codes == code``; samples hold until the next.

    Stretches closer together than ``shortest`` are drawn as one and short ones are widened to it, so that
    moments stay visible.
    """
    t = np.asarray(time, dtype=float)
    held = np.asarray(codes)[:-1] == code
    if t.size < 2 or not held.any():
        return []
    edges = np.flatnonzero(np.diff(np.concatenate([[False], held, [False]]).astype(int)))
    found: list[list[float]] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        start, end = float(t[a]), float(t[b])
        if found and start - found[-1][1] < shortest:
            found[-1][1] = end
        else:
            found.append([start, end])
    return [(start, max(end - start, shortest)) for start, end in found]


def share(time: Any, codes: Any, code: int) -> float:
    """Share of the time in which ``codes == code``; samples hold until the next."""
    t = np.asarray(time, dtype=float)
    if t.size < 2:
        return 0.0
    return float(np.sum(np.diff(t) * (np.asarray(codes)[:-1] == code)) / (t[-1] - t[0]))
