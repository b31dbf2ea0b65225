import re
import sys
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from thermnet.show import draw, plot_run, run_figures, svg
from thermnet.show.axis import time_text
from thermnet.show.style import (
    DARK,
    LIGHT,
    MARKS,
    _apart,
    inline_svg,
    look,
    mark_of,
    marks_of,
    new_figure,
    save_figure,
    svg_text,
)

sys.path.insert(0, str(Path(__file__).parent))
from made_up import make_burst, make_run, make_times


def contrast(one, two):
    """Contrast ratio of two colours (WCAG 2.1)."""

    def light(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    a, b = sorted((light(one), light(two)))
    return (b + 0.05) / (a + 0.05)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_colours_stand_out_from_the_paper(colours):
    for name, colour in colours.items():
        if name in ("paper", "faint"):
            continue
        least = 4.5 if name in ("ink", "quiet") else 3.0
        assert contrast(colour, colours["paper"]) >= least, name


def test_marks_differ_by_marker_or_hatch_not_only_by_colour():
    shapes = [(mark.marker, mark.hatch) for mark in MARKS.values()]
    assert len(set(shapes)) == len(shapes)


@pytest.mark.parametrize(
    ("name", "like"),
    [
        ("cpu.junction", "junction"),
        ("pipes dry-out", "dry out"),
        ("dry_out", "dry out"),
        ("Sustained Limit", "sustained limit"),
        ("board.regulator", "regulator"),
    ],
)
def test_limits_are_known_by_name_or_kind(name, like):
    assert mark_of(name) == MARKS[like]


def test_two_limits_of_one_kind_get_different_marks():
    marks = marks_of(["bottom skin", "keyboard skin", "left skin", "cpu.junction", "none", "zzz", "yyy"])
    assert len({mark.marker for mark in marks.values()}) == len(marks)


def test_power_duration_shows_every_curve_and_limit():
    figure = draw(make_burst())
    ax = figure.axes[0]
    legends = {text.get_text() for legend in ax.findobj(mpl.legend.Legend) for text in legend.get_texts()}
    limits = {"cpu.junction", "pipes dry-out", "bottom.hot_zone"}
    assert legends == {"from idle, thick", "from 15 W", "mode's governor"} | limits
    assert ax.get_xscale() == "log"
    assert ax.get_title(loc="left") == "Chip power (W) against duration: tern-14, desk, 25 °C"
    assert any("sustained 28.3 W" in text.get_text() for text in ax.texts)
    assert isinstance(figure, Figure)


@pytest.mark.parametrize("make", [make_burst, make_times], ids=["burst", "times"])
def test_nothing_is_cut_off_at_the_edge(make):
    figure = draw(make())
    figure.draw_without_rendering()
    edge, ax = figure.bbox, figure.axes[0]
    inside = [text for legend in ax.findobj(mpl.legend.Legend) for text in legend.get_texts()]
    for text in [*inside, *ax.texts]:
        box = text.get_window_extent()
        assert box.x0 >= edge.x0 - 1, text.get_text()
        assert box.x1 <= edge.x1 + 1, text.get_text()
        assert box.y1 <= edge.y1 + 1, text.get_text()


def test_power_duration_draws_the_governor_no_higher_than_the_burst_limit():
    ax = draw(make_burst()).axes[0]
    assert max(float(np.max(line.get_ydata())) for line in ax.lines if len(line.get_ydata())) <= 64.0 + 1e-9


def test_pieces_between_points_of_one_limit_take_its_colour():
    ax = draw(make_burst()).axes[0]
    pieces = [line for line in ax.lines if len(line.get_xdata()) == 2 and line.get_linewidth() == 2.2]
    colours = [to_hex(line.get_color()) for line in pieces]
    skin = LIGHT[mark_of("bottom.hot_zone").colour]
    junction, dry_out, ink = LIGHT["orange"], LIGHT["amber"], LIGHT["ink"]
    assert colours == [junction] * 3 + [ink] + [dry_out] + [ink] + [skin] * 2


def test_time_to_limit_has_a_row_per_power_and_says_never():
    figure = draw(make_times())
    ax = figure.axes[0]
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        "64 W from idle",
        "64 W from 15 W",
        "20 W from idle",
    ]
    words = [text.get_text() for text in ax.texts]
    assert "no limit met" in words
    assert "420 ms" in words
    assert "20 W from idle: no limit met" in figure.alt


def test_run_strips_share_time_and_name_their_lines():
    figure = plot_run(make_run())
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert titles == ["Temperature, °C", "Chip power, W", "Fan speed, rpm", "Noise at the operator, dBA",
                      "What holds the power, and for what share of the time"]  # fmt: skip
    names = [text.get_text() for text in figure.axes[0].texts]
    assert {"cpu.hot_spot", "bottom.hot_zone", "plate.core", "junction limit 95", "skin limit 45"} <= set(
        names
    )
    rows = [label.get_text() for label in figure.axes[-1].get_yticklabels()]
    assert rows == ["skin", "junction", "sustained limit", "burst limit"]
    shares = [text.get_text() for text in figure.axes[-1].texts]
    assert shares == ["50 %", "<1 %", "48 %", "2 %"]
    assert "junction" in figure.alt


def test_run_and_study_hand_over_to_the_figures():
    assert len(make_run().plot().axes) == 5
    assert make_burst().plot().title == "Burst budget of tern-14"


def test_run_without_firmware_shows_temperatures_only():
    run = make_run(firmware=False)
    figure = plot_run(run)
    assert len(figure.axes) == 1
    assert figure.axes[0].get_xlabel() == "time, min"
    assert plot_run(run, nodes=["fins.base"]).axes[0].texts[0].get_text() == "fins.base"


def test_two_chips_are_told_apart():
    figure = plot_run(make_run(chips=("cpu", "gpu")))
    rows = {label.get_text() for label in figure.axes[-1].get_yticklabels()}
    assert {"cpu: skin", "gpu: skin"} <= rows


def test_wrong_number_of_axes_is_refused():
    with look():
        axes = new_figure().subplots(2, 1)
    with pytest.raises(ValueError, match="expected 5"):
        plot_run(make_run(), axes)


def test_step_response_is_logarithmic_and_per_watt_on_request():
    run = make_run(firmware=False)
    with look():
        ax = run_figures.step_response(new_figure().subplots(), run, ["cpu.hot_spot"], per_watt=10.0)
    assert ax.get_xscale() == "log"
    top = float(np.max(ax.lines[0].get_ydata()))
    assert top == pytest.approx((run.temperature("cpu.hot_spot")[-1] - 36.0) / 10.0, rel=1e-6)
    assert "K/W" in ax.get_title(loc="left")


def test_names_never_overlap():
    for wanted, gap in (([1.0, 1.1, 1.2, 5.0], 1.0), ([0.0] * 6, 2.0), ([0.0, 10.0], 1.0), ([], 1.0)):
        placed = _apart(wanted, gap)
        assert len(placed) == len(wanted)
        assert all(b - a >= gap - 1e-9 for a, b in pairwise(placed))
    assert _apart([0.0, 10.0], 1.0) == [0.0, 10.0]


def test_svg_is_reproducible_keeps_text_and_carries_no_date():
    one, two = svg_text(draw(make_burst())), svg_text(draw(make_burst()))
    assert one == two
    assert "cpu.junction" in one
    assert not re.search(r"<dc:date>|20\d\d-\d\d-\d\d", one)
    ElementTree.fromstring(one[one.index("<svg") :])


def test_inline_svg_is_accessible_themed_and_has_ids_of_its_own():
    figure = draw(make_burst())
    text = inline_svg(figure, "a")
    root = ElementTree.fromstring(text)
    assert root.get("role") == "img"
    labelled = root.get("aria-labelledby").split()
    found = {e.get("id"): e for e in root.iter() if e.get("id")}
    assert all(found[name].text for name in labelled)
    assert all(name.startswith("a-") for name in found)
    for target in re.findall(r'(?:url\(#|href="#)([^)"]+)', text):
        assert target in found
    assert "var(--orange, #d55e00)" in text
    assert "<style" not in text
    other = ElementTree.fromstring(inline_svg(figure, "b"))
    assert not set(found) & {e.get("id") for e in other.iter() if e.get("id")}


def test_small_svg_for_notebooks():
    assert len(svg(make_burst())) < 50_000
    page = make_burst()._repr_html_()
    assert "<svg" in page
    assert "<safety>" not in page
    assert "<svg" in draw(make_burst())._repr_svg_()


def test_files(tmp_path):
    paths = save_figure(draw(make_times()), tmp_path / "times")
    assert [p.suffix for p in paths] == [".svg", ".png"]
    assert paths[1].read_bytes()[:4] == b"\x89PNG"


def test_dark_and_axes_of_ones_own():
    figure = draw(make_burst(), dark=True)
    assert to_hex(figure.get_facecolor()) == DARK["paper"]
    with look():
        own = new_figure()
        ax = own.subplots()
    assert draw(make_burst(), ax=ax) is own


def test_drawing_leaves_no_trace_in_global_settings():
    before = dict(mpl.rcParams)
    draw(make_burst(), dark=True)
    plot_run(make_run())
    assert dict(mpl.rcParams) == before
    assert "matplotlib.pyplot" not in sys.modules


def test_unknown_figures_and_missing_columns_are_named():
    with pytest.raises(LookupError, match="power_duration"):
        make_burst().plot("pie")
    with pytest.raises(LookupError, match="there is: none"):
        draw(make_burst(name="unheard_of"))
    with pytest.raises(LookupError, match="binds"):
        draw(make_burst(table=make_burst().table.drop(columns="binds")))


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.03, "30 ms"), (1.0, "1 s"), (59.0, "59 s"), (90.0, "1.5 min"), (7200.0, "2 h")]
)
def test_time_text(seconds, text):
    assert time_text(seconds) == text
