"""How a panel looks in the browser: calm, wide enough to read, following the page's light or dark colours."""

SHEET = """
.tn-panel { --tn-ink: var(--jp-ui-font-color1, #1d2328); --tn-quiet: var(--jp-ui-font-color2, #5a626a);
  --tn-paper: var(--jp-layout-color1, #fff); --tn-line: var(--jp-border-color2, #dde1e5);
  color: var(--tn-ink); background: var(--tn-paper); border: 1px solid var(--tn-line); border-radius: 8px;
  --jp-widgets-slider-handle-size: 14px;
  --jp-widgets-dropdown-arrow: url("data:image/svg+xml;utf8,<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 18 18'>\
<path d='M5 7l4 4 4-4' fill='none' stroke='%238a9299' stroke-width='2'/></svg>");
  padding: 14px 18px 12px; max-width: 1340px; box-sizing: border-box; font-size: 13px; overflow: visible; }
.tn-panel .widget-html-content { font-size: 13px; line-height: 1.45; }
.tn-head h3 { margin: 0; font-size: 17px; font-weight: 600; }
.tn-head p { margin: 1px 0 6px; color: var(--tn-quiet); }
.tn-controls { width: 308px; flex: 0 0 308px; margin-right: 10px; padding-left: 3px; box-sizing: border-box;
  max-height: max(560px, calc(100vh - 230px)); overflow: hidden auto; padding-bottom: 10px; }
.tn-controls > * { flex: 0 0 auto; margin-right: 12px; }
.tn-controls h4 { margin: 12px 0 2px; font-size: 11.5px; font-weight: 600; letter-spacing: .04em; color: var(--tn-quiet);
  border-bottom: 1px solid var(--tn-line); padding-bottom: 2px; }
.tn-control { overflow: visible; align-items: flex-end; }
.tn-control .widget-slider { flex-wrap: wrap; height: auto; width: 196px; margin: 1px 6px 1px 0; overflow: visible; }
.tn-control .widget-slider > .widget-label { flex: 0 0 auto; width: auto; max-width: none; line-height: 20px; height: 20px;
  justify-content: flex-start; text-align: left; white-space: nowrap; overflow: visible; }
.tn-control .widget-slider .slider-container { flex: 1 0 100%; margin: 6px 0 0 7px; }
.tn-control .widget-text { width: 78px; margin: 1px 0; }
.tn-control .widget-text > .widget-label { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
.tn-control .widget-text input { text-align: right; }
.tn-choice .widget-dropdown { flex-wrap: wrap; height: auto; width: 280px; margin: 1px 0 3px; }
.tn-choice .widget-dropdown > .widget-label { flex: 1 0 100%; width: auto; line-height: 20px; height: 20px; text-align: left;
  justify-content: flex-start; }
.tn-choice .widget-dropdown > select { height: 24px; }
.tn-asleep { opacity: .45; }
.tn-show { flex: 1 1 600px; min-width: 320px; overflow: visible; }
.tn-picture { display: block; max-width: 100%; height: auto; }
.tn-figure { margin: 0; }
body[data-jp-theme-light="false"] .tn-panel:not(.tn-joint) .tn-figure.tn-light .tn-picture { filter: invert(.92) hue-rotate(180deg); }
.tn-panel dl.tn-facts { display: flex; flex-wrap: wrap; gap: 6px 28px; margin: 8px 0 2px; padding: 9px 0 0; min-height: 46px;
  border-top: 1px solid var(--tn-line); }
.tn-panel dl.tn-facts > div { min-width: 104px; }
.tn-panel .tn-facts dt, .tn-panel .tn-facts dd { display: block; float: none; width: auto; margin: 0; padding: 0; }
.tn-panel .tn-facts dt { color: var(--tn-quiet); font-size: 12px; font-weight: 400; }
.tn-panel .tn-facts dd { font-size: 14.5px; font-variant-numeric: tabular-nums; }
.tn-panel .tn-facts small { color: var(--tn-quiet); font-size: 12px; }
.tn-panel table.tn-table { border-collapse: collapse; margin: 8px 0 4px; font-size: 13px; font-variant-numeric: tabular-nums; }
.tn-panel table.tn-table th, .tn-panel table.tn-table td { padding: 4px 14px 4px 0 !important; text-align: right !important;
  border: 0; border-bottom: 1px solid var(--tn-line); background: transparent !important; color: var(--tn-ink);
  font-weight: 400 !important; max-width: none; }
.tn-panel table.tn-table thead th { color: var(--tn-quiet); font-size: 12px; vertical-align: bottom; line-height: 1.25; }
.tn-panel table.tn-table tbody th { text-align: left !important; font-weight: 600 !important; white-space: nowrap; }
.tn-panel table.tn-table thead th:first-child { text-align: left !important; }
.tn-panel table.tn-table .tn-was th, .tn-panel table.tn-table .tn-was td { color: var(--tn-quiet); font-weight: 400 !important; }
.tn-caution { border-left: 4px solid #d55e00; padding: 4px 10px; margin: 8px 0 0; max-width: 75em; }
.tn-note { color: var(--tn-quiet); font-size: 12px; margin: 8px 0 0; max-width: 80em; }
.tn-trouble { border-left: 4px solid #d55e00; padding: 4px 10px; margin: 4px 0; white-space: pre-wrap; font-weight: 600; }
.tn-said { color: var(--tn-quiet); margin: 4px 0; min-height: 1.4em; }
.tn-panel pre.tn-call { margin: 2px 0 0; padding: 6px 10px; border: 1px solid var(--tn-line); border-radius: 4px; white-space: pre-wrap;
  word-break: normal; overflow-wrap: anywhere; background: transparent; color: var(--tn-ink);
  line-height: 1.5;
  font-family: var(--jp-code-font-family, monospace); font-size: 12.5px; user-select: all; }
.tn-buttons { flex-wrap: wrap; overflow: visible; margin-top: 6px; }
.tn-buttons .widget-button, .tn-buttons .widget-toggle-button { width: auto; padding: 0 12px; border-radius: 4px; height: 30px;
  line-height: 28px; background: transparent; border: 1px solid var(--tn-line); color: var(--tn-ink); box-shadow: none; }
.tn-buttons .widget-button:hover { border-color: var(--tn-quiet); }
.tn-buttons .widget-toggle-button.mod-active { border-color: var(--tn-ink); }
.tn-buttons button:focus-visible, .tn-panel .noUi-handle:focus-visible, .tn-panel input:focus-visible,
.tn-panel select:focus-visible { outline: 2px solid #2a8fd0 !important; outline-offset: 1px; }
.tn-panel .noUi-connect { background: #3f7fa8; }
.tn-panel .noUi-handle { background: #3f7fa8; border-color: #3f7fa8; box-shadow: none; }
"""

NAMES_FOR_HANDLES = """
const name = () => element.closest('.tn-panel')?.querySelectorAll('.widget-slider').forEach(slider => {
  const handle = slider.querySelector('.noUi-handle'), label = slider.querySelector('.widget-label');
  if (handle && label) handle.setAttribute('aria-label', label.textContent); });
[0, 200, 800, 2500].forEach(after => setTimeout(name, after));"""
"""Gives slider handles the name beside them, which ipywidgets leaves out.

Shown as an output, the way in which notebooks and voila run a script; a script inside an HTML widget does not run.
"""
