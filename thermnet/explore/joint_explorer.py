"""The joint explorer: how chip and plate meet under load, bow, unequal screws and materials, and what it costs in kelvins."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.design.design import Design
from thermnet.design.samples import sample_count
from thermnet.explore.controls import Control, choice, of_parameter
from thermnet.explore.machine import material_cautions
from thermnet.explore.session import Explorer, Fact, Kept, State
from thermnet.materials.interface_materials import INTERFACE_MATERIALS
from thermnet.parts.clamped_joint import ClampedJoint
from thermnet.parts.die import Die
from thermnet.physics.fasteners import in_pound_force
from thermnet.physics.mounted_plate import crosswise
from thermnet.studies.joint import CAUTION
from thermnet.studies.joint_options import with_material
from thermnet.studies.joint_view import clamped, joints_on_chips, view_joint

Array = NDArray[np.float64]
ACROSS = 40
"""Cells along each side of the maps, as in the joint study."""

JOINT, LOAD, SHAPE, HEAT = "Joint", "Load", "Flatness", "Power"
"""Headings of the groups of controls."""

EDGE_LIMIT = 900.0
"""kPa; design practice for bare dies is 0.3 to 0.9 MPa (common practice, no source): the supplier's to say."""

UNTOLD, ROUND, CROSS, THREE = "not worked out", "round", "crosswise", "crosswise in three passes"
"""Orders of tightening."""


@dataclass(frozen=True)
class JointPicture:
    """What the joint explorer shows; maps have rows along y and columns along x.

    Attributes
    ----------
    half_x, half_y : mm, half the sides of the chip
    pressure, bond_line, rise : (rows, columns) kPa, um, K over the plate
    flat_rise : K, hottest place of a flat, centred and full joint under the same load
    bare : (rows, columns) share of the cell without material
    hot_spot : (rows, columns) share of the cell that belongs to the hot spot
    rising : whether the diagonal drawn runs from front left to back right (else from back left to front right)
    limit : kPa, highest pressure allowed
    load : N; ``mean_pressure`` kPa; ``tilt`` um from corner to corner; ``area_resistance`` K mm^2/W, ``flat_resistance`` too
    tightening : (steps,) um from corner to corner after each step, or None while it is being worked out or not asked for
    pulled : share of the chip where paste is pulled apart on the way, at most
    """

    half_x: float
    half_y: float
    pressure: Array
    bond_line: Array
    rise: Array
    flat_rise: float
    bare: Array
    hot_spot: Array
    rising: bool
    limit: float
    load: float
    mean_pressure: float
    tilt: float
    area_resistance: float
    flat_resistance: float
    tightening: Array | None = None
    pulled: float = 0.0


class JointExplorer(Explorer):
    """Clamp load, flatness, screws and material of one joint between chip and plate."""

    name = "joint"
    title = "Interface and clamp"
    question = "Where does the joint press, where is it thick, and what does that cost in kelvins?"
    scene = "thermnet.explore.joint_scene:JointScene"

    def controls(self) -> tuple[Control, ...]:
        """Joint first, because it brings everything else along."""
        if sample_count(self.design) is not None:
            raise ValueError(
                f"{self.design.name} is a design of many samples; expected a single machine (take one of them)"
            )
        known = joints_on_chips(self.design)
        if not known:
            raise ValueError(
                f"{self.design.name} has no joint with an interface material on a chip; expected one"
            )
        first = next(iter(known))
        names = [(f"{name} on {chip}", name) for name, chip in known.items()]
        picked = (choice("joint", "Joint", JOINT, names, first, "joint between a chip and what cools it"),)
        own = self._own(first)
        pressed = dataclasses.replace(
            own, clamp_force=float(np.mean(own.total_force())), screws=(), springs=()
        )
        shown = with_joint(self.design, first, pressed)
        more = () if own.screws or own.springs else (
            Control(name="screw_spacing_mm", label="Screw spacing", group=LOAD, kind="number", value=40.0, unit="mm", low=20.0,
                    high=70.0, step=1.0, doc="side of the square at whose corners four screws stand; the design tells of none"),
        )  # fmt: skip
        uneven: dict[str, Any] = dict(group=LOAD, kind="number", value=0.0, unit="%", low=-20.0, high=20.0, step=1.0)
        return (
            *(picked if len(known) > 1 else ()),
            choice("interface", "Interface material", JOINT, list(INTERFACE_MATERIALS), own.material, "material between chip and plate"),
            of_parameter(shown, f"{first}.void_fraction", "void_fraction", "Void, share of the chip", JOINT),
            of_parameter(shown, f"{first}.clamp_force", "clamp_force", "Clamp load", LOAD, value=_calm(own.total_force())),
            Control(name="right_percent", label="Right screws tighter by", doc="load of the screws at the right over the mean; the left ones less", **uneven),
            Control(name="back_percent", label="Back screws tighter by", doc="load of the screws at the back over the mean; the front ones less", **uneven),
            *more,
            choice("tightening", "Order of tightening", LOAD, [UNTOLD, ROUND, CROSS, THREE], CROSS,
                   "one screw after the other to its load; the plate tilts on the way"),
            of_parameter(shown, f"{first}.chip_bow", "chip_bow_um", "Chip bow, convex +", SHAPE, unit="um"),
            of_parameter(shown, f"{first}.plate_bow", "plate_bow_um", "Plate bow, convex +", SHAPE, unit="um"),
            Control(name="pressure_limit_kPa", label="Highest pressure allowed", group=SHAPE, kind="number", value=EDGE_LIMIT, unit="kPa",
                    low=200.0, high=3000.0, step=50.0,
                    doc="on the bare die, from its supplier; the value at the start is common practice, no source"),
            of_parameter(self.design, _power_key(self.design, known[first]), "power", "Chip power", HEAT),
        )  # fmt: skip

    def follow(self, state: State, name: str) -> Mapping[str, Any]:
        """Let a joint bring its material, load, bows, void and the power of its chip."""
        if name != "joint":
            return {}
        own = self._own(state["joint"])
        power = float(self.design.modes[_mode(self.design)].chips[self._chip(state)].burst_limit)
        return {
            "interface": own.material, "void_fraction": float(own.void_fraction), "clamp_force": _calm(own.total_force()),
            "chip_bow_um": _calm(1e6 * own.chip_bow), "plate_bow_um": _calm(1e6 * own.plate_bow), "power": power,
        }  # fmt: skip

    def design_at(self, state: State) -> Design:
        """Design with the clamped joint of the state."""
        return with_joint(self.design, self._name(state), self.joint_at(state))

    def joint_at(self, state: State) -> ClampedJoint:
        """Clamped joint of a state: the design's own, with four screws where it tells of none."""
        own = self._own(self._name(state))
        if state["interface"] != own.material:
            changed = with_material(own, state["interface"])
            assert isinstance(changed, ClampedJoint)
            own = changed
        bows = {
            field: value * 1e-6
            for field, value in (("chip_bow", state["chip_bow_um"]), ("plate_bow", state["plate_bow_um"]))
            if value != _calm(1e6 * getattr(own, field))
        }
        own = dataclasses.replace(own, void_fraction=state["void_fraction"], **bows)
        return _with_screws(own, state)

    def pictures(self, state: State, kept: Kept) -> Iterator[JointPicture]:
        """Maps first; how the plate tilts while it is tightened after them, where it is not known yet."""
        own, die = self.joint_at(state), self.design.parts[self._chip(state)]
        assert isinstance(die, Die)
        picture = kept.get(("maps", *state.items()), lambda: _maps(own, die, state))
        if state["tightening"] == UNTOLD or len(own.screws) + len(own.springs) < 2:
            yield picture
            return
        key = ("tightening", *((n, v) for n, v in state.items() if n not in ("power", "pressure_limit_kPa")))
        if key not in kept:
            yield picture
        steps = kept.get(key, lambda: own.tightening(_order(own, state["tightening"])))
        yield replace(
            picture,
            tightening=np.array([step.tilt * 1e6 for step in steps]),
            pulled=float(max(step.pulled for step in steps)),
        )

    def facts(self, state: State, picture: JointPicture) -> tuple[Fact, ...]:
        """Peak rise and what the faults cost, bond line, pressure against its limit, load, tilt."""
        peak, top = float(picture.rise.max()), float(picture.pressure.max())
        mean, edge = float(picture.bond_line.mean()), edge_pressure(picture.pressure)
        newton = picture.load
        found = [
            Fact("hottest place over the plate", f"{peak:.1f} K", peak),
            Fact("the same, flat joint", f"{picture.flat_rise:.1f} K", picture.flat_rise),
            Fact("bond line, mean", f"{mean:.1f} µm", mean),
            Fact(
                "thinnest to thickest", f"{picture.bond_line.min():.1f} to {picture.bond_line.max():.1f} µm"
            ),
            Fact("area resistance", f"{picture.area_resistance:.1f} K mm²/W", picture.area_resistance),
            Fact("edge pressure", f"{edge:.0f} kPa, limit {picture.limit:g}", edge),
            Fact("highest pressure", f"{top:.0f} kPa", top),
            Fact("mean pressure", f"{picture.mean_pressure:.0f} kPa", picture.mean_pressure),
            Fact("clamp load", f"{newton:.0f} N ({in_pound_force(newton):.1f} lbf)", newton),
            Fact("gap opens corner to corner", f"{picture.tilt:.1f} µm", picture.tilt),
        ]
        if state["tightening"] != UNTOLD:
            worst = None if picture.tightening is None else float(picture.tightening.max())
            found.append(
                Fact(
                    "at most while tightening",
                    "being worked out" if worst is None else f"{worst:.0f} µm",
                    worst,
                )
            )
            if picture.tightening is not None:
                found.append(
                    Fact(
                        "paste pulled apart on the way",
                        f"{100 * picture.pulled:.0f} % of the chip",
                        picture.pulled,
                    )
                )
        return tuple(found)

    def describe(self, state: State, picture: JointPicture) -> str:
        """Say in a few sentences how the joint lies and what it costs."""
        row, column = np.unravel_index(int(np.argmax(picture.rise)), picture.rise.shape)
        said = [
            f"{self.design.name}, joint {self._name(state)}, {state['interface'].replace('_', ' ')}, {state['power']:g} W."
        ]
        said += [f"{fact.label}: {fact.text}." for fact in self.facts(state, picture)]
        return " ".join([*said, f"Hottest {_where(int(row), int(column), picture.rise.shape)} of the chip."])

    def cautions(self, state: State, picture: JointPicture) -> tuple[str, ...]:
        """Warn of pressure past its limit, liquid metal, bare places and tightening."""
        found = []
        top = float(picture.pressure.max())
        if top > picture.limit:
            found.append(
                f"Pressure on the bare die reaches {top:.0f} kPa, {top / picture.limit:.1f} times the {picture.limit:g} kPa set as "
                "allowed: edges and corners may chip. Less load, flatter faces or even screws; the supplier's limit decides."
            )
        bare = float(picture.bare.mean())
        if bare > 0.02:
            found.append(
                f"{100 * bare:.0f} % of the chip has no material on it: places without it run hot and stay unseen by a mean."
            )
        return (*found, *material_cautions(state), CAUTION)

    def _name(self, state: State) -> str:
        return str(state["joint"]) if "joint" in state else next(iter(joints_on_chips(self.design)))

    def _chip(self, state: State) -> str:
        return joints_on_chips(self.design)[self._name(state)]

    def _own(self, name: str) -> ClampedJoint:
        """Own joint as a clamped one; a bond line given as a mean gives way to what load and flatness make."""
        part, die = self.design.parts[name], self.design.parts[joints_on_chips(self.design)[name]]
        assert isinstance(die, Die)
        own, plain = clamped(part, die)
        return own if plain is None else dataclasses.replace(own, bond_line=None)


def with_joint(design: Design, name: str, joint: ClampedJoint) -> Design:
    """Copy a design with a clamped joint in place of an interface."""
    return dataclasses.replace(design, parts={**design.parts, name: joint})


def edge_pressure(pressure: Array) -> float:
    """Highest pressure in the outermost cells of a map."""
    return float(max(pressure[0].max(), pressure[-1].max(), pressure[:, 0].max(), pressure[:, -1].max()))


def diagonal(values: Array, rising: bool) -> Array:
    """Values of a square map along a diagonal, from the left to the right."""
    return np.diagonal(values if rising else values[::-1]).copy()


# -- inside ------------------------------------------------------------------------------------------------


def _mode(design: Design) -> str:
    return "desk" if "desk" in design.modes else next(iter(design.modes))


def _power_key(design: Design, chip: str) -> str:
    return f"modes.{_mode(design)}.chips.{chip}.burst_limit"


def _calm(value: Any) -> float:
    return float(f"{float(np.mean(value)):.4g}")


def _with_screws(own: ClampedJoint, state: State) -> ClampedJoint:
    """Load and imbalance of a state on the design's screws or springs, or on four screws where there are none."""
    screws, springs = own.screws, own.springs
    if not screws and not springs:
        half = 0.5e-3 * state["screw_spacing_mm"]
        torque = own.nut_factor * own.screw_diameter
        screws = tuple((x * half, y * half, 0.25 * torque) for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1)))
        total = 1.0
    else:
        total = float(np.mean(own.total_force()))
    right, back = 0.01 * state["right_percent"], 0.01 * state["back_percent"]

    def share(x: Any, y: Any) -> float:
        return float(1.0 + right * np.sign(x) + back * np.sign(y))

    if right == back == 0.0 and own.clamp_force is None and state["clamp_force"] == _calm(total):
        return own
    screws = tuple((x, y, torque * share(x, y)) for x, y, torque in screws)
    springs = tuple((x, y, rate * share(x, y), travel) for x, y, rate, travel in springs)
    made = dataclasses.replace(own, clamp_force=None, load_x=0.0, load_y=0.0, screws=screws, springs=springs)
    scale = state["clamp_force"] / float(np.mean(made.total_force()))
    return dataclasses.replace(
        made,
        screws=tuple((x, y, torque * scale) for x, y, torque in screws),
        springs=tuple((x, y, rate * scale, travel) for x, y, rate, travel in springs),
    )


def _order(own: ClampedJoint, name: str) -> list[tuple[int, float]]:
    rows = own.loads()
    if name == ROUND:
        return [(k, 1.0) for k in range(len(rows))]
    x, y = [float(r[0]) for r in rows], [float(r[1]) for r in rows]
    return crosswise(x, y, (1 / 3, 2 / 3, 1.0) if name == THREE else (1.0,))


def _maps(own: ClampedJoint, die: Die, state: State) -> JointPicture:
    view = view_joint(own, die, state["power"], ACROSS)
    found, flat = view.found, view.flat
    rise_x, rise_y = float(found.rise_x()), float(found.rise_y())
    return JointPicture(
        half_x=0.5e3 * float(found.length), half_y=0.5e3 * float(found.width), pressure=found.grid("pressure") / 1e3,
        bond_line=found.grid("bond_line") * 1e6, rise=view.rise.reshape(ACROSS, ACROSS), flat_rise=float(view.flat_rise.max()),
        bare=1.0 - found.grid("filled"), hot_spot=view.shares[0].reshape(ACROSS, ACROSS), rising=rise_x * rise_y >= -1e-18,
        limit=state["pressure_limit_kPa"], load=float(found.force()), mean_pressure=float(found.mean_pressure()) / 1e3,
        tilt=float(found.tilt()) * 1e6, area_resistance=float(found.whole()) * 1e6, flat_resistance=float(flat.whole()) * 1e6,
    )  # fmt: skip


def _where(row: int, column: int, shape: tuple[int, ...]) -> str:
    words = []
    for place, count, low, high in ((row, shape[0], "front", "back"), (column, shape[1], "left", "right")):
        if place < count / 3:
            words.append(low)
        elif place >= 2 * count / 3:
            words.append(high)
    return f"at the {' '.join(words)}" if words else "in the middle"
