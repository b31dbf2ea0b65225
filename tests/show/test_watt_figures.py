"""Figures of the steady studies: titles, units on the axes, words for readers who do not see them."""

from __future__ import annotations

import pytest

from thermnet import studies
from thermnet.design.load import load_design
from thermnet.show.figures import figures_of


@pytest.mark.parametrize(
    ("name", "given", "unit"),
    [
        ("kelvin_ledger", {"power": 28.0}, "°C"),
        ("noise_frontier", {"points": 6}, "dBA"),
        ("next_watt", {"only": ("fins.height", "plate.thickness")}, "watts"),
        ("ageing", {"months": (0.0, 12.0)}, "months"),
    ],
)
def test_steady_studies_draw_themselves(name, given, unit):
    study = getattr(studies, name)(load_design("tern-14"), "desk", **given)
    figure = study.plot()
    axes = figure.axes[0]
    assert axes.get_title() or axes.get_title(loc="left")
    assert unit in axes.get_xlabel()
    assert axes.lines or axes.patches
    words = figures_of(study)[0].describe(study)
    assert any(ch.isdigit() for ch in words)
