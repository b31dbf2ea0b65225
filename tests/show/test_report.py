import re
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

import thermnet as tn
from thermnet.show.report import parameter_rows, report, write_report
from thermnet.show.text import run_text, study_text, table_text

sys.path.insert(0, str(Path(__file__).parent))
from made_up import make_burst, make_run, make_times

VOID = {"meta", "br", "wbr", "link", "img", "hr", "input"}


class Outline(HTMLParser):
    """Checks nesting and collects ids, targets and headings."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open, self.ids, self.targets, self.levels, self.tags = [], [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        given = dict(attrs)
        if "id" in given:
            self.ids.append(given["id"])
        if "href" in given:
            self.targets.append(given["href"])
        self.targets += [f"#{name}" for name in given.get("aria-labelledby", "").split()]
        if re.fullmatch(r"h[1-6]", tag):
            self.levels.append(int(tag[1]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def page():
    return report(
        [make_burst(), make_times()], [make_run()], made="2026-01-01", command="thermnet burst x --out 'a b'"
    )


def outline(page):
    parsed = Outline()
    parsed.feed(page)
    assert parsed.open == []
    return parsed


def test_page_is_well_formed_with_unique_ids_and_live_targets(page):
    parsed = outline(page)
    assert len(parsed.ids) == len(set(parsed.ids))
    for target in parsed.targets:
        assert target.startswith("#")
        assert target[1:] in parsed.ids
    assert parsed.levels[0] == 1
    assert parsed.levels.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(parsed.levels, parsed.levels[1:], strict=False))


def test_page_needs_nothing_from_outside_and_no_script(page):
    parsed = outline(page)
    assert not {"script", "link", "img", "iframe", "object"} & set(parsed.tags)
    assert set(re.findall(r"https?://[^\s\"'<)]+", page)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert "@import" not in page
    assert "default-src 'none'" in page


def test_texts_are_escaped(page):
    assert "<safety>" not in page
    assert "&lt;safety&gt;" in page
    assert "throttled &lt;at&gt; its junction" in page
    hostile = make_burst(title='<script>alert("x")</script>', assumptions=('"><img src=x>',), caution=None)
    text = report([hostile], title="<b>bold</b>")
    assert "<script" not in text
    assert "<img" not in text
    assert "<b>bold" not in text


def test_page_holds_figures_tables_facts_and_provenance(page):
    assert page.count('role="img"') == 3
    assert "28.3 W" in page
    assert "from 15 W" in page
    assert "Signs of trouble" in page
    assert "tern-14" in page
    assert "thermnet burst x --out &#39;a b&#39;" in page
    assert "Made 2026-01-01" in page


def test_page_is_reproducible(page):
    again = report(
        [make_burst(), make_times()], [make_run()], made="2026-01-01", command="thermnet burst x --out 'a b'"
    )
    assert again == page


def test_page_follows_light_dark_and_print(page):
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page
    assert "var(--ink, #1d2328)" in page


def test_nothing_to_report_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        report()


def test_parameters_come_with_range_meaning_and_source():
    design = tn.load_design("tern-14")
    rows = {(row.group, row.key): row for row in parameter_rows(design, "desk")}
    limit = rows["mode desk", "chips.cpu.burst_limit"]
    assert limit.value.endswith(" W")
    assert " to " in limit.range
    assert limit.meaning
    assert not any(group.startswith("mode ") and group != "mode desk" for group, _ in rows)
    assert any(group == "joints" for group, _ in rows)
    text = report([make_burst()], design=design, mode="desk")
    assert "Parameters used" in text
    outline(text)


def test_values_outside_the_usual_range_are_marked():
    design = tn.load_design("tern-14").replace(ambient="50 degC")
    row = next(row for row in parameter_rows(design) if row.key == "ambient")
    assert row.outside
    text = report([make_burst()], design=design)
    assert "! 50 degC" in text
    assert "1 value stands</span> outside the range met in practice" in " ".join(text.split())


def test_write_report_returns_its_path(tmp_path):
    path = write_report(tmp_path / "page.html", [make_burst()])
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_long_tables_are_cut_with_a_note():
    import pandas as pd

    table = pd.DataFrame({"x_W": range(200)})
    text = report([make_burst(name="other", table=table, tables={})])
    assert "first 60 of 200 rows" in text


def test_columns_without_any_value_are_named_instead_of_printed():
    text = report([make_times(table=make_times().table.assign(first_battery_s=float("nan")))])
    assert "Columns without any value: first battery, s." in text
    assert ">first battery, s</th>" not in text


def test_what_is_the_same_in_every_row_of_a_wide_table_is_said_once():
    import pandas as pd

    columns = {f"value_{k}_W": [float(k), k + 1.0] for k in range(8)}
    text = report([make_burst(name="other", table=pd.DataFrame(columns | {"posture": "desk"}), tables={})])
    assert "In every row: posture desk." in text
    assert ">posture</th>" not in text
    assert ">value 3, W</th>" in text


def test_tables_as_text_line_up():
    lines = table_text(make_burst().table).splitlines()
    assert lines[0].split() == ["duration,", "s", "power,", "W", "binds"]
    assert lines[2].endswith("cpu.junction")
    ends = {line.index("cpu.junction") for line in lines if "cpu.junction" in line}
    assert len(ends) == 1
    assert "more rows" in table_text(make_burst().table, most=2)


def test_study_and_run_as_text():
    text = study_text(make_burst())
    assert "sustained power: 28.3 W" in text
    assert "Caution: Not a <safety> test." in text
    told = run_text(make_run(), "A run")
    assert "sustained limit" in told
    assert "margin, K" in told
    assert "Sign of trouble at 0.4 s" in told
    assert run_text(make_run(firmware=False), "Bare")
