"""Loads that a design file brings along: times and watts in the file, or a CSV demand log beside it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic_core import PydanticCustomError

from thermnet.design.schema import Reading, column, joined, name_problems, read_table, read_value
from thermnet.errors import DesignError, Problem
from thermnet.firmware.demand_log import read_demand_csv
from thermnet.firmware.library import natural_duration
from thermnet.firmware.workload import Workload
from thermnet.parameter import choice, names, quantity, text
from thermnet.wording import any_of, found, nearest, quoted

HOLDS = ("power", "frequency")
_SECONDS, _WATTS = column("time", "s"), column("demand", "W")


@dataclass(frozen=True, kw_only=True)
class OwnWorkload:
    """A load of your own: ``times`` and ``watts``, or a ``csv`` log beside the design file."""

    title: str = text(default="", doc="one line")
    csv: str = text(default="", doc="demand log, relative to the design file")
    holds: str = choice(HOLDS, default="power", doc="whether the watts or the full frequency are held")
    duration: float | None = quantity(
        "s", default=None, above=0.0, plausible=(1.0, 36000.0), step=60.0,
        doc="natural length of the run; left out: to the end of the last piece",
    )  # fmt: skip
    notes: tuple[str, ...] = names(doc="what was assumed or mended")


def read_workload(name: str, raw: Any, chips: Sequence[str], folder: Path | None) -> Reading:
    """Read ``[workloads.NAME]`` into a Workload."""
    path = joined("workloads", name)
    reading = read_table(OwnWorkload, raw, path, skip=("times", "watts", "other"))
    problems = [*name_problems(name, "workloads"), *reading.problems]
    if not isinstance(raw, dict):
        return Reading(None, problems)
    other = _quantities(raw.get("other", {}), f"{path}.other", problems)
    if "csv" in raw and ("times" in raw or "watts" in raw):
        problems.append(Problem(path, "both csv and times or watts", "either csv, or times and watts"))
    if "csv" not in raw:
        missing = [key for key in ("times", "watts") if key not in raw]
        problems += [Problem(f"{path}.{key}", "missing", _expected(key)) for key in missing]
    times = _list(raw.get("times", ["0 s"]), _SECONDS, f"{path}.times", problems)
    watts = _demand(raw.get("watts", {}), f"{path}.watts", len(times), chips, problems)
    if problems:
        return Reading(None, problems)
    own: OwnWorkload = reading.value
    if own.csv:
        return _from_log(name, own, other, chips, folder, path)
    problems += _rising(times, f"{path}.times")
    if problems:
        return Reading(None, problems)
    load = Workload(
        name=name,
        title=own.title,
        times=np.array(times),
        watts={chip: np.array(row) for chip, row in watts.items()},
        holds="power" if own.holds == "power" else "frequency",
        duration=own.duration or natural_duration(times),
        other=other,
        notes=tuple(own.notes),
    )
    return Reading(load, [])


def _from_log(name: str, own: OwnWorkload, other: dict[str, float], chips: Sequence[str], folder: Path | None,
              path: str) -> Reading:  # fmt: skip
    if folder is None and not Path(own.csv).is_absolute():
        return Reading(
            None, [Problem(f"{path}.csv", quoted(own.csv), "an absolute path (this design is not a file)")]
        )
    try:
        log = read_demand_csv((folder or Path()) / own.csv, chips)
    except DesignError as error:
        return Reading(
            None, [Problem(f"{path}.csv ({p.key})", p.found, p.expected, p.hint) for p in error.problems]
        )
    load = dataclasses.replace(
        log,
        name=name,
        title=own.title or log.title,
        holds="power" if own.holds == "power" else "frequency",
        duration=own.duration or log.duration,
        other=other,
        notes=(*own.notes, *log.notes),
    )
    return Reading(load, [])


def _expected(key: str) -> str:
    if key == "times":
        return 'a list of times, e.g. ["0 s", "10 s"] (or csv = "log.csv")'
    return 'a table of lists by chip, e.g. watts.cpu = ["3 W", "45 W"] (or csv = "log.csv")'


def _list(raw: Any, declared: Any, path: str, problems: list[Problem]) -> list[float]:
    if not isinstance(raw, list) or not raw:
        problems.append(Problem(path, found(raw), f"a list of texts such as {quoted(declared.example())}"))
        return []
    values = []
    for index, item in enumerate(raw):
        try:
            value = read_value(declared, item)
            if value < 0:
                problems.append(Problem(f"{path}.{index}", quoted(item), f"0 {declared.unit} or more"))
            values.append(value)
        except PydanticCustomError as error:
            context = error.context or {}
            problems.append(Problem(f"{path}.{index}", context["found"], context["expected"]))
            values.append(float("nan"))
    return values


def _demand(
    raw: Any, path: str, count: int, chips: Sequence[str], problems: list[Problem]
) -> dict[str, list[float]]:
    if not isinstance(raw, dict):
        problems.append(Problem(path, found(raw), _expected("watts")))
        return {}
    demand = {}
    for chip, row in raw.items():
        if chip not in chips:
            problems.append(Problem(joined(path, chip), "unknown chip", any_of(chips), nearest(chip, chips)))
        demand[chip] = _list(row, _WATTS, joined(path, chip), problems)
        if isinstance(row, list) and row and count and len(row) != count:
            problems.append(
                Problem(joined(path, chip), f"a list of {len(row)}", f"{count} values, one for each time")
            )
    return demand


def _quantities(raw: Any, path: str, problems: list[Problem]) -> dict[str, float]:
    if not isinstance(raw, dict):
        problems.append(Problem(path, found(raw), 'a table of heat by source, e.g. {drive = "3 W"}'))
        return {}
    return {key: _list([value], _WATTS, joined(path, key), problems)[0] for key, value in raw.items()}


def _rising(times: list[float], path: str) -> list[Problem]:
    if times[0] != 0.0:
        return [Problem(f"{path}.0", f"{times[0]:g} s", "0 s (a load starts at 0 s)")]
    for index in range(1, len(times)):
        if times[index] <= times[index - 1]:
            return [
                Problem(
                    f"{path}.{index}", f"{times[index]:g} s", f"more than {times[index - 1]:g} s before it"
                )
            ]
    return []
