"""The jaw from the side: splints, guides, anchor points and rods, to scale; forward is right."""

from __future__ import annotations

import math
from collections.abc import Iterable

from labkit.core.grading.prescription import JawModelName, Point, Prescription, Side
from labkit.core.jaw.build import registered_length
from labkit.core.jaw.posed import JawPose
from labkit.core.label.lettering import Point2
from labkit.core.rod.outlines import polygon
from labkit.documents.drawing import Align, Drawing, Ink, Pen, Shade, label

#: Splints from their back to the incisors, and how thick they are drawn, mm.
_BACK_MM, _THICK_MM = -46.0, 6.0
#: A sketch, where no anchor points are recorded: the upper ones lie here.
_SKETCHED = {Side.LEFT: (-8.0, 27.0, 3.0), Side.RIGHT: (-8.0, -27.0, 3.0)}
_ROD_MM, _SEAT_MM, _CONDYLE_MM = 3.2, 3.0, 9.0
#: What is drawn of a guidance plane, mm behind and in front of the condyle.
_GUIDE_MM = (-5.0, 17.0)
_MARGIN_MM, _FRONT_MM, _BELOW_MM, _SCALE_MM = 6.0, 16.0, -34.0, 10.0
_WORDS_PT = 8.0


def jaw_drawing(
    prescription: Prescription, pose: JawPose, title: str, path: Iterable[JawPose] = ()
) -> Drawing:
    """Draw where a pair of rods holds the jaw.

    Args:
        title: What it shows, for people who cannot see it.
        path: Other poses: where the incisal point lies in each is marked.

    Returns:
        The drawing; its size follows from the prescription alone, so that drawings of several
        poses lie on each other.
    """
    ink = Ink()
    hinged = prescription.jaw.model is JawModelName.HINGED
    if hinged:
        _guides(ink, prescription)
    _splints(ink, prescription, pose)
    if hinged:
        _hinge(ink, prescription, pose)
    for other in path:
        ink.dot(_seen(other.moved(other.incisal)), 1.0)
    for side in (Side.LEFT, Side.RIGHT):  # the reader looks at the right side
        _rod(ink, *_seats(prescription, pose, side), near=side is Side.RIGHT)
    left, right, bottom, top = _box(prescription)
    _scale(ink, left + _MARGIN_MM, bottom + _MARGIN_MM)
    return Drawing(right - left, top - bottom, title, tuple(ink), corner=(left, bottom))


def is_sketch(prescription: Prescription) -> bool:
    """Tell whether the anchors' places are not recorded, only how far they lie apart."""
    return prescription.jaw.model is JawModelName.STRAIGHT


def _seen(point: Point) -> Point2:
    return (point[0], point[2])


def _seats(prescription: Prescription, pose: JawPose, side: Side) -> tuple[Point2, Point2]:
    anchors = prescription.anchors(side)
    if not is_sketch(prescription) and anchors.upper and anchors.lower:
        return _seen(anchors.upper), _seen(pose.moved(anchors.lower))
    x, y, z = _SKETCHED[side]
    back = prescription.action.sigma * (registered_length(anchors) or 0.0)
    return _seen((x, y, z)), _seen(pose.moved((x - back, y, z)))


def _splints(ink: Ink, prescription: Prescription, pose: JawPose) -> None:
    front, _, level = prescription.jaw.incisal
    upper = polygon((_BACK_MM, 0.0), (0.0, 0.0), (0.0, _THICK_MM), (_BACK_MM, _THICK_MM))
    lower = polygon(*(
        _seen(pose.moved((x, 0.0, z))) for x, z in (
            (_BACK_MM, level), (front, level), (front, level - _THICK_MM),
            (_BACK_MM, level - _THICK_MM),
        )
    ))
    for loop in (upper, lower):
        ink.fill(loop, shade=Shade.TINT)
        ink.edges(loop, Pen.EDGE)
    ink.append(label("upper", (_BACK_MM - 2.0, _THICK_MM / 2), _WORDS_PT, Align.RIGHT))


def _guides(ink: Ink, prescription: Prescription) -> None:
    jaw = prescription.jaw
    for center, inclination in zip(
        (jaw.condyle_left, jaw.condyle_right), jaw.condylar_inclination_deg, strict=True
    ):
        x, z = _seen(center)
        along = math.radians(inclination)
        back, front = (
            (x + reach * math.cos(along), z - reach * math.sin(along)) for reach in _GUIDE_MM
        )
        ink.line(back, front, Pen.CENTRE)


def _hinge(ink: Ink, prescription: Prescription, pose: JawPose) -> None:
    """Draw the triangle of condyles and incisal point, and the pads on which the splints meet."""
    jaw, incisal = prescription.jaw, _seen(pose.moved(prescription.jaw.incisal))
    for condyle, pad in ((jaw.condyle_left, jaw.pads_left), (jaw.condyle_right, jaw.pads_right)):
        center = _seen(pose.moved(condyle))
        ink.line(center, incisal, Pen.HIDDEN)
        ink.ring(center, _CONDYLE_MM)
        ink.square(_seen(pose.moved(pad)), 2.0)


def _rod(ink: Ink, upper: Point2, lower: Point2, *, near: bool) -> None:
    """Draw a rod from seat to seat; the far one without a tint."""
    length = math.dist(upper, lower)
    across = ((upper[1] - lower[1]) / length, (lower[0] - upper[0]) / length)
    half = _ROD_MM / 2
    (ux, uz), (lx, lz), (ax, az) = upper, lower, across
    loop = polygon(
        (lx + half * ax, lz + half * az), (ux + half * ax, uz + half * az),
        (ux - half * ax, uz - half * az), (lx - half * ax, lz - half * az),
    )
    if near:
        ink.fill(loop, shade=Shade.GREY)
    ink.edges(loop, Pen.VISIBLE if near else Pen.EDGE)
    for seat in (lower, upper):
        ink.ring(seat, _SEAT_MM + 2.0)
        ink.dot(seat, 1.2)


def _scale(ink: Ink, x: float, y: float) -> None:
    ink.course((x, y + 2.0), (x, y), (x + _SCALE_MM, y), (x + _SCALE_MM, y + 2.0))
    words = f"{_SCALE_MM:g} mm; forward to the right"
    ink.append(label(words, (x + _SCALE_MM + 2.0, y + 1.0), _WORDS_PT, Align.LEFT))


def _box(prescription: Prescription) -> tuple[float, float, float, float]:
    """Give left, right, bottom and top of what can be seen in any pose."""
    points = [(_BACK_MM, 0.0, _THICK_MM)]
    for side in Side:
        anchors = prescription.anchors(side)
        points += [point for point in (anchors.upper, anchors.lower) if point]
        if is_sketch(prescription):
            back = prescription.action.sigma * (registered_length(anchors) or 0.0)
            x, y, z = _SKETCHED[side]
            points.append((x - back, y, z))
    if prescription.jaw.model is JawModelName.HINGED:
        points += [prescription.jaw.condyle_left, prescription.jaw.condyle_right]
    xs, zs = [point[0] for point in points], [point[2] for point in points]
    reach = _MARGIN_MM + _CONDYLE_MM
    bottom = _BELOW_MM if prescription.jaw.model is JawModelName.HINGED else -24.0
    return (
        min(xs) - reach, max(*xs, 0.0) + _FRONT_MM + _MARGIN_MM,
        min(bottom, *zs) - _MARGIN_MM, max(zs) + reach,
    )
