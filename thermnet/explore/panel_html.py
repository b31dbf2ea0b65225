"""What stands under the picture of a panel, as HTML: numbers, tables, cautions."""

from __future__ import annotations

from html import escape

from thermnet.explore.session import Fact, Table


def facts_html(facts: tuple[Fact, ...], before: dict[str, Fact]) -> str:
    """Write the numbers under the picture, with those of the frozen baseline that differ."""
    rows = []
    for fact in facts:
        old = before.get(fact.label)
        small = (
            f"<br><small>was {escape(old.text)}</small>" if old is not None and old.text != fact.text else ""
        )
        rows.append(f"<div><dt>{escape(fact.label)}</dt><dd>{escape(fact.text)}{small}</dd></div>")
    if not facts:
        return ""
    return f'<dl class="tn-facts">{"".join(rows)}</dl>'


def table_html(table: Table | None, was: Table | None) -> str:
    """Write a table, with the rows of the frozen baseline below its own."""
    if table is None:
        return ""
    head = "".join(f'<th scope="col">{escape(text)}</th>' for text in table.headings)
    rows = [("", row) for row in table.rows]
    if was is not None:
        rows += [(' class="tn-was"', (f"was {row[0]}", *row[1:])) for row in was.rows]
    body = "".join(
        f'<tr{kind}><th scope="row">{escape(row[0])}</th>'
        + "".join(f"<td>{escape(text)}</td>" for text in row[1:])
        + "</tr>"
        for kind, row in rows
    )
    return f'<table class="tn-table"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def cautions_html(cautions: tuple[str, ...]) -> str:
    """Standing caution last and small, anything special to the state before it and marked."""
    if not cautions:
        return ""
    special = "".join(
        f'<p class="tn-caution"><strong>Caution:</strong> {escape(text)}</p>' for text in cautions[:-1]
    )
    return f'{special}<p class="tn-note"><strong>Caution:</strong> {escape(cautions[-1])}</p>'
