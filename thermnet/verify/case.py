"""Reference cases as files: what a case may contain, and how all problems in it are reported at once."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from thermnet.errors import DesignError, Problem
from thermnet.network.graph import nearest

FUNCTION = re.compile(
    r"thermnet\.(?:physics\.[a-z][a-z0-9_]*|materials(?:\.[a-z][a-z0-9_]*)?|tolerance\.capability|verify\.worked_[a-z0-9_]+):[a-z][a-z0-9_]*"
)
"""Functions a case may call: public ones of the physics, of the materials and of the worked examples."""

GRADES = ("A", "A-", "B", "C", "D")
ORIGINS = (
    "exact",
    "library",
    "common practice, no source",
    "from memory",
    "seen",
    "computed",
    "memory",
    "grade",
)
"""How a provenance starts: a grade, or one of these words."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Expected(_Strict):
    """Value or values from outside the package, and which item of the function's answer they belong to."""

    value: float | list[float] | list[list[float]]
    item: str | int | list[str] | None = None

    @field_validator("value")
    @classmethod
    def _finite(cls, value: Any) -> Any:
        if not all(math.isfinite(number) for number in _flat(value)):
            raise ValueError("finite numbers")
        if isinstance(value, list) and not value:
            raise ValueError("at least one number")
        return value

    @field_validator("item")
    @classmethod
    def _public(cls, item: Any) -> Any:
        for name in item if isinstance(item, list) else [item]:
            if isinstance(name, str) and not re.fullmatch(r"[A-Za-z0-9][\w .]*", name):
                raise ValueError("a plain name or an index")
        return item


class SurfaceRow(_Strict):
    """Radiation and natural convection of a link (see ``thermnet.network.SurfaceExchange``)."""

    radiating_area: float = 0.0
    convection: float = 0.0
    exponent: float = 0.25
    floor: float = 0.0


class DryOutRow(_Strict):
    """Heat pipe with a limit (see ``thermnet.network.DryOut``)."""

    resistance: float
    limit: float
    reference: float = 50.0
    slope: float = 0.0
    steepness: float = 4.0
    blend: float = 0.1


class LinkRow(_Strict):
    """One link; give exactly one of the four."""

    between: tuple[str, str]
    resistance: float | None = None
    conductance: float | None = None
    surface: SurfaceRow | None = None
    dry_out: DryOutRow | None = None

    @model_validator(mode="after")
    def _one(self) -> LinkRow:
        given = [v for v in (self.resistance, self.conductance, self.surface, self.dry_out) if v is not None]
        if len(given) != 1:
            raise ValueError("exactly one of resistance, conductance, surface, dry_out")
        return self


class StreamRow(_Strict):
    """One-way flow of heat capacity, W/K."""

    between: tuple[str, str]
    capacity_rate: float


class LeakageRow(_Strict):
    """Heat growing with the node's temperature: ``power * exp(slope * (T - reference))``."""

    node: str
    power: float
    reference: float = 70.0
    slope: float = 0.018


class NetworkRow(_Strict):
    """A whole network: capacities in J/K by node, boundaries in degC, powers in W."""

    nodes: dict[str, float]
    boundaries: dict[str, float]
    links: list[LinkRow]
    streams: list[StreamRow] = []
    leakage: list[LeakageRow] = []
    powers: dict[str, float] = {}


class Ask(_Strict):
    """What is asked of a network: steady temperatures, or temperatures at ``times`` (s), of ``nodes``."""

    nodes: list[str] = Field(min_length=1)
    times: list[float] | None = None
    initial: float | dict[str, float] | str = 25.0
    tolerance: float = Field(default=1e-6, gt=0)

    @field_validator("times")
    @classmethod
    def _rising(cls, times: Any) -> Any:
        if times is not None and (not times or times[0] < 0 or any(b <= a for a, b in pairwise(times))):
            raise ValueError("rising times from 0 s on")
        return times

    @field_validator("initial")
    @classmethod
    def _start(cls, initial: Any) -> Any:
        if isinstance(initial, str) and initial != "steady":
            raise ValueError('a temperature, temperatures by node, or "steady"')
        return initial


class Case(_Strict):
    """One published or exact check of the package.

    Attributes
    ----------
    name : str
        File name without its ending.
    what, source, provenance, note : str
        What is checked, where the value comes from, how well that is known, why the tolerance is as it is.
    unit, tolerance : str
        Unit of the value; ``"0.1 %"`` of the expected value, or an absolute number in the unit.
    function, inputs : str, mapping
        A function of the package and its arguments (SI; lists become arrays) ...
    network, ask
        ... or a network and what is asked of it.
    expected : Expected
    """

    name: str
    what: str = Field(min_length=5)
    source: str = Field(min_length=3)
    provenance: str = Field(min_length=1)
    unit: str = Field(min_length=1)
    tolerance: str
    note: str = ""
    function: str | None = None
    inputs: dict[str, Any] = {}
    network: NetworkRow | None = None
    ask: Ask | None = None
    expected: Expected

    @field_validator("provenance")
    @classmethod
    def _known_origin(cls, text: str) -> str:
        graded = re.match(r"([A-D]-?)(?=[:;, ]|$)", text)
        if not (graded and graded.group(1) in GRADES) and not text.lower().startswith(ORIGINS):
            raise ValueError(f"a grade ({', '.join(GRADES)}) or one of: {', '.join(ORIGINS)}")
        return text

    @field_validator("function")
    @classmethod
    def _allowed(cls, name: str | None) -> str | None:
        if name is not None and not FUNCTION.fullmatch(name):
            raise ValueError(
                "module:function inside thermnet.physics, thermnet.materials, thermnet.tolerance.capability or thermnet.verify.worked_..."
            )
        return name

    @model_validator(mode="after")
    def _whole(self) -> Case:
        if (self.function is None) == (self.network is None):
            raise ValueError("exactly one of function and [network]")
        if self.network is not None and self.ask is None:
            raise ValueError("[ask] beside [network]")
        if self.function is not None and self.ask is not None:
            raise ValueError("[ask] only beside [network]")
        if self.network is not None and self.inputs:
            raise ValueError("[inputs] only beside function")
        tolerance_of(self.tolerance, self.unit)
        return self


def tolerance_of(text: str, unit: str) -> tuple[float, bool]:
    """Read a tolerance: its number, and whether it is relative to the expected value.

    Raises
    ------
    ValueError
        Neither ``"0.1 %"`` nor a number in ``unit`` (the unit may be written behind it).
    """
    match = re.fullmatch(r"\s*([0-9.]+(?:[eE][-+]?[0-9]+)?)\s*(.*?)\s*", text)
    number = (
        float(match.group(1))
        if match and re.fullmatch(r"\d*\.?\d+(?:[eE].+)?|\d+\.", match.group(1))
        else math.nan
    )
    if match is None or not math.isfinite(number):
        raise ValueError(f'tolerance {text!r} is neither like "0.1 %" nor a number in {unit}')
    behind = match.group(2)
    if behind == "%":
        return number / 100.0, True
    if behind in ("", unit) or (unit in ("degC", "C") and behind == "K"):
        return number, False
    raise ValueError(f'tolerance {text!r} is in {behind}; expected "%" or {unit}')


def read_case(path: Path) -> Case:
    """Read one case file.

    Raises
    ------
    DesignError
        Lists every problem of the file.
    """
    case, problems = _read(path)
    if case is None or problems:
        raise DesignError(path.name, problems)
    return case


def default_folder() -> Path:
    """Folder of the reference cases: beside the package in a checkout, inside it once installed."""
    package = Path(__file__).resolve().parent
    beside = package.parents[1] / "reference_cases"
    return beside if beside.is_dir() else package / "cases"


def load_cases(folder: str | Path | None = None) -> list[Case]:
    """Read every case of a folder, in the order of their names.

    Parameters
    ----------
    folder : path, optional
        A folder of ``*.toml`` files, or one such file; the package's own cases if left out.

    Raises
    ------
    DesignError
        No case there, or problems in any file: all of them are listed.
    """
    place = Path(folder) if folder is not None else default_folder()
    paths = [place] if place.is_file() else sorted(place.glob("*.toml"))
    if not paths:
        raise DesignError(str(place), [Problem("cases", "none", "a folder of .toml case files")])
    cases, problems = [], []
    for path in paths:
        case, found = _read(path)
        problems += found
        if case is not None:
            cases.append(case)
    if problems:
        raise DesignError(str(place), problems)
    return cases


# -- inside ------------------------------------------------------------------------------------------------


def _read(path: Path) -> tuple[Case | None, list[Problem]]:
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        return None, [Problem(path.name, str(error), "a readable TOML file")]
    if "name" in content:
        return None, [
            Problem(f"{path.name}: name", repr(content["name"]), "no such key: the file name is the name")
        ]
    try:
        case = Case(name=path.stem, **content)
    except ValidationError as error:
        return None, list(_problems(path.name, error))
    return case, list(_strays(path.name, case))


def _problems(file: str, error: ValidationError) -> Iterable[Problem]:
    for item in error.errors():
        where = ".".join(str(step) for step in item["loc"] if not str(step).startswith(("list[", "dict[")))
        key = f"{file}: {where}" if where else file
        if item["type"] == "extra_forbidden":
            yield Problem(
                key, "unknown key", "one of the documented keys" + nearest(where, list(Case.model_fields))
            )
        elif item["type"] == "missing":
            yield Problem(key, "missing", "a value")
        elif item["type"] == "value_error":
            found = "" if isinstance(item["input"], (dict, BaseModel)) else repr(item["input"])
            yield Problem(key, found, item["msg"].removeprefix("Value error, "))
        else:
            yield Problem(key, repr(item["input"])[:60], item["msg"][0].lower() + item["msg"][1:])


def _strays(file: str, case: Case) -> Iterable[Problem]:
    """Names that point nowhere, and expected values of the wrong shape."""
    if case.network is None or case.ask is None:
        return
    known = [*case.network.nodes, *case.network.boundaries]
    used = [(f"network.links.{i}", n) for i, row in enumerate(case.network.links) for n in row.between]
    used += [(f"network.streams.{i}", n) for i, row in enumerate(case.network.streams) for n in row.between]
    used += [(f"network.leakage.{i}", row.node) for i, row in enumerate(case.network.leakage)]
    used += [("network.powers", n) for n in case.network.powers]
    used += [("ask.nodes", n) for n in case.ask.nodes]
    used += [("ask.initial", n) for n in case.ask.initial] if isinstance(case.ask.initial, dict) else []
    for where, name in used:
        if name not in known:
            yield Problem(
                f"{file}: {where}", repr(name), "the name of a node or boundary" + nearest(name, known)
            )
    shape = _shape(case.expected.value)
    wanted = (len(case.ask.nodes),) if case.ask.times is None else (len(case.ask.times), len(case.ask.nodes))
    if shape != wanted and not (shape == () and math.prod(wanted) == 1):
        asked = "one per node" if case.ask.times is None else "a row per time, each with one per node"
        yield Problem(f"{file}: expected.value", f"shape {shape}", f"{asked}: shape {wanted}")


def _flat(value: Any) -> Iterable[float]:
    if isinstance(value, list):
        for item in value:
            yield from _flat(item)
    else:
        yield value


def _shape(value: Any) -> tuple[int, ...]:
    return (len(value), *_shape(value[0])) if isinstance(value, list) else ()
