"""Words in figures keep off each other, off lines and off bars, and inside the picture at any resolution."""

import itertools

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Annotation

import thermnet as tn
from thermnet.show.mode_figures import LINES
from thermnet.show.style import colours, look, new_figure, settle
from thermnet.show.tolerance_figures import capability
from thermnet.studies.study import Study


@pytest.fixture(scope="module")
def design():
    return tn.load_design("tern-14")


def renderer_of(figure, dpi):
    figure.dpi = dpi
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return canvas.get_renderer()


def test_words_of_recovery_keep_off_the_line_of_the_first_burst(design):
    study = tn.studies.recovery(design, "desk")
    figure = study.plot("recovered")
    renderer, ax = renderer_of(figure, 100), figure.axes[0]
    level = ax.transData.transform((1.0, float(study.table["first_s"].iloc[0])))[1]
    words = [text for text in ax.texts if isinstance(text, Annotation) and text.get_text().endswith("%")]
    assert len(words) == len(study.table)
    for text in words:
        box = text.get_window_extent(renderer)
        assert not box.y0 - 1 <= level <= box.y1 + 1, text.get_text()


def test_every_mode_of_a_design_has_a_staircase_of_its_own(design):
    study = tn.studies.modes_table(design, list(design.modes), workloads=("compile",), duration=60.0)
    ax = study.plot("fan_tables").axes[0]
    looks = {(line.get_color(), str(line.get_linestyle()), str(line._unscaled_dash_pattern)) for line in ax.lines}
    assert len(looks) == len(ax.lines) == len(design.modes)
    assert {colour for colour, _ in LINES} <= set(colours(True))


@pytest.mark.parametrize("limits", [(None, 12.0), (2.0, 12.0), (2.0, None), (9.0, 9.3)])
def test_names_of_limits_stand_above_the_bars_of_a_histogram(limits):
    edges = np.linspace(3.0, 10.0, 15)
    rows = pd.DataFrame({"from": edges[:-1], "to": edges[1:], "values": 40.0})
    table = pd.DataFrame([{"index": "Ppk", "estimate": 1.0, "low": 0.8, "high": 1.2, "by": "normal"}])
    keys = {k: v for k, v in zip(("lower_limit", "upper_limit"), limits, strict=True) if v is not None}
    study = Study(
        name="factory_capability", title="", question="", table=table, tables={"histogram": rows}, facts={}, provenance={"column": "rise", **keys}
    )  # fmt: skip
    with look():
        figure = new_figure(5.0, 3.0)
        ax = capability(figure.subplots(), study)
        settle(figure)
    renderer = renderer_of(figure, 70)
    boxes = [text.get_window_extent(renderer) for text in ax.texts]
    assert len(boxes) == len(keys)
    bars = ax.transData.transform((0.0, 40.0))[1]
    for box in boxes:
        assert box.y0 >= bars
        assert ax.bbox.x0 <= box.x0
        assert box.x1 <= ax.bbox.x1
    assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))


@pytest.mark.parametrize("dpi", [50, 70, 100, 160])
def test_long_names_at_the_left_are_not_cut_off_at_any_resolution(dpi):
    with look():
        figure = new_figure(4.0, 2.4)
        ax = figure.subplots()
        ax.barh(range(2), [1.0, 2.0])
        ax.set_yticks(range(2), ["pipes.flattened_thickness", "phase change material"])
        ax.set_title("Words above")
        settle(figure)
    renderer = renderer_of(figure, dpi)
    for text in [*ax.get_yticklabels(), ax.title, ax._left_title]:
        box = text.get_window_extent(renderer)
        assert box.x0 >= 0.0
        assert box.y1 <= figure.bbox.y1
    assert mpl.rcParams["figure.constrained_layout.w_pad"] < 0.1
