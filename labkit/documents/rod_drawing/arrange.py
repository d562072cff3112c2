"""Where everything lies on the sheet: scale, views, section, table, notes and title block."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.catalog.profiles import Paper, Projection
from labkit.documents.rod_drawing.sheet import Place
from labkit.documents.rod_drawing.subject import Subject, alike
from labkit.errors import InputError

#: Landscape, mm (ISO 216 A4; US Letter 11 in × 8.5 in).
PAPER_MM = {Paper.A4: (297.0, 210.0), Paper.US_LETTER: (279.4, 215.9)}
#: Margins of the frame, mm (ISO 5457: 20 at the filing edge, 10 elsewhere).
FILING_MM, MARGIN_MM = 20.0, 10.0
#: Title block of ISO 7200 is 180 wide.
TITLE_MM = (180.0, 36.0)
TABLE_MM = 60.0
#: Height of the band at the foot with section, notes and title block.
BAND_MM = 68.0
#: Scales of ISO 5455 for the views, the largest that fits is taken; and for the section.
SCALES = (5.0, 2.0, 1.0, 0.5)
SECTION_SCALES = (20.0, 10.0, 5.0, 2.0, 1.0)
SECTION_MOST_MM = 33.0
#: Room above the front view for its dimensions, and below it for leaders.
ABOVE_MM, BELOW_MM = 29.0, 27.0
#: Room above the top view for its centre lines where it lies at the top.
OVER_TOP_MM = 6.0
#: A pin's diameter stands upright above the side view.
ABOVE_PIN_MM = 37.0
#: Room beside the views for dimensions, and between front and side view.
BESIDE_MM, BESIDE_PIN_MM, BETWEEN_MM = 14.0, 26.0, 26.0
#: Room to the left for the words of a bore that is only there.
BESIDE_BORE_MM = 34.0
#: Room below the top view for its dimensions.
UNDER_TOP_MM = 15.0


@dataclass(frozen=True)
class Layout:
    """Places on the sheet, mm.

    Args:
        frame: Left, right, bottom and top.
        per_mm: Scale of the main views.
    """

    paper: tuple[float, float]
    frame: tuple[float, float, float, float]
    per_mm: float
    front: Place
    top: Place
    side: Place
    section: Place

    @property
    def table_left(self) -> float:
        """Left edge of the table of lengths."""
        return self.frame[1] - TABLE_MM

    @property
    def views(self) -> dict[str, Place]:
        """The places by name."""
        return {"front": self.front, "top": self.top, "side": self.side, "section": self.section}


def side_is_right(subject: Subject) -> bool:
    """Tell whether the side view lies to the right of the front view.

    First angle: what is seen from the left is drawn on the right; third angle: on the left.
    """
    return subject.from_left == (subject.profile.projection is Projection.FIRST_ANGLE)


def arrange(subject: Subject) -> Layout:
    """Choose the scale and lay out the sheet.

    Returns:
        The layout with the largest scale that fits.

    Raises:
        InputError: The rod is too large for the paper.

    Source: ISO 5456-2 (arrangement of views), ISO 5457 (frame), ISO 5455 (scales).
    """
    paper = PAPER_MM[subject.profile.paper]
    frame = (FILING_MM, paper[0] - MARGIN_MM, MARGIN_MM, paper[1] - MARGIN_MM)
    room = (frame[1] - TABLE_MM - 2.0 - frame[0], frame[3] - frame[2] - BAND_MM)
    for scale in SCALES:
        needed = _needed(subject, scale)
        if needed[0] <= room[0] and needed[1] <= room[1]:
            return _placed(subject, paper, frame, scale)
    raise InputError(
        f"a rod of {subject.rod.label} mm does not fit a drawing on "
        f"{subject.profile.paper} paper; draw it by hand",
        field="length", value=subject.rod.label,
    )


def _extents(subject: Subject, scale: float) -> tuple[float, float, float]:
    """Give paper widths of the front view left and right of the middle and of the side view."""
    half = subject.length_mm / 2
    left, right = (scale * (half + end.reach_mm) for end in subject.ends)
    return left, right, scale * (subject.inward_mm + subject.outward_mm)


def _above(subject: Subject) -> float:
    pins = any(end.fitting.stands_out_mm for end in subject.ends)
    first = subject.profile.projection is Projection.FIRST_ANGLE
    return ABOVE_PIN_MM if pins and first else ABOVE_MM


def _pads(subject: Subject) -> tuple[float, float]:
    left, right = (
        BESIDE_PIN_MM if end.fitting.stands_out_mm else BESIDE_MM for end in subject.ends
    )
    if subject.ends[0].fitting.bored and not alike(subject.ends):
        left = BESIDE_BORE_MM
    # On the side of the side view its room serves.
    return (left, BESIDE_MM) if side_is_right(subject) else (BESIDE_MM, right)


def _needed(subject: Subject, scale: float) -> tuple[float, float]:
    left, right, side = _extents(subject, scale)
    depth = scale * (subject.inward_mm + subject.outward_mm)
    height = 2 * scale * subject.half_height_mm
    third = subject.profile.projection is Projection.THIRD_ANGLE
    return (
        sum(_pads(subject)) + left + right + BETWEEN_MM + side,
        _above(subject) + height + BELOW_MM + depth + UNDER_TOP_MM + third * OVER_TOP_MM,
    )


def _placed(
    subject: Subject,
    paper: tuple[float, float],
    frame: tuple[float, float, float, float],
    scale: float,
) -> Layout:
    left, right, side = _extents(subject, scale)
    needed = _needed(subject, scale)
    spare_x = frame[1] - TABLE_MM - 2.0 - frame[0] - needed[0]
    spare_y = frame[3] - frame[2] - BAND_MM - needed[1]
    x = frame[0] + _pads(subject)[0] + spare_x / 2
    if not side_is_right(subject):
        x += side + BETWEEN_MM
    front_x = x + left
    side_left = front_x + right + BETWEEN_MM if side_is_right(subject) else x - BETWEEN_MM - side
    nearest = subject.outward_mm if subject.from_left else subject.inward_mm
    half, depth = scale * subject.half_height_mm, scale * subject.inward_mm
    upper = frame[3] - spare_y / 3
    if subject.profile.projection is Projection.FIRST_ANGLE:
        front_y = upper - _above(subject) - half
        top_y = front_y - half - BELOW_MM - spare_y / 3 - scale * subject.outward_mm
    else:
        top_y = upper - OVER_TOP_MM - scale * subject.outward_mm
        front_y = top_y - depth - UNDER_TOP_MM - spare_y / 3 - _above(subject) - half
    return Layout(
        paper, frame, scale,
        Place((front_x, front_y), scale),
        Place((front_x, top_y), scale),
        Place((side_left + scale * nearest, front_y), scale),
        _section_place(subject, frame, scale),
    )


def _section_place(
    subject: Subject, frame: tuple[float, float, float, float], scale: float
) -> Place:
    height = 2 * subject.bar_half_mm
    fits = [one for one in SECTION_SCALES if one * height <= SECTION_MOST_MM]
    own = max(fits[0], scale) if fits else scale
    return Place((frame[0] + 40.0, frame[2] + 13.0 + own * height / 2), own)
