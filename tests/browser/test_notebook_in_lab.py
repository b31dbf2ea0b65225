"""Notebooks opened and run in JupyterLab by a real browser."""

import shutil
from pathlib import Path

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]
NOTEBOOKS = Path(__file__).parents[2] / "notebooks"


def test_first_notebook_runs_in_the_browser(page, lab, run_all):
    shutil.copy(NOTEBOOKS / "01_burst_budget.ipynb", lab.folder)
    run_all(page, lab.address("01_burst_budget.ipynb"))
    found = page.evaluate("""() => {
      const cells = window.jupyterapp.shell.currentWidget.content.widgets.filter(c => c.model.type === 'code');
      const all = cells.map(c => c.model.outputs.toJSON()).flat();
      return {errors: all.filter(o => o.output_type === 'error').map(o => o.ename + ': ' + o.evalue),
              warned: all.filter(o => o.name === 'stderr').map(o => o.text).flat().join(''),
              tables: all.filter(o => o.data?.['text/html']).length,
              pictures: all.filter(o => (o.data?.['text/html'] + '').includes('<svg') || o.data?.['image/svg+xml']
                                        || o.data?.['image/png']).length};
    }""")
    assert found["errors"] == []
    # The very first run on a machine may say that it is compiling; nothing else may be said.
    assert [line for line in found["warned"].splitlines() if "thermnet: compiling" not in line] == []
    assert found["tables"] >= 3
    assert found["pictures"] >= 2
