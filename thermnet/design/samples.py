"""Designs whose parameters are arrays over samples: how many samples there are, which vary, and one or some of them."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from thermnet.errors import DesignError, Problem

if TYPE_CHECKING:
    from thermnet.design.design import Design

Numbers = TypeVar("Numbers")


def sample_count(design: Design) -> int | None:
    """Number of samples, or None for a single machine.

    Raises
    ------
    DesignError
        Arrays of different lengths, or of more than one axis.
    """
    lengths = {key: value.shape for key, value in _arrays(design, "")}
    if not lengths:
        return None
    shapes = set(lengths.values())
    if len(shapes) > 1 or len(next(iter(shapes))) != 1:
        raise DesignError(
            design.name,
            [
                Problem(key, f"array of shape {shape}", "one axis of samples, as long as every other")
                for key, shape in lengths.items()
            ],
        )
    return int(next(iter(shapes))[0])


def varied(design: Design) -> dict[str, Any]:
    """Dotted key to array for every parameter that varies."""
    return {key.removeprefix("parts."): value for key, value in _arrays(design, "")}


def taken(design: Numbers, index: int | slice) -> Numbers:
    """One sample of a design (or of any dataclass that holds arrays over samples), or a slice of samples."""
    result: Numbers = _sliced(design, index)
    return result


def _arrays(value: Any, key: str) -> list[tuple[str, Any]]:
    if isinstance(value, np.ndarray) and value.ndim:
        return [(key, value)]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        pairs = [(f.name, getattr(value, f.name)) for f in dataclasses.fields(value) if f.name != "workloads"]
    elif isinstance(value, Mapping):
        pairs = list(value.items())
    elif isinstance(value, tuple):
        pairs = [(str(i), item) for i, item in enumerate(value)]
    else:
        return []
    return [found for name, item in pairs for found in _arrays(item, f"{key}.{name}" if key else str(name))]


def _sliced(value: Any, index: int | slice) -> Any:
    if isinstance(value, np.ndarray) and value.ndim:
        return float(value[index]) if isinstance(index, int) else value[index]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        changes = {
            f.name: getattr(value, f.name)
            for f in dataclasses.fields(value)
            if f.init and f.name != "workloads"
        }
        new = {name: _sliced(item, index) for name, item in changes.items()}
        changed = {name: item for name, item in new.items() if item is not changes[name]}
        return dataclasses.replace(value, **changed) if changed else value
    if isinstance(value, Mapping):
        new_map = {name: _sliced(item, index) for name, item in value.items()}
        return new_map if any(new_map[name] is not item for name, item in value.items()) else value
    if isinstance(value, tuple):
        new_row = tuple(_sliced(item, index) for item in value)
        return new_row if any(a is not b for a, b in zip(new_row, value, strict=True)) else value
    return value
