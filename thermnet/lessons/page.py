"""What a lesson's panel shows, as HTML: texts, scores, figures, and how they look."""

from __future__ import annotations

from html import escape

from thermnet.explore.panel_style import SHEET
from thermnet.lessons.lesson import Lesson
from thermnet.lessons.scoring import RULE
from thermnet.lessons.session import Outcome, Session
from thermnet.studies.words import table_html

LOOK = """
.tn-lessons { --tn-accent: #0072b2; max-width: 1120px; }
.tn-lesson-list { width: 248px; flex: 0 0 248px; margin-right: 26px; overflow: visible; }
.tn-lesson-list .widget-select { width: 100%; height: auto; flex-direction: column; align-items: stretch; }
.tn-lesson-list .widget-select > .widget-label { text-align: left; width: auto; height: 20px; line-height: 20px; font-size: 11.5px;
  font-weight: 600; letter-spacing: .04em; color: var(--tn-quiet); }
.tn-lesson-list .widget-select > select { height: auto; min-height: 29.5em; background: var(--tn-paper); color: var(--tn-ink);
  border: 1px solid var(--tn-line); border-radius: 6px; padding: 4px; font-size: 13.5px; }
.tn-lesson-list .widget-select option { padding: 3px 6px; border-radius: 4px; }
.tn-lessons .widget-button, .tn-lessons .jupyter-button { width: auto; height: 32px; padding: 0 16px; border-radius: 5px;
  background: transparent; color: var(--tn-ink); border: 1px solid var(--tn-quiet); box-shadow: none; }
.tn-lessons .tn-commit.widget-button { background: var(--tn-accent); border-color: var(--tn-accent); color: #fff; margin-left: 10px; }
.tn-lessons button:focus-visible, .tn-lessons select:focus-visible, .tn-lessons input:focus-visible, .tn-lessons a:focus-visible,
.tn-lessons summary:focus-visible { outline: 2px solid var(--tn-accent); outline-offset: 2px; }
.tn-lesson-body { flex: 1 1 440px; min-width: 300px; max-width: 760px; overflow: visible; }
.tn-lesson-body h4 { margin: 0 0 6px; font-size: 19px; font-weight: 600; }
.tn-lesson-body p { margin: 0 0 8px; font-size: 14px; line-height: 1.5; max-width: 44em; }
.tn-lesson-body .tn-question { font-size: 16px; font-weight: 600; }
.tn-lesson-body details { margin: 0 0 10px; font-size: 14px; }
.tn-lesson-body summary { cursor: pointer; color: var(--tn-quiet); }
.tn-ask { overflow: visible; align-items: center; margin: 4px 0 8px; }
.tn-ask .tn-guess { width: auto; height: 34px; }
.tn-ask .tn-guess > .widget-label { width: auto; min-width: 0; margin-right: 10px; font-size: 14px; }
.tn-ask .tn-guess input { width: 130px; height: 32px; font-size: 16px; text-align: right; }
.tn-score { display: flex; align-items: baseline; gap: 18px; border-top: 1px solid var(--tn-line); padding: 10px 0 2px; }
.tn-score b { font-size: 34px; font-weight: 600; line-height: 1.1; font-variant-numeric: tabular-nums; }
.tn-score span { font-size: 15px; }
.tn-lesson-figure { max-width: 680px; margin: 6px 0 10px; }
.tn-links a { margin-right: 18px; }
.tn-lessons a { color: var(--tn-accent); }
.tn-lessons table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
.tn-lessons th, .tn-lessons td { padding: 3px 12px 3px 0; border-bottom: 1px solid var(--tn-line); }
.tn-below { margin-top: 14px; }
body[data-jp-theme-light="false"] .tn-lessons { --tn-accent: #5aa9e0; }
body[data-jp-theme-light="false"] .tn-lessons .tn-commit.widget-button { color: #10151a; }
"""
"""Rules of its own beside those that explorers and lessons share."""


def sheet() -> str:
    """Style element of the panel; figures follow the page's light or dark colours."""
    from thermnet.show.style import DARK

    dark = "; ".join(f"--{name}: {colour}" for name, colour in DARK.items())
    return f'<style>{SHEET}{LOOK}body[data-jp-theme-light="false"] .tn-lesson-figure {{ {dark} }}</style>'


def lesson_html(lesson: Lesson, number: int) -> str:
    """Setting, question and hint."""
    return (
        f"<h4>{number}. {escape(lesson.title)}</h4><p>{escape(lesson.setting)}</p>"
        f'<p class="tn-question">{escape(lesson.question)}</p>'
        f"<details><summary>A hint</summary><p>{escape(lesson.hint)}</p></details>"
    )


def outcome_html(outcome: Outcome) -> str:
    """Score, explanation, figure, numbers and caution."""
    from thermnet.show.style import inline_svg

    lesson, answer = outcome.lesson, outcome.answer
    told = "".join(f"<p>{escape(text)}</p>" for text in answer.because)
    drawn = inline_svg(outcome.figure(), f"tn-lesson-{lesson.name}")
    numbers = (
        ""
        if answer.table is None
        else f"<details><summary>The numbers</summary>{table_html(answer.table)}</details>"
    )
    caution = (
        f'<p class="tn-caution"><strong>Caution:</strong> {escape(lesson.caution)}</p>'
        if lesson.caution
        else ""
    )
    score, rest = outcome.in_words.split(",", 1)
    return (
        f'<div class="tn-score" role="status"><b>{score.split()[0]}</b><span>points,{escape(rest)}</span></div>{told}'
        f'<div class="tn-lesson-figure">{drawn}</div>{numbers}{caution}'
    )


def summary_html(session: Session) -> str:
    """Table of what a learner committed, with the mean score and the rule."""
    table = session.summary().drop(columns="lesson")
    mean = float(table["points"].mean())
    return f"<p>{len(table)} of {len(session.lessons)} lessons, {mean:.0f} points on average. {escape(RULE)}</p>{table_html(table)}"
