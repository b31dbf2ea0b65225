"""Measures of one machine among several under the same conditions: the engine behind ``compare``.

Every design runs in its own mode of the name asked for; the noise cap is common to all.  Sustained power is
taken with the fans at that cap, so that no fan table decides the comparison; bursts run with the mode's fans.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.design.stack import read_stack, stack_heights, stack_parts
from thermnet.parts.heat_pipe import HeatPipe
from thermnet.parts.two_phase import REFERENCE, TwoPhasePart
from thermnet.parts.vapor_chamber import VaporChamber
from thermnet.solve.pack import fan_caps, mode_of
from thermnet.studies.held_power import HeldPower, highest_power

SAME_WITHIN = 0.01
"""Relative difference below which two designs count as equal in words."""


@dataclass(frozen=True)
class Conditions:
    """What all candidates have in common: mode by name, ambient (degC), noise cap (dBA or None), start, split."""

    mode: str
    ambient: float
    noise: float | None
    start: Any = "idle"
    split: Mapping[str, float] | None = None


@dataclass
class Candidate:
    """One design under the common conditions.

    Attributes
    ----------
    label : str
    design : Design
        With the common noise cap in its mode.
    held : HeldPower
    fans : positions of the fans on their speed grids at the noise cap
    """

    label: str
    design: Design
    held: HeldPower
    fans: tuple[int, ...]

    @classmethod
    def of(cls, label: str, design: Design, given: Conditions) -> Candidate:
        """Put a design under the conditions (see :class:`HeldPower` for errors)."""
        mode = dataclasses.replace(mode_of(design.modes, given.mode), noise_cap=given.noise)
        design = dataclasses.replace(design, modes={**design.modes, given.mode: mode})
        held = HeldPower.of(design, given.mode, given.ambient, given.start, given.split)
        return cls(label, design, held, fans_at(held, given.noise))

    def sustained(self, noise: float | None = None, guess: float = 30.0) -> tuple[float, str]:
        """Highest power in W for ever with no more noise than the cap (or ``noise`` dBA), and what holds it.

        The fans run at the cap, or slower where that holds more: a warmer chamber or pipe carries more heat
        before it dries out.
        """
        fans = self.fans if noise is None else fans_at(self.held, noise)
        best = self._sustained_at(fans, guess)
        if self._kind(best[1]) != "dry_out":
            return best
        top = max(fans, default=0)
        tried = {top: best}

        def at(k: int) -> float:
            if k not in tried:
                slower = tuple(round(f * k / top) for f in fans)
                tried[k] = self._sustained_at(slower, max(best[0], 1.0))
            return tried[k][0]

        coarse = max(top // 8, 1)
        peak = max(range(top, 0, -coarse), key=at, default=top)
        return tried[max(range(max(peak - coarse, 1), min(peak + coarse, top) + 1), key=at, default=top)]

    def _sustained_at(self, fans: tuple[int, ...], guess: float) -> tuple[float, str]:
        power, q = highest_power(lambda p: self.held.steady_excess(p, fans), guess)
        return power, self.held.limits[q].name if q >= 0 else "none"

    def _kind(self, name: str) -> str:
        return next((limit.kind for limit in self.held.limits if limit.name == name), "")

    def burst(self, duration: float, guess: float = 30.0) -> tuple[float, str]:
        """Highest power in W for a duration in s, and what holds it."""
        last = max(1, round(duration / self.held.plant.period))
        power, q = highest_power(lambda p: self.held.excess(p, [last])[0], guess)
        return power, self.held.limits[q].name if q >= 0 else "none"

    def noise_needed(self, power: float) -> float:
        """Lowest noise in dBA at which ``power`` W can be held for ever.

        All fans turn at one share of their highest speeds; between two speeds of the grid the excess is taken
        as linear.  0 where no fan is needed, nan where no speed is enough.
        """
        held, fans = self.held, self.held.plant.machine.fans
        steps = max((count - 1 for count in held.plant.counts), default=0)

        def worst(k: int) -> float:
            share = k / steps if steps else 0.0
            return float(
                np.max(held.steady_excess(power, [round(share * (n - 1)) for n in held.plant.counts]))
            )

        low, at_low = 0, worst(0)
        if at_low <= 0:
            return 0.0
        # More air is not always better (a cooler chamber dries out sooner): find the first step that will do.
        stops = sorted({*range(0, steps, max(steps // 10, 1)), steps} - {0})
        found = {k: worst(k) for k in stops}
        if not any(value <= 0 for value in found.values()) and stops:
            nearest = min(stops, key=lambda k: found[k])
            stride = max(steps // 10, 1)
            found |= {k: worst(k) for k in range(max(nearest - stride, 1), min(nearest + stride, steps))}
        for high, at_high in sorted(found.items()):
            if at_high <= 0:
                break
            low, at_low = high, at_high
        else:
            return float("nan")
        while high - low > 1:
            middle = (low + high) // 2
            value = worst(middle)
            low, at_low, high, at_high = (
                (middle, value, high, at_high) if value > 0 else (low, at_low, middle, value)
            )
        share = (low + at_low / (at_low - at_high)) / steps
        return float(held.plant.machine.noise({fan.name: share * fan.maximum for fan in fans}))

    def temperatures(self, power: float) -> dict[str, float]:
        """Temperature in degC of every node under a limit when ``power`` W are held with the fans at the cap."""
        soak = self.held.soak(power, self.fans)
        rows = dict(zip(self.held.plant.nodes, soak.everything, strict=True))
        return {limit.name: float(rows[limit.node]) for limit in self.held.limits if limit.node}

    def margins(self, power: float, kind: str) -> dict[str, float]:
        """Distance in K (or W) to every limit of a kind when ``power`` W are held with the fans at the cap."""
        excess = self.held.steady_excess(power, self.fans)
        return {
            limit.name: -float(value)
            for limit, value in zip(self.held.limits, excess, strict=True)
            if limit.kind == kind
        }

    @property
    def stack(self) -> tuple[str, ...]:
        """Names of the parts of the cooling stack (core, pipes, fins); none where the design has no such stack."""
        try:
            return stack_parts(self.design)
        except ValueError:
            return ()

    @property
    def mass(self) -> float:
        """Mass of the cooling stack in kg; nan where the design has no such stack."""
        names = self.stack
        return float(sum(np.max(self.design.parts[n].mass()) for n in names)) if names else float("nan")

    @property
    def heights(self) -> tuple[float, float]:
        """Height of the stack in m over the chips and at the fins; nan where there is no such stack."""
        try:
            return stack_heights(self.design)
        except ValueError:
            return float("nan"), float("nan")

    def cost(self, costs: Mapping[str, float]) -> float:
        """Sum of the costs given by part name or by kind (a pipe's cost is that of one pipe)."""
        total = 0.0
        for name, part in self.design.parts.items():
            each = costs.get(name, costs.get(part.kind, 0.0))
            total += each * (part.count if isinstance(part, HeatPipe) else 1)
        return total


def fans_at(held: HeldPower, noise: float | None) -> tuple[int, ...]:
    """Positions of all fans on their speed grids at a noise in dBA (full speed without one)."""
    machine = held.plant.machine
    caps = fan_caps(machine, dataclasses.replace(held.mode, noise_cap=noise))
    return tuple(round(float(cap) / fan.grid) for cap, fan in zip(np.ravel(caps), machine.fans, strict=True))


def tilted(design: Design, tilt: float) -> Design:
    """Copy a design leaned so that the evaporators stand ``tilt`` degrees above the condensers."""
    parts = {
        name: dataclasses.replace(part, tilt=tilt) if isinstance(part, TwoPhasePart) else part
        for name, part in design.parts.items()
    }
    return dataclasses.replace(design, parts=parts)


def heat_limit_rows(label: str, design: Design) -> list[dict[str, Any]]:
    """One row per pipe or chamber: resistance of one, its heat limit, what governs it, and a chamber's if cooled evenly.

    A pipe's resistance runs from wall to wall; with the joints it is what lies between core and fins (nan for chambers).
    """
    rows = []
    for name, part in design.parts.items():
        if not isinstance(part, TwoPhasePart):
            continue
        number = part.count if isinstance(part, HeatPipe) else 1
        governs, even = "", float("nan")
        if part.heat_limit is not None:
            governs = "supplier's value"
        elif isinstance(part, HeatPipe | VaporChamber):
            governs = str(part.governing_limit(REFERENCE)[0])
        if isinstance(part, VaporChamber) and part.condenser_distance is not None and part.heat_limit is None:
            even = float(dataclasses.replace(part, condenser_distance=None).limit_line()[0])
        computed = part.resistances() if isinstance(part, HeatPipe | VaporChamber) else {}
        own = float(sum(computed.values()) if part.resistance is None else part.resistance)
        rows.append(
            {
                "design": label, "part": name, "kind": part.kind, "resistance_K_per_W": own,
                "with_joints_K_per_W": own + number * _joints_of(design, name), "limit_W": float(part.limit_line()[0]) * number,
                "governed_by": governs, "if_cooled_evenly_W": even,
                "way_mm": 1e3 * float(part.condenser_distance)
                if isinstance(part, VaporChamber) and part.condenser_distance is not None
                else float("nan"),
            }
        )  # fmt: skip
    return rows


def _joints_of(design: Design, pipe: str) -> float:
    """Resistance in K/W of the joints at both ends of a pipe part; nan for anything else, or joints with a material."""
    try:
        first, last, _ = read_stack(design).pipes[pipe]
    except (ValueError, KeyError):
        return float("nan")
    known = [joint.resistance for joint in (first, last) if joint.resistance is not None]
    return float(sum(known)) if len(known) == 2 else float("nan")


def has_two_phase(design: Design) -> bool:
    """Whether a design has any pipe or chamber."""
    return any(isinstance(part, TwoPhasePart) for part in design.parts.values())


def crossing(
    a: Candidate, b: Candidate, low: tuple[float, float, float], high: tuple[float, float, float], rounds: int = 7
) -> tuple[float, float]:  # fmt: skip
    """Duration in s and power in W at which two burst curves cross, by bisection on a logarithmic scale.

    ``low`` and ``high`` are (duration, power of a, power of b) with the curves in opposite order.
    """
    for _ in range(rounds):
        d_low, d_high = low[1] - low[2], high[1] - high[2]
        if d_low == d_high:
            break
        share = min(max(d_low / (d_low - d_high), 0.1), 0.9)
        duration = float(np.exp(np.log(low[0]) + share * (np.log(high[0]) - np.log(low[0]))))
        middle = (duration, a.burst(duration, max(low[1], 1.0))[0], b.burst(duration, max(low[2], 1.0))[0])
        if (middle[1] - middle[2] > 0) == (d_low > 0):
            low = middle
        else:
            high = middle
        if high[0] / low[0] < 1.01:
            break
    d_low, d_high = low[1] - low[2], high[1] - high[2]
    share = d_low / (d_low - d_high) if d_low != d_high else 0.5
    duration = float(np.exp(np.log(low[0]) + share * (np.log(high[0]) - np.log(low[0]))))
    return duration, low[1] + share * (high[1] - low[1])


def unique_labels(designs: Any) -> dict[str, Design]:
    """Label designs by name; two of one name are numbered.

    Raises
    ------
    ValueError
        Nothing to label, or something that is not a design.
    """
    if isinstance(designs, Design):
        designs = [designs]
    if isinstance(designs, Mapping):
        pairs: Sequence[tuple[str, Any]] = [(str(k), v) for k, v in designs.items()]
    else:
        pairs = [(getattr(d, "name", ""), d) for d in designs]
    if not pairs:
        raise ValueError("no designs; expected at least one")
    found: dict[str, Design] = {}
    for name, design in pairs:
        if not isinstance(design, Design):
            raise ValueError(f"{design!r}; expected a Design (tn.load_design gives one)")
        label, count = name, 1
        while label in found:
            count += 1
            label = f"{name} ({count})"
        found[label] = design
    return found


__all__ = [
    "Candidate",
    "Conditions",
    "crossing",
    "fans_at",
    "has_two_phase",
    "heat_limit_rows",
    "read_stack",
    "tilted",
    "unique_labels",
]
