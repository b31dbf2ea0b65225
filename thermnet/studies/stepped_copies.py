"""Copies of a design with one parameter one practical step up or down, put together in one go.

All copies whose structure and firmware are those of the design become one ensemble: its parameters are arrays, with the
unchanged design as sample 0.  Steps of the firmware, of sensors and of a fan's speed grid stay designs of their own.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.assemble import assemble, build_machine, full_speed
from thermnet.design.design import Design
from thermnet.design.replace import get, replace_in
from thermnet.design.samples import taken
from thermnet.errors import ThermnetError
from thermnet.network.compiled import CompiledNetwork
from thermnet.parameter import Declaration
from thermnet.parts.fan import Fan
from thermnet.solve.machine import Machine

Array = NDArray[np.float64]
ALONE = ("maximum_speed", "speed_step")
"""Fields that decide a fan's speed grid, which all samples of an ensemble share."""


@dataclass(frozen=True, eq=False)
class Step:
    """One parameter one step up (``more``) or down (``less``): its value before and now, and the changed design."""

    key: str
    side: str
    before: float
    value: float
    design: Design

    @property
    def alone(self) -> bool:
        """Whether the copy cannot be a sample of the ensemble."""
        return self.key.startswith(("modes.", "sensors.")) or self.key.rpartition(".")[2] in ALONE


def steps_of(design: Design, ambient: float, keys: Mapping[str, Declaration]) -> list[Step]:
    """Both steps of every parameter; those outside the declared bounds, or that no part can have, are left out.

    The room is at ``ambient`` degC, whatever the design says.
    """
    design = dataclasses.replace(design, ambient=ambient)
    found = []
    for key, declared in keys.items():
        value, width = float(np.asarray(get(design, key), dtype=float)), float(declared.step or 0.0)
        for side, new in (("more", value + width), ("less", value - width)):
            try:
                changed = replace_in(design, {key: new}, whole=False)
            except (ThermnetError, ValueError):
                continue
            found.append(Step(key, side, value, new, changed))
    return found


class Copies:
    """Steps as one ensemble at ``ambient`` degC; sample 0 is the design, sample ``i + 1`` is ``steps[i]``.

    Raises
    ------
    ThermnetError, ValueError
        A copy that cannot be put together (:func:`buildable` leaves such steps out).
    """

    def __init__(self, design: Design, ambient: float, steps: Sequence[Step]) -> None:
        self.design, self.steps = dataclasses.replace(design, ambient=ambient), tuple(steps)
        values: dict[str, Array] = {}
        for number, step in enumerate(self.steps, start=1):
            if step.key not in values:
                values[step.key] = np.full(len(self.steps) + 1, step.before)
            values[step.key][number] = step.value
        self.many = replace_in(self.design, values, whole=False)
        self._networks: dict[tuple[Any, ...], CompiledNetwork] = {}

    @cached_property
    def machine(self) -> Machine:
        """The machine of all samples, its numbers arrays."""
        return build_machine(self.many, self.many.ambient)

    def of(self, sample: int) -> Machine:
        """The machine of one sample; its networks are taken out of the ensemble's."""
        one = taken(self.machine, sample)
        parts = (self.steps[sample - 1].design if sample else self.design).parts
        noise = {name: part.noise for name, part in parts.items() if isinstance(part, Fan)}
        fans = tuple(dataclasses.replace(fan, noise=noise[fan.name]) for fan in one.fans)
        room = float(one.ambient)

        def network(speeds: Mapping[str, Any]) -> CompiledNetwork:
            known = self._networks.get(self._key(sample, speeds))
            if known is not None:
                return known
            return build_machine(dataclasses.replace(self.design, parts=parts), room).assemble(speeds)

        return dataclasses.replace(one, fans=fans, assemble=network)

    def prepare(self, speeds: Sequence[Mapping[str, float]]) -> None:
        """Assemble every sample at its own fan speeds (rpm), all in one call."""
        together = {fan.name: np.array([own[fan.name] for own in speeds]) for fan in self.machine.fans}
        network = self.machine.assemble(together)
        for sample, own in enumerate(speeds):
            self._networks[self._key(sample, own)] = (
                network.select(sample) if network.batch_shape else network
            )

    @staticmethod
    def _key(sample: int, speeds: Mapping[str, Any]) -> tuple[Any, ...]:
        return (sample, *sorted((name, float(value)) for name, value in speeds.items()))


def buildable(steps: Sequence[Step]) -> list[Step]:
    """Steps whose copies can be put together, each tried by itself."""
    good = []
    for step in steps:
        try:
            assemble(step.design, step.design.ambient, full_speed(step.design))
        except (ThermnetError, ValueError):
            continue
        good.append(step)
    return good


__all__ = ["Copies", "Step", "buildable", "steps_of"]
