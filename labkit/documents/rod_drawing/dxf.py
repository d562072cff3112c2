"""The sheet as DXF: model space at 1:1 in mm, with real dimensions."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from functools import cache

from labkit.catalog.places import templates_dir
from labkit.core.label.lettering import Line, Point2
from labkit.core.rod.curves import at
from labkit.documents.drawing import (
    DASHES_MM,
    TEXT_MM,
    Align,
    Dimension,
    Fill,
    Kind,
    Pen,
    Stroke,
    Text,
)
from labkit.documents.letters import width_mm
from labkit.documents.rod_drawing.dimensioning import ABOVE_MM, ARROW_MM, GAP_MM, PAST_MM
from labkit.documents.rod_drawing.sheet import Sheet
from labkit.units import written

#: A drawing with layers and no line, and a dimension style: what varies stands between @ signs.
FRAME, STYLE = "rod-drawing.dxf", "dimension-style.dxf"
DECIMALS = 6
TEXT_STYLE, TEXT_LAYER, DIMENSION_LAYER = "LETTERING", "TEXT", "DIMENSIONS"
#: Handles, hexadecimal numbers: those that the frame bears, and the first free one.
_STYLES, _BLOCKS, _SPACE, _TEXT_STYLE, _FIRST = "4", "9", "17", "2F", 0x3A
#: DIMENSION types of the DXF reference; 32: the block is this dimension's own; 128: placed words.
_TYPES = {Kind.HORIZONTAL: 0, Kind.VERTICAL: 0, Kind.RADIUS: 4, Kind.DIAMETER: 3}
_OWN_BLOCK, _WORDS_PLACED = 32, 128
_ROUND = {Kind.RADIUS: "AcDbRadialDimension", Kind.DIAMETER: "AcDbDiametricDimension"}
#: Names of line types that CAD programs know by themselves.
_LINE_TYPES = {Pen.HIDDEN: "HIDDEN", Pen.CENTRE: "CENTER"}
#: Words that fill more than this part of their place are fitted into their width, as another
#: program's font may be wider.
_FILLED = 0.7
#: Behind a percent sign that another follows, and behind a backslash.
_CUT = re.compile(r"(?<=%)(?=%)|(?<=\\)")
_GAP = re.compile(r"@([^@\n]+)@\n?")
#: Fonts of CAD programs seldom have the minus sign and the dash.
_PLAINER = {"−": "-", "–": "-"}
#: How TEXT is placed along its line, and the point of MTEXT that its place names.
_PLACES = {Align.LEFT: 0, Align.CENTRE: 1, Align.RIGHT: 2}
_FITTED = 5
_ATTACHED = {Align.LEFT: 7, Align.CENTRE: 8, Align.RIGHT: 9}
_MIDDLE_CENTRE = 5

#: A group code of the DXF reference and its value.
Group = tuple[int, str | int | float]


def to_dxf(sheet: Sheet) -> bytes:
    """Write the sheet as a DXF file.

    Everything is divided by the sheet's scale, so that the main views are at 1:1 and a dimension
    measures the size of the part; in the enlarged section its measure times the dimension style's
    linear factor does. Each dimension's block holds the very lines of the sheet.

    Returns:
        The file, DXF R2010 in UTF-8; the same bytes each time, in every process.

    Source: Autodesk, AutoCAD 2010 DXF Reference (groups in the order of the frame's library).
    """
    return _Writer(sheet).write().encode("utf-8")


@cache
def _data(name: str) -> str:
    return (templates_dir() / "documents" / name).read_text("utf-8")


def _filled(text: str, values: Mapping[str, object]) -> str:
    """Fill the gaps of a frame: records come with their own ends of lines."""

    def fill(gap: re.Match[str]) -> str:
        value = str(values[gap[1]])
        return value if not value or value.endswith("\n") else f"{value}\n"

    return _GAP.sub(fill, text)


def _record(kind: str, *groups: Group) -> str:
    return "".join(f"{code:3}\n{value}\n" for code, value in ((0, kind), *groups))


class _Writer:
    """Writes one sheet: entities of its own space, dimension styles and blocks as they come."""

    def __init__(self, sheet: Sheet) -> None:
        self._sheet = sheet
        self._unit = 1.0 / sheet.per_mm
        self._next = _FIRST
        self._styles: dict[float, str] = {}
        self._style_records: list[str] = []
        self._block_records: list[str] = []
        self._blocks: list[str] = []

    def write(self) -> str:
        """Write lines, words and dimensions into the frame."""
        entities = [self._shape(shape) for shape in self._sheet.shapes]
        return _filled(_data(FRAME), {
            **self._lengths(), **self._dashes(), "next handle": self._handle(),
            # Besides the frame's own: the standard style; the drawing and its paper.
            "count of dimension styles": 1 + len(self._style_records),
            "count of blocks": 2 + len(self._block_records),
            "dimension styles": "".join(self._style_records),
            "block records": "".join(self._block_records),
            "blocks": "".join(self._blocks), "entities": "".join(entities),
        })

    def _shape(self, shape: Stroke | Fill | Text | Dimension) -> str:
        if isinstance(shape, Stroke):
            return self._stroke(_SPACE, shape.pen.name, shape)
        if isinstance(shape, Fill):
            return self._fill(_SPACE, Pen.THIN.name, shape)
        if isinstance(shape, Text):
            return self._text(shape)
        return self._dimension(shape)

    def _handle(self) -> str:
        self._next += 1
        return f"{self._next - 1:X}"

    def _lengths(self) -> dict[str, float]:
        """Give what dimensions look like, by the names of the DXF reference."""
        lengths = {
            "dimtxt": TEXT_MM, "dimasz": ARROW_MM, "dimexo": GAP_MM, "dimexe": PAST_MM,
            "dimgap": ABOVE_MM,
        }
        return {name: length * self._unit for name, length in lengths.items()}

    def _dashes(self) -> dict[str, float]:
        found = {}
        for pen, name in _LINE_TYPES.items():
            signs = [self._unit * one * (-1) ** index for index, one in enumerate(DASHES_MM[pen])]
            found[f"{name} length"] = sum(map(abs, signs))
            found |= {f"{name} dash {index}": one for index, one in enumerate(signs)}
        return found

    def _at(self, point: Point2) -> Point2:
        return (written(point[0] * self._unit, DECIMALS), written(point[1] * self._unit, DECIMALS))

    def _entity(self, kind: str, owner: str, layer: str, *groups: Group) -> str:
        base: tuple[Group, ...] = (
            (5, self._handle()), (330, owner), (100, "AcDbEntity"), (8, layer),
        )
        return _record(kind, *base, *groups)

    def _stroke(self, owner: str, layer: str, stroke: Stroke) -> str:
        piece = stroke.piece
        if isinstance(piece, Line):
            ends = (*_point(0, self._at(piece.start)), *_point(1, self._at(piece.end)))
            return self._entity("LINE", owner, layer, (100, "AcDbLine"), *ends)
        circle: tuple[Group, ...] = (
            (100, "AcDbCircle"), *_point(0, self._at(piece.center)),
            (40, written(piece.radius * self._unit, DECIMALS)),
        )
        if abs(piece.sweep_deg) >= 360.0:
            return self._entity("CIRCLE", owner, layer, *circle)
        turns = sorted((0.0, piece.sweep_deg))
        first, last = (written((piece.start_deg + turn) % 360.0, DECIMALS) for turn in turns)
        return self._entity(
            "ARC", owner, layer, *circle, (100, "AcDbArc"), (50, first), (51, last)
        )

    def _fill(self, owner: str, layer: str, fill: Fill) -> str:
        found = []
        for loop in fill.loops:
            corners = [self._at(at(piece, 0.0)) for piece in loop]
            # A SOLID has four corners; of a triangle the last one counts twice.
            corners += corners[-1:] * (4 - len(corners))
            points = (group for index, one in enumerate(corners) for group in _point(index, one))
            found.append(self._entity("SOLID", owner, layer, (100, "AcDbTrace"), *points))
        return "".join(found)

    def _text(self, text: Text) -> str:
        pieces = literal_pieces(text.words)
        filled = text.width_mm > _FILLED * text.most_mm
        if len(pieces) == 1 and (text.turn_deg or not filled):
            return self._placed(pieces[0], text, text.at, None)
        left, _, bottom, _ = text.box()
        found = []
        for piece in pieces:
            right = left + width_mm(piece, text.height_mm) * text.squeeze
            found.append(self._placed(piece, text, (left, bottom), (right, bottom)))
            left = right
        return "".join(found)

    def _placed(self, words: str, text: Text, at: Point2, to: Point2 | None) -> str:
        """Give one TEXT, at a point or fitted between two."""
        place = _PLACES[text.align] if to is None else _FITTED
        squeeze = written(text.squeeze, 4)
        return self._entity(
            "TEXT", _SPACE, TEXT_LAYER, (100, "AcDbText"), *_point(0, self._at(at)),
            (40, text.height_mm * self._unit), (1, content(words)), *_turned(text.turn_deg),
            (7, TEXT_STYLE), *(((41, squeeze),) if squeeze != 1.0 else ()),
            *(((72, place),) if place else ()), *_point(1, self._at(to or at)), (100, "AcDbText"),
        )

    def _style(self, per_mm: float) -> str:
        """Give the dimension style of views at a scale, made on first use."""
        if per_mm not in self._styles:
            factor = self._sheet.per_mm / per_mm
            name = "ISO-129" if factor == 1.0 else f"ISO-129-{factor:g}"
            self._styles[per_mm] = name
            self._style_records.append(_filled(_data(STYLE), {
                **self._lengths(), "handle": self._handle(), "name": name, "factor": factor,
            }))
        return self._styles[per_mm]

    def _dimension(self, one: Dimension) -> str:
        words = dimension_words(one.text.words)
        block = self._block(one, words)
        left, right, bottom, top = one.text.box()
        first, second = (self._at(point) for point in one.points)
        style = self._style(one.per_mm)
        return self._entity(
            "DIMENSION", _SPACE, DIMENSION_LAYER, (100, "AcDbDimension"), (280, 0), (2, block),
            (3, style), *_point(0, first if one.kind in _ROUND else self._at(one.line_at)),
            *_point(1, self._at(((left + right) / 2, (bottom + top) / 2))),
            (70, _TYPES[one.kind] + _OWN_BLOCK + _WORDS_PLACED), (71, _MIDDLE_CENTRE),
            (42, one.value_mm), (1, words), *_measured(one.kind, first, second),
        )

    def _block(self, one: Dimension, words: str) -> str:
        """Write the lines, arrows and words of a dimension as a block; give its name."""
        name = f"*D{len(self._block_records) + 1}"
        record, begin, end = (self._handle() for _ in range(3))
        self._block_records.append(_record(
            "BLOCK_RECORD", (5, record), (330, _BLOCKS), (100, "AcDbSymbolTableRecord"),
            (100, "AcDbBlockTableRecord"), (2, name), (340, 0), (70, 0), (280, 1), (281, 0),
        ))
        base: tuple[Group, ...] = (330, record), (100, "AcDbEntity"), (8, "0")
        lines = [
            self._stroke(record, "0", line) if isinstance(line, Stroke)
            else self._fill(record, "0", line) for line in one.lines
        ]
        self._blocks += [
            _record("BLOCK", (5, begin), *base, (100, "AcDbBlockBegin"), (2, name), (70, 1),
                    *_point(0, (0.0, 0.0)), (3, name), (1, "")),
            *lines,
            self._entity(
                "MTEXT", record, "0", (100, "AcDbMText"), *_point(0, self._at(one.text.at)),
                (40, one.text.height_mm * self._unit), (71, _ATTACHED[one.text.align]),
                (1, words), (7, TEXT_STYLE), *_turned(one.text.turn_deg),
            ),
            _record("ENDBLK", (5, end), *base, (100, "AcDbBlockEnd")),
        ]
        return name


def _point(number: int, point: Point2) -> tuple[Group, Group, Group]:
    """Give the groups of a point in the plane; a record numbers its points."""
    return (10 + number, point[0]), (20 + number, point[1]), (30 + number, 0.0)


def _measured(kind: Kind, first: Point2, second: Point2) -> tuple[Group, ...]:
    """Give what a dimension measures: the way between two points along a line, or a circle."""
    if kind in _ROUND:
        return (100, _ROUND[kind]), *_point(5, second)
    turn_deg = 90.0 if kind is Kind.VERTICAL else 0.0
    return (
        (100, "AcDbAlignedDimension"), *_point(3, first), *_point(4, second), (50, turn_deg),
        (100, "AcDbRotatedDimension"),
    )


def _turned(turn_deg: float) -> tuple[Group, ...]:
    return ((50, turn_deg),) if turn_deg else ()


def literal_pieces(words: str) -> list[str]:
    r"""Cut words where a program would take characters for a code (%%c, \P, \U+0041).

    The pieces, set side by side, show every character as typed, in every program; there is no
    spelling of such codes that all programs read alike.

    Returns:
        Contents of TEXT entities, from left to right; usually one.

    >>> literal_pieces("50%%c ^J"), literal_pieces("a-b")
    (['50%', '%c ^J'], ['a-b'])
    """
    shown = "".join(_one(character) for character in words)
    return [piece for piece in _CUT.split(shown) if piece]


def content(piece: str) -> str:
    """Give the content of the TEXT entity for a piece.

    By the DXF reference a caret starts a control code; followed by a space it is a caret.

    >>> content("50%"), content("x^J")
    ('50%', 'x^ J')
    """
    return piece.replace("^", "^ ")


def dimension_words(words: str) -> str:
    """Write words for a dimension, which are formatted text: braces and backslashes are codes.

    >>> dimension_words("4× R3")
    '4× R3'
    """
    shown = "".join(_one(character) for character in words)
    for code in "\\{}":
        shown = shown.replace(code, f"\\{code}")
    return shown.replace("^", "^ ")


def _one(character: str) -> str:
    if unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp"):
        return " "
    return _PLAINER.get(character, character)
