"""Lessons about fans, stacks and surroundings: noise, pipes or chamber, a warm room, a lap."""

from __future__ import annotations

from typing import Any

from thermnet.lessons.heat_path_lessons import machine
from thermnet.lessons.lesson import SAFETY, Answer, Lesson, say


def _three_decibels() -> Answer:
    from thermnet.studies.noise_frontier import noise_frontier

    study = noise_frontier(machine(), "desk")
    quieter = study.tables["quieter"]
    rows = quieter[quieter["mode"] == "desk"].reset_index(drop=True)
    three, six = rows.iloc[0], rows.iloc[1]
    flow = 100.0 * (1.0 - 10.0 ** (-3.0 / 55.0))
    return Answer(
        float(three["cost_percent"]),
        (
            f"From {say(three['from_dBA'], 'dBA')} to {say(three['to_dBA'], 'dBA')} the sustained power falls from "
            f"{say(three['from_W'], 'W')} to {say(three['to_W'], 'W')}: {say(three['cost_percent'], 'percent')}, held by {three['binds']}.",
            f"With 55 dB per tenfold speed, 3 dB are {say(flow, 'percent')} of speed and so of flow. Less is lost than that, because air "
            "is only a part of the way out, and because the skins carry some of the heat by themselves.",
            f"6 dB cost {say(six['cost_percent'], 'percent')}, {'more' if six['cost_W'] > 2 * three['cost_W'] else 'not more'} "
            f"than twice as much, and are held by {six['binds']}.",
        ),
        lambda guess: study.plot(),
        rows[["change", "from_dBA", "to_dBA", "from_W", "to_W", "cost_percent", "binds"]],
        {"six_percent": float(six["cost_percent"]), "flow_percent": flow},
    )


def _pipes_or_chamber() -> Answer:
    from thermnet.design.stack_variants import with_chamber
    from thermnet.studies.compare import compare

    pipes = machine()
    chamber = with_chamber(pipes, 1e-3)
    study = compare({"two pipes": pipes, "chamber": chamber}, "desk", power=28.0)
    old, new = study.table.iloc[0], study.table.iloc[1]
    minute = 100.0 * (float(new["power_60_s_W"]) / float(old["power_60_s_W"]) - 1.0)
    ever = 100.0 * (float(new["sustained_W"]) / float(old["sustained_W"]) - 1.0)
    return Answer(
        minute,
        (
            f"For one minute the chamber holds {say(new['power_60_s_W'], 'W')}, the pipes {say(old['power_60_s_W'], 'W')}: "
            f"{say(minute, 'percent')} more.",
            f"For ever it is {say(new['sustained_W'], 'W')} against {say(old['sustained_W'], 'W')} ({ever:+.2g} %), held by "
            f"{new['held_by']} and {old['held_by']}. Spreading rules bursts; in the steady state the same fan carries the same heat away, and "
            "what is left to the spreader is how near it brings each limit.",
            f"At 28 W the chamber's junction is at {say(new['junction_degC'], 'degC')}, the pipes' at "
            f"{say(old['junction_degC'], 'degC')}; the stacks weigh {say(new['mass_g'], 'g')} and {say(old['mass_g'], 'g')}.",
        ),
        lambda guess: study.plot(),
        study.table[["design", "power_10_s_W", "power_60_s_W", "sustained_W", "held_by", "junction_degC", "mass_g", "height_mm"]],
        {"ever_percent": ever},
    )  # fmt: skip


def _warm_room() -> Answer:
    from thermnet.show.lesson_figures import sweep_figure
    from thermnet.studies.sustained_power import sustained_power

    rooms = (20.0, 25.0, 30.0, 35.0)
    fixed = sustained_power(machine(), "desk", rooms).table
    moving = sustained_power(machine(), "desk", rooms, skins_judged_at=25.0).table
    power = dict(zip(rooms, fixed["power_W"].astype(float), strict=True))
    value = power[35.0]
    with_room = float(moving["power_W"].iloc[3])
    limits = {limit.name: limit.value for limit in machine().simulate(28.0, "desk", duration=0.2).limits}
    return Answer(
        value,
        (
            f"At 35 °C {say(value, 'W')} are left of {say(power[25.0], 'W')}: {say(100 * (1 - value / power[25.0]), 'percent')} is lost, and what "
            f"binds is {fixed['binds'].iloc[3]} instead of {fixed['binds'].iloc[1]}.",
            f"The junction has {say(limits['cpu.junction'] - 25.0, 'K')} above a room of 25 °C and loses ten of them; {fixed['binds'].iloc[3]}, "
            f"with a limit of {say(limits[fixed['binds'].iloc[3]], 'degC')}, has {say(limits[fixed['binds'].iloc[3]] - 25.0, 'K')} and loses the same ten.",
            f"That is why skin limits are often given as a rise, or judged at 25 °C: if they moved with the room, {say(with_room, 'W')} "
            "would be left. Which of the two applies is for the standard and the safety laboratory to say.",
        ),
        lambda guess: sweep_figure(
            list(rooms), {"skin limits fixed": list(power.values()), "skin limits move": moving["power_W"].tolist()},
            title="Sustained power against room temperature", x_label="room, °C", y_label="power, W", marked=(35.0, value), guess=guess,
        ),
        fixed[["ambient_degC", "power_W", "binds", "next_limit", "next_power_W"]],
        {"moving_W": with_room, "at_25_W": power[25.0]},
    )  # fmt: skip


def _lap() -> Answer:
    import pandas as pd

    from thermnet.show.lesson_figures import sweep_figure

    postures, minutes = ("desk", "lap", "bed", "stand"), (5.0, 10.0, 20.0, 40.0, 60.0)
    rows, over_time = [], {}
    for posture in postures:
        run = machine().replace(posture=posture).simulate(15.0, "lap", duration=3600.0, every=10)
        zone = run.temperature("bottom.hot_zone")
        over_time[posture] = [float(zone[(run.time <= 60.0 * m + 1e-6)][-1]) for m in minutes]
        die = float(run.temperature("cpu.hot_spot")[-1])
        rows.append((posture, float(zone[-1]), die, float(run.channel("fan_speed", "fan")[-1])))
    table = pd.DataFrame(rows, columns=["posture", "bottom_degC", "die_degC", "fan_rpm"])
    by: Any = table.set_index("posture")
    value = float(by.loc["lap", "bottom_degC"] - by.loc["desk", "bottom_degC"])
    die = float(by.loc["lap", "die_degC"] - by.loc["desk", "die_degC"])
    early = {posture: zones[-1] - zones[1] for posture, zones in over_time.items()}
    return Answer(
        value,
        (
            f"On the lap the hot zone ends at {say(by.loc['lap', 'bottom_degC'], 'degC')}, on the desk at "
            f"{say(by.loc['desk', 'bottom_degC'], 'degC')}: {say(value, 'K')} more. A lap is warm itself and takes away the air below.",
            f"The die differs by {say(die, 'K')} only, so a sensor on the die hardly sees a lap.",
            f"A soft bed that covers the inlet is worse: {say(by.loc['bed', 'bottom_degC'], 'degC')} and a die of "
            f"{say(by.loc['bed', 'die_degC'], 'degC')}. After ten minutes {say(early['bed'], 'K')} of that are still to come, on the lap "
            f"{say(early['lap'], 'K')}: a short test flatters a machine that is used for an hour.",
        ),
        lambda guess: sweep_figure(
            list(minutes), over_time, title="Hot zone of the bottom at 15 W", x_label="time, min", y_label="temperature, °C",
            marked=(60.0, float(by.loc["lap", "bottom_degC"])), from_zero=False,
            guess=None if guess is None else guess + float(by.loc["desk", "bottom_degC"]),
        ),
        table,
        {"die_K": die, "early_bed_K": early["bed"]},
    )  # fmt: skip


THREE_DECIBELS = Lesson(
    "three_decibels", "Three decibels quieter", "tern-14 in mode desk, room at 25 °C. The noise cap of 36 dBA is lowered by 3 dB. Noise grows "
    "with 55 dB for a tenfold fan speed.",
    "How many percent of the sustained power does it cost?", "percent", (0.0, 50.0),
    "What is 3 dB in fan speed, that is in flow? What share of the kelvins is air's?", _three_decibels,
)  # fmt: skip
PIPES_OR_CHAMBER = Lesson(
    "pipes_or_chamber", "Pipes or chamber", "tern-14 in mode desk. A 1 mm vapor chamber takes the place of the cold plate and its two 6 mm pipes; fan "
    "and fins stay.",
    "How many percent more power can it hold for one minute?", "percent", (-50.0, 100.0),
    "A chamber spreads better; a minute is about the time constant of the stack.", _pipes_or_chamber,
    "Limits of pipes and chambers are computed from illustrative constructions; your supplier's measured values replace them.",
)  # fmt: skip
WARM_ROOM = Lesson(
    "warm_room", "A room ten kelvins warmer", "tern-14 in mode desk. It sustains about 41 W in a room of 25 °C; its skin limits are fixed, 40 to 43 °C. The "
    "room is now at 35 °C.",
    "How many watts are left?", "W", (0.0, 60.0),
    "How many kelvins are there between the room and each limit, before and after?", _warm_room, SAFETY,
)  # fmt: skip
LAP = Lesson(
    "lap", "On the lap", "tern-14 in mode lap, 15 W for an hour, once on a desk and once on a lap with its vents free.",
    "How many kelvins hotter is the hot zone of the bottom on the lap?", "K", (0.0, 25.0),
    "A lap starts near body temperature and insulates: the bottom gives no heat to the air any more.", _lap,
    SAFETY + " People with reduced feeling in the legs are at risk at temperatures that others find only warm.",
)  # fmt: skip
