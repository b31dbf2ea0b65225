"""Figures of one run: temperatures, power, fan and noise, which limit binds, and the response to a step."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from thermnet.run import Run
from thermnet.show.axis import log_time, plain_time, room_above, time_text
from thermnet.show.style import LINES, Drawing, colours, look, mark_of, name_ends, new_figure, settle
from thermnet.show.thin import share, spans, thin

STACK_WORDS = ("plate", "chamber", "pipe", "fins")
"""Words in node names by which the cooling stack is found, most telling first."""

FAINTEST = 15.0
"""dBA: below this a fan is lost in the quietest room; not drawn."""

NEAR = 8.0
"""K below its limit from which any part deserves a line."""


def telling_nodes(run: Run, most: int = 5) -> list[str]:
    """Choose the nodes worth showing: those a limit watches (nearest to it first per kind), then the stack.

    Returns
    -------
    list of str
        At most ``most`` node names, hottest at the end of the run first.
    """
    chosen: list[str] = []
    margins = [
        (limit.value - float(np.max(run.temperature(limit.node))), limit)
        for limit in run.limits
        if limit.node
    ]
    margins.sort(key=lambda pair: pair[0])
    for kind in ("junction", "skin", None):
        # Beside junction and skin, the limit that is met first, if it comes near at all.
        near = [
            limit.node
            for margin, limit in margins
            if (limit.kind == kind if kind else margin < NEAR and limit.kind not in ("junction", "skin"))
        ]
        chosen += near[:1]
    inner = [name for name in run.names if name not in run.boundaries]
    for word in STACK_WORDS:
        found = [name for name in inner if word in name.split(".")[0] and "air" not in name]
        if found and len(chosen) < most:
            hottest = max(found, key=lambda name: float(run.temperature(name)[-1]))
            if hottest not in chosen:
                chosen.append(hottest)
        if len(chosen) >= 4 and margins:
            break
    if not chosen:
        chosen = sorted(inner, key=lambda name: -float(np.max(run.temperature(name))))[:most]
    return sorted(chosen[:most], key=lambda name: -float(run.temperature(name)[-1]))


def temperatures(ax: Axes, run: Run, nodes: Sequence[str] | None = None, *, dark: bool = False) -> Axes:
    """Temperatures of some nodes over time, with the limits that watch them."""
    c = colours(dark)
    chosen = list(nodes) if nodes is not None else telling_nodes(run)
    divisor, _ = plain_time(ax, float(run.time[-1]))
    ends, seen = [], []
    for (colour, dashes), name in zip(_cycle(len(chosen)), chosen, strict=True):
        t, v = thin(run.time / divisor, run.temperature(name))
        ax.plot(t, v, color=c[colour], linestyle=dashes)
        ends.append((float(v[-1]), name, c[colour]))
        seen += [v.min(), v.max()]
    levels: dict[float, list[str]] = {}
    for limit in run.limits:
        if limit.node in chosen:
            levels.setdefault(float(limit.value), []).append(limit.kind)
    for value, kinds in levels.items():
        ax.axhline(value, color=c["quiet"], linewidth=1.0, linestyle=(0, (2, 2)))
        ends.append((value, f"{' and '.join(sorted(set(kinds)))} limit {value:g}", c["quiet"]))
    room_above(ax, seen, list(levels))
    ax.set_title("Temperature, °C")
    name_ends(ax, ends)
    return ax


def powers(ax: Axes, run: Run, *, dark: bool = False) -> Axes:
    """Power of each chip over time, and its running average."""
    c = colours(dark)
    divisor, _ = plain_time(ax, float(run.time[-1]))
    channel, ends, top = run.channels["power"], [], 0.0
    for i, ((colour, dashes), chip) in enumerate(
        zip(_cycle(len(channel.labels)), channel.labels, strict=True)
    ):
        t, v = thin(run.time / divisor, channel.values[:, i])
        ax.plot(t, v, color=c[colour], linestyle=dashes, linewidth=1.6)
        ends.append((float(v[-1]), chip, c[colour]))
        top = max(top, float(np.nanmax(v)))
        if "average_power" in run.channels:
            t, v = thin(run.time / divisor, run.channel("average_power", chip))
            ax.plot(t, v, color=c["quiet"], linestyle=(0, (1, 1.2)), linewidth=1.4)
            ends.append(
                (float(v[-1]), f"{chip} average" if len(channel.labels) > 1 else "average", c["quiet"])
            )
    ax.set_ylim(0.0, 1.1 * max(top, 1.0))
    ax.set_title("Chip power, W")
    name_ends(ax, ends)
    return ax


def fans(ax: Axes, run: Run, *, dark: bool = False) -> Axes:
    """Speed of each fan over time."""
    c = colours(dark)
    divisor, _ = plain_time(ax, float(run.time[-1]))
    channel, ends, top = run.channels["fan_speed"], [], 0.0
    for i, ((colour, dashes), fan) in enumerate(
        zip(_cycle(len(channel.labels), 1), channel.labels, strict=True)
    ):
        t, v = thin(run.time / divisor, channel.values[:, i])
        ax.plot(t, v, color=c[colour], linestyle=dashes, linewidth=1.6)
        ends.append((float(v[-1]), fan, c[colour]))
        top = max(top, float(np.nanmax(v)))
    ax.set_ylim(0.0, 1.15 * max(top, 100.0))
    ax.set_title("Fan speed, rpm")
    name_ends(ax, ends)
    return ax


def noise(ax: Axes, run: Run, *, dark: bool = False) -> Axes:
    """Noise at the operator over time."""
    c = colours(dark)
    divisor, _ = plain_time(ax, float(run.time[-1]))
    t, v = thin(run.time / divisor, run.channels["noise"].values[:, 0])
    audible = np.where(v > FAINTEST, v, np.nan)
    ax.plot(t, audible, color=c["green"], linestyle=LINES[2][1], linewidth=1.6)
    room_above(ax, audible[np.isfinite(audible)] if np.isfinite(audible).any() else [0.0, 30.0])
    ax.set_title("Noise at the operator, dBA")
    if np.isfinite(audible).any():
        last = audible[np.isfinite(audible)][-1]
        name_ends(ax, [(float(last), "noise", c["green"])])
    return ax


def binding(ax: Axes, run: Run, *, dark: bool = False) -> Axes:
    """Which limit binds over time: a row per limit and chip, with its share of the time."""
    c = colours(dark)
    duration = float(run.time[-1])
    divisor, unit = plain_time(ax, duration)
    channel = run.channels["limit"]
    rows = [
        (i, chip, code, flag)
        for i, chip in enumerate(channel.labels)
        for code, flag in enumerate(channel.flags)
        if np.any(channel.values[:-1, i] == code)
    ]
    labels = []
    for y, (i, chip, code, flag) in enumerate(reversed(rows)):
        mark = mark_of(flag)
        bars = spans(run.time / divisor, channel.values[:, i], code, shortest=duration / divisor / 500.0)
        ax.broken_barh(
            bars,
            (y - 0.36, 0.72),
            facecolor=c["paper" if mark.hatch else "faint"],
            edgecolor=c[mark.colour],
            hatch=mark.hatch,
            linewidth=0.9,
        )
        part = share(run.time, channel.values[:, i], code)
        text = "<1 %" if 0 < part < 0.01 else f"{part:.0%}".replace("%", " %")
        ax.text(
            1.025,
            y,
            text,
            transform=ax.get_yaxis_transform(),
            va="center",
            ha="left",
            color=c["ink"],
            fontsize=10,
        )
        labels.append(f"{chip}: {flag}" if len(channel.labels) > 1 else flag)
    ax.set_yticks(range(len(rows)), labels)
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel(f"time, {unit}")
    ax.set_title("What holds the power, and for what share of the time")
    return ax


def step_response(
    ax: Axes,
    run: Run,
    nodes: Sequence[str] | None = None,
    *,
    per_watt: float | None = None,
    dark: bool = False,
) -> Axes:
    """Rise of temperatures over logarithmic time, in K, or in K/W where ``per_watt`` W is the step."""
    c = colours(dark)
    chosen = list(nodes) if nodes is not None else telling_nodes(run)
    positive = run.time > 0
    time = run.time[positive]
    scale = 1.0 if per_watt is None else 1.0 / per_watt
    ends, seen = [], [0.0]
    for (colour, dashes), name in zip(_cycle(len(chosen)), chosen, strict=True):
        rise = (run.temperature(name) - run.temperature(name)[0]) * scale
        keep = _even_in_log(time)
        ax.plot(time[keep], rise[positive][keep], color=c[colour], linestyle=dashes)
        ends.append((float(rise[-1]), name, c[colour]))
        seen += [float(rise.min()), float(rise.max())]
    log_time(ax, float(time[0]), float(time[-1]))
    room_above(ax, seen)
    ax.set_xlabel("time after the step (logarithmic)")
    ax.set_title("Rise since the start, K" if per_watt is None else "Rise per watt of the step, K/W")
    name_ends(ax, ends)
    return ax


def plot_run(
    run: Run, axes: Any = None, *, nodes: Sequence[str] | None = None, dark: bool = False
) -> Drawing:
    """Draw the strips of a run, one above the other on one time axis.

    Parameters
    ----------
    run : Run
    axes : sequence of Axes, optional
        As many as there are strips (temperatures, then power, fans, noise and binding limits where recorded);
        a figure of its own if left out.
    nodes : sequence of str, optional
        Whose temperatures to show; :func:`telling_nodes` if left out.

    Returns
    -------
    Drawing
    """
    strips: list[tuple[Any, float]] = [(lambda ax, run, dark: temperatures(ax, run, nodes, dark=dark), 3.0)]
    if "power" in run.channels:
        strips.append((powers, 1.7))
    if "fan_speed" in run.channels:
        strips.append((fans, 1.3))
    if "noise" in run.channels and np.isfinite(run.channels["noise"].values).any():
        strips.append((noise, 1.1))
    if "limit" in run.channels:
        channel = run.channels["limit"]
        rows = sum(len(np.unique(channel.values[:-1, i])) for i in range(len(channel.labels)))
        strips.append((binding, 0.45 + 0.32 * rows))
    with look(dark):
        if axes is None:
            figure = new_figure(7.6, 1.0 + 0.92 * sum(height for _, height in strips))
            ratios = [height for _, height in strips]
            axes = figure.subplots(len(strips), 1, sharex=True, height_ratios=ratios, squeeze=False)[:, 0]
        axes = np.atleast_1d(np.asarray(axes, dtype=object))
        if len(axes) != len(strips):
            raise ValueError(f"axes: {len(axes)} given; expected {len(strips)}, one per strip")
        for ax, (draw, _) in zip(axes, strips, strict=True):
            draw(ax, run, dark=dark)
        if "limit" not in run.channels:
            axes[-1].set_xlabel(f"time, {plain_time(axes[-1], float(run.time[-1]))[1]}")
        figure = axes[0].get_figure(root=True)
        settle(figure)
    if isinstance(figure, Drawing):
        figure.title = run_title(run)
        figure.alt = describe_run(run)
    return figure  # type: ignore[no-any-return]


def run_title(run: Run) -> str:
    """One line: design, mode, workload, room."""
    origin = run.provenance
    bits = [str(origin[key]) for key in ("design", "mode", "workload") if origin.get(key)]
    room = origin.get("ambient", origin.get("ambient_degC"))
    if isinstance(room, (int, float)):
        bits.append(f"{room:g} °C")
    return ", ".join(bits) or "Run"


def describe_run(run: Run) -> str:
    """Say in words what the strips show, for readers who do not see them."""
    parts = [f"{run_title(run)}, over {time_text(float(run.time[-1]))}."]
    for name in telling_nodes(run):
        values = run.temperature(name)
        parts.append(f"{name} from {values[0]:.1f} to {values[-1]:.1f} °C, highest {values.max():.1f} °C.")
    if "power" in run.channels:
        for i, chip in enumerate(run.channels["power"].labels):
            values = run.channels["power"].values[:, i]
            parts.append(
                f"{chip} power from {values[0]:.1f} to {values[-1]:.1f} W, highest {values.max():.1f} W."
            )
    if "limit" in run.channels:
        channel = run.channels["limit"]
        for i, chip in enumerate(channel.labels):
            held = [
                f"{flag} {share(run.time, channel.values[:, i], code):.0%}"
                for code, flag in enumerate(channel.flags)
                if np.any(channel.values[:-1, i] == code)
            ]
            parts.append(f"{chip} held by: {', '.join(held)} of the time.")
    return " ".join(parts)


def _cycle(count: int, start: int = 0) -> list[tuple[str, Any]]:
    return [LINES[(start + i) % len(LINES)] for i in range(count)]


def _even_in_log(time: Any, points: int = 500) -> Any:
    """Positions of about ``points`` samples spread evenly over the logarithm of time."""
    if time.size <= points:
        return np.arange(time.size)
    wanted = np.geomspace(time[0], time[-1], points)
    return np.unique(np.clip(np.searchsorted(time, wanted), 0, time.size - 1))
