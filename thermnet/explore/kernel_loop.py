"""The event loop of a Jupyter kernel, on which a panel goes on with its work between messages."""

from __future__ import annotations

import asyncio


def kernel_loop() -> asyncio.AbstractEventLoop | None:
    """Give the loop of the kernel through which the browser is heard, or None where a panel is used without one."""
    from IPython import get_ipython

    if getattr(get_ipython(), "kernel", None) is None:
        return None
    try:
        return asyncio.get_running_loop()
    except RuntimeError:
        return None
