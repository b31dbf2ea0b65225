"""Runs and studies made by hand, so that figures are tested without solving anything."""

import numpy as np
import pandas as pd

from thermnet.run import Channel, Energy, Run, RunLimit
from thermnet.studies.study import Study

FLAGS = ("demand", "burst limit", "sustained limit", "peak limit", "junction", "skin", "shared budget")
DURATIONS = np.array([1.0, 2, 5, 10, 20, 60, 120, 300, 600])


def make_run(duration=600.0, step=0.1, chips=("cpu",), firmware=True, **changes):
    t = np.arange(0.0, duration + step / 2, step)

    def rise(*parts):
        return sum(height * (1.0 - np.exp(-t / tau)) for height, tau in parts)

    columns = {
        "cpu.hot_spot": 36 + rise((9, 0.02), (14, 3), (25, 40), (6, 500)),
        "plate.core": 35 + rise((2, 3), (25, 40), (6, 500)),
        "fins.base": 33 + rise((19, 45), (6, 500)),
        "bottom.hot_zone": 31 + rise((6, 60), (7, 600)),
        "battery.cells": 30 + rise((6, 1000)),
        "ambient": 25 + 0 * t,
    }
    limit = np.where(t < 13.8, 1, np.where(t < 300, 2, 5))
    limit[np.isclose(t, 200.0)] = 4
    power = np.where(t < 13.8, 64.0, 28.0)

    def each(values):
        return np.stack([values] * len(chips), axis=-1)

    channels = {
        "power": Channel("chip", chips, each(power), "W", "chip power"),
        "average_power": Channel(
            "chip", chips, each(np.minimum(64 * (1 - np.exp(-t / 28)), 28)), "W", "average"
        ),
        "limit": Channel("chip", chips, each(limit), "1", "which limit binds", FLAGS),
        "fan_speed": Channel("fan", ("fan",), np.clip(20 * t, 0, 4000)[:, None], "rpm", "fan speed"),
        "noise": Channel("place", ("operator",), (20 + 10 * (t > 60))[:, None], "dBA", "noise"),
    }
    content = {
        "time": t, "names": tuple(columns), "temperatures": np.stack(list(columns.values()), axis=-1),
        "energy": Energy(1e4, 9e3, 1e3), "channels": channels if firmware else {},
        "limits": (
            RunLimit("cpu.junction", "junction", 95.0, "cpu.hot_spot"),
            RunLimit("bottom.hot_zone", "skin", 45.0, "bottom.hot_zone"),
            RunLimit("battery.cells", "battery", 50.0, "battery.cells"),
            RunLimit("pipes dry-out", "dry_out", 45.0, link="pipes"),
        ) if firmware else (),
        "events": ((0.4, "cpu throttled <at> its junction"),) if firmware else (), "boundaries": ("ambient",),
        "provenance": {"design": "tern-14", "mode": "desk", "workload": "compile", "ambient_degC": 25.0},
    }  # fmt: skip
    return Run(**{**content, **changes})


def make_burst(**changes):
    binds = ["cpu.junction"] * 4 + ["pipes dry-out"] * 2 + ["bottom.hot_zone"] * 3
    power = np.array([64, 64, 64, 64, 58.2, 41.5, 36.2, 31.9, 29.8])
    table = pd.DataFrame({"duration_s": DURATIONS, "power_W": power, "binds": binds})
    content = {
        "name": "burst_budget", "title": "Burst budget of tern-14", "question": "How many watts?",
        "table": table,
        "tables": {
            "start states": pd.concat(
                [table.assign(start="idle"), table.assign(start="15 W", power_W=power * 0.9)],
                ignore_index=True,
            ),
            "governor": pd.DataFrame({"duration_s": DURATIONS, "power_W": 28 + 715 / DURATIONS}),
        },
        "facts": {"sustained power": (28.3, "W"), "mode's burst limit": (64.0, "W")},
        "assumptions": ("Room at 25 °C.",), "caution": "Not a <safety> test.",
        "provenance": {"design": "tern-14", "mode": "desk", "ambient": 25.0, "start": "idle"},
    }  # fmt: skip
    return Study(**{**content, **changes})


def make_times(**changes):
    table = pd.DataFrame({
        "start": ["idle", "15 W", "idle"], "power_W": [64.0, 64.0, 20.0], "time_s": [38.2, 0.42, np.nan],
        "binds": ["cpu.junction", "bottom.hot_zone", "none"], "first_cpu_junction_s": [38.2, 0.42, np.nan],
    })  # fmt: skip
    content = {"name": "time_to_limit", "title": "Time to limit", "question": "How long?", "table": table,
               "provenance": {"design": "tern-14", "mode": "desk", "ambient": 25.0}}  # fmt: skip
    return Study(**{**content, **changes})
