"""A process of its own for what ends its process.

It is forked from a server that has the program ready and has typeset nothing. The test's own
process is no parent to fork from: threads that a library has started there (the typesetter's)
do not live on in a child, which waits for them for ever.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable

_LOADED = ("tests.support.warmed", "labkit.cli.main", "labkit.documents.render")
#: What the longest command takes on a busy machine, many times over.
_SECONDS = 180


def in_a_process(work: Callable[..., None], *arguments: object) -> int:
    """Do the work in a process of its own; give its exit status, or minus the signal."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(_LOADED))
    child = context.Process(target=work, args=arguments)
    child.start()
    child.join(_SECONDS)
    if child.exitcode is None:
        child.kill()
        child.join()
        raise AssertionError(f"not done after {_SECONDS} s")
    return child.exitcode
