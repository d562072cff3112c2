"""A sheet of drawing as values, in mm of paper; written as DXF, SVG and PDF."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from labkit.core.label.lettering import Piece, Point2
from labkit.core.numbers import require_finite
from labkit.documents.letters import width_mm

#: Lettering heights of capitals, mm, of the ISO 3098 series.
SMALL_MM, TEXT_MM, LARGE_MM = 1.8, 2.5, 3.5


class Pen(StrEnum):
    """Line types of ISO 128-2, with their widths."""

    FRAME = "frame"
    CUT = "cut"
    VISIBLE = "visible"
    HIDDEN = "hidden"
    CENTRE = "centre"
    THIN = "thin"


#: Widths of line group 0.5 (ISO 128-2); the frame by ISO 5457.
WIDTH_MM = {
    Pen.FRAME: 0.7, Pen.CUT: 0.7, Pen.VISIBLE: 0.5,
    Pen.HIDDEN: 0.25, Pen.CENTRE: 0.25, Pen.THIN: 0.25,
}
#: Drawn and open lengths, mm (ISO 128-2: dash 12 d, gap 3 d; long dash 24 d, gap 3 d, dot 0.5 d).
DASHES_MM: dict[Pen, tuple[float, ...]] = {
    Pen.HIDDEN: (3.0, 0.75), Pen.CENTRE: (6.0, 0.75, 0.15, 0.75),
}


class Align(StrEnum):
    """Which point of a line of words lies at its place."""

    LEFT = "left"
    CENTRE = "centre"
    RIGHT = "right"


@dataclass(frozen=True)
class Stroke:
    """A line or arc drawn with a pen."""

    piece: Piece
    pen: Pen


@dataclass(frozen=True)
class Fill:
    """A black polygon (an arrowhead or a dot)."""

    corners: tuple[Point2, ...]


@dataclass(frozen=True)
class Text:
    """A line of words.

    Args:
        at: Place of the base line, mm.
        align: Which point of the line lies at the place.
        turn_deg: 0, or 90 for reading from the right.
        most_mm: Width into which the words are squeezed where they are longer.
        own: Whether the words may be a user's.
    """

    words: str
    at: Point2
    height_mm: float = TEXT_MM
    align: Align = Align.LEFT
    turn_deg: float = 0.0
    most_mm: float = 1e6
    own: bool = False

    def __post_init__(self) -> None:
        require_finite(self)

    @property
    def width_mm(self) -> float:
        """Width as drawn."""
        return min(width_mm(self.words, self.height_mm), self.most_mm)

    @property
    def squeeze(self) -> float:
        """Factor on the width of the letters, at most 1."""
        full = width_mm(self.words, self.height_mm)
        return min(1.0, self.most_mm / full) if full else 1.0

    def box(self) -> tuple[float, float, float, float]:
        """Give left, right, bottom and top of the capitals' box."""
        start = {Align.LEFT: 0.0, Align.CENTRE: -0.5, Align.RIGHT: -1.0}[self.align]
        low, high = start * self.width_mm, (start + 1.0) * self.width_mm
        x, y = self.at
        if self.turn_deg:
            return (x - self.height_mm, x, y + low, y + high)
        return (x + low, x + high, y, y + self.height_mm)


class Kind(StrEnum):
    """Kinds of dimensions."""

    HORIZONTAL = "horizontal"
    VERTICAL = "vertical"
    DIAMETER = "diameter"
    RADIUS = "radius"


@dataclass(frozen=True)
class Dimension:
    """A dimension with the points that define it and everything that is drawn for it.

    Args:
        name: What is dimensioned, such as "functional length".
        points: Linear: the two points measured; diameter: two opposite points of the circle;
            radius: centre and point on the arc. Paper mm.
        line_at: A point on the dimension line, paper mm.
        per_mm: Paper mm for each mm of the part in this view.
        strokes: Dimension, extension and leader lines.
    """

    name: str
    kind: Kind
    points: tuple[Point2, Point2]
    line_at: Point2
    value_mm: float
    per_mm: float
    text: Text
    strokes: tuple[Stroke, ...]
    fills: tuple[Fill, ...]


@dataclass(frozen=True)
class Place:
    """Where a view lies: its origin on the paper and paper mm for each mm of the part."""

    origin: Point2
    per_mm: float

    def at(self, x_mm: float, y_mm: float) -> Point2:
        """Turn a point of the view into a point of the paper."""
        return (self.origin[0] + x_mm * self.per_mm, self.origin[1] + y_mm * self.per_mm)


@dataclass
class Ink:
    """Collects what is drawn."""

    strokes: list[Stroke] = field(default_factory=list)
    fills: list[Fill] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)
    dimensions: list[Dimension] = field(default_factory=list)


@dataclass(frozen=True)
class Sheet:
    """A finished sheet, origin at its lower left corner, y up, mm.

    Args:
        per_mm: Paper mm for each mm of the part in the main views (the scale).
        title: What the drawing shows, in words.
        frame: Left, right, bottom and top of the frame.
        views: Places of the views by name: front, top, side, section.
        strokes, fills, texts, dimensions: Everything drawn; a dimension's own lines and words
            are in it alone.
        further: Sheets that continue the table of lengths; in the PDF alone.
    """

    width_mm: float
    height_mm: float
    per_mm: float
    title: str
    date: str
    frame: tuple[float, float, float, float]
    views: dict[str, Place]
    strokes: tuple[Stroke, ...]
    fills: tuple[Fill, ...]
    texts: tuple[Text, ...]
    dimensions: tuple[Dimension, ...]
    further: tuple[Sheet, ...] = ()

    def all_texts(self) -> tuple[Text, ...]:
        """Give all words, those of dimensions included."""
        return (*self.texts, *(one.text for one in self.dimensions))

    def all_strokes(self) -> tuple[Stroke, ...]:
        """Give all lines, those of dimensions included."""
        return (*self.strokes, *(s for one in self.dimensions for s in one.strokes))

    def all_fills(self) -> tuple[Fill, ...]:
        """Give all fills, those of dimensions included."""
        return (*self.fills, *(f for one in self.dimensions for f in one.fills))
