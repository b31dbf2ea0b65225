"""What a benchmark found: rows of a table, bars that are met or not, and how they are shown."""

from __future__ import annotations

import statistics
import time
from dataclasses import asdict, dataclass, field


@dataclass
class Bar:
    """One bar: what was measured against what was asked for (at least, or at most)."""

    what: str
    found: float
    asked: float
    unit: str = "x"
    at_least: bool = True
    aim: float | None = None

    @property
    def met(self):
        return self.found >= self.asked if self.at_least else self.found <= self.asked

    def line(self):
        sign = ">=" if self.at_least else "<="
        aim = "" if self.aim is None else f", aim {short(self.aim)} {self.unit}"
        return f"{'met    ' if self.met else 'NOT MET'} {self.what}: {short(self.found)} {self.unit} ({sign} {short(self.asked)} {self.unit}{aim})"


@dataclass
class Section:
    """One table: columns carry their unit; cells are numbers, texts or None."""

    name: str
    title: str
    columns: tuple[str, ...]
    rows: list[tuple] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def cells(self):
        return [list(self.columns), *([short(cell) for cell in row] for row in self.rows)]

    def text(self):
        cells = self.cells()
        widths = [max(len(row[k]) for row in cells) for k in range(len(self.columns))]
        lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in cells]
        rule = "-" * len(max(lines, key=len))
        return "\n".join([self.title, rule, lines[0], rule, *lines[1:], rule, *(bar.line() for bar in self.bars), *self._notes("")])

    def markdown(self):
        cells = self.cells()
        table = ["| " + " | ".join(row) + " |" for row in cells]
        table.insert(1, "|" + "---|" * len(self.columns))
        return "\n".join([f"## {self.title}", "", *table, "", *(f"- {bar.line()}" for bar in self.bars), *self._notes("- ")])

    def _notes(self, mark):
        return [f"{mark}{note}" for note in self.notes]

    def data(self):
        return {
            "name": self.name, "title": self.title, "notes": self.notes,
            "rows": [dict(zip(self.columns, row, strict=True)) for row in self.rows],
            "bars": [{**asdict(bar), "met": bool(bar.met)} for bar in self.bars],
        }  # fmt: skip


def short(cell):
    """A cell as text, numbers to three figures."""
    if cell is None:
        return "-"
    if isinstance(cell, str):
        return cell
    if isinstance(cell, int) or (float(cell).is_integer() and abs(cell) < 1e6):
        return f"{int(cell):,}"
    return f"{cell:,.0f}" if abs(cell) >= 1000 else f"{cell:#.3g}".rstrip(".")


def medians(functions, repeats, *, warm=1):
    """Median CPU seconds of each function; they take turns, so that what a busy neighbour does to caches hits all alike."""
    for function in functions * warm:
        function()
    times = [[] for _ in functions]
    for _ in range(repeats):
        for function, own in zip(functions, times, strict=True):
            began = time.process_time()
            function()
            own.append(time.process_time() - began)
    return [statistics.median(own) for own in times]


class Stopwatch:
    """Wraps an integrator's ``advance`` and keeps the CPU time spent in it, sample by sample."""

    def __init__(self, advance):
        self._advance = advance
        self.times = []

    def __call__(self, *arguments):
        began = time.process_time()
        result = self._advance(*arguments)
        self.times.append(time.process_time() - began)
        return result

    def per_sample(self, block=50):
        """CPU seconds of a sample: median over blocks, which a busy neighbour moves less than the mean."""
        blocks = [statistics.fmean(self.times[k : k + block]) for k in range(0, len(self.times), block)]
        return statistics.median(blocks)
