"""The units explorer: how every unit off the line turns out, and which tolerance makes the spread, while sliders move."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Any

import numpy as np

from thermnet import units
from thermnet.design.design import Design
from thermnet.explore import machine as shared
from thermnet.explore.controls import UNIT_TEXT, Control, choice, of_parameter
from thermnet.explore.session import Explorer, Fact, Kept, State
from thermnet.explore.units_line import KEPT_ALL, NOISE, POWER, REST, RUN, Answers, Line, Question
from thermnet.explore.units_picture import (
    UnitsPicture,
    bin_width,
    histogram,
    limit_text,
    millions,
    percent,
    spread_unit,
    unit_of,
)
from thermnet.run import RunLimit
from thermnet.solve.in_pieces import finished
from thermnet.studies.burst_budget import CAUTION
from thermnet.studies.steady_machine import SteadyMachine
from thermnet.studies.tolerance_tables import THREE_SIGMA, Requirement, against, is_normal
from thermnet.tolerance import capability
from thermnet.tolerance.sampling import Population
from thermnet.tolerance.sensitivity import regression_shares

ASKED, LIMIT, TOLERANCES, LINE = "What every unit is asked", "Limit", "Tolerances (three sigma)", "Line"
"""Headings of the groups of controls."""

SLIDERS = 8
"""Tolerances with a slider of their own; the others move together."""

SAMPLES = (256, 512, 1024, 2048)
"""Units simulated, to choose from."""

PROMISE = 0.9
"""Share of what the machine as drawn holds for ever that is asked at first: room for the units to differ."""

SHOWN_KINDS = ("junction", "skin", "battery")
"""Kinds of limits whose temperatures can be looked at."""

STANDING = (
    "Declared tolerances are assumptions, not factory data; units count as one stable process, for which Cpk and Ppk are the same, "
    "and intervals are those of as many units drawn at random. Nothing here replaces a capability study on real parts, a gauge "
    "study, or the agreement with the factory. "
) + CAUTION


class UnitsExplorer(Explorer):
    """Spread, capability and yield of a line of units under tolerances set by slider."""

    name = "units"
    title = "Every unit off the line"
    question = "How far do units differ, how many miss the limit, and which tolerance makes the spread?"
    scene = "thermnet.explore.units_scene:UnitsScene"

    @cached_property
    def line(self) -> Line:
        """Units of the design."""
        return Line(self.design)

    @cached_property
    def limits(self) -> dict[str, RunLimit]:
        """Temperature limits that can be looked at, by name."""
        return {q.name: q for q in self.design.machine().limits if q.node and q.kind in SHOWN_KINDS}

    def controls(self) -> tuple[Control, ...]:
        """What is asked first, then the limit it is held to, then the tolerances."""
        design, mode = self.design, shared.mode_control(self.design)
        first = self._first
        power = self._promised(mode.value)
        options = [(_said(q), name) for name, q in self.limits.items()]
        options += [("power", POWER), *([("noise", NOISE)] if self._loud else [])]
        # A regression on all tolerances needs twice as many units.
        fewest = 2 * len(self.line.declared) + 2
        samples = [n for n in SAMPLES if n >= fewest] or [1 << fewest.bit_length()]
        load = dataclasses.replace(shared.load_control(design), group=ASKED, label="Load of a run")
        noise = Control(name="noise_limit", label="Highest noise", group=LIMIT, kind="number", unit="dBA", low=15.0, high=65.0, step=0.5,
                        value=self._noise_limit(mode.value), doc="limit on the noise of a unit, where noise is looked at")  # fmt: skip
        return (
            dataclasses.replace(mode, group=ASKED),
            choice("asked", "Asked", ASKED, [("at rest under the power, fans settled", REST), ("in a run of the closed loop", RUN)], REST,
                   "every unit at rest for ever, or in a closed-loop run from idle"),
            choice("output", "Looked at", ASKED, options, first.name, "highest temperature of a place, power, or noise"),
            Control(name="power", label="Power held or promised", group=ASKED, kind="number", value=power, unit="W", low=1.0,
                    high=float(np.ceil(0.2 * power) * 10.0), step=0.5 if power < 60 else 1.0,
                    doc="held by all chips together at rest; where power itself is looked at, the least that a unit must reach"),
            of_parameter(design, "ambient", "ambient", "Ambient", ASKED),
            load, choice("minutes", "Length of a run", ASKED, [("1 min", 1), ("10 min", 10), ("30 min", 30)], 1, "length of the run"),
            Control(name="temperature_limit", label="Highest temperature", group=LIMIT, kind="number", unit="degC", low=30.0, high=125.0,
                    step=0.5, value=float(first.value), doc="limit on the temperature looked at; the design's own at first"),
            *((noise,) if self._loud else ()), *self._widths.values(),
            Control(name="others", label="All others, × declared", group=TOLERANCES, kind="number", value=1.0, low=0.1, high=2.0,
                    step=0.1, doc="factor on every declared tolerance that has no slider of its own"),
            choice("drift_of", "Mean moved of", LINE, [(_label(key), key) for key in self.strongest], self.strongest[0],
                   "parameter whose mean has drifted off the value drawn"),
            Control(name="drift_percent", label="Moved by, of its declared tolerance", group=LINE, kind="number", unit="%", value=0.0, low=-100.0,
                    high=100.0, step=5.0, doc="how far the mean stands off the drawn value; 50 % is one and a half sigma"),
            choice("samples", "Units simulated", LINE, [(f"{n}", n) for n in samples], samples[min(1, len(samples) - 1)], "units drawn and solved, always the same ones"),
            Control(name="measured", label="Parts measured", group=LINE, kind="count", value=30, low=10, high=300, step=1,
                    doc="size of a real sample: how far its Cpk could be off by chance"),
        )  # fmt: skip

    def follow(self, state: State, name: str) -> Mapping[str, Any]:
        """Let a place bring its limit, and a mode what it can hold and its noise."""
        if name == "output" and state["output"] in self.limits:
            return {"temperature_limit": float(self.limits[state["output"]].value)}
        if name == "mode":
            loud = {"noise_limit": self._noise_limit(state["mode"])} if self._loud else {}
            return {"power": self._promised(state["mode"]), **loud}
        return {}

    def asleep(self, state: State) -> frozenset[str]:
        """Limits of what is not looked at, the load at rest, the power in a run."""
        at_rest, output = state["asked"] == REST, state["output"]
        idle = {"load", "minutes"} if at_rest else ({"power"} if output != POWER else set())
        idle |= {"temperature_limit"} if output in (POWER, NOISE) else set()
        return frozenset(idle | ({"noise_limit"} if output != NOISE else set()))

    def population(self, state: State) -> Population:
        """Population of a state, as :func:`thermnet.studies.tolerance` takes it."""
        factors: dict[str, float] = dict.fromkeys(self.line.declared, float(state["others"]))
        for key, control in self._widths.items():
            factors[key] = 1.0 if state[control.name] == control.value else state[control.name] / control.value
        moved = 0.01 * state["drift_percent"] * self.line.half(state["drift_of"])
        return self.line.population(factors, {state["drift_of"]: moved})

    def design_at(self, state: State) -> Design:
        """Design in the room of the state, the moved mean drawn; tolerances are not written in a design file."""
        changes: dict[str, Any] = {"ambient": state["ambient"]} if state["ambient"] != self.design.ambient else {}
        if state["drift_percent"]:
            key = state["drift_of"]
            changes[key] = self.line.nominal[key] + 0.01 * state["drift_percent"] * self.line.half(key)
        return self.design.replace(**changes) if changes else self.design

    def pictures(self, state: State, kept: Kept) -> Iterator[UnitsPicture]:
        """Draw the first units at once and all of them in the end; what makes the spread is told by all of them."""
        people = self.population(state)
        last: tuple[Answers, UnitsPicture] | None = None
        for answers in self.line.answers(people, self._question(state), state["samples"], kept):
            if last is None or last[0] is not answers:
                last = answers, self._picture(state, people, answers, kept)
            yield last[1]

    def facts(self, state: State, picture: UnitsPicture) -> tuple[Fact, ...]:
        """Mean, spread, capability, yield and ends."""
        answers, unit = picture.answers, picture.unit
        index, share = float(answers["ppk"]), float(answers["yield_percent"])
        low, high = float(picture.values.min()), float(picture.values.max())
        found = [
            Fact("units", f"{picture.values.size:,}".replace(",", " "), float(picture.values.size)),
            Fact("as drawn", f"{picture.nominal:.2f} {unit}", picture.nominal),
            Fact("mean", f"{picture.mean:.2f} {unit}", picture.mean),
            Fact("sigma", f"{picture.sigma:.3f} {spread_unit(unit)}", picture.sigma),
            Fact("Cpk, 95 % interval", f"{index:.2f} ({answers['ppk_low']:.2f} to {answers['ppk_high']:.2f})", index)
            if np.isfinite(index) else Fact("Cpk", "none: the units do not differ"),
            Fact("shape", "normal" if picture.normal else "not normal: Cpk by percentiles"),
            Fact("within the limit", f"{share:.4g} % ({percent(answers['fail_high_ppm'])} to {percent(answers['fail_low_ppm'])})", share),
            Fact("outside, per million", f"{millions(answers['fail_ppm'])} ({millions(answers['fail_low_ppm'])} to {millions(answers['fail_high_ppm'])})",
                 float(answers["fail_ppm"])),
            Fact("lowest and highest unit", f"{low:.2f} to {high:.2f} {unit}"),
        ]  # fmt: skip
        if picture.kept_all is not None:
            every, least, most = picture.kept_all
            found.append(Fact("keeps every limit", f"{every:.4g} % ({least:.4g} to {most:.4g})", every))
        return tuple(found)

    def describe(self, state: State, picture: UnitsPicture) -> str:
        """Histogram and shares in a few sentences."""
        said = [f"{self.design.name}, {picture.what}, mode {state['mode']}, {state['ambient']:g} °C, limit {limit_text(picture)}."]
        said += [f"{fact.label}: {fact.text}." for fact in self.facts(state, picture)]
        if picture.shares is not None:
            rows = zip(picture.names, picture.widths, picture.shares, strict=True)
            said.append("Share of the variance: " + ", ".join(f"{n} ({w}) {100 * max(s, 0.0):.0f} %" for n, w, s in rows) + ".")
        parts, low, high = picture.measured
        return " ".join([*said, f"{parts} measured parts could give a Cpk of {low:.2f} to {high:.2f}."])

    def cautions(self, state: State, picture: UnitsPicture) -> tuple[str, ...]:
        """Wide intervals, shapes that are not normal, tails beyond the last unit, hot skins; and what this is not."""
        answers, count = picture.answers, picture.values.size
        found = []
        if not picture.normal:
            found.append(
                f"The units are not normally spread: the Cpk is that of percentiles, and of {count} units fewer than "
                f"{int(np.ceil(THREE_SIGMA * count)) + 1} lie in the tail it rests on; fans that step from speed to speed make such shapes."
            )
        elif answers["yield_percent"] == 100.0 and picture.whole:
            found.append(
                f"No unit of {count} misses the limit: the figure per million is the normal curve carried on beyond the last unit; "
                f"counting alone would allow {millions(answers['fail_high_ppm'])}."
            )
        low, high = answers["ppk_low"], answers["ppk_high"]
        if picture.whole and low < capability.CAPABLE < high:
            found.append(
                f"The interval of the Cpk, {low:.2f} to {high:.2f}, takes in {capability.CAPABLE:.2f}: {count} units do not settle on which "
                "side of it the line is; more units do."
            )
        if state["output"] in self.limits and self.limits[state["output"]].kind == "skin":
            found += shared.skin_cautions({f"the hottest unit's {picture.what}": (float(picture.values.max()), float(picture.need.upper or 0.0))})
        return (*found, STANDING)

    # -- inside --------------------------------------------------------------------------------------------

    @cached_property
    def _loud(self) -> bool:
        return bool(self.design.machine().fans)

    @cached_property
    def _own_mode(self) -> str:
        return str(shared.mode_control(self.design).value)

    @cached_property
    def _promises(self) -> dict[str, float]:
        return {}

    def _promised(self, mode: str) -> float:
        if mode not in self._promises:
            held = SteadyMachine(self.design, mode, split=shared.shares(self.design, mode)).sustained().power
            self._promises[mode] = max(float(np.floor(2.0 * PROMISE * held) / 2.0 if held < 60 else np.floor(PROMISE * held)), 1.0)
        return self._promises[mode]

    def _noise_limit(self, mode: str) -> float:
        """Cap of the mode and 1 dBA for units louder than drawn, as in the tolerance study; else what the loudest fan makes."""
        cap = self.design.modes[mode].noise_cap
        loudest = max((float(getattr(part, "reference_noise", 0.0)) for part in self.design.parts.values()), default=40.0)
        return float(np.clip(loudest + 3.0 if cap is None else float(cap) + 1.0, 15.0, 65.0))

    @cached_property
    def _screen(self) -> tuple[RunLimit, tuple[str, ...]]:
        """Limit nearest to being missed, and the strongest tolerances on it, on the chips and on the noise.

        Every parameter at both ends of its tolerance, one at a time, at rest under the power asked at first.
        """
        line, mode = self.line, self._own_mode
        keys = list(line.declared)
        table = np.tile(np.array([line.nominal[key] for key in keys]), (1 + 2 * len(keys), 1))
        for k, key in enumerate(keys):
            table[1 + 2 * k, k], table[2 + 2 * k, k] = line.declared[key].ends(THREE_SIGMA)
        asked = Question(REST, mode, float(self.design.ambient), self._promised(mode))
        found = finished(line.solving(dict(zip(keys, table.T, strict=True)), asked, Kept()))
        effect = {name: np.abs(values[2::2] - values[1::2]) / 6.0 for name, values in found.items()}
        room = {name: (float(q.value) - found[name][0]) / max(float(np.linalg.norm(effect[name])), 1e-9) for name, q in self.limits.items()}
        first = self.limits[min(room, key=lambda name: room[name])]
        looked = [first.name, *(name for name, q in self.limits.items() if q.kind == "junction"), *([NOISE] if self._loud else [])]
        weight = np.max([effect[name] ** 2 / max(float(np.sum(effect[name] ** 2)), 1e-12) for name in dict.fromkeys(looked)], axis=0)
        chosen = np.argsort(-weight, kind="stable")[:SLIDERS]
        chosen = chosen[np.argsort(-effect[first.name][chosen], kind="stable")]
        return first, tuple(keys[k] for k in chosen)

    @property
    def _first(self) -> RunLimit:
        return self._screen[0]

    @property
    def strongest(self) -> tuple[str, ...]:
        """Dotted keys of the tolerances with a slider of their own, strongest first."""
        return self._screen[1]

    @cached_property
    def _widths(self) -> dict[str, Control]:
        """Sliders of the tolerances by dotted key."""
        return {key: self._width(key) for key in self.strongest}

    def _width(self, key: str) -> Control:
        """Slider of a tolerance: three sigma in the unit it is declared in, or as a share of the value."""
        declaration = self.line.declarations[key]
        shown = declaration.shown or declaration.unit
        shown = "K" if shown == "degC" else shown
        unit, scale = ("%", 100.0 * float(declaration.tolerance or 0.0)) if declaration.tolerance_is_relative else (shown, 0.0)
        if not declaration.tolerance_is_relative:
            inside = "K" if declaration.unit == "degC" else declaration.unit
            scale = float(units.convert(self.line.half(key), inside, shown))
        value = float(f"{scale:.6g}")
        step = float(f"{value / 20:.6g}")
        tail = "percent" if unit == "%" else re.sub(r"\W+", "_", unit) if unit != "1" else ""
        return Control(
            name="_".join(filter(None, ("tol", re.sub(r"\W+", "_", key), tail))), label=f"{_label(key)} ±", group=TOLERANCES, kind="number",
            value=value, unit="" if unit == "1" else unit, low=float(f"{2 * step:.6g}"), high=float(f"{2 * value:.6g}"), step=step,
            doc=f"half width that three sigma of the units keep to; {value:g} {UNIT_TEXT.get(unit, unit)} declared. {declaration.doc}".strip(),
        )  # fmt: skip

    def _question(self, state: State) -> Question:
        if state["asked"] == RUN:
            return Question(RUN, state["mode"], state["ambient"], None, state["load"], 60.0 * state["minutes"])
        return Question(REST, state["mode"], state["ambient"], None if state["output"] == POWER else state["power"])

    def _need(self, state: State) -> Requirement:
        output = state["output"]
        if output == POWER:
            return Requirement(output, lower=state["power"])
        return Requirement(output, upper=state["noise_limit"] if output == NOISE else state["temperature_limit"])

    def _picture(self, state: State, people: Population, answers: Answers, kept: Kept) -> UnitsPicture:
        output, need = state["output"], self._need(state)
        values = answers.values[output]
        found = against(need, values, 1_000_000, people)
        index = found["ppk"] if np.isfinite(found["ppk"]) else 0.0
        width = bin_width(float(values.std()), state["samples"])
        edges, counts = histogram(values, width)
        good, all_kept = answers.values[KEPT_ALL] > 0.5, None
        if self._question(state).power is not None or state["asked"] == RUN:
            ends = capability.yield_interval(int(good.sum()), good.size)
            all_kept = (100.0 * float(good.mean()), 100.0 * ends[0], 100.0 * ends[1])
        shares, other = None, ("", 0.0)
        if answers.whole:
            columns = self.line.columns(people, state["samples"], kept)
            alone = dict(zip(columns, regression_shares(columns, values), strict=True))
            rest = {key: share for key, share in alone.items() if key not in self.strongest}
            largest = max(rest, key=lambda key: rest[key], default="")
            shares = np.array([*(alone[key] for key in self.strongest), sum(rest.values())])
            other = (_label(largest), float(rest.get(largest, 0.0)))
        return UnitsPicture(
            what=self._what(state), unit=unit_of(output), values=values, whole=answers.whole, nominal=answers.nominal[output], need=need,
            width=width, edges=edges, counts=counts, normal=is_normal(values) if np.ptp(values) > 1e-9 else False, answers=found, kept_all=all_kept,
            names=(*(_label(key) for key in self.strongest), "all others"),
            widths=(*(f"± {control.text(state[control.name])}" for control in self._widths.values()), f"× {state['others']:g}"),
            shares=shares, largest_other=other, measured=(state["measured"], *capability.cpk_interval(index, state["measured"])),
        )  # fmt: skip

    def _what(self, state: State) -> str:
        output, run = state["output"], state["asked"] == RUN
        load = shared.load_control(self.design).text(state["load"])
        if output == POWER:
            return f"mean power in {state['minutes']} min of {load}" if run else "highest power held for ever"
        word = "noise" if output == NOISE else _said(self.limits[output])
        when = f"{'at the end of' if output == NOISE else 'highest in'} {state['minutes']} min of {load}" if run else f"at rest under {state['power']:g} W"
        return f"{word} {when}"


def _said(limit: RunLimit) -> str:
    return limit.name.replace("_", " ").replace(".", " ")


def _label(key: str) -> str:
    """Part and field in words, a word said twice left out (the gap of a part called gap below)."""
    words = key.replace("sensors.", "sensor ").replace("_", " ").replace(".", " ").split()
    once = " ".join(dict.fromkeys(words))
    return once[:1].upper() + once[1:]


__all__ = ["UnitsExplorer"]
