import pytest

from thermnet.errors import DesignError
from thermnet.verify.case import load_cases, read_case, tolerance_of

GOOD = """
what = "isothermal disc on a half space"
source = "a handbook"
provenance = "exact"
function = "thermnet.physics.spreading:something"
unit = "K/W"
tolerance = "0.1 %"
[inputs]
radius = 0.01
[expected]
value = 0.25
"""

NETWORK = """
what = "two nodes"
source = "by hand"
provenance = "exact"
unit = "degC"
tolerance = "1e-6"
[network.nodes]
a = 1.0
b = 2.0
[network.boundaries]
room = 20.0
[[network.links]]
between = ["a", "b"]
resistance = 1.0
[[network.links]]
between = ["b", "room"]
resistance = 1.0
[network.powers]
a = 1.0
[ask]
nodes = ["a", "b"]
[expected]
value = [22.0, 21.0]
"""


def write(tmp_path, text, name="some_case.toml"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_good_case_is_read(tmp_path):
    case = read_case(write(tmp_path, GOOD))
    assert (case.name, case.tolerance, case.expected.value, case.inputs) == (
        "some_case",
        "0.1 %",
        0.25,
        {"radius": 0.01},
    )
    assert read_case(write(tmp_path, NETWORK)).network.nodes == {"a": 1.0, "b": 2.0}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('source = "a handbook"\n', "", "source: missing"),
        ("radius", "radius", None),
        ('unit = "K/W"', 'unit = "K/W"\ncolour = "red"', "colour: unknown key"),
        ('"0.1 %"', '"about right"', "tolerance"),
        ('"0.1 %"', '"-1 %"', "tolerance"),
        ('"0.1 %"', '"0.1 W"', "expected"),
        ("value = 0.25", "value = nan", "finite"),
        ("value = 0.25", "value = []", "at least one number"),
        ("value = 0.25", 'value = "0.25"', None),
        ('provenance = "exact"', 'provenance = "trust me"', "a grade"),
        ("thermnet.physics.spreading:something", "os:system", "thermnet.physics"),
        ("thermnet.physics.spreading:something", "thermnet.physics.spreading:_inner", "thermnet.physics"),
        ("thermnet.physics.spreading:something", "thermnet.physics.spreading:np.sum", "thermnet.physics"),
        ("thermnet.physics.spreading:something", "thermnet.physics.__init__:x", "thermnet.physics"),
        ("thermnet.physics.spreading:something", "thermnet.verify.runner:run_case", "thermnet.physics"),
        ("thermnet.physics.spreading:something", "thermnet.design.design:Design", "thermnet.physics"),
        ('function = "thermnet.physics.spreading:something"\n', "", "exactly one of function and"),
        ("[expected]", "[ask]\nnodes = ['a']\n[expected]", "only beside"),
        ("value = 0.25", "value = 0.25\nitem = '__class__'", "plain name"),
        ('what = "isothermal', "what = isothermal", "readable TOML"),
        ('what = "isothermal', 'name = "x"\nwhat = "isothermal', "file name is the name"),
    ],
)
def test_a_bad_case_says_what_is_wrong(tmp_path, old, new, says):
    assert old in GOOD
    path = write(tmp_path, GOOD.replace(old, new))
    if says is None:
        read_case(path)  # harmless changes
        return
    with pytest.raises(DesignError) as caught:
        read_case(path)
    assert says in str(caught.value)
    assert "some_case.toml" in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('nodes = ["a", "b"]', 'nodes = ["a", "bb"]', "did you mean"),
        ('between = ["b", "room"]', 'between = ["b", "rom"]', "did you mean 'room'"),
        ("a = 1.0\n[ask]", "c = 1.0\n[ask]", "network.powers: 'c'"),
        ("value = [22.0, 21.0]", "value = [22.0]", "shape (2,)"),
        ("value = [22.0, 21.0]", "value = 22.0", "shape (2,)"),
        ("resistance = 1.0\n[[", "resistance = 1.0\nconductance = 2.0\n[[", "exactly one of resistance"),
        ('nodes = ["a", "b"]', 'nodes = ["a", "b"]\ntimes = [2.0, 1.0]', "rising times"),
        ('nodes = ["a", "b"]', 'nodes = ["a", "b"]\ntimes = [1.0, 2.0]', "shape (2, 2)"),
        ('nodes = ["a", "b"]', 'nodes = ["a", "b"]\ninitial = "warm"', "steady"),
        ('nodes = ["a", "b"]', "nodes = []", "ask.nodes"),
        ("a = 1.0\nb = 2.0", 'a = "big"\nb = 2.0', "network.nodes.a"),
    ],
)
def test_a_bad_network_says_what_is_wrong(tmp_path, old, new, says):
    assert old in NETWORK
    with pytest.raises(DesignError) as caught:
        read_case(write(tmp_path, NETWORK.replace(old, new, 1)))
    assert says in str(caught.value)


def test_all_problems_of_all_files_are_listed(tmp_path):
    write(tmp_path, GOOD.replace('source = "a handbook"\n', "").replace('unit = "K/W"\n', ""), "one.toml")
    write(tmp_path, "not toml at all", "two.toml")
    write(tmp_path, GOOD, "three.toml")
    with pytest.raises(DesignError) as caught:
        load_cases(tmp_path)
    assert [p.key.split(":")[0] for p in caught.value.problems] == ["one.toml", "one.toml", "two.toml"]


def test_binary_junk_and_an_empty_folder(tmp_path):
    with pytest.raises(DesignError, match="none"):
        load_cases(tmp_path)
    (tmp_path / "junk.toml").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(DesignError, match=r"junk\.toml"):
        load_cases(tmp_path)
    with pytest.raises(DesignError, match="none"):
        load_cases(tmp_path / "nowhere")


@pytest.mark.parametrize(
    ("text", "unit", "answer"),
    [
        ("0.1 %", "W", (0.001, True)),
        ("0.5%", "W", (0.005, True)),
        ("0.05", "K", (0.05, False)),
        ("1e-6", "K", (1e-6, False)),
        ("0.2 K", "degC", (0.2, False)),
        ("3 W", "W", (3.0, False)),
        (".5", "W", (0.5, False)),
    ],
)
def test_tolerance(text, unit, answer):
    number, relative = tolerance_of(text, unit)
    assert (number, relative) == (pytest.approx(answer[0]), answer[1])


@pytest.mark.parametrize("text", ["", "%", "nan", "inf", "1.2.3", "-1", "1 furlong", "."])
def test_tolerance_refuses(text):
    with pytest.raises(ValueError, match="tolerance"):
        tolerance_of(text, "W")
