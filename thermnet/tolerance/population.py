"""The population of a design: what its declarations imply, and what a tolerance file says instead."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.design.replace import get, parameters, values_of
from thermnet.design.toml_text import parse_toml
from thermnet.errors import DesignError, Problem, UnitError
from thermnet.files import decode, read_bytes
from thermnet.parameter import Declaration
from thermnet.tolerance.distribution import SHAPES, Distribution, declared
from thermnet.tolerance.sampling import Correlation, Population
from thermnet.units import parse
from thermnet.wording import found, nearest

SHARED_BY_ALL = ("maximum_speed", "speed_step", "period", "minimum_speed")
"""Fields that an ensemble cannot vary: they set the structure of the fan levels and of time."""

ENTRY_KEYS = (
    "shape",
    "three_sigma",
    "sigma",
    "center",
    "low",
    "high",
    "csv",
    "column",
    "values",
    "shares",
    "lot_share",
)


def declared_population(design: Design, mode: str | None = None) -> Population:
    """Independent normal (or truncated) distributions from every declared tolerance of parts and sensors.

    Power limits and other settings of the firmware do not vary from unit to unit and stay as they are.
    """
    chosen: dict[str, Distribution] = {}
    drawn = values_of(design)
    for key, declaration in parameters(design).items():
        if not _may_vary(key, declaration):
            continue
        distribution = declared(float(np.asarray(drawn[key])), declaration)
        if distribution is not None:
            chosen[key] = distribution
    return Population(chosen, source=f"declared tolerances of {design.name}")


def read_population(path: str | Path, design: Design, *, keep_declared: bool = True) -> Population:
    """Read a tolerance file and put it over the declared tolerances.

    The file is TOML::

        lot_size = 200
        ["interface.bond_line"]
        shape = "normal"
        three_sigma = "8 um"          # or "20 %" of the design's value; center = "30 um" to shift the mean
        lot_share = 0.6
        ["fins.pitch"]
        shape = "empirical"
        csv = "pitch.csv"             # beside this file; column = "pitch [mm]"
        [[correlations]]
        between = ["fan.wear", "fan.reference_noise"]
        coefficient = 0.5

    Raises
    ------
    DesignError
        Lists every problem: file, key, value, what was expected.
    """
    path = Path(path)
    raw = parse_toml(decode(read_bytes(path, "tolerance file", 2_000_000), str(path)), str(path))
    known = {key: d for key, d in parameters(design, derived=True).items() if d.role == "quantity"}
    problems: list[Problem] = []
    chosen = dict(declared_population(design).distributions) if keep_declared else {}
    correlations: list[Correlation] = []
    lot_size = raw.pop("lot_size", 50)
    if isinstance(lot_size, bool) or not isinstance(lot_size, int) or lot_size < 1:
        problems.append(Problem("lot_size", found(lot_size), "a whole number of at least 1"))
        lot_size = 50
    for k, row in enumerate(raw.pop("correlations", [])):
        pair = _correlation(row, f"correlations.{k}", problems)
        if pair is not None:
            correlations.append(pair)
    for key, entry in raw.items():
        if key not in known:
            problems.append(
                Problem(
                    key,
                    "no such parameter",
                    "the dotted key of a quantity of the design",
                    nearest(key, known),
                )
            )
        elif not _may_vary(key, known[key]):
            problems.append(
                Problem(key, "the same in every unit", "a parameter of a part or sensor that may vary")
            )
        else:
            distribution = _distribution(
                entry, key, known[key], float(np.asarray(get(design, key))), path.parent, problems
            )
            if distribution is not None:
                chosen[key] = distribution
    if problems:
        raise DesignError(str(path), problems)
    population = Population(chosen, tuple(correlations), lot_size, str(path))
    population.check()
    return population


def _may_vary(key: str, declaration: Declaration) -> bool:
    if declaration.role != "quantity" or key.startswith("modes.") or "." not in key:
        return False
    return key.rpartition(".")[2] not in SHARED_BY_ALL


def _correlation(row: Any, where: str, problems: list[Problem]) -> Correlation | None:
    expected = 'between = ["first", "second"] and coefficient = -1 to 1'
    if not isinstance(row, dict) or set(row) != {"between", "coefficient"}:
        problems.append(Problem(where, found(row), expected))
        return None
    names, value = row["between"], row["coefficient"]
    if not (
        isinstance(names, list)
        and len(names) == 2
        and all(isinstance(n, str) for n in names)
        and names[0] != names[1]
    ):
        problems.append(Problem(f"{where}.between", found(names), "two different parameters"))
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not -1 < value < 1:
        problems.append(Problem(f"{where}.coefficient", found(value), "a number between -1 and 1"))
        return None
    return Correlation(names[0], names[1], float(value))


def _distribution(
    entry: Any, key: str, declaration: Declaration, nominal: float, folder: Path, problems: list[Problem]
) -> Distribution | None:
    """Read one entry; adds what is wrong to ``problems`` and returns None then."""
    if not isinstance(entry, dict):
        problems.append(Problem(key, found(entry), f'a table ["{key}"] with a shape'))
        return None
    before = len(problems)
    for name in entry:
        if name not in ENTRY_KEYS:
            problems.append(
                Problem(f"{key}.{name}", "unknown key", ", ".join(ENTRY_KEYS), nearest(name, ENTRY_KEYS))
            )
    shape = entry.get("shape", "normal")
    if shape not in SHAPES:
        problems.append(Problem(f"{key}.shape", found(shape), ", ".join(SHAPES)))
        return None

    def number(name: str, default: float | None = None) -> float | None:
        if name not in entry:
            return default
        text = entry[name]
        try:
            if isinstance(text, str) and text.strip().endswith("%") and declaration.unit != "1":
                return parse(text, "1") * abs(nominal)
            if isinstance(text, int | float) and not isinstance(text, bool) and declaration.unit == "1":
                return float(text)
            unit = (
                "K" if declaration.unit == "degC" and name in ("three_sigma", "sigma") else declaration.unit
            )
            return parse(text, unit)
        except UnitError as error:
            problems.append(
                Problem(f"{key}.{name}", str(error), f'a quantity like "{declaration.unit}", or a share in %')
            )
            return None

    center = number("center", nominal)
    sigma = number("sigma")
    three = number("three_sigma")
    sigma = sigma if sigma is not None else (three / 3.0 if three is not None else 0.0)
    if shape == "lognormal" and center:
        # The spread of a lognormal is given like the others, as a width about the median.
        sigma = float(np.log1p(sigma / abs(center)))
    values, weights = _measured(entry, key, declaration, folder, problems)
    lot_share = entry.get("lot_share", 0.0)
    if isinstance(lot_share, bool) or not isinstance(lot_share, int | float):
        problems.append(Problem(f"{key}.lot_share", found(lot_share), "a number from 0 to 1"))
        lot_share = 0.0
    low, high = number("low"), number("high")
    if len(problems) > before:
        return None
    distribution = Distribution(
        shape=shape, center=float(center or 0.0), sigma=float(sigma), low=low, high=high, values=values, weights=weights,
        lot_share=float(lot_share),
    )  # fmt: skip
    wrong = distribution.problems()
    problems += [Problem(key, text, "a usable distribution") for text in wrong]
    if wrong:
        return None
    # Six sigma: beyond that no unit of a million is met.
    ends = np.array(distribution.ends(1e-9))
    if declaration.outside(ends):
        problems.append(
            Problem(key, f"reaches {ends[0]:.4g} to {ends[1]:.4g} {declaration.unit}", declaration.expected_text(),
                    "Cut it with low and high (truncated_normal).")
        )  # fmt: skip
        return None
    return distribution


def _measured(
    entry: dict[str, Any], key: str, declaration: Declaration, folder: Path, problems: list[Problem]
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Values of an empirical distribution (from a CSV column) or of lots (from lists)."""
    if entry.get("shape") == "lots":
        values, shares = entry.get("values", []), entry.get("shares", [])
        try:
            numbers = tuple(parse(v, declaration.unit) if isinstance(v, str) else float(v) for v in values)
            return numbers, tuple(float(s) for s in shares) or tuple(1.0 for _ in numbers)
        except (UnitError, TypeError, ValueError) as error:
            problems.append(Problem(f"{key}.values", str(error), "quantities, and as many shares"))
            return (), ()
    if entry.get("shape") != "empirical":
        return (), ()
    name = entry.get("csv")
    if not isinstance(name, str):
        problems.append(Problem(f"{key}.csv", found(name), "the name of a CSV file beside this one"))
        return (), ()
    path = folder / name
    if not path.is_file():
        problems.append(Problem(f"{key}.csv", f"no file {name!r}", "a CSV file of measurements"))
        return (), ()
    import pandas as pd

    try:
        frame = pd.read_csv(path, comment="#", skipinitialspace=True)
    except (pd.errors.EmptyDataError, pd.errors.ParserError, UnicodeDecodeError) as error:
        problems.append(
            Problem(f"{key}.csv", f"{name}: {type(error).__name__}", "a CSV file with a header and numbers")
        )
        return (), ()
    column = entry.get("column", frame.columns[0] if len(frame.columns) else None)
    if column not in frame.columns:
        problems.append(
            Problem(f"{key}.column", found(column), ", ".join(map(str, frame.columns)) or "a column")
        )
        return (), ()
    measured = pd.to_numeric(frame[column], errors="coerce").dropna().to_numpy(dtype=float)
    if measured.size < 2:
        problems.append(
            Problem(f"{key}.csv", f"{measured.size} numbers in {column!r}", "at least 2 measured values")
        )
        return (), ()
    unit = (
        str(column).rpartition("[")[2].rstrip("]) ")
        if "[" in str(column)
        else str(column).rpartition("(")[2].rstrip(") ")
    )
    try:
        factor = parse(f"1 {unit}", declaration.unit) if "[" in str(column) or "(" in str(column) else None
    except UnitError as error:
        problems.append(Problem(f"{key}.column", str(error), f"a unit of {declaration.unit} in brackets"))
        return (), ()
    if factor is None and declaration.unit != "1":
        problems.append(Problem(f"{key}.column", f"{column!r} has no unit", 'a header such as "pitch [mm]"'))
        return (), ()
    return tuple((measured * (factor or 1.0)).tolist()), ()
