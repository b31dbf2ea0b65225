"""Numbers, column names and tables as people read them."""

from __future__ import annotations

import html
import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

UNITS = {
    "s": "s", "min": "min", "h": "h", "W": "W", "degC": "°C", "K": "K", "rpm": "rpm", "dBA": "dBA",
    "J": "J", "kJ": "kJ", "Hz": "Hz", "GHz": "GHz", "kg": "kg", "g": "g", "m": "m", "mm": "mm", "um": "µm",
    "N": "N", "Pa": "Pa", "kPa": "kPa", "V": "V", "percent": "%", "ppm": "ppm", "cfm": "cfm", "mm2": "mm²",
    "K_per_W": "K/W", "W_per_K": "W/K", "J_per_K": "J/K", "K_mm2_per_W": "K mm²/W", "W_per_mm2": "W/mm²",
    "W_per_step": "W per step", "K_per_step": "K per step",
}  # fmt: skip
"""Unit endings of column names, and how they are written for people."""

Fact = str | float | int | bool | None | tuple[float | None, str]
"""A headline: a text, a bare number, or (number, unit); None or NaN where there is no value."""


def heading(column: str) -> str:
    """Column name for people: ``"power_W"`` gives ``"power, W"``."""
    for unit in sorted(UNITS, key=len, reverse=True):
        if column.endswith(f"_{unit}"):
            return f"{column.removesuffix(f'_{unit}').replace('_', ' ')}, {UNITS[unit]}"
    return column.replace("_", " ")


def cell_text(value: Any) -> str:
    """One table cell for people: four significant figures, a dash where there is no value."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "–"
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (float, np.floating)):
        return number_text(float(value))
    text = str(value)
    return text if "." in text else text.replace("_", " ")  # dotted keys and node paths stay


def number_text(value: float, figures: int = 4) -> str:
    """Write a number with so many significant figures, without an exponent where that stays readable."""
    if not math.isfinite(value):
        return "–" if math.isnan(value) else ("no limit" if value > 0 else "-inf")
    if value == 0 or 1e-3 <= abs(value) < 1e6:
        digits = max(figures, len(str(int(abs(value)))))
        return f"{value:.{digits}g}"
    return f"{value:.{figures}g}"


def fact_text(fact: Fact) -> str:
    """Write a headline for people: ``(28.31234, "W")`` gives ``"28.3 W"``."""
    if isinstance(fact, (tuple, list)):
        value, unit = fact
        text = cell_text(None) if value is None else number_text(float(value), 3)
        return (
            text if value is None or not math.isfinite(value) else f"{text} {UNITS.get(unit, unit)}".strip()
        )
    return fact if isinstance(fact, str) else cell_text(fact)


def table_html(table: pd.DataFrame) -> str:
    """Write a table as escaped HTML with row scopes and right-aligned numbers."""
    numeric = [column_kind(table[name]) in ("number", "whole") for name in table.columns]
    align = ["right" if n else "left" for n in numeric]
    head = "".join(
        f'<th scope="col" style="text-align:{side}">{html.escape(heading(str(name)))}</th>'
        for name, side in zip(table.columns, align, strict=True)
    )
    rows = "".join(
        "<tr>"
        + "".join(
            f'<td style="text-align:{side}">{html.escape(cell_text(value))}</td>'
            for value, side in zip(row, align, strict=True)
        )
        + "</tr>"
        for row in table.itertuples(index=False, name=None)
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def column_kind(column: Any) -> str:
    """Tell what a column holds: ``flag``, ``whole`` (numbers), ``number`` or ``text``."""
    import pandas as pd

    if pd.api.types.is_bool_dtype(column):
        return "flag"
    if pd.api.types.is_integer_dtype(column):
        return "whole"
    if pd.api.types.is_numeric_dtype(column):
        return "number"
    return "text"
