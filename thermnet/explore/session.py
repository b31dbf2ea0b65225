"""An explorer without a screen: what can be changed, the state, undo, a frozen baseline, and what can be taken along.

Nothing here knows of widgets or figures.  An explorer (:class:`Explorer`) describes its controls and computes from a
state the data of its picture; a session (:class:`Session`) holds the state somebody has come to.
"""

from __future__ import annotations

import dataclasses
import json
from abc import ABC, abstractmethod
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

from thermnet.design.design import Design
from thermnet.design.load import load_design
from thermnet.explore.controls import Control
from thermnet.wording import any_of, nearest

State = Mapping[str, Any]
"""Value of every control, by name."""

KEPT = 48
"""Results kept at most; what a slider does not touch is not worked out again."""

PICTURES_KEPT = 64
"""Whole pictures kept at most."""

NAME_LENGTH = 40
"""Letters that the name of a design may have."""

STEPS_BACK = 200
"""Steps that can be undone."""


class Fact(NamedTuple):
    """One line of numbers under the picture: label, text with unit, and the number itself where it can be compared."""

    label: str
    text: str
    number: float | None = None


class Table(NamedTuple):
    """A small table under the picture: headings with units, and a row of texts for each thing compared."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


class Kept:
    """Results of earlier states by key, the ones used longest ago dropped."""

    def __init__(self, size: int = KEPT) -> None:
        self._size = size
        self._held: OrderedDict[Any, Any] = OrderedDict()

    def __contains__(self, key: Any) -> bool:
        return key in self._held

    def get(self, key: Any, make: Callable[[], Any]) -> Any:
        """Result under a key, made now if there is none."""
        if key not in self._held:
            self._held[key] = make()
            while len(self._held) > self._size:
                self._held.popitem(last=False)
        self._held.move_to_end(key)
        return self._held[key]


@dataclass(frozen=True)
class Explorer(ABC):
    """What one explorer is: immutable, about one design.

    A picture is whatever :meth:`pictures` gives: plain data (arrays, numbers, texts) that the scene draws.
    """

    design: Design

    name: ClassVar[str]
    """Name of the function in ``thermnet.explore`` that opens it."""
    title: ClassVar[str]
    question: ClassVar[str]
    scene: ClassVar[str]
    """``module:class`` of what draws it, loaded when something is drawn."""

    @abstractmethod
    def controls(self) -> tuple[Control, ...]:
        """Controls in the order in which they stand, and in which a call's values are applied."""

    @abstractmethod
    def pictures(self, state: State, kept: Kept) -> Iterator[Any]:
        """Work out the picture of a state: first what is there at once, last the whole.

        The last one may depend on nothing but design and state; ``kept`` only saves work.
        """

    def follow(self, state: State, name: str) -> Mapping[str, Any]:
        """Give the values that follow when control ``name`` has been changed (a mode brings its own limits)."""
        return {}

    def asleep(self, state: State) -> frozenset[str]:
        """Names of the controls that do nothing in this state."""
        return frozenset()

    def design_at(self, state: State) -> Design:
        """Design with everything in it that the state changes."""
        return self.design

    def facts(self, state: State, picture: Any) -> tuple[Fact, ...]:
        """Numbers to read under the picture."""
        return ()

    def table(self, state: State, picture: Any) -> Table | None:
        """Give a small table to read under the picture, if there is one."""
        return None

    def describe(self, state: State, picture: Any) -> str:
        """Say in words what the picture shows, for readers who do not see it."""
        return self.title

    def cautions(self, state: State, picture: Any) -> tuple[str, ...]:
        """What could hurt somebody or mislead them in this state."""
        return ()


@dataclass(frozen=True)
class Frozen:
    """A state to compare with, and its whole picture."""

    state: State
    picture: Any


class Session:
    """The state somebody has come to in an explorer.

    Attributes
    ----------
    explorer : Explorer
    state : mapping of control name to value
    baseline : Frozen or None
    """

    def __init__(self, explorer: Explorer, baseline: State | None = None, **values: Any) -> None:
        self.explorer = explorer
        self.controls = {control.name: control for control in explorer.controls()}
        self._own = {name: control.value for name, control in self.controls.items()}
        self._design_words = _design_text(explorer.design)
        self._kept = Kept()
        self._past: list[State] = []
        self._future: list[State] = []
        self._pictures = Kept(PICTURES_KEPT)
        self.baseline: Frozen | None = None
        self.state: State = self.applied(values)
        if baseline is not None:
            state = self.applied(baseline)
            self.baseline = Frozen(state, self.picture(state))

    # -- changing ------------------------------------------------------------------------------------------

    def applied(self, values: Mapping[str, Any], state: State | None = None) -> dict[str, Any]:
        """State with some values changed, and with what follows from them; the first state if none is given.

        Raises
        ------
        ValueError
            Lists every unknown name, with the nearest one, and every value that does not fit.
        """
        found = dict(self._own if state is None else state)
        bad = [
            f"{name}: no such control of {self.explorer.name}; expected {any_of(self.controls, 30)}. "
            f"{nearest(name, self.controls)}".rstrip()
            for name in values if name not in self.controls
        ]  # fmt: skip
        accepted = {}
        for name in (name for name in self.controls if name in values):
            try:
                accepted[name] = self.controls[name].accept(values[name])
            except ValueError as error:
                bad.append(str(error))
        if bad:
            raise ValueError("\n".join(bad))
        for name, value in accepted.items():
            found[name] = value
            found.update({n: v for n, v in self.explorer.follow(found, name).items() if n not in accepted})
        return found

    def set(self, joined: bool = False, **values: Any) -> bool:
        """Change some controls; tells whether anything changed.

        ``joined`` makes it one step with the change before (a slider on its way), to be undone together.
        """
        state = self.applied(values, self.state)
        if state == self.state:
            return False
        if not (joined and self._past):
            self._past = [*self._past[-STEPS_BACK:], self.state]
        self._future = []
        self.state = state
        return True

    def undo(self) -> bool:
        """Go one step back; tells whether there was one."""
        return self._step(self._past, self._future)

    def redo(self) -> bool:
        """Take back the last undo; tells whether there was one."""
        return self._step(self._future, self._past)

    def _step(self, source: list[State], target: list[State]) -> bool:
        if not source:
            return False
        target.append(self.state)
        self.state = source.pop()
        return True

    @property
    def can_undo(self) -> bool:
        """Whether there is a step to go back."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether there is an undo to take back."""
        return bool(self._future)

    def reset(self) -> bool:
        """Go back to the design's own values (a step like any other); tells whether anything changed."""
        return self.set(**self._own)

    # -- computing -----------------------------------------------------------------------------------------

    def pictures(self, state: State | None = None) -> Iterator[Any]:
        """Pictures of a state (the present one if left out) as they get ready, the whole one last."""
        wanted = self.state if state is None else state
        key = tuple(wanted.values())
        if key in self._pictures:
            yield self._pictures.get(key, lambda: None)
            return
        picture = None
        for coming in self.explorer.pictures(wanted, self._kept):
            picture = coming
            yield picture
        self._pictures.get(key, lambda: picture)

    def ahead(self, name: str, before: Any) -> Iterator[None]:
        """Work out, piece by piece, what the next step of control ``name`` would show; ``before`` is its value before.

        Keys move a slider step by step: the next picture is ready before the key is pressed.  Ends where the slider ends.
        """
        control, now = self.controls[name], self.state[name]
        if control.kind == "choice" or now == before:
            return
        try:
            state = self.applied(
                {name: control.accept(now + (control.step if now > before else -control.step))}, self.state
            )
        except ValueError:
            return
        for _ in self.pictures(state):
            yield

    def picture(self, state: State | None = None) -> Any:
        """Whole picture of a state, the present one if left out."""
        *_, whole = self.pictures(state)
        return whole

    def freeze(self) -> None:
        """Keep the present state as the baseline to compare with."""
        self.baseline = Frozen(self.state, self.picture())

    def thaw(self) -> None:
        """Forget the baseline."""
        self.baseline = None

    # -- taking along --------------------------------------------------------------------------------------

    def changes(self, state: State | None = None) -> dict[str, Any]:
        """Values that have to be given to come from the design's own state to this one, in order."""
        wanted = self.state if state is None else state
        given: dict[str, Any] = {}
        for name in self.controls:
            if self.applied(given)[name] != wanted[name]:
                given[name] = wanted[name]
        return given

    def call(self) -> str:
        """Python text that opens the explorer in the present state, baseline included."""
        words = [self._design_words]
        words += _keywords(self.changes())
        if self.baseline is not None:
            words.append(f"baseline=dict({', '.join(_keywords(self.changes(self.baseline.state)))})")
        return f"tn.explore.{self.explorer.name}({', '.join(words)})"

    def design(self) -> Design:
        """Design with everything in it that the present state changes; its note tells the call that leads to it."""
        own, made = self.explorer.design, self.explorer.design_at(self.state)
        if made == own:
            return own
        name = f"{own.name[: NAME_LENGTH - len(self.explorer.name) - 1]}-{self.explorer.name}"
        return dataclasses.replace(
            made, name=name, note=f"{own.note} Changed in the explorer: {self.call()}".strip()
        )

    def design_text(self) -> str:
        """Design file of the present state."""
        from thermnet.design.write import dump_design

        return dump_design(self.design())

    def facts(self, picture: Any) -> tuple[Fact, ...]:
        """Numbers to read under a picture of the present state."""
        return self.explorer.facts(self.state, picture)

    def cautions(self, picture: Any) -> tuple[str, ...]:
        """What could hurt somebody or mislead them in the present state, each once."""
        return tuple(dict.fromkeys(self.explorer.cautions(self.state, picture)))

    def describe(self, picture: Any) -> str:
        """Say in words what a picture of the present state shows."""
        return self.explorer.describe(self.state, picture)


def in_words(name: str) -> str:
    """Write a dotted or underscored name (``bottom.hot_zone``) as words."""
    return name.replace("_", " ").replace(".", " ")


def as_design(design: Any) -> Design:
    """Design given as such, by the name of a packaged one, or by path.

    Raises
    ------
    DesignError
        There is no such design, or its file is not usable.
    """
    return design if isinstance(design, Design) else load_design(design)


def _keywords(values: Mapping[str, Any]) -> list[str]:
    """Keyword arguments as people write them: whole numbers without a decimal point, double quotes."""
    return [f"{name}={_literal(value)}" for name, value in values.items()]


def _literal(value: Any) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    whole = isinstance(value, float) and value == int(value) and abs(value) < 1e9
    return repr(int(value) if whole else value)


def _design_text(design: Design) -> str:
    """Argument that gives a design again: its name or its path, if that still describes it."""
    source = design.source
    if source:
        try:
            if load_design(source) == design:
                return _literal(source)
        except (OSError, ValueError):
            pass
    return "design"
