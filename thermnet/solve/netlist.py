"""A network as a plain circuit netlist that a general-purpose circuit simulator runs.

Temperature is voltage (1 V = 1 degC), heat is current (1 A = 1 W): links are resistors, capacities are capacitors
to ground, heat is current sources, boundaries are voltage sources, and a one-way stream is a current source
controlled by the voltage upstream and downstream.  Links whose strength depends on temperature become sources with
an expression, or resistors held at an operating point; leakage likewise.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network.compiled import CompiledNetwork, compile_network
from thermnet.network.graph import ThermalNetwork
from thermnet.network.laws import (
    CLOSED,
    COLD_FLOOR,
    DRY_OUT,
    MAXIMUM_EXPONENT,
    MELTING,
    STEFAN_BOLTZMANN,
    SURFACE,
    ZERO_CELSIUS,
)
from thermnet.solve.equations import HeatBalance
from thermnet.solve.powers import Powers, read_powers
from thermnet.solve.steady import steady_temperatures

Array = NDArray[np.float64]
EDGE = 1e-9
"""Share of the duration over which a step of power is drawn as a ramp."""

RESOLUTION = 2000
"""Steps of the simulator at least, over the duration."""


def network_netlist(
    network: ThermalNetwork, power: Mapping[str, Any] | None = None, duration: float = 600.0, *,
    initial: float | Mapping[str, float] | str = 25.0, laws: str = "exact", output: str = "temperatures.txt",
    title: str = "thermal network", step: float | None = None,
) -> str:  # fmt: skip
    """Write a network and its powers as a circuit netlist.

    Parameters
    ----------
    network : ThermalNetwork
    power : mapping
        By node: W, or ``(times, watts)`` held piecewise constant.
    duration : float
        s to simulate.
    initial : float, mapping of node to degC, or "steady"
        Temperatures at the start; "steady" is the steady state of the powers at time 0.
    laws : "exact" or "held"
        Temperature-dependent links and leakage as expressions, or held at the steady state of the powers at time 0
        (then only resistors, capacitors and plain sources are left).
    output : str
        File that the simulator writes: time and the voltage of every node, in the order of the nodes here; empty
        to write nothing.
    title : str
    step : float, optional
        Largest step of the simulator, s; a 2000th of the duration if left out.

    Returns
    -------
    str
        The netlist; the first comments tell which circuit node is which network node.

    Raises
    ------
    NetworkError, ValueError
        A power or boundary that is a function of time, a law of its own, unknown names, many machines in one network.
    """
    if laws not in ("exact", "held"):
        raise ValueError(f"laws {laws!r}; expected 'exact' or 'held'")
    if not (np.isfinite(duration) and duration > 0):
        raise ValueError(f"duration {duration!r} s; expected a finite number above 0")
    compiled = compile_network(network)
    if compiled.batch_shape:
        raise NetworkError(f"a netlist is of one machine; this network holds {compiled.batch_shape} of them")
    if compiled.has_varying_boundary:
        raise NetworkError("a boundary is a function of time; a netlist takes numbers")
    powers = read_powers(compiled, power or {})
    if powers.varying:
        raise NetworkError("a power is a function of time; a netlist takes numbers or (times, watts)")
    boundary = compiled.boundary_temperature(0.0)
    needs_steady = laws == "held" or (isinstance(initial, str) and initial == "steady")
    steady = steady_temperatures(compiled, powers.at(0.0)) if needs_steady else None
    start = _start(compiled, initial, steady)
    pins = [f"n{k + 1}" for k in range(compiled.size)] + [
        f"b{k + 1}" for k in range(len(compiled.boundaries))
    ]
    lines = [f"* {_plain(title)}", "* volts are degC, amperes are W, farads are J/K, ohms are K/W"]
    labels = (*compiled.nodes, *compiled.boundaries)
    lines += [f"* {pin} = {_plain(label)}" for pin, label in zip(pins, labels, strict=True)]
    lines += ["", "* boundaries"]
    lines += [
        f"V{pin} {pin} 0 DC {_n(value)}" for pin, value in zip(pins[compiled.size :], boundary, strict=True)
    ]
    lines += ["", "* heat capacities"]
    lines += [
        f"C{k + 1} {pins[k]} 0 {_n(value)} IC={_n(start[k])}"
        for k, value in enumerate(compiled.capacity)
        if value > 0
    ]
    lines += ["", "* links"]
    for k, ((a, b), g) in enumerate(zip(compiled.link_ends, compiled.link_conductance, strict=True)):
        if g > 0:
            lines.append(f"R{k + 1} {pins[a]} {pins[b]} {_n(1.0 / float(g))}")
    lines += ["", "* streams: heat carried one way"]
    for k, ((a, b), w) in enumerate(zip(compiled.stream_ends, compiled.stream_rate, strict=True)):
        if b < compiled.size and w > 0:
            lines.append(f"G{k + 1} 0 {pins[b]} {pins[a]} {pins[b]} {_n(float(w))}")
    if compiled.laws or compiled.leakages:
        lines += ["", f"* links and leakage that depend on temperature, {laws}"]
        lines += _laws(compiled, pins, boundary, steady if laws == "held" else None)
    lines += ["", "* heat"]
    lines += _sources(compiled, powers, pins, float(duration))
    longest = float(duration) / RESOLUTION if step is None else float(step)
    lines += [
        "", ".options reltol=1e-6 abstol=1e-9 vntol=1e-7 trtol=1 method=gear",
        f".tran {_n(longest / 1000.0)} {_n(float(duration))} 0 {_n(longest)} uic",
    ]  # fmt: skip
    if output:
        wanted = " ".join(f"v({pin})" for pin in pins[: compiled.size])
        lines += [
            ".control",
            "set numdgt=12",
            "set wr_singlescale",
            "run",
            f"wrdata {output} {wanted}",
            "quit 0",
            ".endc",
        ]
    return "\n".join([*lines, ".end", ""])


# -- inside ------------------------------------------------------------------------------------------------


def _start(compiled: CompiledNetwork, initial: Any, steady: Array | None) -> Array:
    if isinstance(initial, str):
        if initial != "steady" or steady is None:
            raise ValueError(f'initial {initial!r}; expected a number of degC, a mapping, or "steady"')
        return steady
    if isinstance(initial, Mapping):
        start = np.full(compiled.size, float(np.mean(compiled.boundary_temperature(0.0))))
        for name, value in initial.items():
            row = compiled.row(name)
            if row < compiled.size:
                start[row] = float(value)
        return start
    return np.full(compiled.size, float(initial))


def _laws(compiled: CompiledNetwork, pins: list[str], boundary: Array, held: Array | None) -> list[str]:
    lines = []
    if held is not None:
        balance = HeatBalance(compiled)
        strengths = (
            balance.law_conductance(np.concatenate([held, boundary])) if compiled.laws else np.zeros(0)
        )
        for k, ((a, b), g) in enumerate(zip(compiled.law_ends, strengths, strict=True)):
            if g > 0:
                lines.append(f"RL{k + 1} {pins[a]} {pins[b]} {_n(1.0 / float(g))}")
        if compiled.leakages:
            leaks = balance.leakage(held)
            lines += [
                f"IK{k + 1} 0 {pins[row]} DC {_n(leaks[k])}" for k, row in enumerate(compiled.leak_node)
            ]
        return lines
    for k, (a, b) in enumerate(compiled.law_ends):
        code = int(compiled.law_code[k])
        if code not in _EXPRESSIONS:
            raise NetworkError(
                f"link {compiled.law_names[k]!r} follows a law of its own; a netlist knows only the package's"
            )
        hot, cold = f"v({pins[a]})", f"v({pins[b]})"
        heat = _EXPRESSIONS[code]([float(v) for v in compiled.law_parameters[k]], hot, cold)
        lines.append(f"BL{k + 1} {pins[a]} {pins[b]} I={heat}")
    for k, (row, leak) in enumerate(zip(compiled.leak_node, compiled.leakages, strict=True)):
        rise = f"{_n(float(leak.slope))}*(v({pins[row]})-{_n(float(leak.reference))})"
        lines.append(
            f"BK{k + 1} 0 {pins[row]} I={_n(float(leak.power))}*exp(min({rise},{_n(MAXIMUM_EXPONENT)}))"
        )
    return lines


def _surface(p: list[float], hot: str, cold: str) -> str:
    a, b = f"({hot}+{_n(ZERO_CELSIUS)})", f"({cold}+{_n(ZERO_CELSIUS)})"
    radiation = f"{_n(p[0] * STEFAN_BOLTZMANN)}*({a}*{a}+{b}*{b})*({a}+{b})"
    convection = f"{_n(p[1])}*pow(abs({hot}-{cold})+1e-9,{_n(p[2])})"
    return f"({radiation}+{convection}+{_n(p[3])})*({hot}-{cold})"


def _dry_out(p: list[float], hot: str, cold: str) -> str:
    """Heat through a pipe as ``dry_out_conductance`` has it, in one expression."""
    resistance, limit, reference, slope, steepness, blend, _, full_above = p
    mean = f"0.5*({hot}+{cold})"
    top = f"{_n(limit)}*min(max(1+{_n(slope)}*({mean}-{_n(reference)}),0.05),3)"
    if full_above > 0:
        place = f"min(max({mean}/{_n(full_above)},0),1)"
        top += f"*({_n(COLD_FLOOR)}+{_n(1 - COLD_FLOOR)}*{place}*{place}*(3-2*{place}))"
    free = f"(abs({hot}-{cold})/{_n(resistance)})"
    low, high = f"({top}*{_n(1 - blend)})", f"({top}*{_n(1 + blend)})"
    inside = f"(min(max({free},{low}),{high})-{low})"
    blended = f"({inside}-{_n(0.5 * (1 - 1 / steepness))}*{inside}*{inside}/({high}-{low}))"
    heat = f"(min({free},{low})+{blended}+max({free}-{high},0)*{_n(1 / steepness)})"
    return f"sgn({hot}-{cold})*{heat}"


def _melting(p: list[float], hot: str, cold: str) -> str:
    conductance, melting, _, width, taper = p[:5]
    fraction = f"(({cold}-{_n(melting)})/{_n(width)}+0.5)"
    room = f"({hot}>{cold} ? (1-{fraction}) : {fraction})"
    return f"{_n(conductance)}*({_n(CLOSED)}+min(max({room}/{_n(taper)},0),1))*({hot}-{cold})"


_EXPRESSIONS = {SURFACE: _surface, DRY_OUT: _dry_out, MELTING: _melting}


def _sources(compiled: CompiledNetwork, powers: Powers, pins: list[str], duration: float) -> list[str]:
    lines = []
    stepped = {row for row, *_ in powers.stepped}
    for row, watts in enumerate(powers.constant):
        if row not in stepped and watts != 0.0:
            lines.append(f"I{row + 1} 0 {pins[row]} DC {_n(float(watts))}")
    for row, times, watts in powers.stepped:
        lines.append(f"I{row + 1} 0 {pins[row]} PWL({_staircase(times, watts, duration)})")
    return lines


def _staircase(times: Array, watts: Array, duration: float) -> str:
    """Points of a piecewise constant source, each step a ramp of a billionth of the duration."""
    edge = EDGE * duration
    before = int(np.searchsorted(times, 0.0, side="right")) - 1
    points = [(0.0, float(watts[before]) if before >= 0 else 0.0)]
    for k in range(before + 1, len(times)):
        at = float(times[k])
        if 0.0 < at < duration:
            points += [(at, points[-1][1]), (at + edge, float(watts[k]))]
    points.append((duration * 1.001, points[-1][1]))
    return " ".join(f"{_n(t)} {_n(w)}" for t, w in points)


def _n(value: float) -> str:
    if not math.isfinite(value):
        raise NetworkError(f"a value of {value!r} cannot be written into a netlist")
    return f"{float(value):.15g}"


def _plain(text: str) -> str:
    return re.sub(r"[^\x20-\x7e]", "?", str(text))
