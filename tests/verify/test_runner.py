import sys
import types

import numpy as np
import pytest

from thermnet.verify import load_cases, read_case, run_case, verify
from thermnet.verify.case import Case
from thermnet.verify.runner import network_of, resolve

HEAD = {"what": "made for the test", "source": "by hand", "provenance": "exact"}


def case(function="thermnet.physics.made_up:double", tolerance="0", unit="W", inputs=None, **expected):
    return Case(
        name="made_up",
        **HEAD,
        function=function,
        unit=unit,
        tolerance=tolerance,
        inputs=inputs or {},
        expected=expected,
    )


@pytest.fixture(autouse=True)
def made_up_physics(monkeypatch):
    module = types.ModuleType("thermnet.physics.made_up")
    source = """
import os
import numpy as np
from collections import namedtuple
Pair = namedtuple("Pair", "first second")
def double(x): return 2.0 * x
def pair(x): return Pair(x, 3.0 * x)
def table(x): return {"first": x, "second": 3.0 * x, "text": "seven"}
def kind(x): return float(isinstance(x, np.ndarray))
def fails(x): raise ZeroDivisionError("on purpose")
def no_number(x): return float("nan")
def _private(x): return x
value = 3.0
class Thing: pass
"""
    exec(source, module.__dict__)
    monkeypatch.setitem(sys.modules, module.__name__, module)


@pytest.mark.parametrize(
    ("expected", "tolerance", "holds"),
    [
        (6.0, "0", True),
        (6.001, "0", False),
        (6.05, "1 %", True),
        (6.1, "1 %", False),
        (6.05, "0.1", True),
        (6.2, "0.1", False),
    ],
)
def test_value_against_tolerance(expected, tolerance, holds):
    result = run_case(case(inputs={"x": 3.0}, tolerance=tolerance, value=expected))
    assert result.holds is holds
    assert result.error == pytest.approx(abs(expected - 6.0))
    assert result.message == ""


def test_relative_tolerance_is_of_the_expected_value_at_each_point():
    result = run_case(case(inputs={"x": [1.0, 100.0]}, tolerance="1 %", value=[2.01, 203.0]))
    assert not result.holds
    assert result.worst == (1,)
    assert result.tolerance == pytest.approx(2.03)
    assert "does not hold" in str(result)


@pytest.mark.parametrize(
    ("function", "item", "value"),
    [
        ("pair", "second", 9.0),
        ("pair", 1, 9.0),
        ("pair", "1", 9.0),
        ("table", "second", 9.0),
        ("table", ["first", "second"], [3.0, 9.0]),
    ],
)
def test_items_of_an_answer(function, item, value):
    result = run_case(case(f"thermnet.physics.made_up:{function}", inputs={"x": 3.0}, value=value, item=item))
    assert result.holds, str(result)


@pytest.mark.parametrize(
    ("function", "says"),
    [("pair", "no item"), ("table", "did you mean 'second'")],
)
def test_unknown_item_is_named(function, says):
    result = run_case(
        case(f"thermnet.physics.made_up:{function}", inputs={"x": 3.0}, value=1.0, item="secnd")
    )
    assert not result.holds
    assert says in result.message


@pytest.mark.parametrize(
    ("function", "inputs", "value", "says"),
    [
        ("fails", {"x": 1.0}, 1.0, "ZeroDivisionError: on purpose"),
        ("double", {"y": 1.0}, 1.0, "TypeError"),
        ("double", {"x": [1.0, 2.0]}, 2.0, "shape (2,); expected shape ()"),
        ("double", {"x": 1.0}, [2.0, 2.0], "shape ()"),
        ("no_number", {"x": 1.0}, 2.0, ""),
        ("absent", {"x": 1.0}, 2.0, "no function 'absent'"),
    ],
)
def test_what_goes_wrong_stays_in_the_row(function, inputs, value, says):
    result = run_case(
        case(f"thermnet.physics.made_up:{function}", inputs=inputs, value=value, tolerance="50 %")
    )
    assert result.holds is False
    assert says in result.message


def test_lists_become_arrays_and_scalars_stay():
    assert run_case(case("thermnet.physics.made_up:kind", inputs={"x": [1.0, 2.0]}, value=1.0)).holds
    assert run_case(case("thermnet.physics.made_up:kind", inputs={"x": [[1.0], [2.0]]}, value=1.0)).holds
    assert run_case(case("thermnet.physics.made_up:kind", inputs={"x": 1.0}, value=0.0)).holds
    assert run_case(case("thermnet.physics.made_up:kind", inputs={"x": ["a"]}, value=0.0)).holds


@pytest.mark.parametrize(
    "name",
    [
        "os:system",
        "builtins:eval",
        "thermnet.physics.made_up:os",
        "thermnet.physics.made_up:np",
        "thermnet.physics.made_up:_private",
        "thermnet.physics.made_up:value",
        "thermnet.physics.made_up:Thing",
        "thermnet.physics.made_up:namedtuple",
        "thermnet.physics.made_up:double.__globals__",
        "thermnet.cli:main",
        "thermnet.physics.nowhere:f",
        "thermnet.physics:made_up",
        "thermnet.verify.runner:resolve",
        "thermnet.verify.worked_machine:dataclass",
        "thermnet.verify.worked_machine:HandModel",
        "",
    ],
)
def test_only_public_functions_of_the_package_are_resolved(name):
    with pytest.raises(LookupError):
        resolve(name)


def test_cases_may_not_hand_anything_else_to_the_runner():
    with pytest.raises(ValueError, match="thermnet"):
        case("subprocess:run", inputs={}, value=1.0)


NETWORK = {
    "nodes": {"a": 2.0, "b": 0.0}, "boundaries": {"room": 20.0},
    "links": [{"between": ["a", "b"], "resistance": 1.0}, {"between": ["b", "room"], "conductance": 1.0}],
    "powers": {"a": 1.0},
}  # fmt: skip


def network_case(ask, value, tolerance="1e-9", **changes):
    return Case(
        name="made_up",
        **HEAD,
        unit="degC",
        tolerance=tolerance,
        network={**NETWORK, **changes},
        ask=ask,
        expected={"value": value},
    )


def test_steady_network_case():
    result = run_case(network_case({"nodes": ["b", "a"]}, [21.0, 22.0]))
    assert result.holds, str(result)
    assert not run_case(network_case({"nodes": ["b", "a"]}, [21.0, 22.1])).holds


def test_transient_network_case():
    times = [0.0, 1.0, 10.0]
    rise = 2.0 * (1.0 - np.exp(-np.array(times) / 4.0))
    result = run_case(
        network_case({"nodes": ["a"], "times": times, "initial": 20.0}, [[20.0 + r] for r in rise], "1e-7")
    )
    assert result.holds, str(result)


def test_network_case_with_every_kind_of_link():
    built = network_of(
        network_case(
            {"nodes": ["a"]},
            [21.0],
            links=[
                *NETWORK["links"],
                {"between": ["a", "room"], "surface": {"radiating_area": 0.01}},
                {"between": ["a", "room"], "dry_out": {"resistance": 0.3, "limit": 20.0}},
            ],
            streams=[
                {"between": ["room", "b"], "capacity_rate": 1.0},
                {"between": ["b", "room"], "capacity_rate": 1.0},
            ],
            leakage=[{"node": "a", "power": 1.0}],
        )
    )
    assert built.graph.number_of_edges() == 6
    assert np.isfinite(built.steady({"a": 1.0})).all()


def test_a_floating_network_is_a_row_not_a_crash():
    result = run_case(
        network_case({"nodes": ["a"]}, [1.0], links=[{"between": ["b", "room"], "resistance": 1.0}])
    )
    assert not result.holds
    assert "floating" in result.message


def test_verify_gives_a_row_per_case_and_reports_progress():
    seen = []
    good, bad = case(inputs={"x": 3.0}, value=6.0), case(inputs={"x": [1.0, 2.0]}, value=[2.0, 5.0])
    table = verify(cases=[good, bad], progress=lambda *step: seen.append(step))
    assert list(table["holds"]) == [True, False]
    assert list(table["points"]) == [1, 2]
    assert (table["value"][1], table["expected"][1]) == (4.0, 5.0)
    assert {"what", "source", "provenance", "unit", "tolerance", "error", "message"} <= set(table.columns)
    assert seen == [(0, 2, "made_up"), (1, 2, "made_up"), (2, 2, "")]


def test_the_package_finds_its_own_cases():
    names = [c.name for c in load_cases()]
    assert names == sorted(names)
    assert "network_two_node_step" in names


def test_a_falsified_case_is_caught(tmp_path):
    """The check can fail: a wrong digit in a stored value is noticed."""
    text = next(p for p in load_cases_paths() if p.stem == "network_two_node_step").read_text(
        encoding="utf-8"
    )
    path = tmp_path / "wrong.toml"
    path.write_text(text.replace("13.34067857716968", "13.34068057716968"), encoding="utf-8")
    assert not run_case(read_case(path)).holds


def load_cases_paths():
    from thermnet.verify.case import default_folder

    return sorted(default_folder().glob("*.toml"))
