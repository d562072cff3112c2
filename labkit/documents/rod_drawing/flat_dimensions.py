"""Dimensions of flat bars with eyes and crosspins."""

from __future__ import annotations

import math

from labkit.core.rod.rods import CHAMFER_PART, Crosspin, Eye, FlatBar
from labkit.documents.drawing import Ink
from labkit.documents.rod_drawing.arrange import Layout
from labkit.documents.rod_drawing.common_dimensions import FIRST_MM, NEXT_MM, leader_row
from labkit.documents.rod_drawing.dimensioning import Course, Size, diameter, linear, note, radius
from labkit.documents.rod_drawing.subject import End, Subject
from labkit.documents.rod_drawing.words import DIAMETER, TIMES, fitted, size, times

#: The leader of a circle leans outward by this part of its height.
LEAN = 0.25
#: A second leader of the same end leans the other way, or both would lie on one line.
LEAN_INWARD = -0.15
#: Where on a blend arc its leader points: 0 at the bar, 1 at the boss.
BLEND_POINT = 0.3


def flat_dimensions(ink: Ink, subject: Subject, bar: FlatBar, layout: Layout) -> None:
    """Dimension bar, bosses, bores and pins.

    Args:
        layout: Where the views lie.
    """
    _bosses(ink, subject, layout)
    _blends(ink, subject, bar, layout)
    _bores(ink, subject, layout)
    for end in subject.ends:
        if isinstance(end.fitting, Crosspin):
            _pin_lengths(ink, subject, end, layout)
            _pin_diameters(ink, subject, end.fitting, layout)
    _thickness(ink, subject, bar, layout)
    _section(ink, bar, layout)


def _elbow(subject: Subject, layout: Layout, end: End, row: int) -> tuple[float, float]:
    """Place the elbow of an end's leader in a row below the front view."""
    x, y = layout.front.at(end.u_mm, 0.0)
    level = leader_row(subject, layout, row)
    lean = LEAN if row == 0 else LEAN_INWARD
    return (x + end.side * lean * (y - level), level)


def _bosses(ink: Ink, subject: Subject, layout: Layout) -> None:
    """Dimension the bosses: both by the left one where they are alike."""
    left, right = subject.ends
    alike = left.reach_mm == right.reach_mm
    for end in (left,) if alike else (left, right):
        words = times(2 if alike else 1, f"{DIAMETER}{size(2 * end.reach_mm)}")
        place = (end.u_mm, 0.0)
        elbow = _elbow(subject, layout, end, 0)
        what = Size("boss diameter", 2 * end.reach_mm, words)
        ink.append(diameter(layout.front, place, elbow, end.side > 0, what))


def _bores(ink: Ink, subject: Subject, layout: Layout) -> None:
    eyes = [end for end in subject.ends if isinstance(end.fitting, Eye)]
    alike = len({end.fitting for end in eyes}) == 1
    alike_bosses = subject.ends[0].reach_mm == subject.ends[1].reach_mm
    for end in eyes[-1:] if alike else eyes:
        eye = end.fitting
        assert isinstance(eye, Eye)
        words = times(len(eyes) if alike else 1, fitted(DIAMETER, eye.bore_diameter_mm, eye.fit))
        elbow = _elbow(subject, layout, end, 0 if end.side > 0 and alike_bosses else 1)
        what = Size("bore diameter", eye.bore_diameter_mm, words)
        ink.append(diameter(layout.front, (end.u_mm, 0.0), elbow, end.side > 0, what))


def _blends(ink: Ink, subject: Subject, bar: FlatBar, layout: Layout) -> None:
    """Dimension the arcs between bosses and bar, by one below the right boss or the left one."""
    blended = [end for end in subject.ends if bar.blend_reach_mm(end.reach_mm) > 0]
    if not blended:
        return
    end, half = blended[-1], bar.height_mm / 2
    reach = bar.blend_reach_mm(end.reach_mm)
    rise = math.degrees(math.atan2(half + bar.blend_radius_mm, reach))
    steep = 90.0 - BLEND_POINT * (90.0 - rise)
    angle = steep if end.side > 0 else 180.0 - steep
    center = (end.u_mm - end.side * reach, -half - bar.blend_radius_mm)
    x, y = layout.front.at(*center)
    level = leader_row(subject, layout, 1)
    elbow = (x - (y - level) / math.tan(math.radians(angle)), level)
    words = times(2 * len(blended), f"R{size(bar.blend_radius_mm)}")
    what = Size("blend radius", bar.blend_radius_mm, words)
    ink.append(radius(layout.front, center, angle, elbow, True, what))


def _thickness(ink: Ink, subject: Subject, bar: FlatBar, layout: Layout) -> None:
    """Dimension the thickness in the top view, at an end with a pin, else at the left one."""
    ends = [one for one in subject.ends if isinstance(one.fitting, Crosspin)]
    end = ends[0] if ends else subject.ends[0]
    edge = end.u_mm + end.side * (end.reach_mm - bar.edge_radius_mm)
    half = bar.thickness_mm / 2
    at = layout.top.at(end.u_mm + end.side * end.reach_mm, 0.0)[0] + end.side * FIRST_MM
    what = Size("bar thickness", bar.thickness_mm, size(bar.thickness_mm))
    ink.append(linear(layout.top, (edge, -half), (edge, half), what, Course(True, at)))


def _pin_lengths(ink: Ink, subject: Subject, end: End, layout: Layout) -> None:
    """Dimension pin and lip along their axis in the top view, and note the lip's chamfers."""
    pin = end.fitting
    assert isinstance(pin, Crosspin)
    top, way = layout.top, end.side
    foot, under = -subject.face_mm, -subject.face_mm - pin.pin_length_mm
    tip = under - pin.lip_thickness_mm
    lip = end.u_mm + way * pin.lip_diameter_mm / 2
    chamfer = CHAMFER_PART * pin.lip_thickness_mm
    first = top.at(end.u_mm + way * end.reach_mm, 0.0)[0] + way * FIRST_MM
    boss = end.u_mm + way * (end.reach_mm - 0.5)
    ink += [
        linear(
            top, (lip - way * chamfer, under), (lip - way * chamfer, tip),
            Size("lip thickness", pin.lip_thickness_mm, size(pin.lip_thickness_mm)),
            Course(True, first, words_before=True),
        ),
        linear(
            top, (boss, foot), (lip - way * chamfer, under),
            Size("pin length", pin.pin_length_mm, size(pin.pin_length_mm)),
            Course(True, first + way * NEXT_MM),
        ),
    ]
    corner = top.at(lip - way * (pin.lip_diameter_mm - chamfer / 2), tip + chamfer / 2)
    elbow = (corner[0] - way * 5.0, corner[1] - 5.0)
    words = f"2{TIMES} {size(chamfer)} {TIMES} 45°"
    note(ink, corner, elbow, way < 0, words)


def _pin_diameters(ink: Ink, subject: Subject, pin: Crosspin, layout: Layout) -> None:
    """Dimension pin and lip across in the side view, which looks from the pin's end."""
    side, way = layout.side, 1.0 if subject.from_left else -1.0
    middle = subject.face_mm + pin.pin_length_mm / 2
    end = subject.face_mm + pin.pin_length_mm + pin.lip_thickness_mm / 2
    half, lip = pin.pin_diameter_mm / 2, pin.lip_diameter_mm / 2
    tip = side.at(way * subject.inward_mm, 0.0)[0]
    ink += [
        linear(
            side, (way * middle, -half), (way * middle, half),
            Size("pin diameter", pin.pin_diameter_mm,
                 fitted(DIAMETER, pin.pin_diameter_mm, pin.fit)),
            Course(
                True, side.at(way * middle, 0.0)[0], extended=False,
                words_off=side.per_mm * (subject.half_height_mm - half) + 1.0,
            ),
        ),
        linear(
            side, (way * end, -lip), (way * end, lip),
            Size("lip diameter", pin.lip_diameter_mm, f"{DIAMETER}{size(pin.lip_diameter_mm)}"),
            Course(True, tip + way * FIRST_MM),
        ),
    ]


def _section(ink: Ink, bar: FlatBar, layout: Layout) -> None:
    """Dimension the bar's height and rounded edges in the section."""
    place = layout.section
    half, out = bar.height_mm / 2, bar.thickness_mm / 2
    inner = out - bar.edge_radius_mm
    left = place.at(-out, 0.0)[0] - FIRST_MM
    ink.append(
        linear(
            place, (-inner, -half), (-inner, half),
            Size("bar height", bar.height_mm, size(bar.height_mm)), Course(True, left),
        )
    )
    center = (inner, -half + bar.edge_radius_mm)
    x, y = place.at(*center)
    reach = place.per_mm * bar.edge_radius_mm / math.sqrt(2.0) + 5.0
    words = times(4, f"R{size(bar.edge_radius_mm)}")
    ink.append(
        radius(place, center, -45.0, (x + reach, y - reach), True,
               Size("edge radius", bar.edge_radius_mm, words))
    )
