"""The guard: every kernel result is measured against what the arithmetic expects of it.

The kernel reports success where it has done nothing, or harm: an empty result counts as valid, an
oversized fillet gives a solid larger than its stock, a cut beside the part removes nothing. So
every operation that makes a solid goes through here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from OCP.Bnd import Bnd_Box
from OCP.BRep import BRep_Tool
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepGProp import BRepGProp
from OCP.Geom import Geom_SphericalSurface
from OCP.GProp import GProp_GProps
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE, TopAbs_SOLID
from OCP.TopoDS import TopoDS, TopoDS_Shape

from labkit.core.rod.volume import Box
from labkit.errors import GeometryError, LabkitError
from labkit.solids.shapes import Shape, bare, parts_of

#: Closed form against the kernel's integration, relative; the integration itself is good to 1e-9.
VOLUME_TOLERANCE = 1e-6
#: The kernel adds its point tolerance (1e-7 mm) to a box on each side; ten times that is noise.
ENVELOPE_TOLERANCE_MM = 1e-6


@dataclass(frozen=True)
class Expectation:
    """What an operation should have made.

    Args:
        faces: Number of faces, None where it is not known beforehand.
        envelope: Bounding box that must be met, None where it is not known beforehand.
    """

    least_mm3: float
    most_mm3: float
    faces: int | None = None
    envelope: Box | None = None


def volume_near(volume_mm3: float) -> tuple[float, float]:
    """Give the range of volumes that count as equal to a closed form."""
    return volume_mm3 * (1 - VOLUME_TOLERANCE), volume_mm3 * (1 + VOLUME_TOLERANCE)


@dataclass(frozen=True)
class Guarded:
    """A solid that passed, with the volume measured on the way."""

    solid: TopoDS_Shape
    volume_mm3: float


def guarded(
    operation: str, part: str, make: Callable[[], Shape | None], expected: Expectation
) -> Guarded:
    """Run a kernel operation and measure what it made.

    Args:
        operation: What is done, for the sentence, such as "rounding the long edges".

    Raises:
        GeometryError: The operation raised, or its result is not what it should be.
    """
    try:
        shape = make()
    except LabkitError:
        raise
    except Exception as error:  # the kernel raises its own classes, and anything from its bindings
        raise _wrong(operation, part, f"the kernel stopped with {error!r}") from error
    solid = _one_solid(operation, part, shape)
    volume = volume_of(solid)
    if not expected.least_mm3 <= volume <= expected.most_mm3:
        raise _wrong(
            operation, part,
            f"the volume is {volume:.6f} mm³ and must lie between {expected.least_mm3:.6f} and "
            f"{expected.most_mm3:.6f} mm³",
        )
    if not BRepCheck_Analyzer(solid).IsValid():
        raise _wrong(operation, part, "the kernel's own check finds the solid invalid")
    _check_faces(operation, part, solid, expected.faces)
    _check_envelope(operation, part, solid, expected.envelope)
    return Guarded(solid, volume)


def volume_of(shape: Shape) -> float:
    """Measure a volume in mm³."""
    properties = GProp_GProps()
    BRepGProp.VolumeProperties_s(bare(shape), properties)
    return float(properties.Mass())


def box_of(shape: Shape) -> Box:
    """Measure a bounding box in mm, from the exact curves and spheres.

    A plane or cylinder is made of straight lines that end on the face's edges, and a quarter
    tube reaches farthest on its edges, so the edges' box holds them. Spheres bulge beyond theirs.
    The kernel's own search over whole faces takes up to a hundred times as long.
    """
    box = Bnd_Box()
    for edge in parts_of(bare(shape), TopAbs_EDGE):
        BRepBndLib.Add_s(edge, box, False)
    box.SetGap(0.0)
    for part in parts_of(bare(shape), TopAbs_FACE):
        face = TopoDS.Face_s(part)
        if isinstance(BRep_Tool.Surface_s(face), Geom_SphericalSurface):
            BRepBndLib.AddOptimal_s(face, box, False, False)
    low, high = box.CornerMin(), box.CornerMax()
    return (low.X(), low.Y(), low.Z()), (high.X(), high.Y(), high.Z())


def _one_solid(operation: str, part: str, shape: Shape | None) -> TopoDS_Shape:
    inside = None if shape is None else bare(shape)
    solids = [] if inside is None else parts_of(inside, TopAbs_SOLID)
    if len(solids) != 1:
        raise _wrong(operation, part, f"it left {len(solids)} solids and must leave exactly one")
    return solids[0]


def _check_faces(operation: str, part: str, solid: TopoDS_Shape, faces: int | None) -> None:
    if faces is None:
        return
    found = len(parts_of(solid, TopAbs_FACE))
    if found != faces:
        raise _wrong(operation, part, f"the solid has {found} faces and must have {faces}")


def _check_envelope(operation: str, part: str, solid: TopoDS_Shape, envelope: Box | None) -> None:
    if envelope is None:
        return
    found = box_of(solid)
    worst = max(
        abs(a - b)
        for mine, theirs in zip(found, envelope, strict=True)
        for a, b in zip(mine, theirs, strict=True)
    )
    if worst > ENVELOPE_TOLERANCE_MM:
        raise _wrong(
            operation, part,
            f"its bounding box is {_shown(found)} and must be {_shown(envelope)}",
        )


def _shown(box: Box) -> str:
    return " to ".join("(" + ", ".join(f"{value:.4f}" for value in corner) + ")" for corner in box)


def _wrong(operation: str, part: str, what: str) -> GeometryError:
    return GeometryError(
        f"{operation} for part {part} did not do what was asked: {what}; the part is not "
        "delivered, check its sizes"
    )
