"""Plots and reports: take studies and runs, hold no physics.

Figures are matplotlib figures outside pyplot; drawing functions take axes and return them.
"""

from __future__ import annotations

from typing import Any

__all__ = ["draw", "plot_run", "svg"]


def draw(study: Any, figure: str | None = None, **options: Any) -> Any:
    """Draw one figure of a study; see :meth:`thermnet.studies.study.Study.plot`."""
    from thermnet.show import figures

    return figures.draw(study, figure, **options)


def plot_run(run: Any, axes: Any = None, **options: Any) -> Any:
    """Draw the strips of a run; see :func:`thermnet.show.run_figures.plot_run`."""
    from thermnet.show import run_figures

    return run_figures.plot_run(run, axes, **options)


def svg(study: Any, figure: str | None = None) -> str:
    """Draw one figure of a study as an inline ``<svg>`` element."""
    from thermnet.show.style import inline_svg

    name = str(study.name).replace("_", "-")
    return inline_svg(draw(study, figure), f"tn-{name}")
