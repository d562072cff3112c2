"""How often Python looks for objects that hold one another and are used by nobody."""

from __future__ import annotations

import gc

#: A set is much that is made and little that is dropped in rings: looked for after so many objects,
#: that costs 4 % less of a `make`, 7 % where the kernel is loaded, and 8 MB more.
_AFTER = (1_000_000, 50, 1000)


def collect_seldom() -> None:
    """Let this process look for them seldom."""
    gc.set_threshold(*_AFTER)
