"""The commands, and the studies on the command line."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from thermnet.cli.outputs import (
    bar_wanted,
    case_bar,
    case_text,
    check_json,
    is_silent,
    output_folder,
    print_json,
    run_json,
    run_text,
    write_all,
    write_or_print,
)
from thermnet.errors import ThermnetError

if TYPE_CHECKING:
    from thermnet.design.design import Design
    from thermnet.studies.study import Study

OK, NOT_HELD, BAD_INPUT, UNEXPECTED, STOPPED = 0, 1, 2, 3, 130
"""Exit codes."""


@dataclass(frozen=True)
class StudyCommand:
    """A study on the command line.

    Attributes
    ----------
    target : str
        Function of ``thermnet.studies``.
    options : tuple of str
        Names in :data:`OPTIONS`.
    arguments : callable
        Turns the parsed options (and the design) into keyword arguments of the function.
    columns : tuple of str, optional
        Columns of the table worth a terminal; all if empty.
    """

    target: str
    help: str
    options: tuple[str, ...]
    arguments: Callable[[argparse.Namespace, Design], dict[str, Any]]
    columns: tuple[str, ...] = ()
    further: tuple[str, ...] = ()
    """Further tables of the study worth a terminal."""
    several: bool = False
    """Whether the command takes several designs; the function then gets them as a mapping of name to design."""
    pair: bool = False
    """Whether the command takes two designs, the function's first two arguments."""


def _burst_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    starts = list(given.starts) if given.starts else ["idle", *_usual_starts(design, given.mode)]
    more = {"durations": given.durations} if given.durations else {}
    return {"start": starts[0], "other_starts": tuple(starts[1:]), "uncertainty": given.uncertainty, **more}


def _usual_starts(design: Design, mode: str) -> list[float]:
    """Half and all of the mode's sustained limit of the first chip, whole watts: worked a little, or hard."""
    chips = getattr(design.modes.get(mode), "chips", {})
    limits = [control.sustained_limit for control in chips.values()]
    return [float(round(share * limits[0])) for share in (0.5, 1.0)] if limits else []


def _time_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    more = {"duration": given.duration} if given.duration else {}
    return {"powers": given.powers, "starts": tuple(given.starts or ("idle",)), "uncertainty": given.uncertainty, **more}


def _compare_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    return {
        "family": given.family, "uncertainty": given.uncertainty, "noise": given.noise, "power": given.at_power, "costs": dict(given.costs or ()) or None,
        **({"durations": given.durations} if given.durations else {}),
    }  # fmt: skip


def _joint_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    return {"through": given.through, "power": given.chip_power}


def _tolerance_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    more = {"duration": given.duration} if given.duration else {}
    return {
        "workload": given.unit_load, "samples": given.samples, "seed": given.seed, "population": given.tolerances,
        "volume": given.volume, "steady": given.at_rest, "indices": given.indices, "traces": given.traces,
        "target_yield": given.target_yield, "store": given.store, "scheduler": given.scheduler, **more,
    }  # fmt: skip


def _plain_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    return {}


def _modes_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    loads = {"workloads": given.unit_loads} if given.unit_loads else {}
    return {
        "mode": given.modes, "ambient": given.ambients, "posture": given.postures, "margin": given.margin,
        "skins_judged_at": given.skins_judged_at, **loads,
    }  # fmt: skip


def _band_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    return {"uncertainty": given.uncertainty}


def _recovery_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    more = {key: value for key, value in (("rests", given.rests), ("durations", given.durations)) if value}
    return {"power": given.burst_power, **more}


def _frontier_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    return {"durations": given.durations or (), "chips": given.chips}


def _changed_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    return {"power": given.at_power, **({"duration": given.duration} if given.duration else {})}


def _estimator_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    load = {} if given.trial is None else {"workload": given.trial}
    more = {"duration": given.duration} if given.duration else {}
    return {"order": given.order, "error": given.error, "period": given.period, **load, **more}


def _interface_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    more = {"materials": given.materials} if given.materials else {}
    return {"joint": given.through, "loads": given.clamp_loads, "burst": given.burst_power, "start": given.start,
            "barrier": True if given.barrier else None, **more}  # fmt: skip


def _claim_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    return {
        "changes": dict(given.changes or ()), "before": given.before, "workload": given.unit_load,
        "duration": given.duration, "start": given.start, "claimed": given.claimed, "reading": given.reading,
    }  # fmt: skip


def _limited_arguments(given: argparse.Namespace, design: Design) -> dict[str, Any]:
    return {"log": given.limit_log, "workload": given.trace_load, "duration": given.duration, "start": given.start}


STUDIES = {
    "burst": StudyCommand(
        "burst_budget", "how many watts for how long, and which limit binds",
        ("mode", "ambient", "starts", "durations", "load", "uncertainty"), _burst_arguments,
    ),
    "time-to-limit": StudyCommand(
        "time_to_limit", "how long a power lasts before the first limit",
        ("mode", "ambient", "starts", "powers", "duration", "uncertainty"), _time_arguments,
        ("start", "power_W", "time_s", "time_p05_s", "time_p95_s", "binds"),
    ),
    "compare": StudyCommand(
        "compare", "designs, or the cooling stacks of one machine, side by side",
        ("mode", "ambient", "family", "noise", "at_power", "durations", "costs", "uncertainty"), _compare_arguments,
        ("design", "sustained_W", "sustained_p05_W", "sustained_p95_W", "held_by", "power_10_s_W", "power_60_s_W", "noise_dBA", "junction_degC",
         "skin_degC", "dry_out_margin_W", "mass_g", "height_mm", "cost"),
        further=("in words", "told apart"), several=True,
    ),
    "joint": StudyCommand(
        "joint", "where a joint presses, where it is thick, and what its faults cost",
        ("mode", "ambient", "through", "chip_power"), _joint_arguments,
    ),
    "interface-choice": StudyCommand(
        "interface_choice", "interface materials in one joint: first second, burst, sustained, risks",
        ("mode", "ambient", "materials", "through", "clamp_loads", "barrier", "burst_power", "start"), _interface_arguments,
        ("material", "clamp_load", "age", "joint_K_mm2_per_W", "rise_1_s_K", "cooler_1_s_K", "burst_s", "held_W",
         "sustained_W", "sustained_held_by"),
        further=("risks",),
    ),
    "undervolt-or-repaste": StudyCommand(
        "undervolt_or_repaste", "what made a die cooler, change by change, and what it was worth in work",
        ("mode", "ambient", "changes", "before", "unit_load", "duration", "start", "claimed", "reading"), _claim_arguments,
        further=("changed", "claim"),
    ),
    "thermally-limited": StudyCommand(
        "thermally_limited", "which limit binds over time, and what a better interface would buy",
        ("mode", "ambient", "limit_log", "trace_load", "duration", "start"), _limited_arguments, further=("longest", "gain"),
    ),
    "tolerance": StudyCommand(
        "tolerance", "every unit off the line: spread, yield, capability, what to control",
        ("mode", "ambient", "unit_load", "duration", "at_rest", "samples", "seed", "tolerances", "volume", "target_yield",
         "indices", "traces", "store", "scheduler"),
        _tolerance_arguments,
        ("output", "nominal", "sd", "p05", "p95", "low_corner", "high_corner", "yield_percent", "ppk", "fail_low_ppm",
         "fail_high_ppm"), further=("how to control it", "inputs", "indices"),
    ),
    "sustained": StudyCommand(
        "sustained_power", "how many watts for ever, and which limit binds", ("mode", "ambient", "uncertainty"), _band_arguments,
        ("mode", "ambient_degC", "power_W", "power_p05_W", "power_p95_W", "binds", "next_limit", "next_power_W", "fan_rpm", "noise_dBA"),
    ),
    "modes": StudyCommand(
        "modes_table", "limits, averaging time and fan table of every mode, searched for one design or a fleet",
        ("modes", "ambients", "postures", "unit_loads", "margin", "skins_judged_at"), _modes_arguments,
        ("design", "mode", "ambient_degC", "posture", "sustained_limit_W", "held_by", "burst_limit_W", "averaging_time_s",
         "noise_dBA", "fan_table", "mean_power_W", "remark"), several=True,
    ),
    "noise": StudyCommand(
        "noise_frontier", "sustained watts and work against noise", ("mode", "ambient", "uncertainty"), _band_arguments,
    ),
    "ledger": StudyCommand(
        "kelvin_ledger", "where the kelvins go from the hot spot to the room", ("mode", "ambient", "ledger_power"),
        lambda given, design: {"power": given.ledger_power},
        ("element", "from_node", "to_node", "from_degC", "drop_K", "share_percent", "heat_W"),
    ),
    "next-watt": StudyCommand(
        "next_watt", "watts per practical step of every parameter", ("mode", "ambient"), _plain_arguments,
        ("parameter", "value", "step", "sustained_W_per_step", "burst_W_per_step", "skin_K_per_step", "move"),
    ),
    "ageing": StudyCommand(
        "ageing", "power at constant noise against dust, interface ageing and fan wear", ("mode", "ambient"), _plain_arguments,
    ),
    "recovery": StudyCommand(
        "recovery", "how soon and how often a burst can be repeated",
        ("mode", "ambient", "burst_power", "rests", "durations"), _recovery_arguments, further=("repetition",),
    ),
    "chip-frontier": StudyCommand(
        "chip_frontier", "combined power of two chips at constant limits", ("mode", "ambient", "chips", "durations"),
        _frontier_arguments,
    ),
    "what-changed": StudyCommand(
        "what_changed", "what differs between two designs, and what each change did",
        ("mode", "ambient", "at_power", "duration"), _changed_arguments,
        ("key", "before", "after", "sustained_W_part", "burst_W_part", "junction_K_part", "skin_K_part"),
        further=("totals",), pair=True,
    ),
    "skin-estimator": StudyCommand(
        "skin_estimator", "few states that follow the skin, for firmware, tried on a load",
        ("mode", "ambient", "order", "error", "period", "trial", "duration"), _estimator_arguments,
    ),
}  # fmt: skip
"""Studies by command.  A new study is one entry here."""


def run_study(given: argparse.Namespace) -> int:
    """Run one of :data:`STUDIES`."""
    from thermnet import studies
    from thermnet.show.text import study_text

    command = STUDIES[given.command]
    designs = open_designs(given.design if command.several or command.pair else [given.design])
    design = next(iter(designs.values()))
    folder = output_folder(given.out)
    check_json(given)
    first = tuple(designs.values()) if command.pair else (designs if command.several else design,)
    common = {name: getattr(given, name) for name in ("mode", "ambient") if hasattr(given, name)}
    study: Study = getattr(studies, command.target)(
        *first, **common, progress=bar_wanted(given), **command.arguments(given, design)
    )
    runs = []
    if getattr(given, "load", None) is not None:
        # The budget is of constant powers; with a load its simulation stands beside it.
        runs.append(
            design.simulate(
                given.load,
                given.mode,
                given.ambient,
                start=(given.starts or ["idle"])[0],
                progress=bar_wanted(given),
            )
        )
    print_json(given, study.to_json)
    if not is_silent(given):
        print(study_text(study, columns=command.columns or None, further=command.further))
        for run in runs:
            print("\n" + run_text(run))
    if folder is not None:
        report = write_all(folder, [study], runs, design, given)
        if not is_silent(given):
            print(f"\nReport: {report}")
    return OK


def run_simulate(given: argparse.Namespace) -> int:
    """Simulate a load and tell what happened."""
    design = open_design(given.design)
    folder = output_folder(given.out)
    check_json(given)
    asked = "compile" if given.load is None else given.load
    run = design.simulate(
        asked, given.mode, given.ambient, given.duration, given.start, progress=bar_wanted(given)
    )
    print_json(given, lambda: run_json(run))
    if not is_silent(given):
        print(run_text(run))
    if folder is not None:
        report = write_all(folder, [], [run], design, given)
        if not is_silent(given):
            print(f"\nReport: {report}")
    return OK


def run_capability(given: argparse.Namespace) -> int:
    """Tell the capability of a process from a file of measured values."""
    from thermnet import studies
    from thermnet.show.text import study_text

    folder = output_folder(given.out)
    check_json(given)
    study = studies.factory_capability(
        given.data, given.lower, given.upper, given.target, column=given.column, gauge=given.gauge, required=given.required,
        volume=given.volume,
    )  # fmt: skip
    print_json(given, study.to_json)
    if not is_silent(given):
        print(study_text(study, further=("gauge",)))
    if folder is not None:
        report = write_all(folder, [study], [], None, given)
        if not is_silent(given):
            print(f"\nReport: {report}")
    return OK


def run_hand_over(given: argparse.Namespace) -> int:
    """Write linear model and netlist of a design into a folder."""
    from thermnet.cli.outputs import KEPT
    from thermnet.studies.hand_over import linear_model, netlist

    design = open_design(given.design)
    folder = output_folder(given.out)
    assert folder is not None  # the parser asks for it
    model = linear_model(design, given.mode, given.ambient, given.at_power)
    KEPT.paths.append(model.save(folder / "linear_model.npz"))
    KEPT.paths += model.to_csv(folder)
    circuit = folder / "network.cir"
    text = netlist(design, given.at_power, given.duration or 600.0, mode=given.mode, ambient=given.ambient)
    circuit.write_text(text, encoding="ascii")
    KEPT.paths.append(circuit)
    if not given.quiet:
        print(f"{model}\n" + "\n".join(f"  {path}" for path in KEPT.paths))
    return OK


def run_check(given: argparse.Namespace) -> int:
    """Validate design files; every problem of every file is told."""
    bad = 0
    for name in given.files:
        try:
            design = open_design(name)
        except ThermnetError as error:
            bad += 1
            print(error, file=sys.stderr)
            continue
        if not given.quiet:
            modes = ", ".join(design.modes) or "none"
            size = f"{len(design.parts)} parts, {len(design.joints)} joints"
            print(f"{name}: good ({design.name}: {size}; modes {modes})")
    return BAD_INPUT if bad else OK


def run_verify(given: argparse.Namespace) -> int:
    """Run the reference cases; exit code 0 only when all hold."""
    import json

    from thermnet.errors import DesignError, Problem
    from thermnet.studies.json_form import plain
    from thermnet.verify import load_cases, verify

    check_json(given)
    cases = [case for case in load_cases(given.folder) if given.only in case.name]
    if not cases:
        raise DesignError("verify", [Problem("--only", repr(given.only), "a part of the name of a case")])
    table = verify(cases=cases, progress=case_bar(given, len(cases)))
    records = [{str(key): value for key, value in row.items()} for row in table.to_dict("records")]
    if given.json:
        text = json.dumps({"schema": "thermnet-verify/1", "cases": [plain(row) for row in records]}, indent=2)
        write_or_print(given.json, text)
    if given.json != "-":
        for row in records:
            if not given.quiet or not row["holds"]:
                print(case_text(row))
        failed = int((~table["holds"]).sum())
        print(f"{len(table)} reference cases: " + ("all hold" if not failed else f"{failed} do not hold"))
    return OK if bool(table["holds"].all()) else NOT_HELD


def run_designs(given: argparse.Namespace) -> int:
    """List the packaged designs."""
    from thermnet.design.load import list_designs, load_design

    for name in list_designs():
        print(f"{name}: {load_design(name).title}")
    return OK


def run_schema(given: argparse.Namespace) -> int:
    """Print the JSON schema of design files."""
    import json

    from thermnet.design.json_schema import design_schema

    print(json.dumps(design_schema(), indent=2, ensure_ascii=False))
    return OK


def open_designs(names: Sequence[str]) -> dict[str, Design]:
    """Load designs by name or path: label to design, labels told apart."""
    found: dict[str, Design] = {}
    for name in names:
        design = open_design(name)
        label, count = design.name, 1
        while label in found:
            count += 1
            label = f"{design.name} ({count})"
        found[label] = design
    return found


def open_design(name: str) -> Design:
    """Load a design by name or path."""
    from thermnet.design.load import load_design

    return load_design(name)
