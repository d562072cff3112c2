"""Eyes: a bore through the boss, as a face."""

from __future__ import annotations

from labkit.core.label.lettering import Arc
from labkit.core.rod.fittings import Eye, Mount
from labkit.solids.body import FittingFaces
from labkit.solids.frame import ReaderFrame
from labkit.solids.topology import ring, walls


def eye(frame: ReaderFrame, fitting: Eye, mount: Mount) -> FittingFaces:
    """Make the bore's wall."""
    bore = (Arc((mount.x_mm, 0.0), fitting.bore_diameter_mm / 2, 0.0, -360.0),)
    bottom, top = ring(frame, bore, -mount.face_mm), ring(frame, bore, mount.face_mm)
    return FittingFaces(
        tuple(walls(frame, bottom, top)), (top.courses(True),), (bottom.courses(True),)
    )
