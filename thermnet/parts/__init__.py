"""The parts a machine is built of: one file per family, each part a frozen dataclass."""

from __future__ import annotations

import importlib
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from thermnet.parts.base import Part

# Every module that holds parts.  A new family of parts is added here and nowhere else.
MODULES = (
    "die",
    "interface",
    "clamped_joint",
    "plate",
    "heat_pipe",
    "vapor_chamber",
    "storage",
    "fan",
    "fins",
    "air_path",
    "skin",
    "board",
    "battery",
)


@cache
def part_kinds() -> dict[str, type[Part]]:
    """Every kind of part that a design file may name, and the class that it stands for."""
    from thermnet.parts.base import Part

    kinds: dict[str, type[Part]] = {}
    for module_name in MODULES:
        name = f"thermnet.parts.{module_name}"
        module = importlib.import_module(name)
        for value in vars(module).values():
            if (
                isinstance(value, type)
                and issubclass(value, Part)
                and value.__module__ == name
                and value.kind
            ):
                kinds[value.kind] = value
    return kinds
