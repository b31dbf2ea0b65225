"""Lessons about firmware: the averaging governor, its time constant, fan hunting."""

from __future__ import annotations

import numpy as np

from thermnet.lessons.heat_path_lessons import machine
from thermnet.lessons.lesson import Answer, Lesson, say


def _governor() -> Answer:
    run = machine().simulate(50.0, "desk", duration=120.0)
    power, average = run.channel("power", "cpu"), run.channel("average_power", "cpu")
    held = float(run.time[np.argmax(power < 49.9)])
    bound = run.residency()["cpu"].get("junction", 0.0)
    before = float(average[0])
    formula = 28.0 * float(np.log((50.0 - before) / (50.0 - 28.0)))
    twice = (
        machine()
        .replace(**{"modes.desk.chips.cpu.averaging_time": "56 s"})
        .simulate(50.0, "desk", duration=120.0)
    )
    later = float(twice.time[np.argmax(twice.channel("power", "cpu") < 49.9)])
    return Answer(
        held,
        (
            f"The power is cut back after {say(held, 's')}. With a running average of time constant τ that starts at P₀, drawing P for a "
            f"while brings it to Ps after τ ln((P − P₀)/(P − Ps)) = 28 s · ln((50 − {say(before)})/(50 − 28)) = {say(formula, 's')}.",
            f"With twice the time constant it is {say(later, 's')}. The governor knows no temperature at all: it keeps a promise about "
            "mean power, and the thermal design must be able to carry whatever it lets through.",
            f"The die is at {say(run.temperature('cpu.hot_spot').max(), 'degC')} at most in all this; its limit "
            + (f"binds for {say(100.0 * bound, 'percent')} of the time." if bound else "never binds."),
        ),
        lambda guess: run.plot(),
        None,
        {"formula_s": formula, "twice_s": later},
    )


def _averaging_time() -> Answer:
    from thermnet.show.lesson_figures import sweep_figure

    seconds = (7.0, 14.0, 28.0, 56.0)
    designs = [machine().replace(**{"modes.desk.chips.cpu.averaging_time": s}) for s in seconds]
    durations = (40.0, 480.0)
    work = {
        t: [float(d.simulate(50.0, "desk", duration=t).channel("work", "cpu")[-1]) for d in designs]
        for t in durations
    }
    gains = {t: 100.0 * (work[t][3] / work[t][2] - 1.0) for t in durations}
    lines = {f"{t:g} s of load": [100.0 * (w / work[t][0] - 1.0) for w in work[t]] for t in durations}
    import pandas as pd

    return Answer(
        gains[480.0],
        (
            f"Over eight minutes twice the time constant is worth {say(gains[480.0], 'percent')} of work: the burst is longer once, and "
            "then both machines draw their sustained power.",
            f"In a load of 40 s the same change brings {say(gains[40.0], 'percent')}. Short tests see burst limit and time constant; long "
            "ones see fins, fan and noise cap. That is why two machines can change places between a short and a long test.",
        ),
        lambda guess: sweep_figure(
            list(seconds), lines, title="Work gained over a time constant of 7 s", log=True,
            x_label="averaging time constant, s", y_label="more work, %",
        ),
        pd.DataFrame({"averaging_s": seconds, **{f"work_in_{t:g}_s_s": w for t, w in work.items()}}),
        {"short_percent": gains[40.0]},
    )  # fmt: skip


def _hunting() -> Answer:
    import pandas as pd

    from thermnet.show.lesson_figures import sweep_figure

    settings = (1.0, 2.0, 4.0, 6.0)
    powers = (10.0, 16.0, 22.0)
    counts = {
        f"{p:g} W": [
            float(speed_ups(machine().replace(**{
                "modes.desk.fans.fan.tables.0.hysteresis": h, "modes.desk.fans.fan.dwell": 0.0,
            }).simulate(p, "desk", duration=1800.0)))
            for h in settings
        ]
        for p in powers
    }  # fmt: skip
    shipped = speed_ups(machine().simulate(16.0, "desk", duration=1800.0))
    value = counts["16 W"][0]
    return Answer(
        value,
        (
            f"{say(value)} times in twenty minutes, although load and room do not change at all"
            + (f": once every {say(1200.0 / value, 's')}." if value else "."),
            "The sensor counts whole degrees. At the step's threshold the fan speeds up, the stack cools by a degree or so within its "
            "time constant, the table lets go, and the stack warms again: sensor quantum, step and thermal lag make an oscillator.",
            f"With a hysteresis of 2 K there are {say(counts['16 W'][1])} at the same load; with the table as it is (6 K, dwell 15 s) "
            f"{say(shipped)}. Whether a load hunts depends on where it settles between the steps: at 10 W with 1 K there are "
            f"{say(counts['10 W'][0])}, at 22 W {say(counts['22 W'][0])}.",
        ),
        lambda guess: sweep_figure(
            list(settings), counts, title="Speed-ups of the fan in twenty minutes of constant load", x_label="hysteresis of the fan table, K",
            y_label="speed-ups", marked=(1.0, value), guess=guess,
        ),
        pd.DataFrame({"hysteresis_K": settings, **{f"at_{n.replace(' ', '_')}_speed_ups": c for n, c in counts.items()}}),
        {"shipped": float(shipped), "with_2_K": counts["16 W"][1]},
    )  # fmt: skip


def speed_ups(run: object, after: float = 600.0) -> int:
    """How often the fan begins to speed up after so many seconds."""
    from thermnet.run import Run

    assert isinstance(run, Run)
    speed = run.channel("fan_speed", "fan")[run.time > after]
    rising = np.diff(speed) > 0.0
    return int(np.sum(rising[1:] & ~rising[:-1]))


GOVERNOR = Lesson(
    "governor", "The averaging governor", "tern-14 in mode desk: burst limit 64 W, sustained limit 28 W, time constant 28 s. From idle "
    "a load draws 50 W without a pause.",
    "After how many seconds is the power cut back?", "s", (0.0, 120.0),
    "A running average climbs as 1 − exp(−t/τ) towards 50 W. When has it reached 28 W?", _governor,
)  # fmt: skip
AVERAGING_TIME = Lesson(
    "averaging_time", "Twice the time constant", "tern-14 in mode desk, a load that takes 50 W, for eight minutes from idle. The governor's time "
    "constant is doubled from 28 to 56 s.",
    "How many percent more work is done?", "percent", (0.0, 60.0),
    "How much longer is the burst, what does it draw above the sustained 28 W, and how does speed follow power?", _averaging_time,
)  # fmt: skip
HUNTING = Lesson(
    "hunting", "A hunting fan", "tern-14 in mode desk, but with a hysteresis of 1 K in its fan table and no dwell. 16 W on the chip, nothing changes.",
    "From minute 10 to minute 30: how often does the fan speed up?", "1", (0.0, 300.0),
    "The sensor reads whole degrees; the stack's time constant is half a minute.", _hunting,
)  # fmt: skip
