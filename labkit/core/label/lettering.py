"""One-stroke lettering and exact outlines as values; plane coordinates, x right, y up."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal

from labkit.core.numbers import Finite

Point2 = tuple[float, float]

#: Series of nominal heights, mm: ISO 3098-1.
ISO_3098_HEIGHTS_MM = tuple(Decimal(h) for h in ("1.8", "2.5", "3.5", "5", "7", "10"))


@dataclass(frozen=True)
class Line(Finite):
    """Straight piece from start to end."""

    start: Point2
    end: Point2


@dataclass(frozen=True)
class Arc(Finite):
    """Circular piece, from start_deg turning by sweep_deg (+ counter-clockwise, at most 360).

    Args:
        start_deg: Direction of the start point seen from the centre.
        sweep_deg: Signed turn to the end point.
    """

    center: Point2
    radius: float
    start_deg: float
    sweep_deg: float


@dataclass(frozen=True)
class Disc(Finite):
    """Filled circle (the decimal point), with a radius of its own."""

    center: Point2
    radius: float


Piece = Line | Arc
Mark = Line | Arc | Disc


@dataclass(frozen=True)
class Glyph(Finite):
    """One character; in units of the nominal height, outlines from y = 0 to y = 1.

    Args:
        width: Width of the cell from x = 0 to x = width in which the outline lies.
        marks: Centrelines of the strokes (and discs) of the character.
        space_before, space_after: Clear space to the neighbours' cells (the larger counts).
    """

    char: str
    width: float
    marks: tuple[Mark, ...]
    space_before: float
    space_after: float


@dataclass(frozen=True)
class Lettering(Finite):
    """A lettering: characters as centrelines, drawn with strokes of constant width.

    Args:
        stroke: Stroke width, in units of the nominal height.
        bar_gap: Clear space between the characters and the bar under them.
        glyphs: Characters of lengths and side marks.
        letters: Characters that only case marks have, beside the digits.
    """

    name: str
    stroke: float
    bar_gap: float
    heights_mm: tuple[float, ...]
    glyphs: tuple[Glyph, ...]
    letters: tuple[Glyph, ...] = ()

    def __hash__(self) -> int:
        """Tell letterings apart by their names, so that what is laid out can be kept cheaply."""
        return hash((self.name, self.stroke, len(self.letters)))

    @property
    def of_case_marks(self) -> Lettering:
        """The lettering that case marks are set in and read with: its digits and letters."""
        digits = tuple(glyph for glyph in self.glyphs if glyph.char.isdigit())
        return replace(self, glyphs=(*digits, *self.letters), letters=())

    def wider(self, by: float) -> Lettering:
        """Give the lettering as it looks with wider strokes; by in units of the height."""
        def wide(glyphs: tuple[Glyph, ...]) -> tuple[Glyph, ...]:
            return tuple(
                replace(glyph, marks=with_wider_points(glyph.marks, by)) for glyph in glyphs
            )

        return replace(
            self, stroke=self.stroke + by, glyphs=wide(self.glyphs), letters=wide(self.letters)
        )


def with_wider_points(marks: tuple[Mark, ...], by: float) -> tuple[Mark, ...]:
    """Give centrelines and points, points wider by as much as the strokes."""
    return tuple(
        replace(mark, radius=mark.radius + by / 2) if isinstance(mark, Disc) else mark
        for mark in marks
    )


@dataclass(frozen=True)
class Region:
    """A plane region bounded by exact lines and arcs.

    Args:
        outer: Closed loop, counter-clockwise; each piece ends where the next starts.
        holes: Closed loops, clockwise.
    """

    outer: tuple[Piece, ...]
    holes: tuple[tuple[Piece, ...], ...] = ()


@dataclass(frozen=True)
class Drawn:
    """A character as it is drawn, in units of the height, about the corner of its cell."""

    marks: tuple[Mark, ...] = ()
    stroke: float = 0.0


@dataclass(frozen=True)
class PlacedGlyph:
    """One character of a laid-out label, in mm, origin at the label's centre.

    Args:
        char: The character ("_" for the bar).
        regions: Exact outline of the character's strokes.
        drawn: What it is the same character with, wherever it stands.
        corner: Where the corner of its cell lies.
    """

    char: str
    marks: tuple[Mark, ...]
    regions: tuple[Region, ...]
    left: float
    right: float
    bottom: float
    top: float
    drawn: Drawn = Drawn()
    corner: Point2 = (0.0, 0.0)


@dataclass(frozen=True)
class Engraving:
    """A laid-out label in mm: x to the reader's right, y up, origin at its box's centre.

    Args:
        text: Characters, without the bar.
        width_mm, depth_mm: Size of the whole box, bar included; depth is along y.
        glyphs: Placed characters, left to right, the bar last.
        case_mark: The case mark beside it, about a middle of its own; None where there is none.
    """

    text: str
    bar: bool
    height_mm: float
    stroke_mm: float
    width_mm: float
    depth_mm: float
    glyphs: tuple[PlacedGlyph, ...]
    case_mark: Engraving | None = None

    @property
    def texts(self) -> tuple[Engraving, ...]:
        """The label, then the case mark where there is one."""
        return (self,) if self.case_mark is None else (self, self.case_mark)

    @property
    def case_mark_text(self) -> str:
        """Characters of the case mark; empty without one."""
        return "" if self.case_mark is None else self.case_mark.text

    def regions(self) -> tuple[Region, ...]:
        """Give all outlines of the label, in the order of the characters."""
        return tuple(region for glyph in self.glyphs for region in glyph.regions)
