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


def decibels(text: str) -> float:
    """Read ``36`` or ``"36 dBA"`` as dBA."""
    return _quantity(text, "dBA")


def kelvins(text: str) -> float:
    """Read ``0.5`` or ``"0.5 K"`` as K."""
    value = _quantity(text, "K")
    if value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r}; expected more than 0 K")
    return value


def cost(text: str) -> tuple[str, float]:
    """Read ``pipes=1.20`` as the cost of a part or of each part of a kind."""
    name, equals, amount = text.partition("=")
    try:
        value = float(amount)
    except ValueError:
        value = -1.0
    if not (name and equals and 0.0 <= value < float("inf")):
        raise argparse.ArgumentTypeError(f"{text!r}; expected PART=COST, e.g. pipes=1.20")
    return name.strip(), value


def count(text: str) -> int:
    """Read a whole number of at least 1 (``1000``, ``1_000``)."""
    try:
        value = int(text)
    except ValueError:
        value = 0
    if value < 1:
        raise argparse.ArgumentTypeError(f"{text!r}; expected a whole number of at least 1")
    return value


def number(text: str) -> float:
    """Read a finite number."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r}; expected a finite number")
    return value


def share(text: str) -> float:
    """Read ``0.999`` or ``99.9 %`` as a share."""
    try:
        value = float(text.rstrip("% ")) / (100.0 if text.strip().endswith("%") else 1.0)
    except ValueError:
        value = -1.0
    if not 0.0 < value < 1.0:
        raise argparse.ArgumentTypeError(f"{text!r}; expected a share between 0 and 1, or such as 99.9 %")
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


def keys(text: str) -> dict[str, str]:
    """Read ``key=value, key=value`` as dotted keys and their values."""
    found = {}
    for part in text.split(","):
        key, mark, value = part.partition("=")
        if not (mark and key.strip() and value.strip()):
            raise argparse.ArgumentTypeError(f"{text!r}; expected key=value, such as interface.ageing=0")
        found[key.strip()] = _plain_value(value.strip())
    return found


def change(text: str) -> tuple[str, dict[str, str]]:
    """Read ``name: key=value, key=value`` as one named change."""
    name, mark, rest = text.partition(":")
    if not (mark and name.strip()):
        raise argparse.ArgumentTypeError(f"{text!r}; expected a name, a colon and keys, such as re-paste: interface.ageing=0")
    return name.strip(), keys(rest)


def pair(read: Callable[[str], float]) -> Callable[[str], tuple[float, float]]:
    """Read two values with a comma between."""

    def read_both(text: str) -> tuple[float, float]:
        values = [read(part.strip()) for part in text.split(",")]
        if len(values) != 2:
            raise argparse.ArgumentTypeError(f"{text!r}; expected two values with a comma between")
        return values[0], values[1]

    return read_both


def newtons(text: str) -> float:
    """Read ``50`` or ``"10 lbf"`` as N."""
    return _quantity(text, "N")


def _plain_value(text: str) -> Any:
    try:
        return float(text)
    except ValueError:
        return {"true": True, "false": False}.get(text, text)


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
    switch: bool = False
    """Takes no value."""


OPTIONS = {
    "mode": Option("--mode", str, "desk", "NAME", "operating mode of the design (default desk)"),
    "ambient": Option("--ambient", temperature, None, "T", "room temperature, degC (default: the design's)"),
    "modes": Option("--mode", several(str), None, "NAMES", "modes with commas between (default: all)"),
    "ambients": Option("--ambient", several(temperature), None, "TEMPERATURES", "rooms with commas between, degC"),
    "postures": Option("--posture", several(str), None, "NAMES", "postures with commas between (default: the design's)"),
    "unit_loads": Option("--load", several(load), None, "LOADS", "loads with commas between (default: four usual ones)"),
    "skins_judged_at": Option(
        "--skins-judged-at", temperature, None, "T", "room at which skin limits are meant, degC; in another they move along"
    ),
    "margin": Option("--margin", kelvins, 2.0, "K", "kept below every temperature limit (default 2 K)"),
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
    "uncertainty": Option("--uncertainty", switch=True, help="also the 5 to 95 %% band over the declared tolerances"),
    "family": Option("--family", switch=True, help="with every design, the same machine with other cooling stacks"),
    "noise": Option("--noise", decibels, None, "LEVEL", "noise cap for all, dBA (default: that of the mode)"),
    "at_power": Option("--power", watts, None, "POWER", "power to compare at, W (default: the mode's sustained limit)"),
    "through": Option("--through", str, None, "NAME", "interface part (default: the first one on a chip)"),
    "chip_power": Option("--power", watts, None, "POWER", "power of the chip, W (default: the mode's burst limit)"),
    "costs": Option(
        "--cost", cost, None, "PART=COST", "cost of a part (or of each of a kind); several times", again=True
    ),
    "burst_power": Option("--power", watts, None, "POWER", "power of the burst, W (default: the mode's burst limit)"),
    "rests": Option("--rest", several(seconds), None, "TIMES", "rests with commas between, s (default 10 to 300)"),
    "chips": Option("--chips", several(str), None, "A,B", "two chips (default: the first two)"),
    "order": Option("--order", count, None, "N", "number of states"),
    "error": Option("--error", kelvins, None, "K", "largest error of the reduction, K (default 0.5)"),
    "period": Option("--period", seconds, 1.0, "TIME", "firmware's sample, s (default 1)"),
    "trial": Option("--load", load, None, "LOAD", "load to try it on: a name, W, or a CSV log (default compile)"),
    "load": Option("--load", load, None, "LOAD", "a load by name, a power in W, or the path of a CSV log"),
    "materials": Option(
        "--materials", several(str), None, "NAMES",
        "interface materials with commas between (default grease,phase_change,graphite_pad,liquid_metal)",
    ),
    "clamp_loads": Option("--clamp", pair(newtons), None, "LOW,HIGH", "clamp loads, N (default 0.2 and 0.6 MPa on the die)"),
    "barrier": Option("--barrier", switch=True, help="plating or coating keeps liquid metal off aluminium"),
    "changes": Option(
        "--change", change, None, "NAME: KEY=VALUE", "a change made; several times, and several keys with commas between",
        again=True,
    ),
    "before": Option("--before", keys, None, "KEY=VALUE", "state of the machine before, such as interface.ageing=1"),
    "claimed": Option("--claimed", pair(temperature), None, "BEFORE,AFTER", "claimed die temperatures, degC"),
    "reading": Option("--reading", str, "settled", "WORD", "die temperature: settled, peak or mean (default settled)"),
    "trace_load": Option("--load", load, None, "LOAD", "a load by name, or a power in W (default render, or the log's own)"),
    "limit_log": Option("--log", str, None, "FILE", "lab log (CSV) with time, power, die temperature, fan speed, limit"),
    "ledger_power": Option("--power", watts, 28.0, "POWER", "chip power, W (default 28)"),
    "unit_load": Option("--load", load, "render", "LOAD", "load that every unit runs (default render)"),
    "samples": Option("--samples", count, 1024, "N", "units to simulate (default 1024)"),
    "seed": Option("--seed", count, 1, "N", "seed of the units (default 1)"),
    "tolerances": Option("--tolerances", str, None, "FILE", "tolerance file (default: the design's declared tolerances)"),
    "volume": Option("--volume", count, 1_000_000, "N", "units made in a year (default 1,000,000)"),
    "column": Option("--column", str, None, "NAME", "column of the file (default: the first with numbers)"),
    "lower": Option("--lower", number, None, "VALUE", "lower limit, in the unit of the values"),
    "upper": Option("--upper", number, None, "VALUE", "upper limit"),
    "target": Option("--target", number, None, "VALUE", "aim of the process (default: the middle of the limits)"),
    "gauge": Option("--gauge", str, None, "FILE", "gauge study (CSV): part, operator, reading"),
    "required": Option("--required", number, 4.0 / 3.0, "INDEX", "Ppk to be shown (default 1.33)"),
    "at_rest": Option("--steady", switch=True, help="no run: every unit rests under the mean power of the load"),
    "indices": Option("--indices", count, 0, "N", "base points for Sobol indices, such as 256 (default: none)"),
    "traces": Option(
        "--trace", several(str), (), "NAMES", "histories to keep in the store: nodes, power.<chip>, fan_speed.<fan>, with commas between"
    ),
    "target_yield": Option("--target-yield", share, 0.999, "SHARE", "yield that the allocation aims at (default 0.999)"),
    "store": Option("--store", str, None, "DIR", "keep results here as they come, and go on from them"),
    "scheduler": Option("--scheduler", str, None, "ADDRESS", "Dask scheduler to work on, e.g. tcp://127.0.0.1:8786"),
}  # fmt: skip
"""Options by the name under which a command asks for them."""
