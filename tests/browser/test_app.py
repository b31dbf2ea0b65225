"""The app: started by its command, used by keyboard in a real browser."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from explorer_moves import handle, settled

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def app(tmp_path):
    """Address of an app of our own, started from an empty folder."""
    pytest.importorskip("voila")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    names = ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR")
    places = {name: str(tmp_path / name.lower()) for name in names}
    log = (tmp_path / "log").open("w", encoding="utf-8")
    command = [sys.executable, "-m", "thermnet.cli", "app", "--port", str(port)]
    server = subprocess.Popen(
        command, cwd=tmp_path, env={**os.environ, **places}, stdout=log, stderr=subprocess.STDOUT,
        # Tests run in the background of a shell are started deaf to Ctrl-C.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    try:
        address, deadline = f"http://127.0.0.1:{port}/", time.monotonic() + 90
        while True:
            with socket.socket() as door:
                if door.connect_ex(("127.0.0.1", port)) == 0:
                    break
            if server.poll() is not None or time.monotonic() > deadline:
                pytest.fail(f"the app did not start:\n{(tmp_path / 'log').read_text(encoding='utf-8')[-2000:]}")
            time.sleep(0.2)
        yield address
    finally:
        server.send_signal(signal.SIGINT if server.poll() is None else 0)
        try:
            ended = server.wait(timeout=30)
        finally:
            server.kill()
            log.close()
    # Ctrl-C ends it in order, and all that it said on the way is where it was to be found.
    assert ended == 0
    said = (tmp_path / "log").read_text(encoding="utf-8")
    assert said.startswith(f"Explorers and lessons: {address}")
    assert "Traceback" not in said
    assert "not recognized" not in said  # options that voila does not know


def test_a_lesson_is_learned_by_keyboard(page, app):
    page.goto(app, wait_until="commit", timeout=90_000)
    page.locator(".tn-commit").wait_for(timeout=90_000)
    page.locator(".tn-lesson-list select").focus()
    for _ in range(6):
        page.keyboard.press("ArrowDown")
    page.get_by_text("After how many seconds is the power cut back?").wait_for()
    page.get_by_label("Your number, s").focus()
    page.keyboard.type("20 s")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.locator(".tn-score").wait_for(timeout=60_000)
    assert "you said 20 s, the machine says 22.1 s" in page.locator(".tn-score").inner_text()
    figure = page.locator(".tn-lesson-figure svg[role=img]")
    assert figure.count() == 1
    assert len(figure.locator("desc").text_content()) > 30
    assert page.locator("[role=alert]").count() == 0
    if os.environ.get("THERMNET_PICTURES"):
        page.screenshot(path=Path(os.environ["THERMNET_PICTURES"]) / "app_lesson.png", full_page=True)
    # A slip is told, and the other pages are one key away.
    page.get_by_text("Next lesson").press("Enter")
    page.get_by_text("How many percent more work is done?").wait_for()
    page.get_by_label("Your number").press_sequentially("many")
    page.get_by_role("button", name="Commit").press("Enter")
    page.get_by_text("'many' is not a number with a unit").wait_for()
    if os.environ.get("THERMNET_PICTURES"):
        page.screenshot(path=Path(os.environ["THERMNET_PICTURES"]) / "app_slip.png", full_page=True)


def test_every_page_opens_and_shows_no_trouble(page, app):
    from thermnet import explore

    page.goto(app, wait_until="commit", timeout=90_000)
    page.locator(".tn-commit").wait_for(timeout=90_000)
    for name in explore.EXPLORERS:
        page.locator(".tn-menu").get_by_role("button", name=name.capitalize()).press("Enter")
        page.locator(f".tn-panel.tn-{name} .tn-picture").first.wait_for(timeout=60_000)
        assert page.locator("[role=alert], .tn-trouble").count() == 0
        if os.environ.get("THERMNET_PICTURES"):
            page.screenshot(path=Path(os.environ["THERMNET_PICTURES"]) / f"app_{name}.png", full_page=True)
    page.locator(".tn-menu").get_by_role("button", name="Lessons").press("Enter")
    page.locator(".tn-commit").wait_for()
    assert page.trouble == []
    assert [asked for asked in page.asked if not asked.startswith((app, app.replace("http", "ws"), "data:", "blob:"))] == []
    assert page.title() == "thermnet: explorers and lessons"


def test_a_slider_moves_by_mouse(page, app):
    page.goto(app, wait_until="commit", timeout=90_000)
    page.locator(".tn-menu").get_by_role("button", name="Burst").click(timeout=90_000)
    page.locator(".tn-panel.tn-burst .tn-picture").wait_for(timeout=60_000)
    settled(page)
    knob = handle(page, "ambient")
    before, value = page.locator(".tn-picture").get_attribute("src"), float(knob.get_attribute("aria-valuenow"))
    box = knob.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 40, y, steps=8)
    page.mouse.up()
    settled(page)
    assert float(knob.get_attribute("aria-valuenow")) > value + 2.0
    assert page.locator(".tn-picture").get_attribute("src") != before
    assert page.trouble == []


def test_only_this_machine_is_served_by_default(app):
    from thermnet.app.serve import command

    port = int(app.rstrip("/").rsplit(":", 1)[1])
    with socket.socket() as door:
        try:
            door.connect((socket.gethostbyname(socket.gethostname()), port))
            reached = door.getpeername()[0]
        except OSError:
            reached = ""
    assert reached in ("", "127.0.0.1")
    assert "--Voila.ip=127.0.0.1" in command()
    with pytest.raises(urllib.error.HTTPError), urllib.request.urlopen(f"{app}voila/files/../../etc/passwd", timeout=20):
        pass
