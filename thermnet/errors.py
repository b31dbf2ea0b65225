"""Exceptions a user may meet; each carries what went wrong, where, and what was expected."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class ThermnetError(Exception):
    """Base of every error this package raises on purpose."""


class UnitError(ThermnetError, ValueError):
    """A text quantity could not be read, or has the wrong dimension."""


class NetworkError(ThermnetError, ValueError):
    """The thermal graph is malformed (floating node, negative capacity, unknown name ...)."""


class ThermalRunawayError(ThermnetError, ArithmeticError):
    """Leakage grows faster with temperature than the network can carry the heat away.

    Attributes
    ----------
    node : str
        The node at which the temperature runs away.
    """

    def __init__(self, message: str, node: str = "") -> None:
        super().__init__(message)
        self.node = node


class ConvergenceError(ThermnetError, ArithmeticError):
    """A solver stopped without reaching the tolerance asked."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a file: where it stands, what was found, what was expected, what may be meant."""

    key: str
    found: str
    expected: str
    hint: str = ""

    def __str__(self) -> str:
        text = f"{self.key}: {self.found}; expected {self.expected}" if self.found else f"{self.key}: expected {self.expected}"
        return f"{text}. {self.hint}" if self.hint else text


class DesignError(ThermnetError, ValueError):
    """A design, log or argument file is not usable; lists every problem found in it.

    Attributes
    ----------
    source : str
        File (or the name of what was read).
    problems : tuple of Problem
        All problems, in file order.
    """

    def __init__(self, source: str, problems: Sequence[Problem]) -> None:
        self.source = source
        self.problems = tuple(problems)
        count = len(self.problems)
        head = f"{source}: {count} problem{'s' if count != 1 else ''}"
        super().__init__("\n".join([head, *(f"  {problem}" for problem in self.problems)]))
