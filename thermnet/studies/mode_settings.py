"""Found mode settings as a table that firmware people read, and back into modes of a design."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from thermnet.design.design import Design
from thermnet.errors import DesignError, Problem
from thermnet.firmware.mode import ChipControl, FanControl, FanTable, Mode
from thermnet.studies.study import Study

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = (
    "design", "mode", "ambient_degC", "posture", "item", "name", "sensor", "sustained_limit_W", "burst_limit_W",
    "averaging_time_s", "noise_cap_dBA", "speed_cap_rpm", "idle_speed_rpm", "hysteresis_K", "on_degC",
    "speed_rpm", "rise_rpm_per_s", "fall_rpm_per_s", "dwell_s", "period_s",
)  # fmt: skip
"""Columns of the settings table: one row per chip, per fan, and per step of each fan table."""

ITEMS = ("chip", "fan", "step")
NUMBERS = tuple(name for name in COLUMNS if name not in ("design", "mode", "posture", "item", "name", "sensor"))


@dataclass(frozen=True)
class ChipLimits:
    """Power limits of one chip, W, and its averaging time constant, s."""

    sustained: float
    burst: float
    averaging: float


@dataclass(frozen=True)
class ModeSettings:
    """What was found for one mode at one ambient and posture.

    Attributes
    ----------
    mode, posture : str
    ambient : float
        degC
    chips : mapping of chip to ChipLimits
    fans : mapping of fan to FanControl
    noise_cap : float
        dBA; nan for none.
    design : str
        Name of the machine they were found for.
    """

    mode: str
    ambient: float
    posture: str
    chips: Mapping[str, ChipLimits]
    fans: Mapping[str, FanControl]
    noise_cap: float = float("nan")
    design: str = ""

    def applied_to(self, mode: Mode) -> Mode:
        """Copy a mode with these limits and fan tables; throttles, skin limiters and the rest stay."""
        chips = dict(mode.chips)
        for name, limits in self.chips.items():
            if name not in chips:
                raise DesignError(
                    "modes", [Problem(f"{self.mode}.{name}", "no such chip", f"one of {', '.join(chips)}")]
                )
            chips[name] = dataclasses.replace(
                chips[name],
                sustained_limit=limits.sustained,
                burst_limit=limits.burst,
                averaging_time=limits.averaging,
            )
        cap = self.noise_cap if np.isfinite(self.noise_cap) else None
        return dataclasses.replace(mode, chips=chips, fans={**mode.fans, **self.fans}, noise_cap=cap)


def settings_rows(settings: ModeSettings) -> list[dict[str, Any]]:
    """Rows of the settings table for one case."""
    case = {"design": settings.design, "mode": settings.mode, "ambient_degC": settings.ambient, "posture": settings.posture}
    empty = dict.fromkeys(NUMBERS, np.nan) | {"sensor": ""} | case
    rows = [
        empty | {"item": "chip", "name": name, "sustained_limit_W": c.sustained, "burst_limit_W": c.burst,
                 "averaging_time_s": c.averaging}
        for name, c in settings.chips.items()
    ]  # fmt: skip
    for name, fan in settings.fans.items():
        rows.append(
            empty | {"item": "fan", "name": name, "noise_cap_dBA": settings.noise_cap,
                     "speed_cap_rpm": np.nan if fan.speed_cap is None else fan.speed_cap,
                     "idle_speed_rpm": fan.idle_speed, "rise_rpm_per_s": fan.rise, "fall_rpm_per_s": fan.fall,
                     "dwell_s": fan.dwell, "period_s": fan.period}
        )  # fmt: skip
        rows += [
            empty | {"item": "step", "name": name, "sensor": table.sensor, "hysteresis_K": table.hysteresis,
                     "on_degC": on, "speed_rpm": speed}
            for table in fan.tables for on, speed in table.steps
        ]  # fmt: skip
    return [{column: row[column] for column in COLUMNS} for row in rows]


def write_modes_table(study: Study, folder: str | Path) -> tuple[Path, Path]:
    """Write the settings of a modes study as ``modes.csv`` and the whole study as ``modes.json``; return both paths."""
    if "settings" not in study.tables:
        raise ValueError(f"the study {study.name} has no table of settings; expected one made by modes_table")
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    table, text = target / "modes.csv", target / "modes.json"
    study.tables["settings"].to_csv(table, index=False, lineterminator="\n")
    text.write_text(study.to_json() + "\n", encoding="utf-8")
    return table, text


def read_modes_table(source: Study | str | Path) -> list[ModeSettings]:
    """Read settings back: from a modes study, its JSON file, or the CSV of its settings.

    Raises
    ------
    DesignError
        A file that is missing or is not such a table; every problem is listed with its row.
    """
    import pandas as pd

    if isinstance(source, Study):
        return _read(source.tables.get("settings", pd.DataFrame()), source.name)
    path = Path(source)
    if not path.is_file():
        raise DesignError(str(path), [Problem("file", "not found", "a table written by write_modes_table")])
    if path.suffix.lower() == ".json":
        study = Study.from_json(path.read_text(encoding="utf-8"))
        return _read(study.tables.get("settings", pd.DataFrame()), str(path))
    try:
        table = pd.read_csv(path, keep_default_na=True)
    except (ValueError, OSError, pd.errors.ParserError) as error:
        raise DesignError(str(path), [Problem("file", str(error), "a CSV table")]) from None
    return _read(table, str(path))


def with_modes(
    design: Design, settings: Sequence[ModeSettings], ambient: float | None = None, posture: str | None = None
) -> Design:
    """Copy a design with the settings found for it at one ambient and posture in its modes.

    Parameters
    ----------
    design : Design
    settings : sequence of ModeSettings
    ambient : float, optional
        degC; the design's own if left out.
    posture : str, optional
        The design's own if left out.

    Raises
    ------
    ValueError
        No settings for that design, ambient and posture; what there is, is told.
    DesignError
        Settings for a mode or chip that the design does not have.
    """
    room = design.ambient if ambient is None else float(ambient)
    held = design.posture if posture is None else posture
    chosen = [
        s for s in settings if s.design in (design.name, "") and abs(s.ambient - room) < 1e-6 and s.posture == held
    ]  # fmt: skip
    if not chosen:
        there = sorted({f"{s.design} at {s.ambient:g} degC, {s.posture}".removeprefix(" at ") for s in settings})
        raise ValueError(
            f"no settings for {design.name} at {room:g} degC, {held}; found {'; '.join(there) or 'none'}"
        )
    missing = [s.mode for s in chosen if s.mode not in design.modes]
    if missing:
        raise DesignError(
            design.name,
            [Problem(f"modes.{m}", "no such mode", f"one of {', '.join(design.modes)}") for m in missing],
        )
    modes = dict(design.modes)
    for found in chosen:
        modes[found.mode] = found.applied_to(modes[found.mode])
    return dataclasses.replace(design, modes=modes)


# -- inside ------------------------------------------------------------------------------------------------------


def _read(table: pd.DataFrame, source: str) -> list[ModeSettings]:
    missing = [name for name in COLUMNS if name not in table.columns]
    if missing:
        raise DesignError(source, [Problem("columns", f"without {', '.join(missing)}", ", ".join(COLUMNS))])
    problems: list[Problem] = []
    cases: dict[tuple[str, str, float, str], list[dict[str, Any]]] = {}
    for number, row in enumerate(table.to_dict("records"), start=1):
        values: dict[str, Any] = {}
        for name in COLUMNS:
            raw = row[name]
            if name not in NUMBERS:
                values[name] = "" if raw is None or (isinstance(raw, float) and np.isnan(raw)) else str(raw)
                continue
            try:
                values[name] = float("nan") if raw is None else float(raw)
            except (TypeError, ValueError):
                problems.append(Problem(f"row {number}, {name}", repr(raw), "a number"))
                values[name] = float("nan")
        if values["item"] not in ITEMS:
            problems.append(
                Problem(f"row {number}, item", repr(values["item"]), f"one of {', '.join(ITEMS)}")
            )
            continue
        cases.setdefault((values["design"], values["mode"], values["ambient_degC"], values["posture"]), []).append(values)
    found: list[ModeSettings] = []
    for (design, mode, ambient, posture), rows in cases.items():
        try:
            found.append(dataclasses.replace(_case(mode, ambient, posture, rows), design=design))
        except (ValueError, KeyError, TypeError) as error:
            problems.append(
                Problem(
                    f"mode {mode} at {ambient:g} degC, {posture}", str(error), "settings that make a mode"
                )
            )
    if problems:
        raise DesignError(source, problems)
    if not found:
        raise DesignError(source, [Problem("rows", "none", "at least one row per chip")])
    return found


def _case(mode: str, ambient: float, posture: str, rows: Sequence[Mapping[str, Any]]) -> ModeSettings:
    if not mode or not np.isfinite(ambient):
        raise ValueError("a mode's name or its ambient is missing")
    chips = {}
    for row in rows:
        if row["item"] == "chip":
            limits = ChipLimits(row["sustained_limit_W"], row["burst_limit_W"], row["averaging_time_s"])
            # The mode's own declarations say what is a limit and what is not.
            ChipControl(
                sustained_limit=limits.sustained, burst_limit=limits.burst, averaging_time=limits.averaging
            )
            chips[row["name"]] = limits
    if not chips:
        raise ValueError("no chip")
    fans, cap = {}, float("nan")
    for row in rows:
        if row["item"] != "fan":
            continue
        cap = row["noise_cap_dBA"]
        tables: dict[tuple[str, float], list[tuple[float, float]]] = {}
        for step in rows:
            if step["item"] == "step" and step["name"] == row["name"]:
                tables.setdefault((step["sensor"], step["hysteresis_K"]), []).append(
                    (step["on_degC"], step["speed_rpm"])
                )
        fans[row["name"]] = FanControl(
            tables=tuple(FanTable(sensor=s, hysteresis=h, steps=tuple(steps)) for (s, h), steps in tables.items()),
            idle_speed=row["idle_speed_rpm"],
            speed_cap=None if np.isnan(row["speed_cap_rpm"]) else row["speed_cap_rpm"],
            rise=row["rise_rpm_per_s"], fall=row["fall_rpm_per_s"], dwell=row["dwell_s"], period=row["period_s"],
        )  # fmt: skip
    return ModeSettings(mode, ambient, posture, chips, fans, cap)


__all__ = [
    "ChipLimits",
    "ModeSettings",
    "read_modes_table",
    "settings_rows",
    "with_modes",
    "write_modes_table",
]
