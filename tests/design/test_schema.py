"""The JSON schema for editors: it accepts what the loader accepts and refuses what it refuses."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest

from thermnet import units
from thermnet.design.json_schema import design_schema, value_schema
from thermnet.design.load import list_designs, load_design
from thermnet.design.write import design_to_dict
from thermnet.parameter import declarations
from thermnet.parts import part_kinds

HERE = Path(__file__).parent
SMALL = (HERE / "small.toml").read_text()
CASES = tomllib.loads((HERE / "broken_files.toml").read_text())["case"]


@pytest.fixture(scope="module")
def validator():
    schema = design_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def test_schema_is_plain_json():
    assert json.loads(json.dumps(design_schema())) == design_schema()


def test_a_valid_design_passes(validator):
    validator.validate(tomllib.loads(SMALL))


@pytest.mark.parametrize("name", list_designs())
def test_packaged_designs_pass(validator, name):
    validator.validate(design_to_dict(load_design(name)))


SEEN_BY_AN_EDITOR = """
missing key; missing name of the design; missing kind; unknown key; misspelled key in a mode;
unknown top-level table; unit left out; bare number; half a pipe; text for a whole number;
list where a quantity belongs; unknown kind; unknown interface material; row that is too short;
fan table without a sensor; unnameable part; table instead of a part
""".replace("\n", " ").split(";")


@pytest.mark.parametrize("name", [name.strip() for name in SEEN_BY_AN_EDITOR])
def test_what_an_editor_can_see_is_refused(validator, name):
    (case,) = [case for case in CASES if case["name"] == name]
    assert not validator.is_valid(tomllib.loads(SMALL.replace(case["find"], case["put"], 1)))


def test_every_key_says_what_it_means():
    for kind, owner in part_kinds().items():
        properties = design_schema()["$defs"][kind]["properties"]
        for name, declared in declarations(owner).items():
            assert declared.doc in properties[name]["description"]


@pytest.mark.parametrize("kind", sorted(part_kinds()))
def test_examples_fit_their_pattern_and_are_read(kind):
    for declared in declarations(part_kinds()[kind]).values():
        if declared.role != "quantity":
            continue
        schema = value_schema(declared)
        pattern = (schema.get("anyOf") or [schema])[0]["pattern"]
        for example in [*schema["examples"], *schema.get("x-plausible", [])]:
            assert re.match(pattern, example)
            units.parse(example, declared.unit)


def test_units_bounds_steps_and_defaults_are_in_it():
    sensor = design_schema()["properties"]["sensors"]["additionalProperties"]["properties"]
    assert sensor["lag"]["x-unit"] == "s"
    assert sensor["delay"]["x-bounds"] == "at least 0 s and at most 3600 s"
    assert sensor["period"]["default"] == "0.1 s"
    ambient = design_schema()["properties"]["ambient"]
    assert ambient["x-step"] == "1 K"
    assert ambient["default"] == "25 degC"
