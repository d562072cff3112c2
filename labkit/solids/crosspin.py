"""Crosspins: a pin on the inward face with a fillet at its root and a rounded lip, as faces."""

from __future__ import annotations

from labkit.core.label.lettering import Arc, Point2
from labkit.core.rod.fittings import Crosspin, Mount
from labkit.solids.body import FittingFaces
from labkit.solids.frame import ReaderFrame
from labkit.solids.rounded import fillet, rounded
from labkit.solids.topology import Ring, flat_face, ring, walls


def crosspin(frame: ReaderFrame, pin: Crosspin, mount: Mount) -> FittingFaces:
    """Make root, pin and lip on their foot circle in the inward face.

    Returns:
        Root, where there is one; pin, underside of the lip, round, lip, round, end.
    """
    edge, root, center = pin.edge_mm, pin.root_radius_mm, (mount.x_mm, 0.0)
    lip, rod = pin.lip_diameter_mm / 2, pin.pin_diameter_mm / 2
    under = mount.face_mm + pin.pin_length_mm
    end = under + pin.lip_thickness_mm
    foot = _circle(frame, center, rod + root, mount.face_mm)
    start = _circle(frame, center, rod, mount.face_mm + root) if root else foot
    neck = _circle(frame, center, rod, under)
    inner, outer = (
        [_circle(frame, center, radius, height) for height in heights]
        for radius, heights in ((lip - edge, (under, end)), (lip, (under + edge, end - edge)))
    )
    faces = (
        *([fillet(frame, center, foot, start)] if root else []),
        *walls(frame, start, neck),
        flat_face(frame, under, False, [inner[0].courses(True), neck.courses(False)]),
        *rounded(frame, outer[0], inner[0], -1),
        *walls(frame, *outer),
        *rounded(frame, outer[1], inner[1], 1),
        flat_face(frame, end, True, [inner[1].courses(True)]),
    )
    return FittingFaces(faces, (foot.courses(False),))


def crosspin_faces(pin: Crosspin) -> int:
    """Count its faces."""
    return 7 if pin.root_radius_mm else 6


def _circle(frame: ReaderFrame, center: Point2, radius: float, height: float) -> Ring:
    return ring(frame, (Arc(center, radius, 0.0, 360.0),), height)
