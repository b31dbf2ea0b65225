"""Take outputs, execution counts and stored state out of notebooks.

``python tests/tools/strip_notebooks.py FILE ...``
"""

import sys
from pathlib import Path

import nbformat


def strip(path):
    """Rewrite one notebook without anything that running it left behind."""
    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        cell.metadata.clear()
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    notebook.metadata = nbformat.from_dict(
        {"kernelspec": {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"},
         "language_info": {"name": "python"}}
    )  # fmt: skip
    nbformat.write(notebook, path)


for name in sys.argv[1:]:
    strip(Path(name))
