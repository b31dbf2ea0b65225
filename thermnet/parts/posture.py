"""How the machine is held: on a desk, on the lap, in bed, on a stand, closed.

A posture is plain data that parts read from ``assembly.posture``.  Keys:

``up``, ``down``, ``vertical``
    What meets a skin that looks in this direction when the machine stands open on a desk; a mapping with

    ``contact``: share of the skin's area that touches something (0 to 1);
    ``area_resistance``: from the skin's outer face through what touches it, K m^2/W;
    ``behind``: ``ambient`` or ``body``, what lies on the far side of that resistance;
    ``convection``, ``radiation``: multipliers on the free part's natural convection and radiation;
    ``angle``: of the outward normal from straight up, deg (0 up, 90 upright, 180 down), if not the desk's.
``inlet_blocked``
    Share of the air inlets' area that is covered (0 to below 1): the inlet's loss rises by
    :func:`inlet_loss_factor`.
``recirculation``
    Added to the share of exhaust air that returns to the inlets.
``body_temperature``
    degC behind cloth and tissue.

A key left out has its desk value.  An empty mapping is the desk.  All values are illustrative: common
practice, no source, except where cloth and tissue are computed by :mod:`thermnet.physics.tissue`.

On the desk the bottom counts as free: the desk top a few millimetres below takes away about half of what open
surroundings would (13 W/(m^2 K) across the gap in series with 5 into 25 mm of wood), and the air drawn under
the machine to its inlets makes up for the other half.  Rough figures, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any

import numpy as np

from thermnet.physics import tissue

DIRECTIONS = ("up", "down", "vertical")

CAUTION = (
    "Posture values are illustrative. Long use on the lap or in bed can burn skin at temperatures that feel "
    "merely warm, above all in people who sleep or whose feeling is reduced; covered inlets make every "
    "temperature rise. Judge touch temperatures by the standard that applies, measured by a licensed "
    "laboratory."
)


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """What one side of the machine meets; see the module's text."""

    contact: Any = 0.0
    area_resistance: Any = 0.0
    behind: str = "ambient"
    convection: Any = 1.0
    radiation: Any = 1.0
    angle: Any = None

    def __post_init__(self) -> None:
        contact, resistance = (
            np.asarray(self.contact, dtype=float),
            np.asarray(self.area_resistance, dtype=float),
        )
        if not np.all((contact >= 0) & (contact <= 1)):
            raise ValueError(f"posture: contact {self.contact!r}; expected a share from 0 to 1")
        if np.any((contact > 0) & ~(resistance > 0)):
            raise ValueError(
                f"posture: area_resistance {self.area_resistance!r} K m^2/W; expected above 0 where there is "
                "contact"
            )
        if self.behind not in ("ambient", "body"):
            raise ValueError(f"posture: behind {self.behind!r}; expected ambient or body")
        angle = np.asarray(0.0 if self.angle is None else self.angle, dtype=float)
        if not np.all((angle >= 0) & (angle <= 180)):
            raise ValueError(f"posture: angle {self.angle!r} deg; expected 0 (up) to 180 (down)")
        for name in ("convection", "radiation"):
            if not np.all(np.asarray(getattr(self, name), dtype=float) >= 0):
                raise ValueError(
                    f"posture: {name} {getattr(self, name)!r}; expected a multiplier of 0 or more"
                )


def _lap() -> dict[str, Any]:
    # Trousers and warm, perfused thighs; the far side is the body's core.
    resistance, behind = tissue.contact_resistance()
    return {
        "down": {"contact": 0.85, "area_resistance": float(resistance), "behind": "body", "convection": 0.5},
        "body_temperature": float(behind),
    }


def _postures() -> dict[str, Mapping[str, Any]]:
    lap = _lap()
    return {
        "desk": {},
        "lap": lap,
        "lap_inlets_covered": {**lap, "inlet_blocked": 0.67},
        # A quilt is a poor conductor, takes up the whole bottom and reaches over the inlets.
        "bed": {
            "down": {"contact": 0.95, "area_resistance": 0.5, "convection": 0.5},
            "inlet_blocked": 0.7,
            "recirculation": 0.1,
        },
        # Raised and tilted: air rises along the bottom and is drawn along it to freer inlets.
        "stand": {"down": {"angle": 155.0, "convection": 1.6}, "up": {"angle": 25.0}, "inlet_blocked": -0.25},
        # Panel and lid cover the keyboard, the lid looks up: gap, panel stack and lid's outside in series.
        "closed": {
            "up": {"contact": 1.0, "area_resistance": 0.20},
            "vertical": {"angle": 0.0},
            "recirculation": 0.05,
        },
    }


POSTURES: Mapping[str, Mapping[str, Any]] = MappingProxyType(_postures())
"""Postures by name."""

KEYS = (*DIRECTIONS, "inlet_blocked", "recirculation", "body_temperature")


def posture(name: str) -> Mapping[str, Any]:
    """Return the data of a posture.

    Raises
    ------
    ValueError
        Unknown name; the message lists the known ones.
    """
    if name not in POSTURES:
        raise ValueError(f"posture {name!r}; expected one of {', '.join(POSTURES)}")
    return POSTURES[name]


def surroundings(data: Mapping[str, Any], direction: str) -> Surroundings:
    """Return what a skin meets that looks in ``direction`` on the desk.

    Raises
    ------
    ValueError
        A key that no posture has, or a value out of range.
    """
    check_keys(data)
    found = data.get(direction, {})
    known = {f.name for f in fields(Surroundings)}
    unknown = set(found) - known
    if unknown:
        raise ValueError(
            f"posture: {direction}.{sorted(unknown)[0]}; expected one of {', '.join(sorted(known))}"
        )
    return Surroundings(**found)


def check_keys(data: Mapping[str, Any]) -> None:
    """Raise ValueError for a key that no posture has."""
    unknown = [key for key in data if key not in KEYS]
    if unknown:
        raise ValueError(f"posture: key {unknown[0]!r}; expected one of {', '.join(KEYS)}")


def inlet_loss_factor(data: Mapping[str, Any]) -> Any:
    """Multiplier on the pressure loss of the air inlets, which goes with the square of the speed in them.

    ``1 / (1 - blocked)^2`` for a covered share of the inlet area; a negative share is a freer inlet than on
    the desk.
    """
    blocked = np.asarray(data.get("inlet_blocked", 0.0), dtype=float)
    if np.any(blocked >= 1.0):
        raise ValueError(f"posture: inlet_blocked {data['inlet_blocked']!r}; expected a share below 1")
    return (1.0 / (1.0 - blocked) ** 2)[()]


def body_temperature(data: Mapping[str, Any]) -> Any:
    """Temperature behind cloth and tissue, degC."""
    return data.get("body_temperature", tissue.CORE_TEMPERATURE)
