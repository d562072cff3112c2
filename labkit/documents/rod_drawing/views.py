"""The edges of the views on the sheet, with centre lines, hatching and the cutting plane."""

from __future__ import annotations

import math

from labkit.core.label.lettering import Line, Piece
from labkit.core.rod.curves import box, meetings, moved_piece, share_of
from labkit.core.rod.fittings import NeckFitting
from labkit.documents.drawing import LARGE_MM, Align, Ink, Pen, Text
from labkit.documents.rod_drawing.arrange import Layout
from labkit.documents.rod_drawing.dimensioning import arrow
from labkit.documents.rod_drawing.sheet import Place
from labkit.documents.rod_drawing.subject import End, Subject

#: How far centre lines run past the edge.
PAST_MM = 3.0
HATCH_MM = 2.0
#: The cutting plane's thick ends: from the outline, how long, their arrows, and their letters.
CUT_GAP_MM, CUT_MM, CUT_ARROW_MM, CUT_LETTER_MM = 1.2, 3.5, 5.0, 0.7
#: The section's title stands this far above it, over the dimension of the label's depth.
SECTION_TITLE_MM = 13.0


def draw_views(ink: Ink, subject: Subject, layout: Layout) -> None:
    """Put the edges of all views on the sheet, with centre lines, hatching and cutting plane."""
    views = subject.views
    for view, place in (
        (views.front, layout.front), (views.top, layout.top), (views.side, layout.side)
    ):
        ink.edges(placed(view.visible, place), Pen.VISIBLE)
        ink.edges(placed(view.fine, place), Pen.THIN)
        ink.edges(placed(view.hidden, place), Pen.HIDDEN)
    section = placed(views.section, layout.section)
    ink.edges(section, Pen.VISIBLE)
    ink.edges(hatching(section), Pen.THIN)
    _centre_lines(ink, subject, layout)
    _cutting_plane(ink, subject, layout)


def placed(pieces: tuple[Piece, ...], place: Place) -> tuple[Piece, ...]:
    """Put pieces of a view where it lies."""
    return tuple(moved_piece(piece, place.per_mm, place.origin) for piece in pieces)


def hatching(outline: tuple[Piece, ...]) -> list[Line]:
    """Hatch a cut face at 45°.

    Args:
        outline: Closed outline, paper mm, pieces in any order.

    Returns:
        Lines inside the outline.

    Source: ISO 128-3:2020 (hatching: narrow lines, preferably at 45°).
    """
    left, right, bottom, top = box(outline)
    lines = []
    steps = int((right - left + top - bottom) / (HATCH_MM * math.sqrt(2.0)))
    for index in range(steps + 1):
        # y = x + offset, from the lower right corner to the upper left one.
        offset = bottom - right + (index + 0.5) * HATCH_MM * math.sqrt(2.0)
        ray = Line((left - 1.0, left - 1.0 + offset), (right + 1.0, right + 1.0 + offset))
        hits = sorted({
            (round(x, 6), round(y, 6))
            for piece in outline
            for x, y in meetings(ray, piece)
            if share_of(piece, (x, y)) is not None
        })
        lines += [
            Line(a, b) for a, b in zip(hits[::2], hits[1::2], strict=False)
            if math.dist(a, b) > 0.3
        ]
    return lines


def _centre_lines(ink: Ink, subject: Subject, layout: Layout) -> None:
    front, top, side = layout.front, layout.top, layout.side
    half = subject.length_mm / 2
    left, right = (half + end.reach_mm for end in subject.ends)
    for place in (front, top) if subject.rod.template.body.turned else (front,):
        (x1, y), (x2, _) = place.at(-left, 0.0), place.at(right, 0.0)
        ink.line((x1 - PAST_MM, y), (x2 + PAST_MM, y), Pen.CENTRE)
    for end in subject.ends:
        x, y = front.at(end.u_mm, 0.0)
        reach = front.per_mm * end.reach_mm + PAST_MM
        ink.line((x, y - reach), (x, y + reach), Pen.CENTRE)
        x, y = top.at(end.u_mm, 0.0)
        inward, outward = (top.per_mm * reach for reach in _across(subject, end))
        ink.line((x, y - inward - PAST_MM), (x, y + outward + PAST_MM), Pen.CENTRE)
    _side_centre_lines(ink, subject, side)
    _section_centre_lines(ink, subject, layout.section)


def _across(subject: Subject, end: End) -> tuple[float, float]:
    """Tell how far a fitting reaches inward and outward."""
    if isinstance(end.fitting, NeckFitting):
        return end.reach_mm, end.reach_mm
    return subject.face_mm + end.fitting.stands_out_mm, subject.outward_mm


def _side_centre_lines(ink: Ink, subject: Subject, side: Place) -> None:
    x, y = side.origin
    low, high = subject.outward_mm, subject.inward_mm
    if not subject.from_left:
        low, high = high, low
    left, right = x - side.per_mm * low - PAST_MM, x + side.per_mm * high + PAST_MM
    ink.line((left, y), (right, y), Pen.CENTRE)
    if subject.rod.template.body.turned:
        reach = side.per_mm * subject.half_height_mm + PAST_MM
        ink.line((x, y - reach), (x, y + reach), Pen.CENTRE)


def _section_centre_lines(ink: Ink, subject: Subject, place: Place) -> None:
    x, y = place.origin
    out, inward = place.per_mm * subject.outward_mm, place.per_mm * subject.face_mm
    ink.line((x - out - PAST_MM, y), (x + inward + PAST_MM, y), Pen.CENTRE)
    if subject.rod.template.body.turned:
        ink.line((x, y - out - PAST_MM), (x, y + out + PAST_MM), Pen.CENTRE)


def _cutting_plane(ink: Ink, subject: Subject, layout: Layout) -> None:
    """Mark the cut A–A at its two ends, and name the section; it is seen from the left."""
    x, y = layout.front.at(subject.section_u_mm, 0.0)
    edge = layout.front.per_mm * subject.bar_half_mm + CUT_GAP_MM
    for way in (-1.0, 1.0):
        end = y + way * (edge + CUT_MM)
        ink.line((x, y + way * edge), (x, end), Pen.CUT)
        shaft = end - way * 0.35
        ink.line((x - CUT_ARROW_MM, shaft), (x, shaft))
        ink.append(arrow((x - 0.35, shaft), (1.0, 0.0)))
        base = end + CUT_LETTER_MM if way > 0 else end - CUT_LETTER_MM - LARGE_MM
        ink.append(Text("A", (x - CUT_ARROW_MM / 2, base), LARGE_MM, Align.CENTRE))
    own = layout.section
    above = own.origin[1] + own.per_mm * subject.bar_half_mm + SECTION_TITLE_MM
    words = "A–A" if own.per_mm == layout.per_mm else f"A–A ({scale_words(own.per_mm)})"
    ink.append(Text(words, (own.origin[0], above), LARGE_MM, Align.CENTRE))


def scale_words(per_mm: float) -> str:
    """Write a scale.

    >>> scale_words(2.0), scale_words(0.5)
    ('2:1', '1:2')
    """
    return f"{per_mm:g}:1" if per_mm >= 1 else f"1:{1 / per_mm:g}"

