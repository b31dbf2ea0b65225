"""From a design to a thermal network, and to the machine that the closed loop simulates."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from thermnet.errors import NetworkError
from thermnet.firmware.library import workload
from thermnet.network import Leakage, ThermalNetwork, nearest
from thermnet.network.compiled import CompiledNetwork, compile_network
from thermnet.parts.air_path import AirPath
from thermnet.parts.base import Assembly, Joiner, join
from thermnet.parts.battery import Charger
from thermnet.parts.die import Die
from thermnet.parts.fan import Fan
from thermnet.parts.posture import posture
from thermnet.physics.silicon import dynamic_power_ratio
from thermnet.run import RunLimit
from thermnet.solve.machine import Chip, Machine
from thermnet.solve.machine import Fan as FanDrive

if TYPE_CHECKING:
    from thermnet.design.design import Design


def assemble(design: Design, ambient: Any, speeds: Mapping[str, Any]) -> Assembly:
    """Put all parts together at fan ``speeds`` in rpm.

    Parts come before the air paths that blow through them; joints come last.

    Raises
    ------
    ValueError, NetworkError
        Parts or joints that do not fit; a design file has been checked for this on loading.
    """
    from thermnet.materials.air import room_density_ratio

    network = ThermalNetwork()
    network.add_boundary("ambient", ambient)
    assembly = Assembly(
        network=network, parts=design.parts, ambient=ambient, air_density_ratio=room_density_ratio(design.altitude),
        speeds=speeds, posture=posture(design.posture),
    )  # fmt: skip
    bodies = {name: part for name, part in design.parts.items() if not isinstance(part, Joiner)}
    for name, part in sorted(bodies.items(), key=lambda item: isinstance(item[1], AirPath)):
        part.add_to(assembly, name)
    for joint in design.joints:
        first, second = joint.between
        for face in (first, second):
            if face not in assembly.faces:
                raise NetworkError(f"joint {first} to {second}: unknown face {face!r}{nearest(face, assembly.faces)}")
        through = design.parts[joint.through] if joint.through else None
        if through is not None and not isinstance(through, Joiner):
            raise NetworkError(f"joint {first} to {second}: {joint.through!r} is not an interface part")
        label = f"{joint.through} " if joint.through else ""
        join(assembly, first, second, through=through, resistance=joint.resistance, area=joint.area,
             through_name=f"{label}{first}" if through is not None else "")  # fmt: skip
    return assembly


def full_speed(design: Design) -> dict[str, float]:
    """Every fan at its highest speed, rpm."""
    return {name: float(part.maximum_speed) for name, part in design.parts.items() if isinstance(part, Fan)}


def build_machine(design: Design, ambient: Any) -> Machine:
    """Collect what the closed loop needs of a design at one ambient; numbers stay arrays where the design has them."""
    nominal = assemble(design, ambient, full_speed(design))
    dies = {name: part for name, part in design.parts.items() if isinstance(part, Die)}
    fans = {name: part for name, part in design.parts.items() if isinstance(part, Fan)}

    def compiled(speeds: Mapping[str, Any]) -> CompiledNetwork:
        return compile_network(assemble(design, ambient, speeds).network)

    return Machine(
        name=design.name, assemble=compiled, chips=tuple(_chip(name, die, nominal) for name, die in dies.items()),
        fans=tuple(
            FanDrive(name=name, maximum=_single(part.maximum_speed, f"{name}.maximum_speed"),
                     grid=_single(part.speed_step, f"{name}.speed_step"), noise=part.noise)
            for name, part in fans.items()
        ),
        sources={
            name: ({k: _number(v) for k, v in nodes.items()}, _number(nominal.fixed_heat[name]))
            for name, nodes in nominal.sources.items() if name in nominal.fixed_heat
        },
        sensors=design.sensors,
        limits=tuple(
            RunLimit(limit.name, limit.kind, _number(limit.value), node=limit.node, link=limit.link)
            for limit in nominal.limits
        ),
        ambient=_number(ambient), idle_power=idle_power(list(dies)),
    )  # fmt: skip


def _chip(name: str, die: Die, nominal: Assembly) -> Chip:
    top_voltage, top_frequency = die.curve[-1]
    highest = np.asarray(top_voltage) + np.asarray(die.voltage_offset)
    # Loads are metered at the curve's own voltage; an offset changes what they draw at the same frequency.
    share = highest / np.asarray(top_voltage)
    hot = next(limit for limit in nominal.limits if limit.name == f"{name}.junction")
    # The design states leakage at a voltage of its own; the closed loop counts it at the highest.
    entries = nominal.leakage.get(name, [])
    known = sum(np.asarray(law.power, dtype=float) for _, law in entries)
    reference = np.asarray(die.leakage_at(die.leakage_temperature, highest), dtype=float)
    factor = np.where(known > 0, reference / np.where(known > 0, known, 1.0), 0.0)
    return Chip(
        name=name, share={k: _number(v) for k, v in nominal.sources[name].items()},
        follow={k: _number(v) for k, v in nominal.followers.get(name, {}).items()},
        leaks=tuple(
            (node, Leakage(power=_number(law.power * factor), reference=_number(law.reference), slope=_number(law.slope)))
            for node, law in entries
        ),
        hot_spot=hot.node, junction_limit=_number(hot.value),
        curve=tuple((_number(f / top_frequency), _number((v + die.voltage_offset) / highest)) for v, f in die.curve),
        leak_voltage_exponent=_number(die.leakage_voltage_exponent),
        dynamic_scale=_number(dynamic_power_ratio(highest, top_voltage)),
        leak_scale=_number(share ** np.asarray(die.leakage_voltage_exponent)),
    )  # fmt: skip


def _number(value: Any) -> Any:
    """Turn what is one number into a float, and leave arrays over samples as they are."""
    array = np.asarray(value, dtype=float)
    return float(array) if array.ndim == 0 else array


def _single(value: Any, key: str) -> float:
    if np.ndim(value):
        raise NetworkError(f"{key} must be the same for every sample of an ensemble")
    return float(value)


def idle_power(chips: Sequence[str]) -> dict[str, float]:
    """Mean power of each chip under the named idle load, W."""
    return dict(_idle_power(tuple(chips)))


@cache
def _idle_power(chips: tuple[str, ...]) -> Mapping[str, float]:
    load = workload("idle", chips)
    return {name: float(np.mean(load.sampled(name, 1.0, 3600))) for name in chips}


def chargers(design: Design) -> dict[str, Charger]:
    """All chargers by part name."""
    return {name: part for name, part in design.parts.items() if isinstance(part, Charger)}


def mass(design: Design, kinds: tuple[str, ...]) -> float:
    """Mass in kg of the parts of some kinds."""
    return float(np.sum([float(part.mass()) for part in design.parts.values() if part.kind in kinds]))


Builder = Callable[[Mapping[str, Any]], CompiledNetwork]
