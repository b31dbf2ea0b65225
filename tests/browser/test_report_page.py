"""The report in a real browser: it opens from a file, asks nothing of the network and loses nothing."""

import pytest

from thermnet import cli

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    words = [
        "burst",
        "tern-14",
        "--duration",
        "1,10,60",
        "--load",
        "compile",
        "--out",
        str(folder),
        "--quiet",
    ]
    assert cli.main(words) == 0
    return folder / "report.html"


@pytest.mark.parametrize("width", [1280, 400])
def test_report_stands_alone(page, report, width):
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(report.as_uri())
    assert page.trouble == []
    assert page.asked == [report.as_uri()], "the page asks for more than itself"
    assert page.locator("h1").count() == 1
    for figure in page.locator("figure svg, svg[role=img]").all():
        box = figure.bounding_box()
        assert box["width"] > 200
        assert box["height"] > 100
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide <= 1, f"the page is {wide} px wider than the window"
