"""A notebook-like machine of as many nodes as wanted: meshes of die, plate, board and skins, pipes, fins, air cells.

Invented and illustrative; what matters is that the same machine can be had with 40 or 5,000 nodes.
"""

from __future__ import annotations

import math

import numpy as np

from thermnet.firmware.mode import ChipControl, FanControl, FanTable, Mode, SkinControl
from thermnet.firmware.sensor import Sensor
from thermnet.network import Leakage, SurfaceExchange, ThermalNetwork
from thermnet.network.compiled import compile_network
from thermnet.run import RunLimit
from thermnet.solve.machine import Chip, Fan, Machine

WIDTH, DEPTH = 0.31, 0.21


def grid(net, name, columns, rows, capacity, sheet, *, width=WIDTH, depth=DEPTH):
    """Mesh of a sheet: total capacity in J/K, sheet conductance (conductivity times thickness) in W/K."""
    dx, dy = width / columns, depth / rows
    cells = {}
    for i in range(columns):
        for j in range(rows):
            node = f"{name}.{i}.{j}"
            net.add_node(node, capacity=capacity / (columns * rows))
            cells[i, j] = node
    for (i, j), node in cells.items():
        if (i + 1, j) in cells:
            net.add_link(node, cells[i + 1, j], conductance=sheet * dy / dx)
        if (i, j + 1) in cells:
            net.add_link(node, cells[i, j + 1], conductance=sheet * dx / dy)
    return cells


def nearest_cell(cells, x, y):
    """Cell over a place given as shares of width and depth."""
    columns, rows = 1 + max(i for i, _ in cells), 1 + max(j for _, j in cells)
    return cells[min(int(x * columns), columns - 1), min(int(y * rows), rows - 1)]


def sizes(nodes):
    """Columns and rows of each mesh for about so many nodes in all."""
    skin = 0.36 * nodes
    board = 0.18 * nodes
    plate = max(0.05 * nodes, 4)
    columns = max(round(math.sqrt(skin * 1.48)), 2)
    board_columns = max(round(math.sqrt(board * 1.48)), 2)
    side = max(round(math.sqrt(plate)), 2)
    return {
        "skin": (columns, max(round(skin / columns), 2)), "board": (board_columns, max(round(board / board_columns), 2)),
        "plate": (side, side), "die": (2, 2) if nodes < 500 else (4, 4), "chain": max(min(round(0.01 * nodes), 20), 2),
    }  # fmt: skip


def build(speeds, nodes, ambient=25.0):
    size = sizes(nodes)
    net = ThermalNetwork()
    net.add_boundary("ambient", ambient)
    die = grid(net, "die", *size["die"], 0.25, 148 * 0.6e-3, width=0.0125, depth=0.012)
    plate = grid(net, "plate", *size["plate"], 8.3, 390 * 1.5e-3, width=0.04, depth=0.04)
    board = grid(net, "board", *size["board"], 80.0, 35 * 1.2e-3, width=0.26, depth=0.08)
    bottom = grid(net, "bottom", *size["skin"], 150.0, 167 * 0.8e-3)
    keyboard = grid(net, "keyboard", *size["skin"], 190.0, 167 * 0.8e-3)
    for (i, j), node in die.items():
        spot = nearest_cell(plate, 0.35 + 0.3 * (i + 0.5) / size["die"][0], 0.35 + 0.3 * (j + 0.5) / size["die"][1])
        net.add_link(node, spot, resistance=0.22 * len(die))
        net.add_link(node, nearest_cell(board, 0.5, 0.5), resistance=10.0 * len(die))
    rate = 0.01 + np.asarray(speeds["fan"], dtype=float) / 4500.0 * 1.9
    length = size["chain"]
    net.add_node("inlet")
    net.add_stream("ambient", "inlet", capacity_rate=0.9 * rate)
    before = "inlet"
    for k in range(length):
        net.add_node(f"fins.{k}", capacity=16.0 / length)
        net.add_node(f"air.{k}")
        net.add_stream(before, f"air.{k}", capacity_rate=rate)
        net.add_link(f"fins.{k}", f"air.{k}", conductance=3.2 * (rate / 1.9) ** 0.6 / length)
        before = f"air.{k}"
    net.add_stream(before, "inlet", capacity_rate=0.1 * rate)
    net.add_stream(before, "ambient", capacity_rate=0.9 * rate)
    for pipe in range(2):
        end = nearest_cell(plate, 0.5, 0.3 + 0.4 * pipe)
        for k in range(length):
            net.add_node(f"pipe.{pipe}.{k}", capacity=9.0 / length)
            net.add_link(end, f"pipe.{pipe}.{k}", resistance=0.12 if k == 0 else 0.1 / length)
            end = f"pipe.{pipe}.{k}"
        for k in range(length):
            net.add_link(end, f"fins.{k}", resistance=0.3 * length)
    gap = 0.026 / 0.002
    for cells, x0, x1, y0, y1, lower, upper in (
        (plate, 0.42, 0.56, 0.55, 0.75, 2.0, 1.2), (board, 0.1, 0.9, 0.45, 0.85, 4.0, 2.5),
    ):  # fmt: skip
        columns, rows = 1 + max(i for i, _ in cells), 1 + max(j for _, j in cells)
        area = (x1 - x0) * WIDTH * (y1 - y0) * DEPTH / (columns * rows)
        for (i, j), node in cells.items():
            x, y = x0 + (x1 - x0) * (i + 0.5) / columns, y0 + (y1 - y0) * (j + 0.5) / rows
            net.add_link(node, nearest_cell(bottom, x, y), conductance=lower * gap * area)
            net.add_link(node, nearest_cell(keyboard, x, y), conductance=upper * gap * area)
    for k in range(length):
        net.add_link(f"fins.{k}", nearest_cell(bottom, 0.1, 0.9), resistance=9.0 * length)
        net.add_link(f"fins.{k}", nearest_cell(keyboard, 0.1, 0.9), resistance=12.0 * length)
    for cells, convection, share in ((bottom, 0.6, 0.5), (keyboard, 1.5, 0.9)):
        area = WIDTH * DEPTH / len(cells)
        for node in cells.values():
            net.add_link(node, "ambient", law=SurfaceExchange(radiating_area=share * area, convection=convection * area))
    return net


def machine(nodes=40, ambient=25.0, grid_rpm=100.0):
    size = sizes(nodes)
    columns, rows = size["die"]
    cells = [f"die.{i}.{j}" for i in range(columns) for j in range(rows)]
    hot = cells[0]
    shares = {cell: (0.4 if cell == hot else 0.6 / (len(cells) - 1)) for cell in cells}
    leaks = tuple((cell, Leakage(power=3.0 / len(cells), reference=70.0, slope=0.018)) for cell in cells)
    middle = f"board.{size['board'][0] // 2}.{size['board'][1] // 2}"
    zones = {}
    for skin in ("bottom", "keyboard"):
        c, r = size["skin"]
        zones[skin] = f"{skin}.{min(int(0.49 * c), c - 1)}.{min(int(0.66 * r), r - 1)}"
    return Machine(
        name=f"mesh of {nodes}", assemble=lambda speeds: compile_network(build(speeds, nodes, ambient)),
        chips=(
            Chip(name="cpu", share=shares, follow={middle: 0.1}, leaks=leaks, hot_spot=hot, junction_limit=95.0),
        ),
        fans=(Fan(name="fan", maximum=5000.0, grid=grid_rpm),), sources={"board": ({middle: 1.0}, 4.0)},
        sensors={
            "junction": Sensor(reads=(hot,), resolution=1.0, period=0.1),
            "proxy": Sensor(reads=(middle, zones["bottom"]), lag=60.0, offset=-2.0, resolution=0.5, period=1.0),
        },
        limits=(
            RunLimit("junction", "junction", 95.0, node=hot), RunLimit("bottom", "skin", 45.0, node=zones["bottom"]),
            RunLimit("keyboard", "skin", 43.0, node=zones["keyboard"]),
        ),
        ambient=ambient, idle_power={"cpu": 2.0},
    )  # fmt: skip


MODE = Mode(
    chips={"cpu": ChipControl(burst_limit=64.0, sustained_limit=28.0)},
    fans={
        "fan": FanControl(
            idle_speed=1500.0, dwell=15.0,
            tables=(FanTable(sensor="junction", steps=((50.0, 2000.0), (60.0, 2800.0), (70.0, 3600.0), (80.0, 4500.0)), hysteresis=6.0),),
        )
    },
    skin_limits=(SkinControl(sensor="proxy", limit=56.0),),
)  # fmt: skip
