"""A drawing as values, in mm of paper, y up: what SVG, DXF and the papers are printed from."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeVar

from labkit.core.label.lettering import Line, Piece, Point2
from labkit.core.numbers import Finite
from labkit.core.rod.outlines import Loop, circle, polygon, rectangle
from labkit.documents.glyphs import BOLD, REGULAR
from labkit.documents.letters import CAPITAL, SMALL_LETTER, width_mm

MM_PER_POINT = 25.4 / 72
#: Words in a row are so far apart at least.
_GAP_MM = 3.0
#: Lettering heights of capitals, mm, of the ISO 3098 series.
SMALL_MM, TEXT_MM, LARGE_MM = 1.8, 2.5, 3.5


class Pen(StrEnum):
    """Kinds of lines: those of ISO 128-2, then the edges of a rod in a picture and scale lines."""

    FRAME = "frame"
    CUT = "cut"
    VISIBLE = "visible"
    HIDDEN = "hidden"
    CENTRE = "centre"
    THIN = "thin"
    EDGE = "edge"
    HAIR = "hair"


#: Widths of line group 0.5 (ISO 128-2); the frame by ISO 5457.
WIDTH_MM = {
    Pen.FRAME: 0.7, Pen.CUT: 0.7, Pen.VISIBLE: 0.5,
    Pen.HIDDEN: 0.25, Pen.CENTRE: 0.25, Pen.THIN: 0.25, Pen.EDGE: 0.18, Pen.HAIR: 0.1,
}
#: Drawn and open lengths, mm (ISO 128-2: dash 12 d, gap 3 d; long dash 24 d, gap 3 d, dot 0.5 d).
DASHES_MM: dict[Pen, tuple[float, ...]] = {
    Pen.HIDDEN: (3.0, 0.75), Pen.CENTRE: (6.0, 0.75, 0.15, 0.75),
}


class Shade(StrEnum):
    """What a face is filled with."""

    BLACK = "#000000"
    GREY = "#9a9a9a"
    #: Rods are tinted so lightly that a copier leaves them white.
    TINT = "#ececec"
    WHITE = "#ffffff"
    #: Cases on the map of a build: black print on them stays readable on a copy without colours.
    SKY = "#cfe4f7"
    LEMON = "#fdf3b0"
    ROSE = "#f7d3dc"
    MINT = "#cdebd3"
    PEACH = "#fbdfc4"
    LILAC = "#e3d6f3"
    AQUA = "#c9ecec"
    SAND = "#e6e0cf"


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
    """A filled face.

    Args:
        loops: Closed loops; what lies in two of them is left open.
    """

    loops: tuple[Loop, ...]
    shade: Shade = Shade.BLACK


@dataclass(frozen=True)
class Text(Finite):
    """A line of words.

    Args:
        at: Place of the base line, mm.
        height_mm: Height of capitals.
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
    bold: bool = False

    @property
    def full_mm(self) -> float:
        """Width of the words as long as they are."""
        return width_mm(self.words, self.height_mm, BOLD if self.bold else REGULAR)

    @property
    def width_mm(self) -> float:
        """Width as drawn."""
        return min(self.full_mm, self.most_mm)

    @property
    def squeeze(self) -> float:
        """Factor on the width of the letters, at most 1."""
        return min(1.0, self.most_mm / self.full_mm) if self.full_mm else 1.0

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
        lines: Dimension, extension and leader lines, and arrowheads.
    """

    name: str
    kind: Kind
    points: tuple[Point2, Point2]
    line_at: Point2
    value_mm: float
    per_mm: float
    text: Text
    lines: tuple[Stroke | Fill, ...]


Shape = Stroke | Fill | Text | Dimension
S = TypeVar("S", Stroke, Fill, Text, Dimension)


@dataclass(frozen=True)
class Drawing:
    """A finished drawing.

    Args:
        title: What it shows, for people who cannot see it.
        shapes: From back to front.
        corner: Its lower left corner, in the coordinates of the shapes.
    """

    width_mm: float
    height_mm: float
    title: str
    shapes: tuple[Shape, ...]
    corner: Point2 = field(default=(0.0, 0.0), kw_only=True)

    @property
    def top_mm(self) -> float:
        """The upper edge."""
        return self.corner[1] + self.height_mm

    def own(self, kind: type[S]) -> list[S]:
        """Give the shapes of a kind that belong to no dimension."""
        return [shape for shape in self.shapes if isinstance(shape, kind)]

    def every(self, kind: type[S]) -> list[S]:
        """Give the shapes of a kind, with those that dimensions are drawn by."""
        return [shape for shape in single(self.shapes) if isinstance(shape, kind)]


def single(shapes: Iterable[Shape]) -> Iterator[Stroke | Fill | Text]:
    """Take dimensions apart into their lines, arrowheads and words."""
    for shape in shapes:
        if isinstance(shape, Dimension):
            yield from (*shape.lines, shape.text)
        else:
            yield shape


class Ink(list[Shape]):
    """Collects what is drawn, from back to front."""

    def line(self, a: Point2, b: Point2, pen: Pen = Pen.THIN) -> None:
        """Draw a straight line."""
        self.append(Stroke(Line(a, b), pen))

    def course(self, *points: Point2, pen: Pen = Pen.THIN) -> None:
        """Draw straight lines from point to point."""
        self.edges(polygon(*points)[: len(points) - 1], pen)

    def box(self, left: float, right: float, bottom: float, top: float, pen: Pen) -> None:
        """Draw an upright rectangle."""
        self.edges(rectangle(left, right, bottom, top), pen)

    def edges(self, pieces: Iterable[Piece], pen: Pen) -> None:
        """Draw lines and arcs."""
        self.extend(Stroke(piece, pen) for piece in pieces)

    def fill(self, *loops: Loop, shade: Shade = Shade.BLACK) -> None:
        """Fill closed loops."""
        self.append(Fill(loops, shade))

    def dot(self, at: Point2, size_mm: float) -> None:
        """Mark a point by a black dot."""
        self.fill(circle(at, size_mm / 2))

    def ring(self, at: Point2, size_mm: float) -> None:
        """Mark a point by a white disc with a rim."""
        self._rimmed(circle(at, size_mm / 2))

    def square(self, at: Point2, size_mm: float) -> None:
        """Mark a point by a white square with a rim."""
        (x, y), half = at, size_mm / 2
        self._rimmed(rectangle(x - half, x + half, y - half, y + half))

    def _rimmed(self, loop: Loop) -> None:
        self.fill(loop, shade=Shade.WHITE)
        self.edges(loop, Pen.THIN)


def label(
    words: str, middle: Point2, size_pt: float = 8.5, align: Align = Align.CENTRE,
    *, bold: bool = False, most_mm: float = math.inf,
) -> Text:
    """Set words whose small letters are centred at a height.

    Args:
        middle: Where the line starts, has its middle or ends, by `align`; its middle height.
        most_mm: Room for them; words that are wider are set smaller.
    """
    size = size_pt * MM_PER_POINT
    size *= min(1.0, most_mm / max(Text(words, middle, size * CAPITAL, bold=bold).width_mm, 1e-9))
    base = middle[1] - size * SMALL_LETTER / 2
    return Text(words, (middle[0], base), size * CAPITAL, align, bold=bold)


def in_rows(widths_mm: Iterable[float], at_mm: Iterable[float]) -> list[int]:
    """Choose rows for words along an axis so that none overlap.

    Args:
        widths_mm: Width of each.
        at_mm: Middle of each.

    Returns:
        Row of each, from 0; the first row that has room is taken, in the order given.

    >>> in_rows([10, 10, 10], [0, 5, 20])
    [0, 1, 0]
    """
    taken: list[list[tuple[float, float]]] = []
    rows = []
    for width, middle in zip(widths_mm, at_mm, strict=True):
        low, high = middle - width / 2 - _GAP_MM / 2, middle + width / 2 + _GAP_MM / 2
        row = 0
        while row < len(taken) and any(low < h and high > w for w, h in taken[row]):
            row += 1
        if row == len(taken):
            taken.append([])
        taken[row].append((low, high))
        rows.append(row)
    return rows
