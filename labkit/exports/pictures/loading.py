"""Loads the renderer whole: stopped halfway, its libraries crash, or say that one is missing."""

from __future__ import annotations

import importlib
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager

#: What pictures use, the drawing classes first: renderers and mappers are made of them. Without
#: them the picture stays black and nobody says so.
_MODULES = (
    "vtkRenderingOpenGL2", "vtkCommonCore", "vtkCommonDataModel", "vtkFiltersCore", "vtkIOImage",
    "vtkImagingCore", "vtkRenderingCore",
)


def load_renderer() -> None:
    """Load what pictures use; Ctrl-C waits until it is there.

    Raises:
        KeyboardInterrupt: Ctrl-C was pressed meanwhile.
    """
    with ctrl_c_waits():
        for name in _MODULES:
            importlib.import_module(f"vtkmodules.{name}")


@contextmanager
def ctrl_c_waits() -> Iterator[None]:
    """Let Ctrl-C wait until the end of the block; beside the main thread nothing has to wait.

    Raises:
        KeyboardInterrupt: At the end, where it was pressed.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    pressed: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: pressed.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if pressed:
            raise KeyboardInterrupt
