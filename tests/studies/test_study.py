import dataclasses
import json
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermnet.errors import DesignError
from thermnet.studies.json_form import plain
from thermnet.studies.study import Study, design_hash, provenance
from thermnet.studies.words import fact_text, heading, number_text


def example(**changes):
    content = {
        "name": "made_up",
        "title": "A <made-up> study",
        "question": "How many watts & for how long?",
        "table": pd.DataFrame({
            "duration_s": [1.0, 600.0], "power_W": [64.0, math.nan], "binds": ["burst_limit", None],
            "holds": [True, False], "count": [1, 2],
        }),
        "facts": {"sustained": (28.31234, "W"), "binds": "skin", "never": (math.nan, "s"),
                  "no end": (math.inf, "s")},
        "tables": {"governor": pd.DataFrame({"duration_s": [1.0], "power_W": [math.inf]})},
        "assumptions": ["room at 25 °C"],
        "caution": "Surfaces <burn>.",
        "provenance": {"design": "tern-14", "mode": "desk", "ambient": 25.0, "seed": np.int64(3)},
    }  # fmt: skip
    return Study(**{**content, **changes})


def test_json_round_trip_keeps_everything():
    study = example()
    back = Study.from_json(study.to_json())
    pd.testing.assert_frame_equal(back.table, study.table)
    pd.testing.assert_frame_equal(back.tables["governor"], study.tables["governor"])
    assert back.facts["sustained"] == (28.31234, "W")
    assert math.isnan(back.facts["never"][0])
    assert back.facts["no end"] == (math.inf, "s")
    assert (back.name, back.title, back.question, back.caution) == (
        study.name,
        study.title,
        study.question,
        study.caution,
    )
    assert back.assumptions == study.assumptions
    assert back.provenance == {"design": "tern-14", "mode": "desk", "ambient": 25.0, "seed": 3}
    assert back.to_json() == study.to_json()


def test_json_is_strict_and_versioned():
    content = json.loads(example().to_json(), parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))
    assert content["schema"] == "thermnet-study/1"
    assert content["table"]["rows"][1][:3] == [600.0, None, None]


def test_empty_table_round_trips():
    study = example(
        table=pd.DataFrame({"duration_s": pd.Series([], dtype=float), "binds": pd.Series([], dtype="str")})
    )
    pd.testing.assert_frame_equal(Study.from_json(study.to_json()).table, study.table)
    assert "made-up" in study._repr_html_()


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True), max_size=8))
@settings(max_examples=50, deadline=None)
def test_any_floats_round_trip(values):
    table = pd.DataFrame({"x_W": np.array(values, dtype=float)})
    back = Study.from_json(example(table=table).to_json()).table
    np.testing.assert_array_equal(back["x_W"].to_numpy(), table["x_W"].to_numpy())


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("not json", "JSON"),
        ("[]", "schema"),
        ('{"schema": "thermnet-study/0"}', "thermnet-study/1"),
        ('{"schema": "thermnet-study/1", "name": 3}', "name: int; expected str"),
        (example().to_json().replace('"kind": "number"', '"kind": "colour"', 1), "colour"),
    ],
)
def test_reading_something_else_says_what_is_wrong(text, says):
    with pytest.raises(DesignError, match="problem") as caught:
        Study.from_json(text)
    assert says in str(caught.value)


def test_missing_parts_are_all_listed():
    with pytest.raises(DesignError) as caught:
        Study.from_json('{"schema": "thermnet-study/1"}')
    assert {p.key for p in caught.value.problems} >= {"name", "table", "facts", "assumptions", "provenance"}


def test_study_owns_its_table():
    table = pd.DataFrame({"power_W": [1.0]})
    study = example(table=table)
    table.loc[0, "power_W"] = 99.0
    assert study.table.loc[0, "power_W"] == 1.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        study.title = "x"


def test_named_index_becomes_a_column():
    table = pd.DataFrame({"power_W": [1.0]}, index=pd.Index([5.0], name="duration_s"))
    assert list(example(table=table).table.columns) == ["duration_s", "power_W"]


@pytest.mark.parametrize("bad", [{"table": [1, 2]}, {"assumptions": "one text"}])
def test_wrong_kinds_are_refused(bad):
    with pytest.raises(TypeError, match="expected"):
        example(**bad)


def test_csv_has_units_in_the_header(tmp_path):
    path = example().to_csv(tmp_path / "t.csv")
    lines = path.read_text().splitlines()
    assert lines[0] == "duration_s,power_W,binds,holds,count"
    assert lines[2] == "600.0,,,False,2"


def test_repr_is_short_and_html_is_escaped():
    study = example()
    assert "A <made-up> study (tern-14, desk, 25 °C)" in repr(study)
    assert "Caution" in repr(study)
    page = study._repr_html_()
    assert "<made-up>" not in page
    assert "&lt;made-up&gt;" in page
    assert "28.3 W" in page
    assert "<burn>" not in page


def test_html_never_raises():
    study = example()
    object.__setattr__(study, "facts", {"broken": object})
    object.__setattr__(study, "question", None)
    assert study._repr_html_().startswith("<")


@pytest.mark.parametrize(
    ("column", "text"),
    [
        ("power_W", "power, W"),
        ("skin_limit_degC", "skin limit, °C"),
        ("binds", "binds"),
        ("r_K_per_W", "r, K/W"),
    ],
)
def test_heading_reads_the_unit(column, text):
    assert heading(column) == text


@pytest.mark.parametrize(
    ("fact", "text"),
    [((28.31234, "W"), "28.3 W"), ((math.nan, "s"), "–"), ("skin", "skin"), ((36000.0, "s"), "36000 s"),
     ((0.0, "W"), "0 W"), (True, "yes"), ((25.0, "degC"), "25 °C"), ((None, "W"), "–")],
)  # fmt: skip
def test_fact_text(fact, text):
    assert fact_text(fact) == text


def test_number_text_keeps_four_figures():
    assert [number_text(x) for x in (1234567.0, 12345.0, 0.00012, 3.0)] == [
        "1.235e+06",
        "12345",
        "0.00012",
        "3",
    ]


def test_hash_follows_values_not_the_path():
    @dataclasses.dataclass(frozen=True)
    class Machine:
        name: str
        parts: dict
        source: str = ""

    one, two = Machine("a", {"die": 1.0}, "here"), Machine("a", {"die": 1.0}, "there")
    assert design_hash(one) == design_hash(two)
    assert design_hash(one) != design_hash(Machine("a", {"die": 1.0000001}))
    found = provenance(one, mode="desk", seed=None)
    assert found["design"] == "a"
    assert found["design_hash"] == design_hash(one)
    assert "seed" not in found


def test_plain_handles_numpy_and_nan():
    assert plain({"a": np.array([1.0, math.nan]), "b": (np.int32(2), math.inf)}) == {
        "a": [1.0, None],
        "b": [2, "inf"],
    }
