"""Dotted keys: reading, listing and changing every parameter of a design."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from thermnet.design.load import load_design
from thermnet.design.replace import get, parameters, replace_in, slots
from thermnet.design.write import design_to_dict
from thermnet.errors import DesignError
from thermnet.parts import part_kinds

SMALL = Path(__file__).parent / "small.toml"


@pytest.fixture(scope="module")
def design():
    return load_design(SMALL)


def refused(design, changes) -> tuple:
    with pytest.raises(DesignError) as error:
        replace_in(design, changes)
    return error.value.problems


@pytest.mark.parametrize(
    ("key", "given", "value"),
    [
        ("ambient", "35 degC", 35.0),
        ("ambient", 35, 35.0),
        ("altitude", "1.5 km", 1500.0),
        ("posture", "lap", "lap"),
        ("paste.material", "phase_change", "phase_change"),
        ("parts.paste.material", "phase_change", "phase_change"),
        ("paste.bond_line", "25 um", 25e-6),
        ("pipe.count", 3, 3),
        ("pipe.count", np.int64(3), 3),
        ("pipe.count", "3", 3),
        ("paste.barrier", True, True),
        ("paste.barrier", "true", True),
        ("joints.1.resistance", "0.2 K/W", 0.2),
        ("sensors.skin_proxy.lag", "2 min", 120.0),
        ("sensors.skin_proxy.reads", ["board.board"], ("board.board",)),
        ("modes.desk.noise_cap", "36 dBA", 36.0),
        ("modes.desk.noise_cap", None, None),
        ("modes.library.noise_cap", "30 dBA", 30.0),
        ("modes.desk.chips.cpu.burst_limit", "70 W", 70.0),
        ("modes.desk.chips.cpu.peak_limit", 120.0, 120.0),
        ("modes.desk.fans.fan.tables.0.hysteresis", "4 K", 4.0),
        ("modes.desk.fans.fan.tables.0.steps.1.speed", "3300 rpm", 3300.0),
        ("modes.desk.skin_limits.0.limit", "45 degC", 45.0),
        ("modes.desk.charger.hysteresis", 3.0, 3.0),
    ],
)
def test_one_key_changes_one_thing(design, key, given, value):
    changed = replace_in(design, {key: given})
    assert get(changed, key) == value
    before, after = slots(design), slots(changed)
    plain = key.removeprefix("parts.")
    assert [k for k in after if k != plain and not np.array_equal(after[k].value, before[k].value)] in (
        [],
        [plain.rpartition(".")[0].rpartition(".")[0]],  # the whole table of a changed cell
    )


def test_the_design_given_is_not_touched(design):
    before = design_to_dict(design)
    replace_in(design, {"ambient": "35 degC", "pipe.length": 0.15, "modes.desk.chips.cpu.burst_limit": 70.0})
    assert design_to_dict(design) == before


def test_several_changes_inside_one_part_are_made_together(design):
    # Each alone would not fit: the ends must fit into the length.
    assert refused(design, {"pipe.evaporator_length": "120 mm"})
    changed = replace_in(design, {"pipe.evaporator_length": "120 mm", "pipe.length": "200 mm"})
    assert changed.parts["pipe"].evaporator_length == 0.12


def test_whole_tables_are_replaced(design):
    key = "modes.desk.fans.fan.tables.0.steps"
    changed = replace_in(design, {key: [["40 degC", "2000 rpm"], [50.0, 2500]]})
    assert get(changed, key) == ((40.0, 2000.0), (50.0, 2500.0))
    (problem,) = refused(design, {key: [["40 degC"]]})
    assert "rows of on (degC), speed (rpm)" in problem.expected


def test_a_part_is_replaced_whole(design):
    other = part_kinds()["gap_pad"]()
    assert replace_in(design, {"paste": other}).parts["paste"] == other
    with pytest.raises(DesignError, match=r"joints.*is of kind"):
        replace_in(design, {"paste": design.parts["fan"]})


def test_arrays_make_an_ensemble(design):
    lengths = np.linspace(0.15, 0.17, 5)
    changed = replace_in(
        design, {"pipe.length": lengths, "ambient": np.array([20.0, 25.0, 30.0, 35.0, 40.0])}
    )
    np.testing.assert_array_equal(get(changed, "pipe.length"), lengths)
    (problem,) = refused(design, {"pipe.length": np.array([0.15, -0.1])})
    assert problem.found == "values from -0.1 to 0.15 m"
    assert "above 0 mm" in problem.expected


def test_an_array_is_copied(design):
    lengths = np.array([0.15, 0.16])
    changed = replace_in(design, {"pipe.length": lengths})
    lengths[0] = 99.0
    assert get(changed, "pipe.length")[0] == 0.15


@pytest.mark.parametrize(
    ("changes", "key", "found", "expected", "hint"),
    [
        ({"paste.materal": "grease"}, "paste.materal", "unknown key", "paste.material", '"paste.material"'),
        ({"past.material": "grease"}, "past.material", "unknown key", "dotted key", '"paste.material"'),
        ({"ambient": "35 K"}, "ambient", "in kelvin", "a temperature", ""),
        ({"ambient": "90 degC"}, "ambient", '"90 degC"', "at most 60 degC", ""),
        ({"ambient": float("nan")}, "ambient", "nan degC", "a temperature", ""),
        ({"ambient": True}, "ambient", "true", "a temperature", ""),
        ({"ambient": None}, "ambient", "None", "a temperature", ""),
        ({"ambient": np.array([])}, "ambient", "ndarray", "a temperature", ""),
        ({"ambient": np.array(["x"])}, "ambient", "ndarray", "a temperature", ""),
        ({"pipe.length": 1e9}, "pipe.length", "far outside", "in practice 60 mm to 350 mm", ""),
        ({"pipe.count": 2.5}, "pipe.count", "2.5", "a whole number", ""),
        ({"pipe.count": "many"}, "pipe.count", '"many"', "a whole number", ""),
        ({"paste.material": "grese"}, "paste.material", '"grese"', "one of grease", '"grease"'),
        ({"paste.material": 3}, "paste.material", "3", "one of grease", ""),
        ({"fins.material": "coper"}, "fins.material", "unknown solid", "a known name", '"copper"'),
        ({"posture": "dask"}, "posture", '"dask"', "one of desk", '"desk"'),
        (
            {"sensors.junction.reads": ["cpu.hot"]},
            "sensors.junction.reads.0",
            "unknown node",
            "",
            '"cpu.hot_spot"',
        ),
        ({"air.fans": ["fam"]}, "parts.air.fans", "unknown part 'fam'", "known: fan", ""),
        (
            {"pipe.flattened_thickness": "9 mm"},
            "pipe.flattened_thickness",
            "9 mm",
            "at most the diameter",
            "",
        ),
        (
            {"modes.desk.fans.fan.tables.0.steps.1.on": 30.0},
            "modes.desk.fans.fan.tables.0.steps",
            "rise",
            "",
            "",
        ),
        ({3: 4}, "3", "unknown key", "dotted key", ""),
        ({"x" * 500: 4}, "x" * 77 + "...", "unknown key", "dotted key", ""),
    ],
)
def test_what_does_not_fit_is_refused_with_advice(design, changes, key, found, expected, hint):
    (problem,) = refused(design, changes)
    assert problem.key == key
    assert found in problem.found
    assert expected in problem.expected
    assert hint in problem.hint


def test_every_problem_is_listed(design):
    problems = refused(design, {"ambient": "x", "nope.y": 1, "pipe.length": -1.0, "paste.material": "glue"})
    assert [p.key for p in problems] == ["ambient", "nope.y", "pipe.length", "paste.material"]


def test_wrong_names_inside_changes_are_found(design):
    problems = refused(design, {"joints.0.through": "pasta"})
    assert [p.key for p in problems] == ["joints.0.through", "parts.paste"]
    assert problems[0].hint == 'Did you mean "paste"?'


def test_numbers_that_fit_alone_but_not_together_are_refused(design):
    (problem,) = refused(design, {"cpu.area": "350 mm^2"})
    assert problem.key == "parts.plate.source_area"
    replace_in(design, {"cpu.area": "350 mm^2", "plate.source_area": "350 mm^2"})


def test_liquid_metal_is_refused_against_aluminium(design):
    (problem,) = refused(design, {"paste.material": "liquid_metal", "plate.material": "aluminium"})
    assert problem.key == "parts.paste.material"
    assert "destroys aluminium" in problem.found
    replace_in(
        design, {"paste.material": "liquid_metal", "plate.material": "aluminium", "paste.barrier": True}
    )


def test_parameters_are_numbers_with_a_declaration(design):
    known = parameters(design)
    for key in ("ambient", "pipe.length", "pipe.count", "joints.1.resistance", "sensors.skin_proxy.lag"):
        assert key in known
    assert "modes.desk.fans.fan.tables.0.hysteresis" in known
    assert "paste.material" not in known
    assert "modes.library.noise_cap" not in known
    for key in known:
        assert np.isfinite(get(design, key)), key


def test_parameters_left_out_have_the_value_that_follows(design):
    assert "paste.bond_line" not in parameters(design)
    assert "paste.bond_line" in parameters(design, derived=True)
    assert 5e-6 < get(design, "paste.bond_line") < 80e-6
    assert get(replace_in(design, {"paste.bond_line": "40 um"}), "paste.bond_line") == 40e-6
    assert get(design, "modes.library.noise_cap") is None


def test_every_parameter_takes_back_its_own_value(design):
    changed = replace_in(design, {key: get(design, key) for key in parameters(design)})
    assert design_to_dict(changed) == design_to_dict(design)


def test_unknown_key_names_the_nearest(design):
    with pytest.raises(DesignError, match=r'Did you mean "pipe.length"'):
        get(design, "pipe.lenght")


def test_method_of_the_design_does_the_same(design):
    assert design.replace(**{"paste.material": "phase_change"}).parts["paste"].material == "phase_change"
