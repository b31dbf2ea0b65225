"""What every study answers with: a table, headline facts, what was assumed, and where it came from."""

from __future__ import annotations

import hashlib
import html
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import thermnet
from thermnet.errors import DesignError, Problem
from thermnet.handover import hand_over
from thermnet.studies.json_form import fact_from_json, fact_to_json, plain, table_from_json, table_to_json
from thermnet.studies.words import Fact, fact_text, table_html

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SCHEMA = "thermnet-study/1"
"""Name and version of the JSON form; the number goes up when a reader would have to change."""


@dataclass(frozen=True, eq=False)
class Study:
    """One answered question.

    Attributes
    ----------
    name : str
        Name of the study, as on the command line (``burst_budget``); figures are looked up by it.
    title : str
        Heading for people.
    question : str
        The question in one line.
    table : pandas.DataFrame
        The answer.  Column names carry their unit (``duration_s``, ``power_W``); the index means nothing.
    facts : mapping of label to Fact
        Headline numbers with their units, in the order to be read.
    tables : mapping of name to pandas.DataFrame
        Further tables that belong to the answer (other start states, a comparison curve), columns as above.
    assumptions : sequence of str
        What was taken for granted, one sentence each.
    caution : str or None
        What could hurt somebody or mislead them.
    provenance : mapping
        Design name and hash, package version, mode, ambient, seed, solver settings; see :func:`provenance`.
    figures : sequence of str
        Names of the figures to draw, in order; empty for all that ``thermnet.show`` knows for this study.
    """

    name: str
    title: str
    question: str
    table: pd.DataFrame
    facts: Mapping[str, Fact] = field(default_factory=dict)
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    assumptions: Sequence[str] = ()
    caution: str | None = None
    provenance: Mapping[str, Any] = field(default_factory=dict)
    figures: Sequence[str] = ()

    def __post_init__(self) -> None:
        def put(name: str, value: Any) -> None:
            object.__setattr__(self, name, value)

        put("table", _own(self.table, "table"))
        put("tables", {str(key): _own(value, key) for key, value in self.tables.items()})
        put("facts", dict(self.facts))
        put("provenance", dict(self.provenance))
        if isinstance(self.assumptions, str):
            raise TypeError("assumptions is one text; expected a list of texts")
        put("assumptions", tuple(self.assumptions))
        put("figures", tuple(self.figures))

    # -- for people ----------------------------------------------------------------------------------------

    def plot(self, figure: str | None = None, *, ax: Axes | None = None, **options: Any) -> Figure:
        """Draw one figure of the study.

        Parameters
        ----------
        figure : str, optional
            Name of the figure; the first one if left out.
        ax : matplotlib Axes, optional
            Draw into these axes instead of a figure of its own.
        **options
            Passed to the drawing function (``dark=True`` for a dark background).

        Returns
        -------
        matplotlib.figure.Figure
            Shows itself in a notebook.

        Raises
        ------
        LookupError
            ``thermnet.show`` knows no such figure for this study.
        """
        return hand_over("show:draw")(self, figure, ax=ax, **options)  # type: ignore[no-any-return]

    def __repr__(self) -> str:
        context = _context(self.provenance)
        said = not context or str(self.provenance.get("design", "")) in self.title
        head = self.title if said else f"{self.title} ({context})"
        body = self.table.head(12).to_string(
            index=False, float_format=lambda value: f"{value:.4g}", na_rep="-"
        )
        rest = f"\n... {len(self.table) - 12} more rows" if len(self.table) > 12 else ""
        caution = f"\nCaution: {self.caution}" if self.caution else ""
        return f"{head}\n{body}{rest}{caution}"

    def _repr_html_(self) -> str:
        """Title, facts, table, caution and a small figure for notebooks; solves nothing, never raises."""
        try:
            return self._html()
        except Exception:
            return f"<pre>{html.escape(repr(self))}</pre>"

    def _html(self) -> str:
        escape = html.escape
        parts = [f"<div><strong>{escape(self.title)}</strong><br><em>{escape(self.question)}</em>"]
        if self.facts:
            rows = "".join(
                f'<tr><th scope="row" style="text-align:left">{escape(label)}</th>'
                f'<td style="text-align:left">{escape(fact_text(fact))}</td></tr>'
                for label, fact in self.facts.items()
            )
            parts.append(f"<table>{rows}</table>")
        parts.append(table_html(self.table))
        if self.caution:
            parts.append(f"<p><strong>Caution:</strong> {escape(self.caution)}</p>")
        try:
            parts.append(f'<div style="background:#fff;max-width:40em">{hand_over("show:svg")(self)}</div>')
        except Exception:  # a figure is a convenience here: the table must come through without it
            parts.append("<!-- no figure -->")
        parts.append("</div>")
        return "".join(parts)

    # -- for machines --------------------------------------------------------------------------------------

    def to_json(self, indent: int | None = 2) -> str:
        """Return the study as JSON text; NaN becomes null, infinities ``"inf"`` and ``"-inf"``."""
        content = {
            "schema": SCHEMA,
            "name": self.name,
            "title": self.title,
            "question": self.question,
            "facts": {label: fact_to_json(fact) for label, fact in self.facts.items()},
            "table": table_to_json(self.table),
            "tables": {name: table_to_json(table) for name, table in self.tables.items()},
            "assumptions": list(self.assumptions),
            "caution": self.caution,
            "provenance": plain(self.provenance),
            "figures": list(self.figures),
        }
        return json.dumps(content, indent=indent, allow_nan=False, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Study:
        """Read back what :meth:`to_json` wrote.

        Raises
        ------
        DesignError
            The text is not JSON, has another schema version, or lacks something; every problem is listed.
        """
        try:
            content = json.loads(text)
        except (json.JSONDecodeError, TypeError) as error:
            raise DesignError(
                "study", [Problem("text", str(error), "JSON written by Study.to_json")]
            ) from None
        if not isinstance(content, dict) or content.get("schema") != SCHEMA:
            found = content.get("schema") if isinstance(content, dict) else type(content).__name__
            raise DesignError("study", [Problem("schema", repr(found), repr(SCHEMA))])
        wanted = {"name": str, "title": str, "question": str, "facts": dict, "table": dict, "tables": dict,
                  "assumptions": list, "provenance": dict, "figures": list}  # fmt: skip
        bad = [
            Problem(key, "missing" if key not in content else type(content[key]).__name__, kind.__name__)
            for key, kind in wanted.items()
            if not isinstance(content.get(key), kind)
        ]
        if bad:
            raise DesignError("study", bad)
        return cls(
            name=content["name"], title=content["title"], question=content["question"],
            table=table_from_json(content["table"], "table"),
            facts={label: fact_from_json(fact) for label, fact in content["facts"].items()},
            tables={k: table_from_json(table, f"tables.{k}") for k, table in content["tables"].items()},
            assumptions=content["assumptions"], caution=content.get("caution"),
            provenance=content["provenance"], figures=content["figures"],
        )  # fmt: skip

    def to_csv(self, path: str | Path) -> Path:
        """Write the main table as CSV (comma, dot, header row with units, UTF-8) and return the path."""
        target = Path(path)
        self.table.to_csv(target, index=False, lineterminator="\n")
        return target


def provenance(design: Any = None, **settings: Any) -> dict[str, Any]:
    """Where a study came from: package version, design name and hash, and the settings given.

    Parameters
    ----------
    design : Design, optional
        Its ``name`` and :func:`design_hash` are kept.
    **settings
        Mode, ambient, seed, solver settings ... all it takes to compute the study again; None is left out.
    """
    found: dict[str, Any] = {"thermnet": thermnet.__version__}
    if design is not None:
        found["design"] = design.name
        found["design_hash"] = design_hash(design)
    found.update({key: plain(value) for key, value in settings.items() if value is not None})
    return found


def design_hash(design: Any) -> str:
    """Twelve hexadecimal digits that change with any value of the design, not with the place of its file."""
    content = plain(design)
    if isinstance(content, dict):
        content.pop("source", None)
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:12]


# -- inside ------------------------------------------------------------------------------------------------


def _own(table: Any, name: str) -> pd.DataFrame:
    import pandas as pd

    if not isinstance(table, pd.DataFrame):
        raise TypeError(f"{name} is {type(table).__name__}; expected a pandas.DataFrame")
    keep_index = not isinstance(table.index, pd.RangeIndex) and table.index.name is not None
    copy = table.reset_index(drop=not keep_index)
    copy.columns = [str(column) for column in copy.columns]
    if len(set(copy.columns)) != len(copy.columns):
        raise ValueError(f"{name} has two columns of one name: {', '.join(copy.columns)}")
    return copy


def _context(origin: Mapping[str, Any]) -> str:
    bits = [str(origin[key]) for key in ("design", "mode") if origin.get(key)]
    if isinstance(origin.get("ambient"), (int, float)):
        bits.append(f"{origin['ambient']:g} °C")
    return ", ".join(bits)
