"""How often Python looks for objects that hold one another and are used by nobody."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

#: The library whose modules the kernel is.
KERNEL = "OCP"
#: One run makes much and drops little of it in rings: looked for after so many objects, that costs
#: 4 % less of a `make`, and 8 MB more. A worker, which makes set after set, does as Python does.
_AFTER = (250_000, 50, 1000)


def collect_seldom() -> None:
    """Let this process look for them seldom."""
    gc.set_threshold(*_AFTER)


@contextmanager
def loaded_for_good() -> Iterator[None]:
    """Load the kernel in this block, once: half a million objects of it are no rings."""
    if not gc.isenabled() or KERNEL in sys.modules:
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
