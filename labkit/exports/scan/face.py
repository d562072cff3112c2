"""The faces of a rod that may bear its label, each way up, as its reader would see them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from labkit.core.label.lettering import Lettering
from labkit.core.rod.rods import RodTemplate
from labkit.exports.expected.base import Array
from labkit.exports.scan.glyphs import Compared, compare, drawn, nats_a_pixel
from labkit.exports.scan.pose import Pose
from labkit.exports.scan.relief import Relief, relief
from labkit.exports.scan.shape import RodShape


class Face:
    """One view of one face, compared with each set of characters when it is asked for.

    Args:
        pose: The rod lying as this view's reader sees it.
        flipped: Whether they see x to the left.
    """

    def __init__(self, view: Relief, lettering: Lettering, pose: Pose, flipped: bool) -> None:
        self.view, self.lettering, self.pose, self.flipped = view, lettering, pose, flipped
        self._compared: dict[str, Compared] = {}

    @property
    def most_gain(self) -> float:
        """What no label gains more than here: 2 i t − t² ≤ i², two characters and the bar each."""
        return 3.0 * float((self.view.ink**2).sum()) * nats_a_pixel(self.view)

    def compared(self, chars: str) -> Compared:
        """Compare it with some characters of the lettering."""
        if chars not in self._compared:
            self._compared[chars] = compare(self.view, drawn(self.lettering, chars))
        return self._compared[chars]


def faces_of(
    vertices: Array, triangles: NDArray[np.intp], pose: Pose, template: RodTemplate,
    lettering: Lettering,
) -> list[Face]:
    """Take every face that may bear the label, each way up, those with most ink first."""
    found = [
        Face(view, lettering, *way) for way in _ways_up(pose, template)
        if (view := view_of(vertices, triangles, template, way)) is not None
    ]
    return sorted(found, key=lambda face: face.most_gain, reverse=True)


def _ways_up(pose: Pose, template: RodTemplate) -> Iterator[tuple[Pose, bool]]:
    """Give every pose in which the rod may lie, and whether its reader sees x to the left."""
    yield pose, False
    if template.handed:
        yield pose, True
    for axis in RodShape(template).half_turns:
        yield pose.half_turned(axis), False


def view_of(
    vertices: Array, triangles: NDArray[np.intp], template: RodTemplate, way: tuple[Pose, bool]
) -> Relief | None:
    """Take the relief of the label's face for a rod lying in one way; None where nothing is seen.

    Args:
        way: A pose, and whether its reader sees x to the left.
    """
    (pose, flipped), local = way, way[0].to_rod(vertices)
    if not flipped:
        return relief(local, triangles, template, pose.length_mm)
    # The reader of the mirror part sees x to the left: lower and upper end change sides.
    turned = replace(template, lower=template.upper, upper=template.lower)
    return relief(local * np.array([-1.0, 1.0, -1.0]), triangles, turned, pose.length_mm)
