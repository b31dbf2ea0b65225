"""Loading, finding and writing back designs: what is read is what stands in the file, to the last digit."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet import units
from thermnet.design.load import design_from_dict, list_designs, load_design, load_text
from thermnet.design.replace import parameters, replace_in
from thermnet.design.write import design_to_dict, dump_design, exact_text
from thermnet.errors import DesignError
from thermnet.parameter import declarations
from thermnet.parts import part_kinds

HERE = Path(__file__).parent
SMALL = HERE / "small.toml"


@pytest.fixture(scope="module")
def design():
    return load_design(SMALL)


def same(first, second) -> bool:
    """Two designs are the same machine, wherever they came from."""
    pieces = (
        "name",
        "title",
        "note",
        "ambient",
        "altitude",
        "posture",
        "parts",
        "joints",
        "sensors",
        "modes",
    )
    return all(getattr(first, p) == getattr(second, p) for p in pieces) and (
        design_to_dict(first) == design_to_dict(second)
    )


def test_values_are_read_into_inside_units(design):
    assert design.ambient == 25.0
    assert design.parts["cpu"].area == 150e-6
    assert design.parts["fins"].fin_thickness == 0.1e-3
    assert design.parts["pipe"].count == 2
    assert design.parts["fan"].free_flow == pytest.approx(4 * 0.3048**3 / 60, rel=1e-14)
    assert design.joints[1].resistance == 0.1
    assert design.joints[0].through == "paste"
    assert design.modes["desk"].fans["fan"].tables[0].steps == ((45.0, 2200.0), (55.0, 3000.0))
    assert design.modes["desk"].charger.steps == ((40.0, 0.5), (43.0, 0.0))
    assert design.modes["library"].noise_cap is None
    assert design.sensors["skin_proxy"].reads == ("board.board", "bottom.hot_zone")
    assert design.source == str(SMALL)


def test_own_load_is_read(design):
    load = design.workloads["two_steps"]
    assert load.name == "two_steps"
    assert load.times.tolist() == [0.0, 10.0]
    assert load.watts["cpu"].tolist() == [3.0, 40.0]
    assert load.duration == 20.0
    assert load.holds == "power"


def test_own_load_may_come_from_a_log_beside_the_file(tmp_path):
    (tmp_path / "log.csv").write_text("time [s],cpu power (W)\n5,3\n6,\n7,40\n")
    text = SMALL.read_text().replace(
        'times = ["0 s", "10 s"]\nwatts.cpu = ["3 W", "40 W"]', 'csv = "log.csv"'
    )
    (tmp_path / "own.toml").write_text(text)
    load = load_design(tmp_path / "own.toml").workloads["two_steps"]
    assert load.times.tolist() == [0.0, 1.0, 2.0]
    assert load.watts["cpu"].tolist() == [3.0, 3.0, 40.0]
    assert any("missing" in note for note in load.notes)
    (tmp_path / "log.csv").write_text("time [s],cpu power\n5,3\n")
    with pytest.raises(DesignError, match=r"workloads.two_steps.csv \(line 1, column .*has no unit"):
        load_design(tmp_path / "own.toml")


def test_design_becomes_a_network_that_can_be_solved(design):
    network = design.network()
    network.check()
    steady = network.steady({"cpu.hot_spot": 14.0, "cpu.rest": 14.0})
    assert 40 < steady["cpu.hot_spot"] < 120
    assert steady["cpu.hot_spot"] > steady["fins.base"] > 25.0


@pytest.mark.parametrize("name", list_designs())
def test_packaged_designs_load_and_survive_writing(name):
    first = load_design(name)
    assert first.source == name
    assert same(first, load_text(dump_design(first)))


def test_writing_and_reading_gives_the_same_machine(design):
    text = dump_design(design)
    assert same(design, load_text(text))
    assert dump_design(load_text(text)) == text


def test_only_what_differs_from_the_defaults_is_written(design):
    tables = tomllib.loads(dump_design(design))
    assert "ambient" not in tables
    assert tables["parts"]["paste"] == {"kind": "interface"}
    assert tables["parts"]["pipe"]["length"] == "160 mm"
    assert tables["modes"]["desk"]["skin_limits"] == [{"sensor": "skin_proxy", "limit": "43 degC"}]


def test_tables_of_a_design_are_a_design(design):
    assert same(design, design_from_dict(design_to_dict(design)))


def test_texts_with_quotes_and_line_ends_survive():
    note = 'a "quote", a \\ backslash,\na line, a tab\t, control \x01\x7f, and °C µm'
    changed = replace_in(load_design(SMALL), {"note": note})
    assert load_text(dump_design(changed)).note == note


def test_a_design_of_samples_cannot_be_written(design):
    ensemble = replace_in(design, {"pipe.length": np.array([0.15, 0.16])})
    with pytest.raises(DesignError, match=r"pipe.length: 2 samples; expected one value"):
        dump_design(ensemble)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_value_of_any_parameter_survives_to_the_last_digit(data):
    design = load_design(SMALL)
    known = parameters(design)
    key = data.draw(st.sampled_from([k for k, d in known.items() if d.role == "quantity" and d.plausible]))
    low, high = known[key].plausible
    value = data.draw(st.floats(low, high))
    try:
        changed = replace_in(design, {key: value})
    except DesignError:
        return  # does not fit the rest of the part
    assert same(changed, load_text(dump_design(changed)))


@settings(max_examples=200, deadline=None)
@given(
    st.floats(1e-9, 1e9), st.sampled_from([("m", "um"), ("m^2", "mm^2"), ("m^3/s", "cfm"), ("degC", "degC")])
)
def test_numbers_are_written_so_that_they_read_the_same(value, pair):
    inside, shown = pair
    assert units.parse(exact_text(value, inside, shown), inside) == value


def test_round_numbers_stay_round():
    assert exact_text(25e-6, "m", "um") == "25 um"
    assert exact_text(1e-4, "m^2", "mm^2") == "100 mm^2"
    assert exact_text(0.1, "1", "1") == "0.1"
    assert exact_text(4500.0, "rpm", "rpm") == "4500 rpm"
    assert exact_text(0.0, "rpm", "rpm") == "0 rpm"


# -- names and paths ---------------------------------------------------------------------------------------


def test_unknown_name_lists_the_packaged_designs():
    with pytest.raises(DesignError) as error:
        load_design("turn-14")
    (problem,) = error.value.problems
    assert problem.found == "no design of this name"
    assert problem.expected.endswith("or the path of a design file")
    for name in list_designs():
        assert name in problem.expected


def test_a_packaged_name_wins_over_a_folder_of_that_name(tmp_path, monkeypatch):
    for name in list_designs():
        (tmp_path / name).mkdir()
    monkeypatch.chdir(tmp_path)
    for name in list_designs():
        assert load_design(name).source == name


def test_text_path_object_and_text_agree(design):
    assert same(load_design(str(SMALL)), design)
    assert same(load_text(SMALL.read_text()), design)


def test_windows_line_ends_and_a_byte_order_mark_do_no_harm(tmp_path, design):
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALL.read_bytes().replace(b"\n", b"\r\n"))
    assert same(load_design(path), design)


def test_loading_does_not_touch_the_file_or_the_design(tmp_path, design):
    path = tmp_path / "x.toml"
    path.write_bytes(SMALL.read_bytes())
    before = path.stat().st_mtime_ns
    first, second = load_design(path), load_design(path)
    assert path.stat().st_mtime_ns == before
    assert same(first, second)
    with pytest.raises(dataclasses.FrozenInstanceError):
        first.name = "other"


# -- the declarations behind it ----------------------------------------------------------------------------


KINDS = """
die interface gap_pad air_gap plate heat_pipe vapor_chamber storage fan fins air_path skin board memory drive
battery charger
"""


def test_every_kind_of_part_is_registered():
    assert set(part_kinds()) >= set(KINDS.split())


@pytest.mark.parametrize("kind", sorted(part_kinds()))
def test_every_declared_default_and_example_of_a_part_is_valid(kind):
    owner = part_kinds()[kind]
    declared = declarations(owner)
    for field in dataclasses.fields(owner):
        assert field.name in declared, f"{kind}.{field.name} cannot be set from a file"
        row = declared[field.name]
        assert row.doc
        if row.role == "quantity":
            assert not row.outside(units.parse(row.example(), row.unit)), (
                f"{kind}.{field.name}: {row.example()}"
            )
            assert field.default in (dataclasses.MISSING, None) or not row.outside(field.default)
            if row.plausible is not None:
                assert row.plausible[0] < row.plausible[1]


def test_importing_the_package_loads_neither_pint_nor_pydantic_nor_pandas():
    code = (
        "import sys, thermnet.parts, thermnet.firmware.library, thermnet.design.design; "
        "heavy = {'pint', 'pydantic', 'pandas', 'matplotlib', 'xarray', 'numba'} & set(sys.modules); "
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
