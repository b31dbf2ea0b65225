"""What arguments mean: temperatures, times and powers with or without a unit, and the options of commands."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


def temperature(text: str) -> float:
    """Read ``25`` or ``"77 degF"`` as degC."""
    return _quantity(text, "degC")


def seconds(text: str) -> float:
    """Read ``600`` or ``"10 min"`` as s."""
    value = _quantity(text, "s")
    if value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r}; expected a time above 0 s")
    return value


def watts(text: str) -> float:
    """Read ``28`` or ``"28 W"`` as W."""
    value = _quantity(text, "W")
    if value < 0:
        raise argparse.ArgumentTypeError(f"{text!r}; expected a power of 0 W or more")
    return value


def start_state(text: str) -> Any:
    """Read ``idle``, ``cold``, or a power soaked at."""
    if text in ("idle", "cold"):
        return text
    try:
        return watts(text)
    except argparse.ArgumentTypeError as error:
        raise argparse.ArgumentTypeError(f"{error}; or say idle or cold") from None


def load(text: str) -> Any:
    """Read a power in W; anything else is the name of a load or the path of a CSV log."""
    from thermnet.errors import UnitError
    from thermnet.units import parse

    try:
        return float(text)
    except ValueError:
        pass
    try:
        return parse(text, "W")
    except UnitError:
        return text


def several(read: Callable[[str], Any]) -> Callable[[str], tuple[Any, ...]]:
    """Read a list with commas between."""

    def read_all(text: str) -> tuple[Any, ...]:
        return tuple(read(part.strip()) for part in text.split(",") if part.strip())

    return read_all


def _quantity(text: str, unit: str) -> float:
    import math

    from thermnet.errors import UnitError
    from thermnet.units import parse

    try:
        value = float(text)
    except ValueError:
        try:
            value = parse(text, unit)
        except UnitError as error:
            raise argparse.ArgumentTypeError(str(error)) from None
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r} is not a finite number")
    return value


@dataclass(frozen=True)
class Option:
    """An option of a command: its flag, how it is read, what it means."""

    flag: str
    read: Callable[[str], Any] = str
    default: Any = None
    metavar: str = ""
    help: str = ""
    again: bool = False
    """May be given several times."""


OPTIONS = {
    "mode": Option("--mode", str, "desk", "NAME", "operating mode of the design (default desk)"),
    "ambient": Option("--ambient", temperature, None, "T", "room temperature, degC (default: the design's)"),
    "start": Option(
        "--start", start_state, "idle", "STATE", "idle, cold, or a power soaked at, in W (default idle)"
    ),
    "starts": Option(
        "--start", start_state, None, "STATE",
        "idle, cold, or a power soaked at, in W; may be given several times", again=True,
    ),
    "duration": Option("--duration", seconds, None, "TIME", 'length, s, or with a unit such as "30 min"'),
    "durations": Option(
        "--duration", several(seconds), None, "TIMES", "durations with commas between, s (default 1 to 600)"
    ),
    "powers": Option(
        "--power", several(watts), (28.0, 45.0, 64.0), "POWERS",
        "powers with commas between, W (default 28,45,64)",
    ),
    "load": Option("--load", load, None, "LOAD", "a load by name, a power in W, or the path of a CSV log"),
}  # fmt: skip
"""Options by the name under which a command asks for them."""
