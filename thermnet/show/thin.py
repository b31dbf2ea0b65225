"""Fewer points for long histories, without losing peaks or limits that bind only for moments."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def thin(time: Any, values: Any, points: int = 1600, levels: int = 400) -> tuple[Array, Array]:
    """Keep the samples of a curve that make a visible difference.

    Both ends of every move by more than one of ``levels`` steps of the curve's range are kept, so that steps
    stay steps; a curve too restless for that keeps the first, last, lowest and highest sample of equal
    stretches.

    Returns
    -------
    time, values : arrays
        In the order of time, at most about ``points`` of them; the curve itself where it is short enough.
    """
    t, v = np.asarray(time, dtype=float), np.asarray(values, dtype=float)
    if t.size <= points or np.all(np.isnan(v)):
        return t, v
    low, high = np.nanmin(v), np.nanmax(v)
    step = np.where(np.isnan(v), -1.0, np.floor((v - low) / max(high - low, 1e-12) * levels))
    moves = np.flatnonzero(np.diff(step) != 0)
    chosen = np.unique(np.concatenate([[0, t.size - 1], moves, moves + 1]))
    if chosen.size > points:
        chosen = _extremes(v, points)
    return t[chosen], v[chosen]


def _extremes(v: Array, points: int) -> NDArray[np.int64]:
    edges = np.linspace(0, v.size, max(points // 4, 1) + 1).astype(int)
    keep: set[int] = {0, v.size - 1}
    for a, b in pairwise(edges):
        part = v[a:b]
        if part.size and not np.all(np.isnan(part)):
            keep |= {int(a), int(b - 1), int(a + np.nanargmin(part)), int(a + np.nanargmax(part))}
    return np.array(sorted(keep), dtype=np.int64)


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
