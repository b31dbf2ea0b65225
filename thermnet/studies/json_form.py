"""Studies as JSON: what JSON has no word for (NaN, infinities, arrays, tables) gets one here."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from thermnet.errors import DesignError, Problem
from thermnet.studies.words import Fact, column_kind

if TYPE_CHECKING:
    import pandas as pd


def plain(value: Any) -> Any:
    """Turn dataclasses, mappings, arrays and numpy scalars into what JSON can hold (NaN becomes None)."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        content = {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {"is": type(value).__name__, **content}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple, set, frozenset)):
        items = sorted(value, key=repr) if isinstance(value, (set, frozenset)) else value
        return [plain(item) for item in items]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return number_to_json(value)
    if value is None or isinstance(value, (str, bool, int)):
        return value
    return str(value)


def number_to_json(value: float) -> float | str | None:
    """Write a float as JSON can hold it: NaN as null, infinities as text."""
    if math.isnan(value):
        return None
    if math.isinf(value):
        return "inf" if value > 0 else "-inf"
    return value


def table_to_json(table: pd.DataFrame) -> dict[str, Any]:
    """Write a table as its columns (name, kind) and rows."""
    import pandas as pd

    columns = [{"name": name, "kind": column_kind(table[name])} for name in table.columns]
    rows = [
        [None if not isinstance(value, (list, dict)) and pd.isna(value) else plain(value) for value in row]
        for row in table.itertuples(index=False, name=None)
    ]
    return {"columns": columns, "rows": rows}


def table_from_json(content: Any, where: str) -> pd.DataFrame:
    """Read back what :func:`table_to_json` wrote; ``where`` names the table in messages."""
    import pandas as pd

    expected = "columns with name and kind, and rows as long as the columns"
    try:
        columns, rows = content["columns"], content["rows"]
        names = [column["name"] for column in columns]
        kinds = [column["kind"] for column in columns]
        if any(len(row) != len(names) for row in rows):
            raise ValueError("a row of another length")
        readers: dict[str, Any] = {
            "number": lambda v: math.nan if v is None else float(v),
            "whole": int,
            "flag": bool,
            "text": lambda v: v,
        }
        data = {
            name: [readers[kind](row[position]) for row in rows]
            for position, (name, kind) in enumerate(zip(names, kinds, strict=True))
        }
    except (KeyError, TypeError, ValueError) as error:
        raise DesignError("study", [Problem(where, f"{type(error).__name__}: {error}", expected)]) from None
    empty = {"number": "float64", "whole": "int64", "flag": "bool", "text": "str"}
    frame = {
        name: pd.Series(values, dtype=None if values and kind == "text" else empty[kind])
        for (name, values), kind in zip(data.items(), kinds, strict=True)
    }
    return pd.DataFrame(frame, columns=names)


def fact_to_json(fact: Fact) -> Any:
    """Write a headline fact."""
    if isinstance(fact, (tuple, list)):
        return {"value": plain(fact[0]), "unit": fact[1]}
    return plain(fact)


def fact_from_json(fact: Any) -> Fact:
    """Read a headline fact."""
    if isinstance(fact, dict):
        value = fact.get("value")
        return (math.nan if value is None else float(value), str(fact.get("unit", "")))
    return fact  # type: ignore[no-any-return]
