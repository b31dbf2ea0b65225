"""The rule by which a guess is scored.

The error is relative to the answer; where the answer is next to nothing, to a hundredth of the plausible range instead, so
that a guess of 0.2 K for 0.1 K is not called twice too much.  A perfect guess is worth 100 points, and every quarter
(25 %) of error halves what is left: 25 % off is 50 points, 50 % off 25, twice too much 6.  A quarter is what a hand
estimate of a thermal resistance is good for (20 to 30 %, common practice, no source), so that half the points mean "as
good as a hand estimate".
"""

from __future__ import annotations

HALVED_BY = 0.25
"""Relative error that halves the points."""
SMALLEST_SCALE = 0.01
"""Share of the plausible range below which an answer counts as next to nothing."""

_WORDS = (
    (0.05, "spot on"), (0.15, "close"), (HALVED_BY, "as good as a hand estimate"), (0.5, "the right size"),
    (1.0, "the right order, not more"),
)  # fmt: skip
RULE = (
    "A perfect guess is worth 100 points; every 25 % of error halves them "
    "(25 % off: 50 points, 50 % off: 25, twice too much: 6)."
)


def relative_error(guess: float, answer: float, plausible: tuple[float, float]) -> float:
    """Distance of a guess from the answer, as a share of the answer (at least of a hundredth of the plausible range)."""
    scale = max(abs(answer), SMALLEST_SCALE * (plausible[1] - plausible[0]))
    return abs(guess - answer) / scale


def points(error: float) -> int:
    """Points for a relative error, 0 to 100."""
    return round(float(100.0 * 0.5 ** (error / HALVED_BY)))


def verdict(error: float) -> str:
    """Say in words how good a guess is."""
    return next((words for most, words in _WORDS if error <= most), "far off, the one to learn from")
