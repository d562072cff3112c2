"""What the CAD kernel makes of a STEP file: the second opinion on our own reading."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class KernelSays:
    """What the kernel reads.

    Args:
        low, high: Corners of the bounding box, mm.
    """

    volume_mm3: float
    low: tuple[float, float, float]
    high: tuple[float, float, float]
    valid: bool
    solids: int
    faces: int


def read_shape(path: Path) -> Any:
    """Read the shape of a STEP file through the kernel, None where it finds none."""
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.Message import Message, Message_Gravity
    from OCP.STEPControl import STEPControl_Reader

    for printer in Message.DefaultMessenger_s().Printers():
        printer.SetTraceLevel(Message_Gravity.Message_Fail)
    reader = STEPControl_Reader()
    done = reader.ReadFile(str(path)) == IFSelect_ReturnStatus.IFSelect_RetDone
    if not done or reader.TransferRoots() < 1 or reader.OneShape().IsNull():
        return None
    return reader.OneShape()


def kernel_says(path: Path) -> KernelSays | None:
    """Measure a STEP file by the kernel alone."""
    import cadquery as cq
    from OCP.BRepCheck import BRepCheck_Analyzer

    shape = read_shape(path)
    if shape is None:
        return None
    made = cq.Shape.cast(shape)
    box = box_of(made)
    return KernelSays(
        made.Volume(), box[:3], box[3:], bool(BRepCheck_Analyzer(shape).IsValid()),
        len(made.Solids()), len(made.Faces()),
    )


def box_of(shape: Any) -> tuple[float, ...]:
    """Search the bounding box of a shape over whole faces, without the kernel's own tolerance."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(shape.wrapped, box, False, False)
    return tuple(box.Get())
