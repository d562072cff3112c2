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


def not_as_written(path: Path) -> str:
    """Tell what the kernel had to mend as it read a file; nothing if it took all of it as it is.

    It brings courses on surfaces of its own, which no file of ours has. What it mends shows in
    faces, edges and vertices that are others than the file's, or in a tolerance that it widened.
    """
    from OCP.BRep import BRep_Tool
    from OCP.Precision import Precision
    from OCP.ShapeAnalysis import ShapeAnalysis_ShapeTolerance
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp
    from OCP.TopoDS import TopoDS
    from OCP.TopTools import TopTools_IndexedMapOfShape

    shape, text = read_shape(path), path.read_text("ascii")

    def all_of(kind: TopAbs_ShapeEnum) -> list[Any]:
        found = TopTools_IndexedMapOfShape()
        TopExp.MapShapes_s(shape, kind, found)
        return [found.FindKey(place) for place in range(1, found.Extent() + 1)]

    edges = all_of(TopAbs_ShapeEnum.TopAbs_EDGE)
    poles = sum(BRep_Tool.Degenerated_s(TopoDS.Edge_s(edge)) for edge in edges)
    found = (
        len(all_of(TopAbs_ShapeEnum.TopAbs_FACE)), len(edges) - poles,
        len(all_of(TopAbs_ShapeEnum.TopAbs_VERTEX)),
    )
    wanted = tuple(
        text.count(f"= {name}(") for name in ("ADVANCED_FACE", "EDGE_CURVE", "VERTEX_POINT")
    )
    if found != wanted:
        return f"has {found} faces, edges and vertices instead of {wanted}"
    widest = ShapeAnalysis_ShapeTolerance().Tolerance(shape, 1)
    return "" if widest <= Precision.Confusion_s() else f"has a tolerance of {widest} mm"


def box_of(shape: Any) -> tuple[float, ...]:
    """Search the bounding box of a shape over whole faces, without the kernel's own tolerance."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(shape.wrapped, box, False, False)
    return tuple(box.Get())
