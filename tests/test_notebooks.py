"""Every notebook runs from start to end in a folder of its own, and is kept without outputs."""

import ast
from pathlib import Path

import pytest

nbformat = pytest.importorskip("nbformat")
nbclient = pytest.importorskip("nbclient")

ROOT = Path(__file__).parents[1]
PATHS = sorted((ROOT / "notebooks").glob("*.ipynb"))
LONGEST_FUNCTION = 5
"""Lines; longer ones belong into the package, where they are tested."""

notebooks = pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)


def read(path):
    return nbformat.read(path, as_version=4)


def code_cells(path):
    return [cell for cell in read(path).cells if cell.cell_type == "code"]


def test_there_are_notebooks():
    assert PATHS


def execute(path, folder):
    client = nbclient.NotebookClient(
        read(path),
        timeout=120,
        startup_timeout=120,
        kernel_name="python3",
        resources={"metadata": {"path": str(folder)}},
    )
    return client.execute()


@notebooks
@pytest.mark.slow
def test_notebook_runs(path, tmp_path):
    from nbclient.exceptions import DeadKernelError

    try:
        done = execute(path, tmp_path)
    except DeadKernelError:  # a loaded machine may lose a kernel at its start; a second death is a fault
        done = execute(path, tmp_path)
    noise = [
        output["text"]
        for cell in done.cells
        for output in cell.get("outputs", [])
        if output.output_type == "stream" and output.name == "stderr"
    ]
    assert not [text for text in noise if "thermnet: compiling" not in text], "a notebook prints warnings"


@notebooks
def test_notebook_is_kept_clean(path):
    notebook = read(path)
    nbformat.validate(notebook)
    assert not [cell for cell in code_cells(path) if cell.outputs or cell.execution_count], "stored outputs"
    assert "widgets" not in notebook.metadata, "stored widget state"
    assert notebook.metadata.kernelspec.name == "python3"
    assert set(notebook.metadata) <= {"kernelspec", "language_info"}, "stored metadata"


@notebooks
def test_notebook_opens_with_its_question_and_closes_with_what_is_next(path):
    cells = read(path).cells
    assert cells[0].cell_type == "markdown"
    assert cells[0].source.startswith("# ")
    assert cells[-1].cell_type == "markdown"
    assert "next" in cells[-1].source.splitlines()[0]


@notebooks
def test_notebook_claims_are_held_to(path):
    assert "assert " in code_cells(path)[-1].source


@notebooks
def test_notebook_uses_the_public_surface_and_holds_no_long_functions(path):
    for cell in code_cells(path):
        tree = ast.parse(cell.source)
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                assert not (node.module or "").startswith("thermnet"), f"{ast.unparse(node)}; use tn. ..."
            if isinstance(node, ast.Import):
                assert all(name.name == "thermnet" for name in node.names if name.name.startswith("thermnet"))
            if isinstance(node, ast.FunctionDef):
                lines = node.end_lineno - node.lineno
                assert lines <= LONGEST_FUNCTION, f"{node.name} has {lines} lines; move it into the package"
