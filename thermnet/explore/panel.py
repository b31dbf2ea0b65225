"""The panel of an explorer in Jupyter: controls at the left, picture at the right, what can be done with it below.

Holds no physics and no state of its own: every callback is a line into the session.  An exception in a callback would
vanish in JupyterLab, so each one is caught and shown in the panel, and the last good picture stays.
"""

from __future__ import annotations

import base64
import time
from collections.abc import Callable, Iterator
from functools import wraps
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from thermnet.explore.canvas import Canvas, png_of, svg_of
from thermnet.explore.controls import Control
from thermnet.explore.kernel_loop import kernel_loop as _kernel_loop
from thermnet.explore.panel_html import cautions_html, facts_html, table_html
from thermnet.explore.panel_style import NAMES_FOR_HANDLES, SHEET
from thermnet.explore.session import Fact, Session

AT_ONCE = 0.012
"""s of work after which a picture is shown even where part of it is still being worked out."""

AHEAD_AFTER = 0.1
"""s of rest after which the next step of the slider just moved is worked out."""

AHEAD_FROM = 0.08
"""s of work below which a picture is not worked out ahead: a quick hand would wait for that work longer than it saves."""

GROWS_EVERY = 0.3
"""s after which a picture still being worked out is shown again with what has come to it."""

KNOWN = 0.002
"""s of work below which a picture was known already."""

PAUSE = 0.8
"""s; changes of one control closer together than this are undone together."""


def shown_if_it_fails(callback: Callable[..., None]) -> Callable[..., None]:
    """Show an exception of a callback in the panel instead of losing it."""

    @wraps(callback)
    def guarded(panel: Panel, *args: Any) -> None:
        try:
            callback(panel, *args)
        except Exception as error:  # whatever it is: shown, never lost
            panel.complain(error)

    return guarded


class Panel(widgets.VBox):  # type: ignore[misc]
    """An explorer on the screen.

    Attributes
    ----------
    session : Session
    inputs : mapping of control name to its slider or menu
    twins : mapping of control name to the text field beside its slider
    buttons : mapping of word to button
    picture : HTML with the picture and the numbers under it
    message : HTML in which trouble and answers appear
    call, cautions : HTML with the call of the present state, and its cautions
    """

    def __init__(self, session: Session, *, dark: bool = False) -> None:
        self.session = session
        self.canvas = Canvas(session.explorer, dark=dark)
        self.inputs: dict[str, Any] = {}
        self.twins: dict[str, Any] = {}
        self._rows: dict[str, Any] = {}
        self._quiet = False
        self._request = 0
        self._drawn, self._shown = 0.0, None
        self._touched = ("", 0.0)
        self._step: tuple[str, Any] | None = None
        self._work: dict[str, float] = {}
        explorer = session.explorer
        self.picture = widgets.HTML()
        self.message = widgets.HTML()
        self.call = widgets.HTML()
        self.cautions = widgets.HTML()
        self.buttons = self._make_buttons(dark)
        head = widgets.HTML(
            f"<style>{SHEET}</style><h3>{escape(explorer.title)}: {escape(explorer.design.name)}</h3>"
            f"<p>{escape(explorer.question)} {escape(explorer.design.title)}</p>"
        )
        head.add_class("tn-head")
        side = widgets.VBox(self._make_controls())
        side.add_class("tn-controls")
        row = widgets.HBox(list(self.buttons.values()))
        row.add_class("tn-buttons")
        shown = widgets.VBox([self.picture, row, self.message, self.call, self.cautions])
        shown.add_class("tn-show")
        body = widgets.HBox([side, shown], layout=widgets.Layout(flex_flow="row wrap", overflow="visible"))
        script = {"output_type": "display_data", "data": {"application/javascript": NAMES_FOR_HANDLES}, "metadata": {}}
        names = widgets.Output(outputs=(script,), layout=widgets.Layout(display="none"))
        super().__init__([head, body, names])
        self.add_class("tn-panel")
        self.add_class(f"tn-{explorer.name}")
        self.say("")
        self._refresh()

    # -- making --------------------------------------------------------------------------------------------

    def _make_controls(self) -> list[Any]:
        groups: dict[str, list[Any]] = {}
        for control in self.session.controls.values():
            groups.setdefault(control.group, []).append(self._make_row(control))
        made: list[Any] = []
        for heading, rows in groups.items():
            made += [widgets.HTML(f"<h4>{escape(heading)}</h4>"), *rows]
        return made

    def _make_row(self, control: Control) -> Any:
        value = self.session.state[control.name]
        if control.kind == "choice":
            menu = widgets.Dropdown(
                options=list(control.choices), value=value, description=control.title, tooltip=control.doc
            )
            self.inputs[control.name] = menu
            row = widgets.HBox([menu])
            row.add_class("tn-choice")
        else:
            whole = control.kind == "count"
            common: dict[str, Any] = {
                "value": value, "min": control.low, "max": control.high, "step": control.step, "description": control.title,
                "tooltip": f"{control.title}: {control.doc}",
            }  # fmt: skip
            slider = (widgets.IntSlider if whole else widgets.FloatSlider)(readout=False, **common)
            twin = (widgets.BoundedIntText if whole else widgets.BoundedFloatText)(**common)
            self.inputs[control.name], self.twins[control.name] = slider, twin
            twin.observe(lambda change, name=control.name: self._changed(name, change["new"]), "value")
            row = widgets.HBox([slider, twin])
            row.add_class("tn-control")
        self.inputs[control.name].add_class(f"tn-{control.name.replace('_', '-')}")
        self.inputs[control.name].observe(
            lambda change, name=control.name: self._moved(name, change["new"]), "value"
        )
        self._rows[control.name] = row
        return row

    def _make_buttons(self, dark: bool) -> dict[str, Any]:
        acts: dict[str, tuple[str, str, Callable[..., None]]] = {
            "undo": ("Undo", "take back the last change", self._undo),
            "redo": ("Redo", "make the last change again", self._redo),
            "reset": ("Reset", "back to the design's own values", self._reset),
            "freeze": ("Freeze baseline", "keep this state in grey to compare with", self._freeze),
            "design": ("Save design file", "write the present state as a design file", self._save_design),
            "svg": ("Save SVG", "write the picture as SVG", self._save_svg),
            "png": ("Save PNG", "write the picture as PNG", self._save_png),
        }
        made: dict[str, Any] = {}
        for word, (label, tip, act) in acts.items():
            button = widgets.Button(description=label, tooltip=tip)
            button.on_click(act)
            button.add_class(f"tn-button-{word}")
            made[word] = button
        made["dark"] = widgets.ToggleButton(
            value=dark, description="Dark picture", tooltip="draw on a dark background"
        )
        made["dark"].add_class("tn-button-dark")
        made["dark"].observe(self._turn, "value")
        return made

    # -- callbacks -----------------------------------------------------------------------------------------

    def _moved(self, name: str, value: Any) -> None:
        """Hear a slider or menu.  A browser puts a slider on its grid of steps by itself; nobody has moved it then."""
        control = self.session.controls[name]
        if control.kind != "choice" and abs(value - self.session.state[name]) < 0.5 * control.step:
            return
        self._changed(name, value)

    @shown_if_it_fails
    def _changed(self, name: str, value: Any) -> None:
        if self._quiet:
            return
        now, (last, then) = time.monotonic(), self._touched
        self._touched = (name, now)
        before = self.session.state[name]
        self._step = (name, before)
        if self.session.set(joined=last == name and now - then < PAUSE, **{name: value}):
            self._refresh()

    @shown_if_it_fails
    def _undo(self, _: Any) -> None:
        self._step = None
        if self.session.undo():
            self._refresh()

    @shown_if_it_fails
    def _redo(self, _: Any) -> None:
        self._step = None
        if self.session.redo():
            self._refresh()

    @shown_if_it_fails
    def _reset(self, _: Any) -> None:
        self._step = None
        if self.session.reset():
            self._refresh()

    @shown_if_it_fails
    def _freeze(self, _: Any) -> None:
        if self.session.baseline is None:
            self.session.freeze()
        else:
            self.session.thaw()
        self._refresh()

    @shown_if_it_fails
    def _turn(self, change: Any) -> None:
        self.canvas = Canvas(self.session.explorer, dark=change["new"])
        self._refresh()

    @shown_if_it_fails
    def _save_design(self, _: Any) -> None:
        self._save(".toml", self.session.design_text().encode("utf-8"), "application/toml")

    @shown_if_it_fails
    def _save_svg(self, _: Any) -> None:
        self._save(".svg", svg_of(self.session, dark=self.canvas.dark).encode("utf-8"), "image/svg+xml")

    @shown_if_it_fails
    def _save_png(self, _: Any) -> None:
        self._save(".png", png_of(self.session, dark=self.canvas.dark), "image/png")

    # -- showing -------------------------------------------------------------------------------------------

    def say(self, text: str) -> None:
        """Answer under the picture; ``text`` is HTML."""
        self.message.value = f'<div class="tn-said" role="status" aria-live="polite">{text}</div>'

    def complain(self, error: BaseException) -> None:
        """Show what went wrong; picture and numbers stay those of the last state that worked."""
        text = str(error) or type(error).__name__
        self.message.value = f'<div class="tn-trouble" role="alert" aria-live="assertive">{escape(text)}\nThe picture shows the last state that worked.</div>'

    def _refresh(self) -> None:
        """Bring controls, picture and all else to the session's state; the newest request wins."""
        self._request += 1
        begun = time.perf_counter()
        coming = self._timed(self.session.pictures())
        picture = next(coming)
        ready = False
        while time.perf_counter() - begun < AT_ONCE:
            try:
                picture = next(coming)
            except StopIteration:
                ready = True
                break
        self._draw(picture)
        self._follow()
        if not ready:
            self._later(coming, picture, self._request)
        else:
            self._settle(picture)

    def _timed(self, pieces: Iterator[Any]) -> Iterator[Any]:
        """Pass the pieces of a picture on, and keep how long it took by the control that asked for it."""
        name, spent = self._step[0] if self._step is not None else "", 0.0
        while True:
            begun = time.perf_counter()
            piece = next(pieces, self)
            spent += time.perf_counter() - begun
            if piece is self:
                break
            yield piece
        if spent > KNOWN:
            self._work[name] = spent

    def _look_ahead(self, request: int, work: Iterator[None] | None = None) -> None:
        """Work the next step of the slider out while nothing else is asked for, a piece at a time."""
        loop = _kernel_loop()
        if loop is None:
            return
        if request != self._request or self._step is None or self._work.get(self._step[0], 0.0) < AHEAD_FROM:
            return
        if work is None:
            coming = self._timed(self.session.ahead(*self._step))
            loop.call_later(AHEAD_AFTER, self._look_ahead, request, coming)
            return
        try:
            next(work)
        except StopIteration:
            return
        except Exception:  # it may never be asked for; if it is, it fails again and is shown
            return
        loop.call_later(0.004, self._look_ahead, request, work)

    def _later(self, coming: Iterator[Any], picture: Any, request: int) -> None:
        """Go on when the messages that wait have been heard, unless they ask for another state."""
        loop = _kernel_loop()
        if loop is None:
            self._to_the_end(coming, picture)
        else:
            loop.call_later(0.002, self._go_on, coming, picture, request)

    @shown_if_it_fails
    def _to_the_end(self, coming: Iterator[Any], picture: Any) -> None:
        """Work out all pieces at once, where nobody waits."""
        for grown in coming:
            picture = grown
        self._whole(picture)

    @shown_if_it_fails
    def _go_on(self, coming: Iterator[Any], picture: Any, request: int) -> None:
        """Work out the next piece; between pieces a newer request may come."""
        if request != self._request:
            return
        try:
            grown = next(coming)
        except StopIteration:
            self._whole(picture)
            return
        if grown is not picture and time.monotonic() - self._drawn > GROWS_EVERY:
            self._draw(grown)
        self._later(coming, grown, request)

    def _whole(self, picture: Any) -> None:
        """End with a whole picture, which may be on the screen already."""
        if picture is not self._shown:
            self._draw(picture)
        self._settle(picture)

    def _draw(self, picture: Any) -> None:
        session, self._drawn, self._shown = self.session, time.monotonic(), picture
        self.canvas.show(picture, session.baseline)
        image = self.canvas.element(session.describe(picture))
        light = "" if self.canvas.dark else " tn-light"
        facts = facts_html(session.facts(picture), self._facts_before())
        frozen = session.baseline
        was = session.explorer.table(frozen.state, frozen.picture) if frozen is not None else None
        facts += table_html(session.explorer.table(session.state, picture), was)
        cautions = cautions_html(session.cautions(picture))
        if self.cautions.value != cautions:
            self.cautions.value = cautions
        self.picture.value = f'<figure class="tn-figure{light}">{image}</figure>{facts}'

    def _settle(self, picture: Any) -> None:
        """Bring along what may follow the picture: the call, and an end to old complaints."""
        call = f'<pre class="tn-call" aria-label="Python call that gives this state again">{escape(self.session.call())}</pre>'
        if self.call.value != call:
            self.call.value = call
        if "tn-trouble" in self.message.value:
            self.say("")
        self._look_ahead(self._request)

    def _facts_before(self) -> dict[str, Fact]:
        frozen = self.session.baseline
        if frozen is None:
            return {}
        return {fact.label: fact for fact in self.session.explorer.facts(frozen.state, frozen.picture)}

    def _follow(self) -> None:
        """Set controls and buttons to the session's state, without hearing them."""
        self._quiet = True
        try:
            asleep = self.session.explorer.asleep(self.session.state)
            for name, value in self.session.state.items():
                for widget in (self.inputs[name], self.twins.get(name)):
                    if widget is None:
                        continue
                    # What a browser adds in rounding is no other value: sent back, it would pull the slider from under a quick hand.
                    if not self.session.controls[name].same(widget.value, value):
                        widget.value = value
                    if widget.disabled != (name in asleep):
                        widget.disabled = name in asleep
                        (self._rows[name].add_class if name in asleep else self._rows[name].remove_class)(
                            "tn-asleep"
                        )
            for word, enabled in (("undo", self.session.can_undo), ("redo", self.session.can_redo)):
                if self.buttons[word].disabled == enabled:
                    self.buttons[word].disabled = not enabled
            label = "Freeze baseline" if self.session.baseline is None else "Clear baseline"
            if self.buttons["freeze"].description != label:
                self.buttons["freeze"].description = label
        finally:
            self._quiet = False

    def _save(self, ending: str, content: bytes, kind: str) -> None:
        """Write a file into the working folder under a name not taken yet, and offer it for download."""
        stem = f"{self.session.explorer.design.name}-{self.session.explorer.name}"
        path, count = Path(stem + ending), 1
        while path.exists():
            count += 1
            path = Path(f"{stem}-{count}{ending}")
        path.write_bytes(content)
        data = base64.b64encode(content).decode("ascii")
        link = f'<a download="{escape(path.name)}" href="data:{kind};base64,{data}">download it</a>'
        self.say(f"Written to {escape(str(path.resolve()))}; or {link}.")
