"""Design files in: find them, read them, and list everything that is wrong with them at once."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from thermnet.design.check import problems_of
from thermnet.design.design import Design
from thermnet.design.own_workloads import read_workload
from thermnet.design.schema import from_exception, joined, name_problems, read_fields, read_table
from thermnet.design.toml_text import parse_toml
from thermnet.errors import DesignError, Problem
from thermnet.files import decode, read_bytes
from thermnet.parts import part_kinds
from thermnet.wording import NAME, NAME_EXPECTED, any_of, found, nearest, quoted, short

LARGEST_DESIGN = 2_000_000
"""Bytes."""


def list_designs() -> list[str]:
    """Names of the designs that come with the package."""
    folder = _folder()
    files = folder.iterdir() if folder.is_dir() else ()
    return sorted(Path(f.name).stem for f in files if f.name.endswith(".toml"))


def load_design(name_or_path: str | Path) -> Design:
    """Load a design that comes with the package, or a design file of your own.

    Parameters
    ----------
    name_or_path : str or Path
        Name of a packaged design (:func:`list_designs`) or the path of a TOML file.

    Returns
    -------
    Design

    Raises
    ------
    DesignError
        There is no such design, or the file is not usable; lists every problem with its key path, what was
        found, what was expected, and the nearest valid name.
    """
    if not isinstance(name_or_path, str | Path):
        raise DesignError(
            "design", [Problem("design", found(name_or_path), "the name of a design or a path")]
        )
    packaged = list_designs()
    if isinstance(name_or_path, str) and name_or_path in packaged:
        with resources.as_file(_folder() / f"{name_or_path}.toml") as path:
            return _load_file(path, name_or_path)
    path = Path(name_or_path)
    if isinstance(name_or_path, str) and _looks_like_name(name_or_path, path):
        expected = f"{any_of(packaged)}, or the path of a design file"
        hint = nearest(name_or_path, packaged)
        raise DesignError(
            short(name_or_path, 80), [Problem("design", "no design of this name", expected, hint)]
        )
    return _load_file(path, str(path))


def _looks_like_name(text: str, path: Path) -> bool:
    try:
        there = path.exists()
    except (OSError, ValueError):
        there = False
    return not there and path.suffix != ".toml" and "/" not in text and "\\" not in text


def _folder() -> Any:
    return resources.files("thermnet.design") / "data"


def _load_file(path: Path, source: str) -> Design:
    content = read_bytes(path, "a design file", LARGEST_DESIGN)
    source = short(source, 200)
    return design_from_dict(parse_toml(decode(content, source), source), source, path.parent)


def load_text(text: str, source: str = "design", folder: Path | None = None) -> Design:
    """Read a design from TOML text; raises DesignError as :func:`load_design`."""
    if len(text) > LARGEST_DESIGN:
        raise DesignError(source, [Problem("file", f"{len(text)} characters", f"at most {LARGEST_DESIGN}")])
    if not text.strip():
        raise DesignError(source, [Problem("file", "is empty", "a design file")])
    return design_from_dict(parse_toml(text, source), source, folder)


def design_from_dict(data: Mapping[str, Any], source: str = "design", folder: Path | None = None) -> Design:
    """Make a design of the tables of a design file.

    Parameters
    ----------
    data : mapping
        Tables as a TOML parser gives them: quantities are texts with units.
    source : str
        Name used in messages.
    folder : Path, optional
        Where CSV logs of the design's own workloads are looked for.

    Raises
    ------
    DesignError
        Lists every problem in file order.
    """
    raw = dict(data)
    reading = read_fields(Design, raw, "", skip=("parts", "workloads"))
    problems = [*reading.problems, *_name_of_design(raw)]
    parts, kinds, part_problems = _parts(raw)
    problems += part_problems
    chips = [name for name, kind in kinds.items() if kind == "die"]
    workloads, workload_problems = _workloads(raw, chips, folder)
    problems += workload_problems
    problems += problems_of(raw, parts, kinds, reading.value.get("joints", ()))
    if not problems:
        try:
            return Design(**reading.value, parts=parts, workloads=workloads, source=source)
        except (ValueError, TypeError) as error:
            problems.append(from_exception(error, "design"))
    raise DesignError(source, _in_file_order(problems, raw))


def _name_of_design(raw: Mapping[str, Any]) -> list[Problem]:
    name = raw.get("name")
    if not isinstance(name, str) or NAME.fullmatch(name):
        return []
    return [Problem("name", quoted(name), NAME_EXPECTED)]


def _parts(raw: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, str], list[Problem]]:
    tables = raw.get("parts")
    if not isinstance(tables, dict):
        what = "missing" if tables is None else found(tables)
        return {}, {}, [Problem("parts", what, "tables of parts, e.g. [parts.cpu]")]
    parts: dict[str, Any] = {}
    kinds: dict[str, str] = {}
    problems: list[Problem] = []
    for name, table in tables.items():
        problems += name_problems(name, "parts")
        parts[name], kind, own = _part(joined("parts", name), table)
        problems += own
        if kind:
            kinds[name] = kind
    return parts, kinds, problems


def _part(path: str, table: Any) -> tuple[Any, str, list[Problem]]:
    known = part_kinds()
    if not isinstance(table, dict):
        return None, "", [Problem(path, found(table), f"a table ([{path}]) with a kind")]
    kind = table.get("kind")
    if kind is None:
        return None, "", [Problem(f"{path}.kind", "missing", any_of(sorted(known), 40))]
    if not isinstance(kind, str) or kind not in known:
        hint = nearest(kind, known) if isinstance(kind, str) else ""
        return (
            None,
            "",
            [Problem(f"{path}.kind", f"{found(kind)}: unknown kind", any_of(sorted(known), 40), hint)],
        )
    reading = read_table(known[kind], table, path, skip=("kind",))
    return reading.value, kind, reading.problems


def _workloads(
    raw: Mapping[str, Any], chips: list[str], folder: Path | None
) -> tuple[dict[str, Any], list[Problem]]:
    tables = raw.get("workloads", {})
    if not isinstance(tables, dict):
        return {}, [Problem("workloads", found(tables), "tables of loads, e.g. [workloads.my_load]")]
    readings = {name: read_workload(name, table, chips, folder) for name, table in tables.items()}
    return {name: r.value for name, r in readings.items()}, [p for r in readings.values() for p in r.problems]


def _in_file_order(problems: list[Problem], raw: Mapping[str, Any]) -> list[Problem]:
    """Sort problems as their keys stand in the file; a missing key comes last in its table."""

    def place(problem: Problem) -> tuple[int, ...]:
        order: list[int] = []
        inside: Any = raw
        for step in problem.key.split(" ")[0].split("."):
            if isinstance(inside, dict):
                keys = list(inside)
                order.append(keys.index(step) if step in inside else len(keys))
                inside = inside.get(step)
            elif isinstance(inside, list) and step.isdecimal() and int(step) < len(inside):
                order.append(int(step))
                inside = inside[int(step)]
            else:
                break
        return tuple(order)

    return sorted(dict.fromkeys(problems), key=place)
