"""Moving an explorer's sliders in JupyterLab, and watching what is painted; shared by tests and the latency benchmark."""

import base64
import io
import json

import numpy as np
from PIL import Image

WATCH = """() => {
  // The moment of the last key or mouse move, and of the first frame after a changed picture has been painted.
  const now = () => document.querySelector('.tn-picture');
  const w = window.tnWatch = {moves: [], frames: 0, blank: 0, start: null, source: now().src, until: null};
  const begin = event => { if (w.start === null) { w.start = performance.now(); w.source = now()?.src; } };
  document.addEventListener('keydown', begin, true);
  const look = () => {
    w.frames += 1;
    const img = now();
    if (!img || !img.complete || img.naturalWidth === 0) w.blank += 1;
    else if (w.start !== null && img.src !== w.source) {
      const start = w.start;
      w.start = null;
      // Changed before this frame: it is on the screen when the next one begins.
      requestAnimationFrame(() => w.moves.push(performance.now() - start));
    }
    requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
}"""


def write_notebook(path, *sources):
    """Write a notebook of code cells."""
    cells = [
        {"cell_type": "code", "id": f"cell-{k}", "metadata": {}, "source": text, "outputs": [], "execution_count": None}
        for k, text in enumerate(sources)
    ]  # fmt: skip
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    content = {"cells": cells, "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
    path.write_text(json.dumps(content), encoding="utf-8")


def open_explorer(page, lab, run_all, call):
    """Open a notebook with one call of an explorer, run it, and wait for its picture."""
    write_notebook(lab.folder / "explorer.ipynb", "import thermnet as tn", call)
    page.set_viewport_size({"width": 1560, "height": 1080})
    run_all(page, lab.address("explorer.ipynb"))
    page.locator(".tn-picture").wait_for()
    settled(page)
    # Not by a locator: the element is another one after every redraw.
    page.evaluate("document.querySelector('.tn-picture').scrollIntoView({block: 'nearest'})")
    settled(page)


def settled(page, still=400):
    """Wait until the picture has not changed for ``still`` ms."""
    page.evaluate("window.tnStill = null")
    page.wait_for_function(
        """still => {
          const src = document.querySelector('.tn-picture')?.src, kept = window.tnStill;
          if (!kept || kept.src !== src) { window.tnStill = {src, since: performance.now()}; return false; }
          return performance.now() - kept.since > still;
        }""",
        arg=still,
    )


def handle(page, control):
    """Handle of a slider by control name."""
    return page.locator(f".tn-{control.replace('_', '-')} .noUi-handle").last


def press(page, control, keys, rest=60):
    """Press keys on a slider one by one, each after its picture is painted; returns ms from key to paint of each."""
    if page.evaluate("!window.tnWatch"):
        page.evaluate(WATCH)
    knob = handle(page, control)
    knob.scroll_into_view_if_needed()
    knob.focus()
    settled(page)
    page.evaluate("window.tnWatch.moves = []; window.tnWatch.start = null")
    for k, key in enumerate(keys):
        page.keyboard.press(key)
        page.wait_for_function(f"window.tnWatch.moves.length > {k}", timeout=20_000, polling="raf")
        page.wait_for_timeout(rest)
    return page.evaluate("window.tnWatch.moves")


def frames_while(page, act):
    """Composited frames (arrays) of the page while something is done."""
    session, shots = page.context.new_cdp_session(page), []

    def keep(shot):
        shots.append(shot["data"])
        session.send("Page.screencastFrameAck", {"sessionId": shot["sessionId"]})

    session.on("Page.screencastFrame", keep)
    session.send("Page.startScreencast", {"format": "jpeg", "quality": 60, "everyNthFrame": 1})
    act()
    page.wait_for_timeout(300)
    session.send("Page.stopScreencast")
    session.detach()
    return [
        np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("L"), dtype=float) for data in shots
    ]


def blank_frames(page, frames):
    """Count frames in which the picture's place shows less than half the ink of the usual one."""
    box, size = page.locator(".tn-picture").bounding_box(), page.viewport_size
    ink = []
    for frame in frames:
        sx, sy = frame.shape[1] / size["width"], frame.shape[0] / size["height"]
        part = frame[
            int(box["y"] * sy) : int((box["y"] + box["height"]) * sy),
            int(box["x"] * sx) : int((box["x"] + box["width"]) * sx),
        ]
        ink.append(float(np.mean(np.abs(part - np.median(part)) > 40)))
    return sum(share < 0.5 * float(np.median(ink)) for share in ink)
