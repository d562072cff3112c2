"""Dimensions that every rod has: lengths, the label's place and depth, and leaders below it."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.core.label.lettering import Line, Piece, Point2
from labkit.core.rod.curves import at
from labkit.documents.drawing import Ink
from labkit.documents.rod_drawing.arrange import Layout
from labkit.documents.rod_drawing.dimensioning import Course, diameter, linear, note
from labkit.documents.rod_drawing.subject import End, Subject
from labkit.documents.rod_drawing.words import MINUS, PLUS_MINUS, Size, size, sized
from labkit.errors import InputError

#: First dimension line from the outline, and from one line to the next (ISO 129-1: 10 and 7).
FIRST_MM, NEXT_MM = 10.0, 7.0
#: Rows of leaders below the front view.
LEADER_ROW_MM, NEXT_ROW_MM = 10.5, 6.5
#: The leader of a circle leans outward by this part of its height; a second one of the same end
#: leans the other way, or both would lie on one line.
LEAN, LEAN_INWARD = 0.25, -0.15
#: The dimension of the label's depth lies this far above the section.
DEPTH_LINE_MM = 7.0


@dataclass(frozen=True)
class Page:
    """The sheet in the making: what is drawn, of which rod, and where it lies."""

    ink: Ink
    subject: Subject
    layout: Layout

    def leader_row(self, row: int) -> float:
        """Give the height of a row of leaders below the front view, counted from 0."""
        front = self.layout.front
        below = front.origin[1] - front.per_mm * self.subject.half_height_mm
        return below - LEADER_ROW_MM - row * NEXT_ROW_MM

    def elbow(self, end: End, row: int) -> Point2:
        """Place the elbow of an end's leader; of two leaders they lean apart."""
        x, y = self.layout.front.at(end.u_mm, 0.0)
        level, lean = self.leader_row(row), LEAN if row == 0 else LEAN_INWARD
        return (x + end.side * lean * (y - level), level)

    def circle(self, end: End, row: int, what: Size) -> None:
        """Dimension a circle about an end's centre in the front view."""
        elbow = self.elbow(end, row)
        self.ink.append(
            diameter(self.layout.front, (end.u_mm, 0.0), elbow, end.side > 0, what)
        )


def length_dimensions(page: Page) -> None:
    """Dimension the functional length, the label's place and, for reference, the whole length."""
    ink, subject, front = page.ink, page.subject, page.layout.front
    left, right = subject.ends
    top = front.origin[1] + front.per_mm * subject.half_height_mm
    lower = subject.lower
    place = abs(subject.label_u_mm - subject.lower.u_mm)
    words = f"L = {subject.rod.label} {PLUS_MINUS}{tolerance_words(subject)}"
    ink += [
        linear(
            front, (lower.u_mm, 0.0), (subject.label_u_mm, subject.label.depth_mm / 2),
            Size("label place", place, _place_words(place - subject.length_mm / 2)),
            Course(
                False, top + FIRST_MM, words_before=lower.side < 0,
                words_off=front.per_mm * lower.reach_mm + 1.0,
            ),
        ),
        linear(
            front, (left.u_mm, 0.0), (right.u_mm, 0.0),
            Size("functional length", subject.length_mm, words),
            Course(False, top + FIRST_MM + NEXT_MM),
        ),
    ]
    whole = subject.length_mm + left.reach_mm + right.reach_mm
    ink.append(
        linear(
            front, (left.u_mm - left.reach_mm, 0.0), (right.u_mm + right.reach_mm, 0.0),
            Size("overall length", whole, f"({size(whole)})"),
            Course(False, top + FIRST_MM + 2 * NEXT_MM),
        )
    )


def tolerance_words(subject: Subject) -> str:
    """Give the tolerance of the drawn rod's length, as the set holds it."""
    use = subject.part["uses"][0]
    return size(subject.spec["tolerances_mm"][use["step"] - 1][use["side"]])


def _place_words(more: float) -> str:
    """Say where the label's centre lies, seen from the lower fitting: half of L and some mm."""
    if abs(more) < 5e-5:
        return "L/2"
    return f"L/2 {'+' if more > 0 else MINUS} {size(abs(more))}"


def label_note(page: Page) -> None:
    """Point at the label and say how it is engraved."""
    subject = page.subject
    place = subject.rod.template.label
    # The second character: the cut goes through the first one.
    second = subject.label.glyphs[1]
    u = subject.label_u_mm + (second.left + second.right) / 2
    tip = page.layout.front.at(u, second.bottom)
    words = (
        f"Label: {size(place.height_mm)} high, stroke {size(subject.label.stroke_mm)}, "
        f"{size(place.depth_mm)} deep"
    )
    note(page.ink, tip, (tip[0] + 2.0, page.leader_row(2)), True, words)


def depth_dimension(page: Page) -> None:
    """Dimension the label's depth where the section cuts the uppermost stroke."""
    subject, place = page.subject, page.layout.section
    floor = subject.face_mm - subject.rod.template.label.depth_mm
    tops = [
        max(at(piece, share)[1] for share in (0.0, 1.0))
        for piece in subject.views.section
        if _is_upright(piece, floor)
    ]
    if not tops:
        raise InputError(
            f"the cut at {subject.section_u_mm:.2f} mm meets no stroke of the label "
            f"{subject.rod.engraving}; make the set again", field="parts",
        )
    faces = [piece for piece in subject.views.section if _is_upright(piece, subject.face_mm)]
    high = max(max(at(piece, share)[1] for share in (0.0, 1.0)) for piece in faces)
    line = place.origin[1] + place.per_mm * subject.bar_half_mm + DEPTH_LINE_MM
    first: Point2 = (floor, max(tops))
    page.ink.append(
        linear(
            place, first, (subject.face_mm, high),
            sized("label depth", subject.rod.template.label.depth_mm),
            Course(False, line),
        )
    )


def _is_upright(piece: Piece, x_mm: float) -> bool:
    return isinstance(piece, Line) and all(
        abs(end[0] - x_mm) < 1e-4 for end in (piece.start, piece.end)
    )
