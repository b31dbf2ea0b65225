"""The explorers in JupyterLab, moved by keyboard and mouse like by a person; how quick they are is a benchmark."""

import pytest
from explorer_moves import (
    blank_frames,
    frames_while,
    handle,
    open_explorer,
    press,
    settled,
    write_notebook,
)

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def source_of(page):
    return page.locator(".tn-picture").get_attribute("src")


def errors_in_cells(page):
    return page.evaluate("""() => window.jupyterapp.shell.currentWidget.content.widgets
      .filter(c => c.model.type === 'code').map(c => c.model.outputs.toJSON()).flat()
      .filter(o => o.output_type === 'error').map(o => o.ename + ': ' + o.evalue)""")


SLIDERS = (
    ("burst", "burst_power"), ("stack", "chamber_thickness_mm"), ("joint", "clamp_force"), ("firmware", "on_2"),
    ("units", "tol_gap_below_gap_mm"),
)  # fmt: skip
"""A slider of each explorer."""


@pytest.mark.parametrize(("name", "slider"), SLIDERS)
def test_slider_by_keyboard_and_mouse(page, lab, run_all, tmp_path, name, slider):
    open_explorer(page, lab, run_all, f'tn.explore.{name}("tern-14")')
    assert errors_in_cells(page) == []
    knob = handle(page, slider)
    first, value = source_of(page), float(knob.get_attribute("aria-valuenow"))

    # By keyboard: each press paints another picture, and none of the frames between is blank.
    pictures = {first}
    for _ in range(5):
        press(page, slider, ["ArrowRight"])
        pictures.add(source_of(page))
    assert len(pictures) == 6
    assert float(knob.get_attribute("aria-valuenow")) > value
    frames, blank = page.evaluate("[window.tnWatch.frames, window.tnWatch.blank]")
    assert frames > 10
    assert blank == 0

    # By mouse: dragged a good way in many small moves, held keys before it.
    def drag():
        box = knob.bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        for k in range(1, 21):
            page.mouse.move(x + 2 * k, y)
            page.wait_for_timeout(16)
        page.mouse.up()

    page.wait_for_timeout(1000)  # a pause: what follows is undone apart
    before = source_of(page)
    shots = frames_while(page, drag)
    settled(page)
    assert source_of(page) != before
    assert len(shots) >= 5
    assert blank_frames(page, shots) == 0
    page.screenshot(path=tmp_path / f"{name}.png")

    # The last value wins: the picture is that of the state the call tells.
    call = page.locator(".tn-call").inner_text().replace("\n", "")
    assert f"{slider}=" in call
    page.locator(".tn-button-undo").click()
    settled(page)
    assert source_of(page) == before
    assert errors_in_cells(page) == []
    assert [text for text in page.trouble if "favicon" not in text] == []


def test_controls_can_be_read_and_reached(page, lab, run_all):
    """Every control has a name with its unit for those who do not see it, and the picture a text alternative."""
    open_explorer(page, lab, run_all, 'tn.explore.burst("tern-14")')
    field = page.get_by_role("spinbutton", name="Burst power, W")
    field.fill("80")
    field.press("Enter")
    settled(page)
    assert handle(page, "burst_power").get_attribute("aria-valuenow") == "80.0"
    assert page.get_by_role("slider", name="Burst power, W").count() == 1
    assert page.evaluate("""() => [...document.querySelectorAll('.tn-panel .widget-slider')].every(s =>
      s.querySelector('.noUi-handle').getAttribute('aria-label') === s.querySelector('.widget-label').textContent)""")
    assert page.get_by_role("combobox", name="Mode").count() == 1
    assert "burst power held for" in page.get_by_role("img", name="tern-14").get_attribute("alt")
    # From the slider, Tab leads to its text field.
    handle(page, "burst_power").focus()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.value") == "80"


def test_lower_controls_are_reached_beside_the_picture(page, lab, run_all):
    """A long column of controls scrolls by itself: its last slider and the picture are on the screen together."""
    open_explorer(page, lab, run_all, 'tn.explore.firmware("tern-14")')
    page.evaluate("document.querySelector('.tn-panel').scrollIntoView({block: 'start'})")
    knob = handle(page, "skin_limit")
    knob.focus()
    page.wait_for_timeout(300)
    high = page.viewport_size["height"]
    for box in (knob.bounding_box(), page.locator(".tn-picture").bounding_box()):
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= high


def test_trouble_in_a_callback_is_seen(page, lab, run_all):
    write_notebook(
        lab.folder / "trouble.ipynb", "import thermnet as tn", "panel = tn.explore.burst()",
        "def fails(*_):\n    raise ArithmeticError('out of range')\ntype(panel.session.explorer).pictures = fails\npanel",
    )  # fmt: skip
    run_all(page, lab.address("trouble.ipynb"))
    knob = handle(page, "ambient")
    knob.focus()
    page.keyboard.press("ArrowRight")
    page.get_by_role("alert").get_by_text("out of range").wait_for(timeout=10_000)
    assert page.locator(".tn-picture").count() == 1


def test_dark_page(page, lab, run_all):
    """On a dark page the panel follows, and the picture is dark too."""
    open_explorer(page, lab, run_all, 'tn.explore.stack("tern-14")')
    page.evaluate("window.jupyterapp.commands.execute('apputils:change-theme', {theme: 'JupyterLab Dark'})")
    page.wait_for_function("document.body.dataset.jpThemeLight === 'false'")
    page.wait_for_timeout(300)
    ink, paper = page.evaluate("""() => { const s = getComputedStyle(document.querySelector('.tn-panel'));
      return [s.color, s.backgroundColor].map(c => c.match(/\\d+/g).slice(0, 3).map(Number).reduce((a, b) => a + b)); }""")
    assert ink > 400 > paper
    shot = frames_while(page, lambda: page.locator(".tn-button-dark").click())
    assert shot
    settled(page)
    frame = frames_while(page, lambda: page.mouse.move(5, 5))[-1]
    box = page.locator(".tn-picture").bounding_box()
    scale = frame.shape[1] / page.viewport_size["width"]
    part = frame[
        int(box["y"] * scale) : int((box["y"] + 300) * scale),
        int(box["x"] * scale) : int((box["x"] + 600) * scale),
    ]
    assert float(part.mean()) < 80  # mostly dark
