"""Convenience methods that hand over to a room above their own.

``network.steady()``, ``run.plot()`` and the like belong to the public surface, but a graph must not depend on the
solver nor a result on the plots.  They hand over here, by name and at call time, and nowhere else.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any


def hand_over(target: str) -> Any:
    """Return the function named ``module:function`` inside this package."""
    module, _, name = target.partition(":")
    return getattr(import_module(f"thermnet.{module}"), name)
