"""Frame of the app: a menu, and below it the page that was chosen, built when it is first opened."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

import ipywidgets as widgets

from thermnet.app.pages import Page, all_pages

LOOK = """<style>
.tn-app { max-width: 1380px; margin: 0 auto; font-size: 14px; overflow: visible; }
.tn-app .tn-menu { overflow: visible; margin: 4px 0 10px; }
.tn-app .tn-menu .widget-toggle-button { width: auto; padding: 0 16px; height: 34px; border: 0; border-bottom: 3px solid transparent;
  background: transparent; box-shadow: none; font-size: 15px; color: var(--jp-ui-font-color1, #1d2328); }
.tn-app .tn-menu .widget-toggle-button.mod-active { border-bottom-color: #0072b2; font-weight: 600; }
.tn-app .tn-menu button:focus-visible { outline: 2px solid #0072b2; outline-offset: 1px; }
.tn-app .tn-foot { color: var(--jp-ui-font-color2, #5a626a); max-width: 70em; line-height: 1.5; }
</style>"""
CAUTION = (
    "All machines here are invented and their numbers illustrative. A model result for learning and design decisions, not a "
    "safety test; local codes, suppliers' data and licensed practice come first."
)


class Shell(widgets.VBox):  # type: ignore[misc]
    """The app on the screen.

    Attributes
    ----------
    buttons : mapping of page title to its button in the menu
    place : where the page stands
    """

    def __init__(self, pages: Sequence[Page] | None = None) -> None:
        self.pages = {page.title: page for page in (all_pages() if pages is None else pages)}
        self._built: dict[str, Any] = {}
        self._quiet = False
        self.buttons = {
            title: widgets.ToggleButton(description=title, tooltip=f"open {title.lower()}")
            for title in self.pages
        }
        for title, button in self.buttons.items():
            button.observe(lambda change, title=title: self._pressed(title), "value")
        menu, self.place = (
            widgets.HBox(list(self.buttons.values())),
            widgets.VBox(layout=widgets.Layout(overflow="visible")),
        )
        menu.add_class("tn-menu")
        foot = widgets.HTML(f'<p class="tn-foot"><strong>Caution:</strong> {escape(CAUTION)}</p>')
        super().__init__([widgets.HTML(LOOK), menu, self.place, foot])
        self.add_class("tn-app")
        self.show_page(next(iter(self.pages)))

    def show_page(self, title: str) -> None:
        """Show a page; built at its first opening and kept as it was left."""
        self._press(title)
        if title not in self._built:
            self.place.children = [
                widgets.HTML(
                    f'<p role="status" class="tn-foot">{escape(title)} is being prepared ... Where thermnet runs for the first time, '
                    "this takes half a minute: its numerical core is compiled.</p>"
                )
            ]
            try:
                self._built[title] = self.pages[title].build()
            except Exception as error:  # shown, never lost in a callback; the other pages stay usable
                self.place.children = [
                    widgets.HTML(f'<p role="alert" class="tn-trouble">{escape(f"{title}: {error}")}</p>')
                ]
                return
        self.place.children = [self._built[title]]

    def _pressed(self, title: str) -> None:
        if not self._quiet:
            self.show_page(title)

    def _press(self, title: str) -> None:
        self._quiet = True
        for name, button in self.buttons.items():
            button.value = name == title
        self._quiet = False
