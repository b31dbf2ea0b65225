"""A short mark of a study's content, so that a store is never filled by another study."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping
from typing import Any

import numpy as np


def fingerprint(work: Any) -> str:
    """Sixteen hexadecimal digits that change with anything the results depend on."""
    digest = hashlib.sha256()
    _feed(digest, work)
    return digest.hexdigest()[:16]


def _feed(digest: Any, value: Any) -> None:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        digest.update(type(value).__name__.encode())
        for field in dataclasses.fields(value):
            if field.name != "source":
                digest.update(field.name.encode())
                _feed(digest, getattr(value, field.name))
    elif isinstance(value, Mapping):
        for key, item in value.items():
            digest.update(str(key).encode())
            _feed(digest, item)
    elif isinstance(value, tuple | list):
        digest.update(b"[")
        for item in value:
            _feed(digest, item)
    elif isinstance(value, np.ndarray):
        digest.update(np.ascontiguousarray(value).tobytes())
    else:
        digest.update(repr(value).encode())
