"""The stack explorer: heat pipes against a vapor chamber in the same machine, while sliders move."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.design.stack import stack_heights, stack_parts
from thermnet.design.stack_variants import CAUTION as STACK_CAUTION
from thermnet.explore import machine as shared
from thermnet.explore.burst_explorer import BurstPicture, Curve, curve_key, curves_of, strips_of
from thermnet.explore.controls import Control, choice, of_parameter
from thermnet.explore.session import Explorer, Kept, State, Table, in_words
from thermnet.parts.two_phase import TwoPhasePart
from thermnet.studies.burst_budget import CAUTION
from thermnet.studies.held_power import HeldPower

SHOWN = (10.0, 60.0)
"""s; points of the burst curves with a column of their own."""


@dataclass(frozen=True)
class Variant:
    """One of the machines side by side.

    Attributes
    ----------
    label : str
        What its stack is.
    run : BurstPicture
        Strips under the power limits of the state.
    curve : Curve or None while it is being worked out
    margin : float
        W to dry-out when the sustained power is held for ever (nan without pipes or chamber, None while it is being worked out).
    mass, over_chip, at_fins : float
        kg of the stack, m; nan where there is no such stack.
    """

    label: str
    run: BurstPicture
    curve: Curve | None
    margin: float | None
    mass: float
    over_chip: float
    at_fins: float


@dataclass(frozen=True)
class StackPicture:
    """What the stack explorer shows: the machines side by side, None where one is still being worked out."""

    variants: tuple[Variant | None, ...]


class StackExplorer(Explorer):
    """Pipes against chamber; a machine whose stack cannot be exchanged against itself with another thickness."""

    name = "stack"
    title = "Pipes or chamber"
    question = "Which cooling stack carries more, for how long, and how near is it to dry-out?"
    scene = "thermnet.explore.stack_scene:StackScene"

    @property
    def kinds(self) -> tuple[str, str]:
        """Stacks side by side."""
        return (shared.PIPES if shared.exchangeable(self.design) else shared.OWN), shared.CHAMBER

    def controls(self) -> tuple[Control, ...]:
        """Sizes of both stacks, tilt, room, limits and interface."""
        mode = shared.mode_control(self.design)
        sizes = tuple(control for control in shared.stack_controls(self.design) if control.name != "stack")
        leaning = [name for name, part in self.design.parts.items() if isinstance(part, TwoPhasePart)]
        if not leaning:
            raise ValueError(
                f"{self.design.name} has neither heat pipe nor vapor chamber; expected one to compare"
            )
        tilt = of_parameter(self.design, f"{leaning[0]}.tilt", "tilt", "Tilt", shared.STACK, unit="deg")
        words = {shared.PIPES: "heat pipes", shared.OWN: "as designed", shared.CHAMBER: "vapor chamber"}
        written = choice(
            "written", "Design file holds", shared.STACK, [(words[kind], kind) for kind in self.kinds], self.kinds[1],
            "which of the two machines the design file gets",
        )  # fmt: skip
        limits = tuple(
            c for c in shared.limit_controls(self.design, mode.value) if not c.name.startswith("averaging")
        )
        return (
            *(sizes or shared.thickness_control(self.design)), tilt, mode, *shared.room_controls(self.design), *limits,
            *shared.interface_controls(self.design), written,
        )  # fmt: skip

    def follow(self, state: State, name: str) -> Mapping[str, Any]:
        """Let a mode bring its limits, and a material its bond line."""
        if name == "mode":
            own = shared.limits_follow(self.design, state["mode"])
            return {name: value for name, value in own.items() if name in state}
        return shared.interface_follows(self.design, state) if name == "interface" else {}

    def asleep(self, state: State) -> frozenset[str]:
        """The soak power without a soak, the bond line of a pad."""
        idle = set() if state["start"] == "soaked" else {"soak_power"}
        return frozenset(idle | ({"bond_line_um"} if shared.bond_line_asleep(state) else set()))

    def of_kind(self, state: State, kind: str) -> dict[str, Any]:
        """State of one of the machines, as the shared functions read it."""
        return {**state, "stack": kind, "load": shared.FLAT_OUT}

    def design_at(self, state: State) -> Design:
        """Machine chosen for the design file, with room and limits of the state."""
        own = self.of_kind(state, state["written"])
        return shared.with_settings(shared.machine_at(self.design, own, Kept()), own)

    def pictures(self, state: State, kept: Kept) -> Iterator[StackPicture]:
        """Strips of one machine after the other, then their curves; what is known already comes at once."""
        start = shared.start_of(self.design, state)
        made: list[Variant | None] = [None for _ in self.kinds]
        states = [self.of_kind(state, kind) for kind in self.kinds]
        # Known machines first, so that the first picture shows most.
        order = sorted(range(len(states)), key=lambda k: _strips_key(states[k], start) not in kept)
        for k in order:
            made[k] = self._strips(states[k], start, kept)
            if not all(curve_key(own, start) in kept for own in states):
                yield StackPicture(tuple(made))
        for k in order:
            for variant in self._whole(made[k], states[k], start, kept):
                made[k] = variant
                if k != order[-1] or variant.margin is None:
                    yield StackPicture(tuple(made))
        yield StackPicture(tuple(made))

    def _strips(self, own: State, start: Any, kept: Kept) -> Variant:
        machine = shared.machine_at(self.design, own, kept)
        run = kept.get(_strips_key(own, start), lambda: strips_of(self.design, machine, own, start, kept))
        mass, over, at_fins = kept.get(("sizes", *shared.machine_key(own)), lambda: _sizes(machine))
        key = curve_key(own, start)
        curve = kept.get(key, lambda: None) if key in kept else None
        return Variant(shared.stack_label(machine, own), run, curve, None, mass, over, at_fins)

    def _whole(self, variant: Variant | None, own: State, start: Any, kept: Kept) -> Iterator[Variant]:
        assert variant is not None
        machine = shared.machine_at(self.design, own, kept)
        split = shared.shares(self.design, own["mode"])
        level = variant.run.sustained
        for curve in curves_of(machine, own, start, split, kept):
            if np.isfinite(curve.sustained):
                key = ("margin", level, *curve_key(own, start))
                margin = kept.get(key, lambda: _margin(machine, own, start, split, level))
                yield replace(variant, curve=curve, margin=margin)
            else:
                yield replace(variant, curve=curve)

    def table(self, state: State, picture: StackPicture) -> Table:
        """A row per machine: watts, margins, skin, mass, thickness."""
        level = f"{picture_level(picture):g} W"
        headings = (
            "stack", "sustains, W", "held by", *(f"{t:g} s, W" for t in SHOWN), f"dry-out margin at {level}, W",
            "hottest die, °C", "hottest skin, °C", "mass, g", "over the chip, mm", "at the fins, mm",
        )  # fmt: skip
        rows = []
        for variant in picture.variants:
            if variant is not None:
                rows.append((variant.label, *_numbers(variant)))
        return Table(headings, tuple(rows))

    def describe(self, state: State, picture: StackPicture) -> str:
        """Say both machines' numbers in sentences."""
        table = self.table(state, picture)
        said = [
            f"{self.design.name}, mode {state['mode']}, {state['ambient']:g} °C, tilt {state.get('tilt', 0):g} degrees."
        ]
        for row in table.rows:
            said.append(
                f"{row[0]}: "
                + ", ".join(f"{head} {text}" for head, text in zip(table.headings[1:], row[1:], strict=True))
                + "."
            )
        return " ".join(said)

    def cautions(self, state: State, picture: StackPicture) -> tuple[str, ...]:
        """Hot skins, dried out stacks, risky materials, and what the numbers are."""
        found: list[str] = []
        for variant in filter(None, picture.variants):
            excess = {
                f"{variant.label}: {in_words(zone)}": (
                    float(values.max()),
                    variant.run.skin_limit[zone],
                )
                for zone, values in variant.run.skin.items()
            }
            found += shared.skin_cautions(excess)
            if variant.margin is not None and variant.margin < 0:
                found.append(
                    f"{variant.label} dries out when {variant.run.sustained:g} W are held: {-variant.margin:.1f} W too much."
                )
        return (*found, *shared.material_cautions(state), f"{STACK_CAUTION} {CAUTION}")


def picture_level(picture: StackPicture) -> float:
    """Sustained power at which machines are compared, W."""
    return next(float(variant.run.sustained) for variant in picture.variants if variant is not None)


def _strips_key(own: State, start: Any) -> tuple[Any, ...]:
    limits = tuple(
        value for name, value in own.items() if name.startswith(("burst_power", "sustained_power"))
    )
    return ("strips", *curve_key(own, start), limits)


def _sizes(machine: Design) -> tuple[float, float, float]:
    try:
        return float(sum(np.max(machine.parts[n].mass()) for n in stack_parts(machine))), *stack_heights(
            machine
        )
    except ValueError:
        held = [part for part in machine.parts.values() if isinstance(part, TwoPhasePart)]
        return (
            float(sum(np.max(part.mass()) for part in held)),
            max(float(np.max(p.thickness_in_stack())) for p in held),
            float("nan"),
        )


def _margin(machine: Design, own: State, start: Any, split: Mapping[str, float], level: float) -> float:
    """Distance in W to the nearest dry-out when ``level`` W are held for ever with the mode's fans."""
    held = HeldPower.of(machine, own["mode"], own["ambient"], start, split)
    excess = held.steady_excess(level)
    dry = [-float(value) for limit, value in zip(held.limits, excess, strict=True) if limit.kind == "dry_out"]
    return min(dry, default=float("nan"))


def _numbers(variant: Variant) -> list[str]:
    def text(value: float | None, digits: int = 1) -> str:
        return "…" if value is None else "–" if not np.isfinite(value) else f"{value:.{digits}f}"

    curve, run = variant.curve, variant.run
    points = [
        None if curve is None else float(curve.power[int(np.flatnonzero(curve.duration == t)[0])])
        for t in SHOWN
    ]
    zones = [float(values.max()) for values in run.skin.values()]
    return [
        text(None if curve is None or not curve.held_by else curve.sustained), in_words(curve.held_by if curve else "") or "…", *map(text, points),
        text(variant.margin), text(float(run.die.max())), text(max(zones, default=float("nan"))), text(1e3 * variant.mass),
        text(1e3 * variant.over_chip), text(1e3 * variant.at_fins),
    ]  # fmt: skip
