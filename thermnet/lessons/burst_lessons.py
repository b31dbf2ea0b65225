"""Lessons about bursts: how long, from which start, how often, and why a die at its limit for seconds is no fault."""

from __future__ import annotations

import numpy as np

from thermnet.lessons.heat_path_lessons import machine
from thermnet.lessons.lesson import Answer, Lesson, say

RATIOS = (1.3, 1.7, 2.0, 2.5, 3.0, 3.5, 4.0)
"""Burst limit over sustained limit: from about 1.3 to 4 in shipped machines (common practice, no source)."""
STARTS = ("idle", 15.0, 28.0)


def _how_long() -> Answer:
    from thermnet.studies.time_to_limit import time_to_limit

    study = time_to_limit(machine(), "desk", powers=(45.0, 55.0, 64.0), starts=STARTS)
    table = study.table[["start", "power_W", "time_s", "binds"]]
    at = {
        start: float(t)
        for start, p, t in zip(table["start"], table["power_W"], table["time_s"], strict=True)
        if p == 64.0
    }
    gentle = {
        start: float(t)
        for start, p, t in zip(table["start"], table["power_W"], table["time_s"], strict=True)
        if p == 45.0
    }
    rested, warm = at["idle"], at["28 W"]
    slow = f"{say(gentle['idle'], 's')}" if np.isfinite(gentle["idle"]) else "more than an hour"
    return Answer(
        rested,
        (
            f"64 W last {say(rested, 's')} from idle, until {table['binds'].iloc[2]} is met.",
            f"The start state is a part of the answer: after a long spell at 15 W it is {say(at['15 W'], 's')}, after 28 W "
            f"{say(warm, 's')}, {say(100.0 * warm / rested, 'percent')} of the time from idle.",
            f"And the power is not in proportion: 45 W last {slow} from idle. Near the power that could be held for ever the "
            "time grows without bound, so a burst time without its power and start says nothing.",
        ),
        lambda guess: study.plot(),
        table,
        {"warm_s": warm, "gentle_s": gentle["idle"]},
    )


def _warm_start() -> Answer:
    from thermnet.show.lesson_figures import sweep_figure
    from thermnet.studies.time_to_limit import time_to_limit

    soaks = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0)
    study = time_to_limit(machine(), "desk", powers=(64.0,), starts=("idle", *soaks))
    times = study.table["time_s"].to_numpy(dtype=float)
    shares = 100.0 * times / times[0]
    value = float(shares[1 + soaks.index(15.0)])
    starts: tuple[str | float, ...] = ("idle", 5.0)
    speeds = [
        float(machine().simulate(64.0, "desk", duration=0.2, start=start).channel("fan_speed", "fan")[0]) for start in starts
    ]
    return Answer(
        value,
        (
            f"After 15 W the burst lasts {say(times[3], 's')} instead of {say(times[0], 's')}: {say(value, 'percent')} is left.",
            f"After 30 W {say(shares[-1], 'percent')} is left. What counts is the distance of the stack from the temperature at which "
            "64 W would have to stop, and every watt before has used up some of it.",
            *(
                [
                    f"After 5 W it is {say(shares[1], 'percent')}, more than from idle: the fan turns at {say(speeds[1], 'rpm')} already, at "
                    f"idle at {say(speeds[0], 'rpm')}, and it takes its time to speed up."
                ]
                if shares[1] > 100.0 and speeds[1] > speeds[0]
                else []
            ),
            "Never quote a burst time without its start state, and never compare two that started differently.",
        ),
        lambda guess: sweep_figure(
            soaks, {"burst time left": shares[1:].tolist()}, title="What a warm start leaves of a 64 W burst",
            x_label="chip power before, for long, W", y_label="of the time from idle, %", marked=(15.0, value), guess=guess,
        ),
        study.table[["start", "power_W", "time_s", "binds"]],
        {"last_percent": float(shares[-1])},
    )  # fmt: skip


def _recovery() -> Answer:
    from thermnet.studies.recovery import recovery

    study = recovery(machine(), "desk", power=64.0, rests=(10.0, 30.0, 60.0, 120.0, 300.0))
    row = study.table[study.table["rest_s"] == 30.0].iloc[0]
    last = study.table.iloc[-1]
    often = study.tables["repetition"]
    ten = often[often["duration_s"] == 10.0].iloc[0]
    return Answer(
        float(row["recovered_percent"]),
        (
            f"After 30 s the second burst lasts {say(row['second_s'], 's')} of {say(row['first_s'], 's')}: "
            f"{say(row['recovered_percent'], 'percent')} is back. Plate, pipes and fins cool in half a minute or so.",
            f"The last percents take minutes: after {say(last['rest_s'], 's')} it is {say(last['recovered_percent'], 'percent')}, because "
            "the decks give their heat back slowly.",
            (
                f"Repeated for ever it is another matter: a 10 s burst then needs {say(ten['rest_s'], 's')} of rest each time "
                f"({say(ten['duty_percent'], 'percent')} of the time at 64 W), held by {ten['binds']}."
                if np.isfinite(float(ten["rest_s"]))
                else f"Repeated for ever it is another matter: no rest is long enough for a burst of 10 s, held by {ten['binds']}."
            ),
        ),
        lambda guess: study.plot(),
        study.table[["rest_s", "first_s", "second_s", "recovered_percent"]],
        {"second_s": float(row["second_s"])},
    )  # fmt: skip


def _at_its_limit() -> Answer:
    import pandas as pd

    from thermnet.show.lesson_figures import sweep_figure

    design, rows = machine(), []
    for ratio in RATIOS:
        run = design.replace(**{"modes.desk.chips.cpu.burst_limit": 28.0 * ratio}).simulate(
            120.0, "desk", duration=600.0
        )
        work, die = run.channel("work", "cpu"), run.temperature("cpu.hot_spot")
        limited = run.residency()["cpu"].get("junction", 0.0) * float(run.time[-1])
        early = float(np.interp(3.0, run.time, work))
        rows.append((ratio, 28.0 * ratio, limited, float(die.max()), early, float(work[-1]), float(die[-1])))
    table = pd.DataFrame(
        rows,
        columns=[
            "burst_over_sustained",
            "burst_limit_W",
            "at_limit_s",
            "peak_degC",
            "work_3_s_s",
            "work_600_s_s",
            "end_degC",
        ],
    )
    first, last = table.iloc[0], table.iloc[-1]
    limit = next(limit.value for limit in run.limits if limit.name == "cpu.junction")
    gain = 100.0 * (float(last["work_3_s_s"]) / float(first["work_3_s_s"]) - 1.0)
    over = float(last["peak_degC"]) - float(limit)
    return Answer(
        float(last["at_limit_s"]),
        (
            f"The die stands at its limit for {say(last['at_limit_s'], 's')}; then the averaging governor takes over, and after ten "
            f"minutes it is at {say(last['end_degC'], 'degC')}, as it would be with a ratio of 1.3 ({say(first['end_degC'], 'degC')}).",
            f"What it buys is the first moment: in three seconds {say(gain, 'percent')} more work than with a ratio of 1.3 "
            f"({say(last['work_3_s_s'])} instead of {say(first['work_3_s_s'])} s of work at full frequency). Over ten minutes "
            f"the two differ by {say(100 * abs(last['work_600_s_s'] / first['work_600_s_s'] - 1), 'percent')}.",
            "A burst limit far above the sustained one is set in order to use the heat capacity above the die. The throttle "
            "that then holds the die at its limit is doing what it is for. "
            + (f"It overshoots by {say(over, 'K')} here, until the loop, ten steps a second, has caught it." if over > 0 else "")
            + "".join(f" The run also says: {text}." for _, text in run.events),
            "A fault looks different: the limit binds again and again, for minutes, at a power near the sustained one, and work is lost.",
        ),
        lambda guess: sweep_figure(
            list(RATIOS), {"at the limit": table["at_limit_s"].tolist()}, title="Time at the junction limit in ten minutes flat out",
            x_label="burst limit over sustained limit", y_label="time, s", marked=(4.0, float(last["at_limit_s"])), guess=guess,
        ),
        table,
        {"gain_percent": gain, "end_apart_K": abs(float(last["end_degC"] - first["end_degC"]))},
    )  # fmt: skip


HOW_LONG = Lesson(
    "how_long", "How long is 64 W?", "tern-14 in mode desk, room at 25 °C, rested at idle. 64 W are drawn and kept; the governor is off.",
    "After how many seconds is the first limit met?", "s", (1.0, 300.0),
    "Plate, pipes and fins hold some 30 J/K. How far may they rise, and how much of the 64 W is not yet carried away?", _how_long,
)  # fmt: skip
WARM_START = Lesson(
    "warm_start", "A warm start", "tern-14 in mode desk. The same 64 W, this time after an hour at 15 W.",
    "How many percent of the time from idle are left?", "percent", (0.0, 100.0),
    "Compare the start with the end: what part of the way from idle to the limit has 15 W used up already?", _warm_start,
)  # fmt: skip
RECOVERY = Lesson(
    "recovery", "Rest between bursts", "tern-14 in mode desk. 64 W are kept until the first limit, then the machine rests at idle for 30 s.",
    "The second burst lasts how many percent of the first?", "percent", (0.0, 100.0),
    "The stack's time constant is 30 to 60 s, but the fan keeps turning while it rests.", _recovery,
)  # fmt: skip
AT_ITS_LIMIT = Lesson(
    "at_its_limit", "A die at its limit: a fault?", "tern-14 in mode desk with a burst limit of four times its sustained limit "
    "(112 W over 28 W, averaged over 28 s), rested. A load that would take 120 W runs for ten minutes.",
    "For how many seconds is the die held at its junction limit?", "s", (0.0, 600.0),
    "How soon does 112 W bring the die to 95 °C, and how long until the running average has reached 28 W?", _at_its_limit,
    "Limits here are invented. A real die's limit is its maker's, and this is no advice to raise one.",
)  # fmt: skip
