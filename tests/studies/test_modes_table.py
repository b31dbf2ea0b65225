"""Modes found by search: against a dense grid, with every margin kept, written, read back and used."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from thermnet import studies
from thermnet.cli import main
from thermnet.design.load import load_design
from thermnet.errors import DesignError
from thermnet.firmware.library import as_workload
from thermnet.solve.pack import mode_of
from thermnet.studies.governed_loads import GovernedLoads, Limits
from thermnet.studies.modes_table import search
from thermnet.studies.steady_level import Margins
from thermnet.studies.study import Study

MARGIN = 2.0


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def study(tern):
    return studies.modes_table(tern, ["library", "desk"], margin=MARGIN, duration=300.0)


@pytest.mark.slow
def test_beats_a_dense_grid_at_a_tenth_of_the_solves(tern):
    """All pairs of burst limit and averaging time, each proven and tried on the loads in the same closed loop."""
    margins = Margins(MARGIN, 0.1)
    loads = [as_workload(name, ["cpu"], tern.workloads) for name in ("compile", "render")]
    found = search(tern, "desk", 25.0, loads, margins, top=64.0, averaging=(2.0, 64.0), duration=120.0)
    assert found.settings is not None
    mode = dataclasses.replace(mode_of(tern.modes, "desk"), fans=dict(found.settings.fans))
    grid = GovernedLoads.of(tern.plant(25.0, mode.period), mode, loads, margins, {"cpu": 1.0}, 64.0, 120.0)
    best = 0.0
    for averaging in np.geomspace(2.0, 64.0, 24):
        for burst in np.arange(found.limits.sustained, 64.01, 0.5):
            limits = Limits(found.limits.sustained, float(burst), float(averaging))
            borne = grid.borne(limits)
            if grid.proven(limits)[0] <= 0.0 and max(over for _, over, _ in borne) <= 0.0:
                best = max(best, float(np.mean([power for power, *_ in borne])))
    assert float(np.mean(found.means)) >= best - 0.1
    assert best > 20.0
    assert found.solves <= 0.1 * grid.solves, (found.solves, grid.solves)


def test_sustained_limit_is_what_steady_states_allow(tern, study):
    """Half a watt more, held for ever at the cap, breaks the margin of the limit named."""
    from thermnet.studies.held_power import HeldPower

    for row in study.table.itertuples():
        held = HeldPower.of(tern, row.mode, None)
        fans = [round(row.fan_cap_rpm / held.plant.machine.fans[0].grid)]
        names = [limit.name for limit in held.limits]
        q = names.index(row.held_by)
        assert held.steady_excess(row.sustained_limit_W, fans)[q] <= -MARGIN + 1e-3
        assert held.steady_excess(row.sustained_limit_W + 0.5, fans)[q] > -MARGIN


@pytest.mark.parametrize("load", ["compile", "render", "game", "inference"])
@pytest.mark.parametrize("mode", ["library", "desk"])
def test_machine_with_the_modes_keeps_every_limit(tern, study, tmp_path, mode, load):
    """Written, read back, put into the design, simulated with the whole firmware: the margin is there."""
    csv, _ = studies.write_modes_table(study, tmp_path)
    machine = studies.with_modes(tern, studies.read_modes_table(csv))
    run = machine.simulate(load, mode=mode, duration=1800.0)
    margins = run.margins()
    kelvins = {limit.name for limit in run.limits if limit.node}
    worst = min((value, name) for name, value in margins.items() if name in kelvins)
    assert worst[0] >= MARGIN - 0.05, worst
    assert run.channel("noise").max() <= tern.modes[mode].noise_cap


def test_csv_and_json_come_back_as_written(study, tmp_path):
    csv, text = studies.write_modes_table(study, tmp_path)
    given = [repr(s) for s in studies.read_modes_table(study)]
    assert [repr(s) for s in studies.read_modes_table(csv)] == given
    assert [repr(s) for s in studies.read_modes_table(text)] == given
    assert json.loads(text.read_text())["schema"] == "thermnet-study/1"
    assert Study.from_json(text.read_text()).table.shape == study.table.shape


def test_more_noise_or_a_smaller_margin_gives_more(tern, study):
    table = study.table.set_index("mode")
    assert table.loc["desk", "sustained_limit_W"] > table.loc["library", "sustained_limit_W"] + 1.0
    tight = studies.modes_table(tern, "desk", margin=6.0, workloads=("compile",), duration=120.0)
    assert float(tight.table["sustained_limit_W"].iloc[0]) < table.loc["desk", "sustained_limit_W"] - 1.0


def test_a_fleet_from_the_shell(tmp_path):
    words = [
        "modes",
        "tern-14",
        "wren-13",
        "--mode",
        "desk",
        "--load",
        "compile",
        "--out",
        str(tmp_path),
        "--quiet",
    ]
    assert main(words) == 0
    settings = studies.read_modes_table(tmp_path / "modes_table_settings.csv")
    assert [s.design for s in settings] == ["tern-14", "wren-13"]
    for found in settings:
        design = load_design(found.design)
        own = studies.with_modes(design, settings)
        assert own.modes["desk"].chips["cpu"].sustained_limit == found.chips["cpu"].sustained
    assert (tmp_path / "report.html").is_file()
    assert (tmp_path / "modes_table_limits.svg").is_file()
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Fan tables of tern-14" in page


def test_settings_go_to_their_own_machine_only(tern, study):
    with pytest.raises(
        ValueError, match="no settings for wren-13 at 25 degC, desk; found tern-14 at 25 degC, desk"
    ):
        studies.with_modes(load_design("wren-13"), studies.read_modes_table(study))
    with pytest.raises(ValueError, match="no settings for tern-14 at 30 degC"):
        studies.with_modes(tern, studies.read_modes_table(study), ambient=30.0)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"margin": -1.0}, "expected 0 to 60 K"),
        ({"averaging": (0.0, 5.0)}, "expected a shortest and a longest time"),
        ({"highest_burst": 0.0}, "expected more than 0"),
        ({"duration": 1.0}, "expected at least 10"),
        ({"ambient": 45.0}, "below every temperature limit"),
        ({"workloads": ()}, "expected at least one"),
        ({"ambient": 39.9, "margin": 0.0}, "no power can be held"),
    ],
)
def test_impossible_requests_are_refused(tern, given, told):
    with pytest.raises(ValueError, match=told):
        studies.modes_table(tern, "desk", **given)


def test_noise_below_idle_is_refused():
    loud = load_design("tern-14").replace(**{"modes.workshop.noise_cap": 10.0})
    with pytest.raises(ValueError, match="noise cap 10 dBA; expected at least"):
        studies.modes_table(loud, "workshop")


def test_damaged_table_is_refused_row_by_row(study, tmp_path):
    csv, _ = studies.write_modes_table(study, tmp_path)
    lines = csv.read_text().splitlines()
    lines[1] = lines[1].replace("chip", "chop", 1)
    csv.write_text("\n".join(lines))
    with pytest.raises(DesignError, match="row 1, item"):
        studies.read_modes_table(csv)
