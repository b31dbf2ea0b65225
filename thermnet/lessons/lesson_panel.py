"""The lessons on the screen: a list, a question, a field for the number, and what the machine says to it.

Every callback is a line into the session; an exception in one would vanish in JupyterLab, so each is caught and shown.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from functools import wraps
from html import escape
from typing import Any

import ipywidgets as widgets

from thermnet.lessons.lesson import Lesson
from thermnet.lessons.page import lesson_html, outcome_html, sheet, summary_html
from thermnet.lessons.results import collect
from thermnet.lessons.session import LONGEST_NAME, Session, unit_text

DONE = "✓"


def shown_if_it_fails(place: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Show an exception of a callback in the panel, at the place it belongs to, instead of losing it."""

    def guard(callback: Callable[..., None]) -> Callable[..., None]:
        @wraps(callback)
        def guarded(panel: Panel, *args: Any) -> None:
            try:
                panel.say("", place=place)
                callback(panel, *args)
            except Exception as error:  # whatever it is: shown, never lost
                panel.say(str(error) or type(error).__name__, trouble=True, place=place)

        return guarded

    return guard


class Panel(widgets.VBox):  # type: ignore[misc]
    """The course on the screen.

    Attributes
    ----------
    session : Session
    menu : the list of lessons
    task, outcome : HTML with question and explanation
    field, commit, onward : the number, the button that stands by it, the button to the next lesson
    message, my_message, class_message : HTML in which trouble appears: with a number, a learner's file, a class's files
    name, resume, gather : the learner's name; files to go on from, or of a class
    results, class_results : HTML with the learner's table and the instructor's
    """

    def __init__(self, session: Session | None = None) -> None:
        self.session = Session() if session is None else session
        self._quiet = False
        self.menu = widgets.Select(description="Lessons", layout=widgets.Layout(width="100%"))
        self.menu.rows = len(self.session.lessons)
        self.task, self.outcome, self.message = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.my_message, self.class_message = widgets.HTML(), widgets.HTML()
        # Sent whole when the field is left: sent by the letter, the last ones could arrive after the button.
        self.field = widgets.Text(placeholder="a number", continuous_update=False)
        self.commit = widgets.Button(
            description="Commit", tooltip="stand by this number; the machine then computes the answer"
        )
        self.onward = widgets.Button(description="Next lesson", tooltip="to the next lesson without a number")
        self.name = widgets.Text(
            value=self.session.learner, description="Name", placeholder="as agreed in the class"
        )
        self.resume = widgets.FileUpload(
            accept=".json", multiple=False, description="Go on from a saved file"
        )
        self.gather = widgets.FileUpload(
            accept=".json", multiple=True, description="Gather a class's files",
            layout=widgets.Layout(align_self="flex-start"),
        )  # fmt: skip
        self.results, self.class_results = widgets.HTML(), widgets.HTML()
        self.ask = widgets.HBox([self.field, self.commit])
        self._arrange()
        self._listen()
        self._fill_menu()
        self._show(self.session.next_lesson or next(iter(self.session.lessons)))
        self._show_results()

    def _arrange(self) -> None:
        head = widgets.HTML(
            f"{sheet()}<h3>Predict, check, explain</h3><p>Commit a number before the machine is asked. A rough number "
            "beforehand teaches more than a fine one afterwards.</p>"
        )
        side = widgets.VBox([self.menu, self.onward])
        body = widgets.VBox([self.task, self.ask, self.message, self.outcome])
        columns = widgets.HBox([side, body], layout=widgets.Layout(flex_flow="row wrap", overflow="visible"))
        files = widgets.HBox(
            [self.name, self.resume], layout=widgets.Layout(flex_flow="row wrap", overflow="visible")
        )
        mine = widgets.VBox([files, self.my_message, self.results])
        teacher = widgets.VBox([self.gather, self.class_message, self.class_results])
        below = widgets.Accordion([mine, teacher], titles=["Your results", "For the instructor"])
        super().__init__([head, columns, below])
        for widget, name in ((self, "tn-panel"), (self, "tn-lessons"), (head, "tn-head"), (side, "tn-lesson-list"),
                             (body, "tn-lesson-body"), (self.ask, "tn-ask"), (self.field, "tn-guess"), (self.commit, "tn-commit"),
                             (self.onward, "tn-onward"), (below, "tn-below")):  # fmt: skip
            widget.add_class(name)

    def _listen(self) -> None:
        self.menu.observe(self._chosen, "value")
        self.commit.on_click(self._commit)
        self.onward.on_click(self._onward)
        self.name.observe(self._named, "value")
        self.resume.observe(self._resume, "value")
        self.gather.observe(self._gather, "value")

    # -- callbacks -----------------------------------------------------------------------------------------

    @shown_if_it_fails("message")
    def _chosen(self, change: Any) -> None:
        if not self._quiet:
            self._show(change["new"])

    @shown_if_it_fails("message")
    def _commit(self, _: Any) -> None:
        name = self.menu.value
        self.session.commit(name, self.field.value)
        self.outcome.value = '<p class="tn-said" role="status">The machine is being asked ...</p>'
        self._show(name)
        self._fill_menu()
        self._show_results()

    @shown_if_it_fails("message")
    def _onward(self, _: Any) -> None:
        names = list(self.session.lessons)
        after = names[names.index(self.menu.value) + 1 :] + names
        self.menu.value = next((name for name in after if not self.session.is_committed(name)), after[0])

    @shown_if_it_fails("my_message")
    def _named(self, change: Any) -> None:
        self.session.learner = str(change["new"]).strip()[:LONGEST_NAME]
        self._show_results()

    @shown_if_it_fails("my_message")
    def _resume(self, change: Any) -> None:
        for file in change["new"]:
            self.session = Session.resume({file["name"]: bytes(file["content"])}, tuple(self.session.lessons.values()))
            self.name.value = self.session.learner
            self._fill_menu()
            self._show(self.session.next_lesson or self.menu.value)
            self._show_results()

    @shown_if_it_fails("class_message")
    def _gather(self, change: Any) -> None:
        if change["new"]:
            study = collect({file["name"]: bytes(file["content"]) for file in change["new"]})
            self.class_results.value = study._repr_html_() + _links(
                {"class.json": study.to_json(), "class.csv": study.tables["commitments"].to_csv(index=False)}
            )

    # -- showing -------------------------------------------------------------------------------------------

    def say(self, text: str, *, trouble: bool = False, place: str = "message") -> None:
        """Show one message; trouble is announced to screen readers at once."""
        role, kind = ("alert", "tn-trouble") if trouble else ("status", "tn-said")
        getattr(self, place).value = f'<p class="{kind}" role="{role}">{escape(text)}</p>' if text else ""

    def _fill_menu(self) -> None:
        options = [
            (self._label(k, lesson), name) for k, (name, lesson) in enumerate(self.session.lessons.items(), 1)
        ]
        self._quiet, chosen = True, self.menu.value
        self.menu.options = options
        self.menu.value = chosen if chosen is not None else options[0][1]
        self._quiet = False

    def _label(self, number: int, lesson: Lesson) -> str:
        if not self.session.is_committed(lesson.name):
            return f"{number}. {lesson.title}"
        return f"{number}. {lesson.title}  {DONE} {self.session.reveal(lesson.name).points}"

    def _show(self, name: str) -> None:
        lesson, done = self.session.lessons[name], self.session.is_committed(name)
        self._quiet = True
        self.menu.value = name
        self._quiet = False
        self.task.value = lesson_html(lesson, list(self.session.lessons).index(name) + 1)
        unit = unit_text(lesson)
        self.field.description = f"Your number, {unit}" if unit else "Your number"
        self.field.tooltip = f"{lesson.question} A number from {lesson.range_text}."
        self.field.value = ""
        self.ask.layout.display = "none" if done else None
        self.outcome.value = outcome_html(self.session.reveal(name)) if done else ""

    def _show_results(self) -> None:
        if not self.session.commitments:
            self.results.value = '<p class="tn-said">Nothing committed yet.</p>'
            return
        stem = "".join(c if c.isalnum() else "-" for c in self.session.learner) or "lessons"
        self.results.value = summary_html(self.session) + _links(
            {
                f"{stem}.json": self.session.to_json(),
                f"{stem}.csv": self.session.summary().to_csv(index=False),
            }
        )


def _links(files: dict[str, str]) -> str:
    """Links that save texts as files, without a server."""
    made = [
        f'<a download="{escape(name)}" href="data:application/octet-stream;base64,{base64.b64encode(text.encode()).decode()}">'
        f"Save {escape(name)}</a>"
        for name, text in files.items()
    ]
    return f'<p class="tn-links">{" ".join(made)}</p>'


def panel(session: Session | None = None) -> Panel:
    """Show the course in a notebook; ``session`` goes on where one was left."""
    return Panel(session)
