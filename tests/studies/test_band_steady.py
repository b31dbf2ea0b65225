"""Bands of steady answers: units are single machines, common parts move together, words, JSON and shell agree."""

from __future__ import annotations

import json

import numpy as np
import pytest

from thermnet import studies
from thermnet.cli import main
from thermnet.design.load import load_design
from thermnet.show.figures import figures_of
from thermnet.studies import band as bands
from thermnet.studies import steady_band
from thermnet.studies.side_by_side import Candidate, Conditions
from thermnet.studies.steady_level import Margins
from thermnet.studies.steady_machine import SteadyMachine
from thermnet.studies.study import Study
from thermnet.tolerance.population import declared_population


@pytest.fixture(scope="module")
def tern():
    return load_design("tern-14")


@pytest.fixture(scope="module")
def drawn(tern):
    return steady_band.Drawn.of(tern, 16)


def unit(tern, drawn, i):
    return tern.replace(**{key: float(values[i]) for key, values in drawn.parameters.items()})


def test_sustained_band_is_that_of_its_units(tern):
    study = studies.sustained_power(tern, "lap", posture=["desk", "lap"], margin=1.0, uncertainty=True)
    drawn = steady_band.Drawn.of(tern)
    for posture, row in zip(("desk", "lap"), study.table.to_dict("records"), strict=True):
        held = [
            SteadyMachine(unit(tern, drawn, i).replace(posture=posture), "lap").sustained(Margins(1.0)).power
            for i in range(0, bands.UNITS, 4)
        ]
        # A quarter of the units one by one: their middle lies in the band, most of them do.
        inside = [row["power_p05_W"] - 1e-6 <= watts <= row["power_p95_W"] + 1e-6 for watts in held]
        assert np.mean(inside) >= 0.7
        assert row["power_p05_W"] < np.median(held) < row["power_p95_W"]
    assert study.facts["band mostly comes from"] in drawn.parameters
    assert any(text.startswith("Band: 5 to 95 %") for text in study.assumptions)


def test_power_at_a_noise_is_that_of_the_unit_alone(tern, drawn):
    units = steady_band.units_at_rest(drawn.design, "desk", 25.0, ["cpu"], {"cpu": 1.0})
    power = steady_band.at_noise(units, 30.0, 30.0)
    for i in (0, 7, 15):
        study = studies.noise_frontier(unit(tern, drawn, i), "desk", noises=[30.0], duration=60.0)
        assert power[i] == pytest.approx(study.table["power_W"].iloc[0], abs=1e-4)


def test_frontier_has_its_band(tern):
    study = studies.noise_frontier(tern, "desk", noises=[22.0, 30.0, 38.0], duration=60.0, uncertainty=True)
    table = study.table
    assert (table["power_p05_W"] < table["power_W"]).all()
    assert (table["power_W"] < table["power_p95_W"]).all()
    assert table["power_p05_W"].is_monotonic_increasing
    assert "band mostly comes from" in study.facts


@pytest.mark.parametrize("name", ["tern-14", "heron-16"])
def test_power_for_ever_without_tables_is_that_of_the_candidate(name):
    design = load_design(name)
    drawn = steady_band.Drawn.of(design, 8)
    one = Candidate.of(name, design, Conditions("desk", 25.0, 34.0))
    chips = [chip.name for chip in one.held.plant.machine.chips]
    many = steady_band.units_at_rest(one.design.replace(**drawn.parameters), "desk", 25.0, chips, one.held.split)
    power = steady_band.without_tables(many)
    for i in (0, 5):
        alone = Candidate.of(name, unit(design, drawn, i), Conditions("desk", 25.0, 34.0)).sustained()[0]
        assert power[i] == pytest.approx(alone, abs=0.02)


def test_common_parts_differ_together_and_others_on_their_own(tern):
    other = tern.replace(**{"interface.bond_line": "60 um"})
    people = steady_band.drawn_together({"a": tern, "b": other}, 64)
    a, b = people["a"].columns, people["b"].columns
    np.testing.assert_array_equal(a["fan.free_flow"], b["fan.free_flow"])
    assert abs(np.corrcoef(a["interface.bond_line"], b["interface.bond_line"])[0, 1]) < 0.4
    assert set(a) == set(declared_population(tern).distributions)
    # The same machine twice: no difference at all, and none that is told apart.
    twins = steady_band.drawn_together({"a": tern, "b": tern}, 16)
    for key, values in twins["a"].columns.items():
        np.testing.assert_array_equal(values, twins["b"].columns[key])


@pytest.fixture(scope="module")
def compared(tern):
    worse = tern.replace(**{"interface.bond_line": "120 um"})
    return studies.compare({"thin": tern, "twin": tern, "thick": worse}, durations=(10.0, 60.0), tilts=(0.0,), uncertainty=True)


def test_compare_tells_real_differences_from_none(compared):
    apart = compared.tables["told apart"].set_index(["design", "quantity"])
    twin, thick = apart.loc["twin"], apart.loc["thick"]
    assert (twin["told_apart"] == "no").all()
    assert (twin[["difference_p05_W", "difference_p95_W"]].abs() < 0.02).all(axis=None)
    assert thick.loc["burst of 10 s", "told_apart"] == "yes"
    assert thick.loc["burst of 10 s", "difference_p95_W"] < 0.0
    assert "interface.bond_line" in thick.loc["burst of 10 s", "band_from"]
    # Taken on their own the two bands overlap or come close; together they do not: common parts cancel.
    table = compared.table.set_index("design")
    own = table.loc["thin", "power_10_s_p95_W"] - table.loc["thin", "power_10_s_p05_W"]
    assert thick.loc["burst of 10 s", "difference_p95_W"] - thick.loc["burst of 10 s", "difference_p05_W"] < 2.0 * own
    assert any("more than what is not known" in text for text in compared.tables["in words"]["verdict"])


def test_compare_draws_and_writes_its_band(compared):
    names = [figure.name for figure in figures_of(compared)]
    assert "told_apart" in names
    for figure in figures_of(compared):
        assert figure.describe(compared)
        compared.plot(figure.name)
    back = Study.from_json(compared.to_json())
    assert back.tables["told apart"].equals(compared.tables["told apart"])
    without = studies.compare({"a": load_design("tern-14"), "b": load_design("tern-14")}, durations=(10.0,), tilts=(0.0,))
    assert "told_apart" not in [figure.name for figure in figures_of(without)]


def test_band_from_the_shell(capsys):
    assert main(["sustained", "tern-14", "--mode", "desk", "--uncertainty", "--json", "-"]) == 0
    table = Study.from_json(capsys.readouterr().out).table
    machine = SteadyMachine(load_design("tern-14"), "desk").sustained()
    assert table["power_W"].iloc[0] == pytest.approx(machine.power)
    assert table["power_p05_W"].iloc[0] < machine.power < table["power_p95_W"].iloc[0]
    assert json.dumps(table.columns.tolist()).count("p05") == 1


def test_design_without_tolerances_is_refused(tern, monkeypatch):
    from thermnet.tolerance.sampling import Population

    monkeypatch.setattr(steady_band, "declared_population", lambda design: Population({}))
    for ask in (lambda: studies.sustained_power(tern, "desk", uncertainty=True),
                lambda: studies.compare([tern, tern], durations=(10.0,), tilts=(0.0,), uncertainty=True)):  # fmt: skip
        with pytest.raises(ValueError, match="declares no tolerances"):
            ask()
