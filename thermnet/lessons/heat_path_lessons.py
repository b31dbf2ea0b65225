"""Lessons along the way of the heat: kelvins from die to room, the interface, dust."""

from __future__ import annotations

from typing import Any

from thermnet.design.design import Design
from thermnet.design.load import load_design
from thermnet.lessons.lesson import Answer, Lesson, say
from thermnet.run import Run


def machine() -> Design:
    """The invented 14-inch machine of the lessons."""
    return load_design("tern-14")


def _kelvins() -> Answer:
    from thermnet.studies.kelvin_ledger import kelvin_ledger

    study = kelvin_ledger(machine(), "desk", 25.0, 28.0)
    rise, speed = float(_number(study.facts["above the room"])), float(_number(study.facts["fan speed"]))
    drops = study.table.sort_values("drop_K", ascending=False)
    first, second = (str(drops["element"].iloc[k]) for k in (0, 1))
    air = study.table["element"].str.contains("air")
    by_air = float(study.table.loc[air, "drop_K"].sum())
    interface = float(study.table.loc[study.table["element"] == "interface", "drop_K"].sum())
    return Answer(
        rise,
        (
            f"The hot spot stands {say(rise, 'K')} above the room, with the fan where its table settles it, at {say(speed, 'rpm')}. "
            f"That is {say(rise / 28.0)} K for each watt.",
            f"Air takes {say(by_air, 'K')} of it ({say(100 * by_air / rise)} %): warming up on its way through, and getting heat "
            f"off the fins. The two largest elements are {first} ({say(drops['drop_K'].iloc[0], 'K')}) and {second} "
            f"({say(drops['drop_K'].iloc[1], 'K')}).",
            f"The interface, of which people speak most, takes {say(interface, 'K')} in this steady state.",
        ),
        lambda guess: study.plot(),
        study.table[["element", "drop_K", "share_percent", "heat_W"]],
        {"air_K": by_air, "interface_K": interface},
    )


def _local_flux() -> Answer:
    import pandas as pd

    design = machine().replace(**{"modes.desk.chips.cpu.sustained_limit": "64 W"})
    run = design.simulate(64.0, "desk", duration=12.0)
    row = _interface_row(design, run, 10.0)
    busy = design.replace(**{"cpu.hot_spot_share": 0.8})
    one_core = float(_interface_row(busy, busy.simulate(64.0, "desk", duration=12.0), 10.0)["drop_K"])
    drop = float(row["drop_K"])
    joint = design.parts["interface"]
    die = design.parts["cpu"]
    through = float(row["heat_W"])
    area, spot = float(die.area) * 1e6, float(die.hot_spot_area) * 1e6  # type: ignore[attr-defined]
    resistance = float(row["resistance_K_per_W"]) * spot
    mean = 64.0 / area * resistance
    table = pd.DataFrame(
        {
            "where": ["whole die", "hot spot"], "heat_W": [64.0, through], "area_mm2": [area, spot],
            "drop_K": [mean, drop], "flux_W_per_mm2": [64.0 / area, through / spot],
        }
    )  # fmt: skip
    from thermnet.show.lesson_figures import sweep_figure

    times = [0.1, 0.3, 1.0, 3.0, 10.0]
    drops = [float(_interface_row(design, run, time)["drop_K"]) for time in times]
    return Answer(
        drop,
        (
            f"The mean heat flux is 64 W / {say(area)} mm² = {say(64 / area)} W/mm². Times the joint's area resistance of "
            f"{say(resistance)} K mm²/W that gives {say(mean, 'K')}, which is what a model with one die node would tell.",
            f"Half of the power is made in {say(spot)} mm². Ten seconds into the burst {say(through, 'W')} of it go straight down, the "
            f"rest sideways through the silicon: {say(through / spot)} W/mm², and a drop of {say(drop, 'K')}, {say(drop / mean)} times the mean.",
            f"With one busy core (80 % of the power in the hot spot) the drop would be {say(one_core, 'K')}, {say(one_core / mean)} times.",
            f"Interface quality ({joint.material}, {say(1e6 * float(joint.bond_line))} µm) "  # type: ignore[attr-defined]
            "therefore counts by what the hot spot sees, not by the mean.",
        ),
        lambda guess: sweep_figure(
            times, {"hot spot": drops, "mean flux": [mean] * len(times)}, title="Temperature drop across the interface, 64 W", log=True,
            x_label="time in the burst, s (logarithmic)", y_label="drop, K", marked=(10.0, drop), guess=guess,
        ),
        table,
        {"mean_K": mean, "one_core_K": one_core},
    )  # fmt: skip


def _interface_row(design: Design, run: Run, time: float) -> Any:
    from thermnet.studies.kelvin_ledger import kelvin_ledger

    rows = kelvin_ledger(design, "desk", at=(run, time)).table
    return rows[rows["element"] == "interface"].iloc[0]


def _interface() -> Answer:
    from thermnet.studies.interface_choice import interface_choice

    study = interface_choice(machine(), "desk", materials=("grease", "phase_change"), burst=64.0)
    table = study.table
    drawn = table.iloc[0]
    film = table[
        (table["material"] == "phase_change") & (table["clamp_load"] == "low") & (table["age"] == "new")
    ].iloc[0]
    worn = table[
        (table["material"] == "grease") & (table["clamp_load"] == "low") & (table["age"] == "end of life")
    ].iloc[0]
    longer = 100.0 * (float(film["burst_s"]) / float(drawn["burst_s"]) - 1.0)
    more = 100.0 * (float(film["sustained_W"]) / float(drawn["sustained_W"]) - 1.0)
    return Answer(
        more,
        (
            f"Sustained power goes from {say(drawn['sustained_W'], 'W')} to {say(film['sustained_W'], 'W')}: {say(more, 'percent')} more.",
            f"In the first second of a 64 W burst the same film is worth {say(film['cooler_1_s_K'], 'K')}, and the burst lasts "
            f"{say(film['burst_s'], 's')} instead of {say(drawn['burst_s'], 's')}: {say(abs(longer), 'percent')} "
            f"{'longer' if longer >= 0 else 'shorter'}. Who wins depends on "
            "the clock: the interface rules the first second, the fan the steady state.",
            f"Grease at the end of its life (low clamp load) costs {say(-worn['cooler_1_s_K'], 'K')} in the first second and "
            f"{say(float(drawn['sustained_W']) - float(worn['sustained_W']), 'W')} for ever.",
        ),
        lambda guess: study.plot("sustained_power"),
        table[
            ["material", "clamp_load", "age", "joint_K_mm2_per_W", "cooler_1_s_K", "burst_s", "sustained_W"]
        ],
        {"longer_percent": longer, "cooler_1_s_K": float(film["cooler_1_s_K"])},
    )


FAULTS: dict[str, dict[str, Any]] = {
    "as new": {},
    "dust in the fins": {"fins.blocked": 0.4},
    "pumped-out grease": {"interface.ageing": 1.0},
    "worn fan": {"fan.wear": 0.8},
    "gap closed to the skin": {"gap_below.gap": "0.6 mm"},
    "pipes past their limit": {"pipes.heat_limit": "4 W"},
}
"""Faults a unit may come back with, as changes to the design (sizes illustrative)."""


def _bad_unit() -> Answer:
    import pandas as pd

    from thermnet.show.lesson_figures import sweep_figure

    rows = []
    for name, change in FAULTS.items():
        run = machine().replace(**change).simulate(28.0, "desk", duration=3600.0, every=20)
        ends = {
            n: float(run.temperature(n)[-1])
            for n in ("cpu.hot_spot", "plate.core", "fins.base", "bottom.hot_zone")
        }
        rows.append((name, *ends.values(), float(run.channel("fan_speed", "fan")[-1])))
    table = pd.DataFrame(
        rows, columns=["unit", "die_degC", "plate_degC", "fins_degC", "bottom_degC", "fan_rpm"]
    )
    by: Any = table.set_index("unit")
    change = by - by.loc["as new"]
    dusty, greasy = change.loc["dust in the fins"], change.loc["pumped-out grease"]
    powers = [14.0, 21.0, 28.0]
    settled = {
        name: [_settled(machine().replace(**FAULTS[name]), power) for power in powers]
        for name in ("as new", "dust in the fins", "pumped-out grease")
    }
    rises = {
        name: [die - cool for (die, _), (cool, _) in zip(ends, settled["as new"], strict=True)]
        for name, ends in settled.items()
        if FAULTS[name]
    }
    new_fan, greasy_fan = settled["as new"][0][1], settled["pumped-out grease"][0][1]
    dry, closed = change.loc["pipes past their limit"], change.loc["gap closed to the skin"]
    value = float(dusty["die_degC"])
    return Answer(
        value,
        (
            f"Dust makes the die {say(value, 'K')} hotter, and with it everything downstream: the fins rise by "
            f"{say(dusty['fins_degC'], 'K')}, and the fan answers with {say(dusty['fan_rpm'], 'rpm')} more.",
            f"Pumped-out grease looks different: the die is {say(greasy['die_degC'], 'K')} hotter, while the fins change by only "
            f"{say(greasy['fins_degC'], 'K')}. The heat is the same, so what lies behind the joint does not notice.",
            f"The fan table blurs the picture: at 14 W the die with pumped-out grease differs by {say(rises['pumped-out grease'][0], 'K')}, "
            f"with the fan at {say(greasy_fan, 'rpm')} instead of {say(new_fan, 'rpm')}. Compare at equal fan speed, or read the speed along.",
            "So read the fault from the pattern, not from the die alone: everything up is dust or a worn fan; die up and plate not is "
            f"the interface; plate up and fins down ({say(dry['plate_degC'], 'K')} and {say(dry['fins_degC'], 'K')}) is pipes past their "
            f"limit; the bottom up by {say(closed['bottom_degC'], 'K')} and the die by {say(closed['die_degC'], 'K')} is a gap that has closed.",
        ),
        lambda guess: sweep_figure(
            powers, rises, title="Die hotter than as new, steady, mode desk", x_label="chip power, W", y_label="hotter by, K",
            marked=(28.0, value), guess=guess, from_zero=False,
        ),
        table,
        {"fins_dust_K": float(dusty["fins_degC"]), "fins_grease_K": float(greasy["fins_degC"]), "die_grease_K": float(greasy["die_degC"])},
    )  # fmt: skip


def _settled(design: Design, power: float) -> tuple[float, float]:
    """Die temperature (degC) and fan speed (rpm) after an hour."""
    run = design.simulate(power, "desk", duration=3600.0, every=100)
    return float(run.temperature("cpu.hot_spot")[-1]), float(run.channel("fan_speed", "fan")[-1])


def _number(fact: Any) -> float:
    return float(fact[0])


KELVINS = Lesson(
    "kelvins", "A budget of kelvins", "tern-14 in mode desk, room at 25 °C, 28 W on the chip for ever.",
    "How many kelvins does the hot spot stand above the room?", "K", (10.0, 120.0),
    "A thin 14-inch machine has between 1.4 (loud) and 2 K/W (quiet) from junction to air.", _kelvins,
)  # fmt: skip
LOCAL_FLUX = Lesson(
    "local_flux", "Mean flux or hot spot", "tern-14, 10 s into a burst of 64 W. The die has 150 mm², half of the power is made in a "
    "hot spot of 36 mm², and the joint has 9.4 K mm²/W.",
    "How many kelvins drop across the interface below the hot spot?", "K", (0.0, 40.0),
    "Heat flux times area resistance: first with the mean flux, then ask what leaves sideways through the silicon.", _local_flux,
)  # fmt: skip
INTERFACE = Lesson(
    "interface", "A better interface, for ever", "tern-14 in mode desk. Its grease gives way to a new phase-change film at low clamp load.",
    "How many percent more power can it sustain?", "percent", (0.0, 50.0),
    "What share of all the kelvins from die to room does the joint take?", _interface,
)  # fmt: skip
BAD_UNIT = Lesson(
    "bad_unit", "Find the bad unit", "tern-14 in mode desk, 28 W for an hour. Dust has closed 40 % of the fin channels; the fan table acts.",
    "How many kelvins hotter than a new unit is the die?", "K", (0.0, 40.0),
    "Air takes more than half of the kelvins, and less flow warms more; but the fan may speed up until its noise cap.", _bad_unit,
)  # fmt: skip
