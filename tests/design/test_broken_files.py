"""Broken design files: each gives one message a stranger could act on, and never anything but DesignError."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from thermnet.design.load import LARGEST_DESIGN, design_from_dict, load_design, load_text
from thermnet.errors import DesignError, Problem

HERE = Path(__file__).parent
SMALL = (HERE / "small.toml").read_text()
CASES = tomllib.loads((HERE / "broken_files.toml").read_text())["case"]


def refused(text: str) -> tuple[Problem, ...]:
    with pytest.raises(DesignError) as error:
        load_text(text, "broken.toml")
    assert str(error.value).startswith("broken.toml: ")
    return error.value.problems


def test_the_copy_that_is_not_broken_loads():
    assert load_text(SMALL).name == "bench"


def test_there_are_enough_broken_files():
    assert len(CASES) >= 40


@pytest.mark.parametrize("case", CASES, ids=[case["name"].replace(" ", "_") for case in CASES])
def test_broken_file_says_where_what_and_what_else(case):
    assert SMALL.count(case["find"]) >= 1, "the case no longer breaks anything"
    text = SMALL.replace(case["find"], case["put"], 1)
    problems = refused(text)
    lines = [n for n, line in enumerate(text.splitlines(), 1) if line == case.get("line_of")]
    key = case["key"].replace("{line}", str(lines[-1])) if lines else case["key"]
    hits = [
        p for p in problems if p.key == key and case["found"] in p.found and case["expected"] in p.expected
    ]
    assert len(hits) == 1, "\n".join(map(str, problems))
    assert case.get("hint", "") in hits[0].hint
    if not case.get("only_contains"):
        rest = {p.key for p in problems if p is not hits[0]}
        assert rest == set(case.get("also", [])), "\n".join(map(str, problems))


@pytest.mark.parametrize(
    ("content", "key", "found", "expected"),
    [
        (b"", "file", "is empty", "a design file"),
        (b" \n\t\n", "file", "is empty", "a design file"),
        (
            b"\x7fELF\x02\x01\x01\x00\x00\x00",
            "line 1, column 5",
            "not a text file (byte 0x02)",
            "saved as UTF-8",
        ),
        (bytes(range(256)), "line 1, column 1", "not a text file (byte 0x00)", "saved as UTF-8"),
        (SMALL.encode("utf-16"), "line 1, column 4", "not a text file (byte 0x00)", "saved as UTF-8"),
        (
            "name = 'bänch'".encode("latin-1"),
            "line 1, column 10",
            "not UTF-8 text (byte 0xe4)",
            "saved as UTF-8",
        ),
        (b"\x89PNG\r\n\x1a\n", "line 2, column 1", "not a text file (byte 0x1a)", "saved as UTF-8"),
        (b"a = " + b"[" * 5000, "file", "brackets nested too deep", "a design file"),
        (b"a = " + b"9" * 5000, "file", "xceeds the limit", "TOML text"),
        (b"a" + b".a" * 6000 + b" = 1", "line 1", "6000 dots in one line", "shorter lines"),
        (b"{}", "line 1, column 1", "neither key nor heading", "a line such as key"),
        (
            b"<html><body>not found</body></html>",
            "line 1, column 1",
            "neither key nor heading",
            "a line such as key",
        ),
        (b"#" * (LARGEST_DESIGN + 1), "file", "is 2.0 MB long", "at most 2 MB"),
    ],
)
def test_files_that_are_no_design_at_all(tmp_path, content, key, found, expected):
    path = tmp_path / "junk.toml"
    path.write_bytes(content)
    with pytest.raises(DesignError) as error:
        load_design(path)
    (problem,) = error.value.problems
    assert key == problem.key
    assert found in problem.found
    assert expected in problem.expected


def test_a_directory_a_missing_file_and_a_device_are_refused(tmp_path):
    with pytest.raises(DesignError, match="is a directory; expected a design file"):
        load_design(tmp_path)
    (tmp_path / "tern.toml").write_text(SMALL)
    with pytest.raises(
        DesignError, match=r"does not exist; expected the path of a design file\. Files there: tern.toml"
    ):
        load_design(tmp_path / "turn.toml")
    with pytest.raises(DesignError, match=r"folder .* does not exist either"):
        load_design(tmp_path / "no" / "turn.toml")
    with pytest.raises(DesignError, match="is not a plain file"):
        load_design(Path("/dev/null"))


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission_is_refused(tmp_path):
    path = tmp_path / "x.toml"
    path.write_text(SMALL)
    path.chmod(0)
    with pytest.raises(DesignError, match="permission denied"):
        load_design(path)


@pytest.mark.parametrize("given", ["a\0b", "x" * 5000, "", 3, None, ["tern-14"], "../", b"x"])
def test_arguments_that_are_no_name_and_no_path_are_refused(given):
    with pytest.raises(DesignError):
        load_design(given)


def test_every_problem_is_reported_at_once_in_file_order():
    text = (
        SMALL.replace('"150 mm^2"', '"150"', 1)
        .replace('length = "160 mm"', 'lenght = "160 mm"')
        .replace('"board.mount"]\nresistance = "0.5 K/W"', '"board.mont"]\nresistance = "0.5"', 1)
        .replace('sensor = "junction"', 'sensor = "juncton"')
        .replace('"64 W"', "64")
        .replace("[workloads.two_steps]", "[workloads.two_steps]\nholds = 'powr'")
    )
    assert [p.key for p in refused(text)] == [
        "parts.cpu.area",
        "parts.pipe.lenght",
        "parts.pipe.length",
        "joints.3.between.1",
        "joints.3.resistance",
        "modes.desk.chips.cpu.burst_limit",
        "modes.desk.fans.fan.tables.0.sensor",
        "workloads.two_steps.holds",
    ]


def test_a_broken_part_does_not_cause_messages_about_what_names_it():
    text = SMALL.replace('kind = "fins"', 'kind = "finns"')
    assert [p.key for p in refused(text)] == ["parts.fins.kind"]
    text = SMALL.replace('pitch = "1.1 mm"', 'pitch = "1.1"')
    assert [p.key for p in refused(text)] == ["parts.fins.pitch"]


def test_heat_without_a_way_to_the_room_is_reported():
    # The charger and its own little board are joined to each other and to nothing else.
    text = SMALL.replace(
        '[[joints]]\nbetween = ["charger.mount", "board.mount"]',
        '[parts.island]\nkind = "board"\n\n[[joints]]\nbetween = ["charger.mount", "island.mount"]',
    )
    (problem,) = refused(text)
    assert problem.key == "joints"
    assert "no heat path to any boundary from 'island.board', 'charger.package'" in problem.found or (
        "no heat path" in problem.found and "charger.package" in problem.found
    )


def test_a_hostile_text_is_shown_on_one_line_and_cut():
    (problem,) = refused(SMALL.replace('"150 mm^2"', '"' + "\\u001b[31m\\n" * 50 + '"', 1))
    assert "\n" not in str(problem)
    assert "\x1b" not in str(problem)
    assert len(str(problem)) < 400


# -- random ------------------------------------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_random_bytes_give_a_design_error(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("fuzz") / "x.toml"
    path.write_bytes(content)
    with pytest.raises(DesignError):
        load_design(path)


def problems_in(load) -> tuple[Problem, ...]:
    try:
        load()
    except DesignError as error:
        return error.problems
    return ()


LINES = SMALL.splitlines()


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_random_edits_give_a_design_or_a_design_error(data):
    lines = list(LINES)
    for _ in range(data.draw(st.integers(1, 4))):
        index = data.draw(st.integers(0, len(lines) - 1))
        action = data.draw(st.sampled_from(["delete", "repeat", "move", "cut", "insert"]))
        if action == "delete" and len(lines) > 1:
            del lines[index]
        elif action == "repeat":
            lines.insert(index, lines[index])
        elif action == "move":
            lines.insert(data.draw(st.integers(0, len(lines) - 1)), lines.pop(index))
        elif action == "cut":
            lines[index] = lines[index][: data.draw(st.integers(0, len(lines[index])))]
        else:
            place = data.draw(st.integers(0, len(lines[index])))
            lines[index] = lines[index][:place] + data.draw(st.text(max_size=6)) + lines[index][place:]
    problems = problems_in(lambda: load_text("\n".join(lines)))
    assert all(p.key and p.expected for p in problems)


SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.binary(max_size=3),
    st.sampled_from(["1 mm", "-1 W", "0 K", "1e308 W", "die", "cpu.top", "junction", "fan", "5", "nan"]),
)  # fmt: skip
TREES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_random_values_in_any_place_give_a_design_or_a_design_error(data):
    tables = tomllib.loads(SMALL)
    inside = tables
    for _ in range(8):
        key = data.draw(
            st.sampled_from(list(inside) if isinstance(inside, dict) else list(range(len(inside))))
        )
        if isinstance(inside[key], dict | list) and inside[key] and data.draw(st.booleans()):
            inside = inside[key]
        else:
            inside[key] = data.draw(TREES)
            break
    problems = problems_in(lambda: design_from_dict(tables))
    assert all(p.key and p.expected for p in problems)


def test_deeply_nested_tables_are_refused_not_crashed_on():
    deep: dict = {}
    inside = deep
    for _ in range(3000):
        inside["a"] = {}
        inside = inside["a"]
    tables = tomllib.loads(SMALL)
    tables["parts"]["cpu"]["area"] = deep
    tables["extra"] = deep
    with pytest.raises(DesignError):
        design_from_dict(tables)
