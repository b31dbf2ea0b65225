"""Reading a file whole: everything that can be wrong with it before its contents matter."""

from __future__ import annotations

import os
from pathlib import Path

from thermnet.errors import DesignError, Problem
from thermnet.wording import quoted, short


def read_bytes(path: Path, what: str, largest: int) -> bytes:
    """Read a file of at most ``largest`` bytes whole; ``what`` names the kind of file in messages.

    Raises
    ------
    DesignError
        It is missing, a directory, not a plain file, unreadable, empty or too large.
    """

    def refuse(found: str, expected: str, hint: str = "") -> DesignError:
        return DesignError(short(str(path), 200), [Problem("file", found, expected, hint)])

    try:
        if path.is_dir():
            raise refuse("is a directory", what)
        if not path.exists():
            raise refuse("does not exist", f"the path of {what}", _neighbours(path))
        if not path.is_file():
            raise refuse("is not a plain file", what)
        size = path.stat().st_size
        if size > largest:
            raise refuse(f"is {size / 1e6:.1f} MB long", f"{what} of at most {largest / 1e6:.0f} MB")
        with path.open("rb") as file:
            content = file.read(largest + 1)
    except (OSError, ValueError) as error:
        if isinstance(error, DesignError):
            raise
        reason = os.strerror(error.errno) if isinstance(error, OSError) and error.errno else str(error)
        raise refuse(f"cannot be read ({reason.lower()})", f"the path of {what}") from None
    if not content.strip():
        raise refuse("is empty", what)
    return content


def _neighbours(path: Path) -> str:
    folder = path.parent
    if not folder.is_dir():
        return f"The folder {quoted(str(folder))} does not exist either."
    near = sorted(p.name for p in folder.glob(f"*{path.suffix}"))[:5] if path.suffix else []
    return f"Files there: {', '.join(near)}." if near else ""


def decode(content: bytes, source: str) -> str:
    """Decode UTF-8 text, saying where it stops being text."""
    bad = next((i for i, byte in enumerate(content) if byte < 9 or 13 < byte < 27), None)
    if bad is not None:
        raise _unreadable(source, content, bad, "not a text file")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _unreadable(source, content, error.start, "not UTF-8 text") from None


def _unreadable(source: str, content: bytes, position: int, what: str) -> DesignError:
    line = content.count(b"\n", 0, position) + 1
    column = position - (content.rfind(b"\n", 0, position) + 1) + 1
    found = f"{what} (byte 0x{content[position]:02x})"
    return DesignError(
        source, [Problem(f"line {line}, column {column}", found, "a text file saved as UTF-8")]
    )
