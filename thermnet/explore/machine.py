"""Controls that several explorers share, and the machine they lead to: stack, interface, room, mode, start, load."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np

from thermnet.design.design import Design
from thermnet.design.replace import replace_in
from thermnet.design.stack import own_stack_name, read_stack
from thermnet.design.stack_variants import with_chamber, with_pipes, with_thickness
from thermnet.explore.controls import Control, choice, of_parameter
from thermnet.explore.session import Kept, State
from thermnet.firmware.library import as_workload, workload_names
from thermnet.firmware.mode import ChipControl, Mode
from thermnet.firmware.workload import Workload
from thermnet.materials.interface_materials import INTERFACE_MATERIALS
from thermnet.parts.die import Die
from thermnet.parts.heat_pipe import HeatPipe
from thermnet.parts.interface import FilledJoint, InterfaceLayer
from thermnet.parts.vapor_chamber import VaporChamber
from thermnet.studies.interface_risks import cautions_for
from thermnet.studies.joint_options import mean_bond_line, with_material
from thermnet.studies.side_by_side import tilted

POWER, ROOM, STACK, INTERFACE = "Power", "Room and start", "Cooling stack", "Interface"
"""Headings of the groups of controls."""

FLAT_OUT = "all it may"
"""Load that asks for more than any limit allows."""

FLAT_OUT_POWER = 1000.0
"""W asked for by it on every chip."""

PASTES = ("paste", "gap")
"""Laws of materials whose bond line is worth a slider."""


def chips_of(design: Design) -> tuple[str, ...]:
    """Names of the chips of a design, in its order."""
    return tuple(name for name, part in design.parts.items() if isinstance(part, Die))


# -- mode, room, start, load -------------------------------------------------------------------------------


def mode_control(design: Design) -> Control:
    """Choose the mode."""
    names = list(design.modes)
    options = [(f"{name}: {mode.title}" if mode.title else name, name) for name, mode in design.modes.items()]
    return choice("mode", "Mode", ROOM, options, "desk" if "desk" in names else names[0],
                  "operating mode: fan tables, noise cap and limits of the firmware")  # fmt: skip


def room_controls(design: Design) -> tuple[Control, ...]:
    """Room temperature and the state from which a load starts."""
    sustained = max(sum(c.sustained_limit for c in mode.chips.values()) for mode in design.modes.values())
    return (
        of_parameter(design, "ambient", "ambient", "Ambient", ROOM),
        choice("start", "Start", ROOM, [("cold: all at ambient", "cold"), ("idle: soaked at idle", "idle"), "soaked"], "idle",
               "state before the load: cold, soaked at idle, or soaked at a power"),
        Control(name="soak_power", label="Soaked at", group=ROOM, kind="number", value=float(round(0.5 * sustained)), unit="W",
                low=1.0, high=float(max(round(1.5 * sustained), 5)), step=1.0,
                doc="power held before, shared by the chips as their sustained limits, when the start is soaked"),
    )  # fmt: skip


def load_control(design: Design) -> Control:
    """Choose what the chips are asked for."""
    own = [name for name in design.workloads if name not in workload_names()]
    return choice("load", "Load", POWER, [("all the limits allow", FLAT_OUT), *workload_names(), *own], FLAT_OUT,
                  "what the chips are asked for: all that the limits allow, or a named load")  # fmt: skip


def load_of(design: Design, name: str) -> Workload:
    """Workload under a name of :func:`load_control`."""
    chips = chips_of(design)
    if name == FLAT_OUT:
        return Workload(
            name=FLAT_OUT, watts={chip: np.array([FLAT_OUT_POWER]) for chip in chips}, duration=3600.0
        )
    return design.workloads[name] if name in design.workloads else as_workload(name, list(chips))


def shares(design: Design, mode: str) -> dict[str, float]:
    """Share of the power that each chip takes: that of the mode's sustained limits."""
    chips = design.modes[mode].chips
    total = sum(control.sustained_limit for control in chips.values())
    return {name: float(control.sustained_limit / total) for name, control in chips.items()}


def start_of(design: Design, state: State) -> Any:
    """Start state as simulations take it."""
    if state["start"] != "soaked":
        return state["start"]
    return {name: share * state["soak_power"] for name, share in shares(design, state["mode"]).items()}


# -- power limits ------------------------------------------------------------------------------------------

LIMITS = (
    ("burst_power", "burst_limit", "Burst power"),
    ("sustained_power", "sustained_limit", "Sustained power"),
    ("averaging_time", "averaging_time", "Averaging time constant"),
)
"""Name of a control, field of the mode's chip, label."""


def limit_controls(design: Design, mode: str) -> tuple[Control, ...]:
    """Burst and sustained power and the averaging time of every chip, at the values of a mode."""
    chips = chips_of(design)
    made = []
    for chip in chips:
        for name, field, label in LIMITS:
            most = max(float(getattr(own.chips.get(chip), field, 0.0)) for own in design.modes.values())
            key = f"modes.{mode}.chips.{chip}.{field}"
            many = len(chips) > 1
            high = None if field == "averaging_time" else max(20.0, 10.0 * np.ceil(0.2 * most))
            made.append(
                of_parameter(
                    design,
                    key,
                    f"{name}_{chip}" if many else name,
                    f"{label}, {chip}" if many else label,
                    POWER,
                    high=high,
                )
            )
    return tuple(made)


def limits_follow(design: Design, mode: str) -> dict[str, float]:
    """Values of :func:`limit_controls` that a mode brings."""
    chips, own = chips_of(design), design.modes[mode].chips
    return {
        f"{name}_{chip}" if len(chips) > 1 else name: float(getattr(own[chip], field))
        for chip in chips for name, field, _ in LIMITS
    }  # fmt: skip


def mode_at(design: Design, state: State) -> Mode:
    """Mode of a state with the limits of a state."""
    mode = design.modes[state["mode"]]
    many = len(chips_of(design)) > 1
    controls = {}
    for chip, control in mode.chips.items():
        asked = {
            field: state[f"{name}_{chip}" if many else name]
            for name, field, _ in LIMITS
            if (f"{name}_{chip}" if many else name) in state
        }
        changed = {field: value for field, value in asked.items() if value != getattr(control, field)}
        controls[chip] = dataclasses.replace(control, **changed) if changed else control
    return dataclasses.replace(mode, chips=controls) if controls != dict(mode.chips) else mode


def control_of(mode: Mode, chip: str) -> ChipControl:
    """Power limits of a chip in a mode."""
    return mode.chips[chip]


# -- interface ---------------------------------------------------------------------------------------------


def interfaces_of(design: Design) -> tuple[str, ...]:
    """Names of the filled joints that lie on a chip."""
    dies = set(chips_of(design))
    return tuple(
        dict.fromkeys(
            joint.through for joint in design.joints
            if isinstance(design.parts.get(joint.through), FilledJoint) and dies & {face.partition(".")[0] for face in joint.between}
        )
    )  # fmt: skip


def interface_controls(design: Design) -> tuple[Control, ...]:
    """Material and bond line on the chips; none where no joint on a chip has a material."""
    names = interfaces_of(design)
    if not names:
        return ()
    first = design.parts[names[0]]
    assert isinstance(first, FilledJoint)
    made = [
        choice("interface", "Interface material", INTERFACE, list(INTERFACE_MATERIALS), first.material,
               "material between chip and cooling stack, on every chip"),
    ]  # fmt: skip
    if isinstance(first, InterfaceLayer):
        made.append(
            of_parameter(design, f"{names[0]}.bond_line", "bond_line_um", "Bond line", INTERFACE, unit="um", low=5.0, high=100.0,
                         value=_bond_line(first))
        )  # fmt: skip
    return tuple(made)


def interface_follows(design: Design, state: State) -> dict[str, float]:
    """Bond line that a material brings with it."""
    names = interfaces_of(design)
    first = design.parts[names[0]] if names else None
    if not isinstance(first, InterfaceLayer):
        return {}
    return {"bond_line_um": min(max(_bond_line(with_material(first, state["interface"])), 5.0), 100.0)}


def bond_line_asleep(state: State) -> bool:
    """Whether the bond line follows from pads and pressure, so that its slider does nothing."""
    return "interface" in state and INTERFACE_MATERIALS[state["interface"]].law not in PASTES


def with_interface(design: Design, state: State) -> Design:
    """Copy a design with the interface of a state on every chip."""
    if "interface" not in state:
        return design
    parts = dict(design.parts)
    follows = interface_follows(design, state).get("bond_line_um")
    for name in interfaces_of(design):
        filler = parts[name]
        assert isinstance(filler, FilledJoint)
        made = with_material(filler, state["interface"])
        own = state.get("bond_line_um")
        if (
            isinstance(made, InterfaceLayer)
            and own is not None
            and own != follows
            and not bond_line_asleep(state)
        ):
            made = dataclasses.replace(made, bond_line=own * 1e-6)
        parts[name] = made
    return dataclasses.replace(design, parts=parts)


def _bond_line(filler: FilledJoint) -> float:
    return float(f"{1e6 * mean_bond_line(filler):.4g}")


# -- cooling stack -----------------------------------------------------------------------------------------

OWN, PIPES, CHAMBER = "own", "pipes", "chamber"
"""Values of the control ``stack``."""


def stack_controls(design: Design) -> tuple[Control, ...]:
    """Pipes or chamber, and their sizes; none where the design's stack cannot be exchanged."""
    try:
        stack = read_stack(design)
        own = own_stack_name(design)
    except ValueError:
        return ()
    pipe = next((part for name in stack.pipes if isinstance(part := design.parts[name], HeatPipe)), None)
    if pipe is None:
        return ()
    core = design.parts[stack.core]
    thick = 1e3 * float(core.thickness) if isinstance(core, VaporChamber) else 1.0
    return (
        choice("stack", "Stack", STACK, [(f"as designed: {own}", OWN), ("heat pipes on a plate", PIPES), ("vapor chamber", CHAMBER)], OWN,
               "what carries the heat from chips to fins"),
        Control(name="pipe_count", label="Pipes" if len(stack.pipes) < 2 else "Pipes per fin stack", group=STACK, kind="count",
                value=int(pipe.count), low=1, high=max(5, int(pipe.count)), step=1, doc="heat pipes side by side, when the stack is pipes"),
        Control(name="pipe_diameter_mm", label="Pipe diameter", group=STACK, kind="number", value=float(f"{1e3 * float(pipe.diameter):.6g}"),
                unit="mm", low=4.0, high=10.0, step=0.5, doc="outer diameter before flattening, when the stack is pipes"),
        Control(name="chamber_thickness_mm", label="Chamber thickness", group=STACK, kind="number", value=float(f"{thick:.6g}"), unit="mm",
                low=0.4, high=max(2.0, float(f"{thick:.6g}")), step=0.1, doc="over all, when the stack is a vapor chamber"),
    )  # fmt: skip


def thickness_control(design: Design) -> tuple[Control, ...]:
    """Thickness of the first vapor chamber, for a machine whose stack cannot be exchanged; nothing without one."""
    chamber = next((part for part in design.parts.values() if isinstance(part, VaporChamber)), None)
    if chamber is None:
        return ()
    own = float(f"{1e3 * float(chamber.thickness):.6g}")
    return (
        Control(name="chamber_thickness_mm", label="Chamber thickness", group=STACK, kind="number",
                value=float(f"{1.5 * own:.2g}"), unit="mm", low=min(0.3, own), high=max(2.0, own), step=0.05,
                doc="over all, of the chamber compared with the designed one; wick, walls and gap keep their shares"),
    )  # fmt: skip


def stack_label(machine: Design, state: State) -> str:
    """Short name of a machine's stack."""
    try:
        return own_stack_name(machine)
    except ValueError:
        chamber = next((part for part in machine.parts.values() if isinstance(part, VaporChamber)), None)
        size = "" if chamber is None else f" {1e3 * float(chamber.thickness):.3g} mm"
        return f"as designed{size}" if state["stack"] == OWN else f"chamber{size}"


def exchangeable(design: Design) -> bool:
    """Whether the stack can be exchanged: there are pipes from one core to fins."""
    try:
        return bool(read_stack(design).pipes)
    except ValueError:
        return False


def stack_asleep(state: State) -> frozenset[str]:
    """Controls of the stack that do nothing in a state."""
    if "stack" not in state:
        return frozenset()
    names = {PIPES: ("pipe_count", "pipe_diameter_mm"), CHAMBER: ("chamber_thickness_mm",)}
    return frozenset(name for kind, own in names.items() if kind != state["stack"] for name in own)


def with_stack(design: Design, state: State) -> Design:
    """Copy a design with the stack of a state."""
    if state.get("stack", OWN) == PIPES:
        return with_pipes(design, state["pipe_count"], state["pipe_diameter_mm"] * 1e-3, whole=False)
    if state.get("stack", OWN) == CHAMBER and not exchangeable(design):
        return with_thickness(design, state["chamber_thickness_mm"] * 1e-3)
    if state.get("stack", OWN) == CHAMBER:
        return with_chamber(design, state["chamber_thickness_mm"] * 1e-3, whole=False)
    return design


# -- the machine -------------------------------------------------------------------------------------------

MACHINE = (
    "stack", "pipe_count", "pipe_diameter_mm", "chamber_thickness_mm", "tilt", "interface", "bond_line_um",
)  # fmt: skip
"""Controls that change parts of the machine."""


def machine_key(state: State) -> tuple[Any, ...]:
    """Tell machines apart that a state may lead to; values that do nothing do not count."""
    idle = stack_asleep(state) | ({"bond_line_um"} if bond_line_asleep(state) else set())
    return tuple(state.get(name) if name not in idle else None for name in MACHINE)


def machine_at(design: Design, state: State, kept: Kept) -> Design:
    """Design with the stack and interface of a state, its modes as they were; kept with all that is built of it."""

    def made() -> Design:
        exchanged = kept.get(("stack", *machine_key(state)[:4]), lambda: with_stack(design, state))
        leaning = tilted(exchanged, state["tilt"]) if "tilt" in state else exchanged
        return with_interface(leaning, state)

    found: Design = kept.get(("machine", *machine_key(state)), made)
    return found


def with_settings(design: Design, state: State) -> Design:
    """Copy a design with room and limits of a state written into it, for a design file."""
    changed = dataclasses.replace(design, modes={**design.modes, state["mode"]: mode_at(design, state)})
    return (
        replace_in(changed, {"ambient": state["ambient"]}, whole=False)
        if state["ambient"] != changed.ambient
        else changed
    )


def material_cautions(state: State) -> tuple[str, ...]:
    """Cautions of the interface material of a state, where it needs more than care."""
    if "interface" not in state or not INTERFACE_MATERIALS[state["interface"]].attacks_aluminium:
        return ()
    return (cautions_for([state["interface"]])[0],)


def skin_cautions(excess: Mapping[str, tuple[float, float]]) -> tuple[str, ...]:
    """Warn of skin zones that pass their touch limits; ``excess`` gives (highest, limit) in degC by zone."""
    over = [
        f"{zone} reaches {top:.1f} °C, its limit is {limit:g} °C"
        for zone, (top, limit) in excess.items()
        if top > limit
    ]
    if not over:
        return ()
    return (
        f"Skin too hot to be touched for long: {'; '.join(over)}. Long contact burns from about 43 °C on; the touch standard "
        "that applies and a licensed laboratory decide.",
    )
