"""An 11-node machine with one fan, used by the closed-loop tests; numbers from the trade's hand model, illustrative."""

from __future__ import annotations

import numpy as np

from thermnet.firmware.mode import ChipControl, FanControl, FanTable, Mode, SkinControl
from thermnet.firmware.sensor import Sensor
from thermnet.network import DryOut, Leakage, SurfaceExchange, ThermalNetwork
from thermnet.network.compiled import compile_network
from thermnet.run import RunLimit
from thermnet.solve.machine import Chip, Fan, Machine

CAPACITIES = {
    "hot": 0.046, "die": 0.145, "plate": 8.0, "pipe": 9.0, "fins": 13.0, "board": 70.0, "bottom_hot": 12.0,
    "bottom": 170.0, "keyboard_hot": 12.0, "keyboard": 160.0, "battery": 260.0,
}  # fmt: skip

RESISTANCES = [
    ("hot", "die", 0.45), ("hot", "plate", 9 / 36 + 0.34), ("die", "plate", 9 / 114 + 0.18), ("plate", "pipe", 0.15),
    ("die", "board", 12.0), ("board", "bottom", 2.5), ("board", "keyboard", 3.0), ("board", "battery", 6.0),
    ("battery", "bottom", 3.0), ("bottom_hot", "plate", 16.0), ("bottom_hot", "pipe", 14.0), ("bottom_hot", "fins", 20.0),
    ("keyboard_hot", "pipe", 18.0), ("keyboard_hot", "fins", 22.0), ("keyboard_hot", "plate", 24.0),
    ("bottom_hot", "bottom", 2.0), ("keyboard_hot", "keyboard", 2.4),
]  # fmt: skip

LEAKS = {"hot": Leakage(power=1.2, reference=70.0, slope=0.018), "die": Leakage(power=1.2, reference=70.0, slope=0.018)}
PIPE = DryOut(resistance=0.15, limit=45.0, reference=50.0, slope=0.01, rewet=0.8)
SURFACES = {
    "bottom_hot": SurfaceExchange(radiating_area=0.0051, convection=0.006 * 0.77),
    "keyboard_hot": SurfaceExchange(radiating_area=0.0051, convection=0.006 * 1.7),
    "bottom": SurfaceExchange(radiating_area=0.0527, convection=0.062 * 0.77),
    "keyboard": SurfaceExchange(radiating_area=0.0527, convection=0.062 * 1.7),
}
BOARD_HEAT, FOLLOW, RECIRCULATION, EFFECTIVENESS = 5.0, 0.1, 0.1, 0.62


def capacity_rate(rpm):
    return 0.02 + np.asarray(rpm, dtype=float) / 4000.0 * 1.06


def build(speeds, factor=1.0, ambient=25.0):
    net = ThermalNetwork()
    net.add_boundary("ambient", ambient)
    for name, capacity in CAPACITIES.items():
        net.add_node(name, capacity=capacity)
    net.add_node("inlet")
    net.add_node("air")
    for a, b, resistance in RESISTANCES:
        net.add_link(a, b, resistance=resistance * factor)
    net.add_link("pipe", "fins", law=PIPE, name="pipe heat")
    for name, law in SURFACES.items():
        net.add_link(name, "ambient", law=law)
    w, r = capacity_rate(speeds["fan"]), RECIRCULATION
    net.add_stream("ambient", "inlet", capacity_rate=w * (1 - r))
    net.add_stream("air", "inlet", capacity_rate=w * r)
    net.add_stream("inlet", "air", capacity_rate=w)
    net.add_stream("air", "ambient", capacity_rate=w * (1 - r))
    net.add_link("fins", "air", conductance=w * EFFECTIVENESS / (1 - EFFECTIVENESS))
    net.add_link("board", "inlet", conductance=0.1)
    return net


def machine(factor=1.0, ambient=25.0, leaks=LEAKS, junction_limit=95.0):
    return Machine(
        name="hand model", assemble=lambda speeds: compile_network(build(speeds, factor, ambient)),
        chips=(
            Chip(name="cpu", share={"hot": 0.5, "die": 0.5}, follow={"board": FOLLOW}, leaks=tuple(leaks.items()),
                 hot_spot="hot", junction_limit=junction_limit),
        ),
        fans=(Fan(name="fan", maximum=5000.0, grid=100.0, noise=lambda s: 36.0 + 55.0 * np.log10(np.asarray(s) / 4000.0)),),
        sources={"board": ({"board": 1.0}, BOARD_HEAT)},
        sensors={
            "junction": Sensor(reads=("hot",), resolution=1.0, period=0.1),
            "proxy": Sensor(reads=("board",), lag=60.0, offset=-3.0, period=1.0),
        },
        limits=(
            RunLimit("junction", "junction", junction_limit, node="hot"), RunLimit("bottom", "skin", 43.0, node="bottom_hot"),
            RunLimit("pipe", "dry_out", 0.0, link="pipe heat"),
        ),
        ambient=ambient, idle_power={"cpu": 2.0},
    )  # fmt: skip


MODE = Mode(
    chips={"cpu": ChipControl(burst_limit=64.0, sustained_limit=28.0)},
    fans={
        "fan": FanControl(
            idle_speed=1500.0,
            tables=(FanTable(sensor="junction", steps=((50.0, 2500.0), (60.0, 3200.0), (70.0, 4000.0), (80.0, 4600.0))),),
        )
    },
    skin_limits=(SkinControl(sensor="proxy", limit=46.0),),
)  # fmt: skip
