"""Where a shape comes in or goes out: CadQuery's shapes round the kernel's own.

CadQuery itself is loaded only by whoever asks for its shapes: that takes a second, and no set does.
"""

from __future__ import annotations

from typing import Any, Protocol, TypeAlias

from OCP.Message import Message, Message_Gravity
from OCP.TopExp import TopExp
from OCP.TopoDS import TopoDS_Shape
from OCP.TopTools import TopTools_IndexedMapOfShape

# The kernel tells its statistics on standard output, where programs expect JSON; as CadQuery does
# when it is loaded, only its failures are let through.
for _printer in Message.DefaultMessenger_s().Printers():
    _printer.SetTraceLevel(Message_Gravity.Message_Fail)


class Wrapped(Protocol):
    """A CadQuery shape."""

    @property
    def wrapped(self) -> Any:
        """The kernel's own shape in it."""


Shape: TypeAlias = TopoDS_Shape | Wrapped


def bare(shape: Shape) -> TopoDS_Shape:
    """Give the kernel's own shape of a CadQuery shape; one of its own as it is."""
    return getattr(shape, "wrapped", shape)


def parts_of(shape: TopoDS_Shape, kind: Any) -> list[TopoDS_Shape]:
    """List the parts of one kind, such as faces, each once."""
    found = TopTools_IndexedMapOfShape()
    TopExp.MapShapes_s(shape, kind, found)
    return [found.FindKey(index) for index in range(1, found.Extent() + 1)]
