"""What README.md and DEVELOPERS.md say is so: examples run, commands exist, files are where they are said to be."""

import re
import shlex
from pathlib import Path

import pytest

import thermnet as tn
from thermnet import cli

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(text, language):
    return re.findall(rf"^```{language}\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)


def commands(text):
    """Command lines of a document without their comments."""
    lines = [line for block in blocks(text, "sh") for line in block.splitlines()]
    return [part.strip() for line in lines for part in re.sub(r"\s#.*", "", line).split("&&")]


def test_python_example_runs():
    (code,) = blocks(README, "python")
    names = {}
    exec(compile(code, "README.md", "exec"), names)
    assert names["run"].energy_residual < 1e-6


@pytest.mark.parametrize(
    "line", [line for line in commands(README + DEVELOPERS) if line.startswith(".venv/bin/thermnet")]
)
def test_commands_are_understood(line):
    cli.parser().parse_args(shlex.split(line)[1:])


def test_csv_example_is_a_log(tmp_path):
    (text,) = blocks(README, "csv")
    (tmp_path / "my_log.csv").write_text(text, encoding="utf-8")
    run = tn.load_design("tern-14").simulate(tmp_path / "my_log.csv")
    assert run.time[-1] > 61.8


def test_numbers_under_the_picture_are_those_of_the_machine():
    alt, path = re.findall(r"!\[(.*?)\]\((.*?)\)", README)[0]
    assert (ROOT / path).is_file()
    said = [float(number) for number in re.findall(r"(\d+) W", alt)]
    budget = tn.studies.burst_budget(tn.load_design("tern-14"), "desk", durations=(1.0, 10.0, 60.0))
    assert said == [*budget.table["power_W"].round(), round(budget.facts["sustained power"][0])]


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_files_named_are_there(text):
    named = set(re.findall(r"`((?:thermnet|tests|notebooks|reference_cases|\.ci)/[\w./-]*)`", text))
    assert named
    assert not [name for name in named if not (ROOT / name).exists()]


def test_every_room_is_described_once():
    """The layers that imports are held to, and the rooms that DEVELOPERS.md describes, are the package's own."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    (contract,) = project["tool"]["importlinter"]["contracts"]
    layered = {
        name.strip().removeprefix("thermnet.") for row in contract["layers"] for name in row.split("|")
    }
    rooms = {
        path.stem
        for path in (ROOT / "thermnet").iterdir()
        if path.stem[0] not in "._" and path.suffix in ("", ".py")
    }
    assert rooms - {"handover"} == layered
    described = re.findall(r"^\| (`.*?) \|", DEVELOPERS, flags=re.MULTILINE)
    names = [name.rstrip("/") for cell in described for name in re.findall(r"`([\w/]+)`", cell)]
    assert sorted(name for name in names if name in rooms) == sorted(layered)
