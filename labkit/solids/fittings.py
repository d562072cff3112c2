"""The table of the fittings' builders."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from labkit.core.rod.fittings import Ball, Crosspin, Eye, Mount
from labkit.solids.ball import ball
from labkit.solids.body import FittingFaces
from labkit.solids.crosspin import crosspin, crosspin_faces
from labkit.solids.eye import eye
from labkit.solids.frame import ReaderFrame


class Builder(NamedTuple):
    """How a kind of fitting is built, and how many faces it must have.

    `make` takes the frame, the fitting and where it stands; its mount is in the reader's frame, x
    to the reader's right.
    """

    make: Callable[[ReaderFrame, Any, Mount], FittingFaces]
    faces: Callable[[Any], int]


BUILDERS: dict[str, Builder] = {
    Eye.kind: Builder(eye, lambda _: 1),
    Crosspin.kind: Builder(crosspin, crosspin_faces),
    # Neck and ball.
    Ball.kind: Builder(ball, lambda _: 2),
}
