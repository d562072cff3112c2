"""The sheet as DXF: model space at 1:1 in mm, with real dimensions."""

from __future__ import annotations

import io
import re
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from labkit.core.label.lettering import Line, Point2
from labkit.core.rod.curves import at
from labkit.documents.drawing import (
    DASHES_MM,
    TEXT_MM,
    WIDTH_MM,
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

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.base import BaseLayout

VERSION = "R2010"
DECIMALS = 6
TEXT_STYLE, FONT_FILE = "LETTERING", "NotoSans-Regular.ttf"
SHEET_PENS = (Pen.FRAME, Pen.CUT, Pen.VISIBLE, Pen.HIDDEN, Pen.CENTRE, Pen.THIN)
TEXT_LAYER, DIMENSION_LAYER = "TEXT", "DIMENSIONS"
#: DIMENSION types of the DXF reference; 32: the block is this dimension's own; 128: placed words.
_TYPES = {Kind.HORIZONTAL: 0, Kind.VERTICAL: 0, Kind.RADIUS: 4, Kind.DIAMETER: 3}
_OWN_BLOCK, _WORDS_PLACED = 32, 128
_MILLIMETRES, _METRIC = 4, 1
#: Names of line types that CAD programs know by themselves.
_LINE_TYPES = {Pen.HIDDEN: "HIDDEN", Pen.CENTRE: "CENTER"}
#: Words that fill more than this part of their place are fitted into their width, as another
#: program's font may be wider.
_FILLED = 0.7
#: Behind a percent sign that another follows, and behind a backslash.
_CUT = re.compile(r"(?<=%)(?=%)|(?<=\\)")
#: Fonts of CAD programs seldom have the minus sign and the dash.
_PLAINER = {"−": "-", "–": "-"}
_PLACES = {Align.LEFT: "LEFT", Align.CENTRE: "CENTER", Align.RIGHT: "RIGHT"}
_ATTACHED = {Align.LEFT: 7, Align.CENTRE: 8, Align.RIGHT: 9}


def to_dxf(sheet: Sheet) -> bytes:
    """Write the sheet as a DXF file.

    Everything is divided by the sheet's scale, so that the main views are at 1:1 and a dimension
    measures the size of the part; in the enlarged section its measure times the dimension style's
    linear factor does. Each dimension's block holds the very lines of the sheet.

    Returns:
        The file, DXF R2010 in UTF-8; the same bytes each time, in every process.
    """
    from ezdxf.filemanagement import new

    with _same_each_time():
        document = new(VERSION, setup=False)
        writer = _Writer(document, sheet)
        writer.write()
        # The library collects these in a set; the order of a set of names changes by process.
        document.classes.add_required_classes(document.dxfversion)
        ordered = dict(sorted(document.classes.classes.items()))
        document.classes.classes = ordered
        stream = io.StringIO()
        document.write(stream)
    return stream.getvalue().encode("utf-8")


@contextmanager
def _same_each_time() -> Iterator[None]:
    """Keep time stamps and random identifiers out of the file."""
    from ezdxf._options import options

    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


class _Writer:
    """Writes one sheet into one document.

    Args:
        document: Empty DXF document.
    """

    def __init__(self, document: Drawing, sheet: Sheet) -> None:
        self._document = document
        self._sheet = sheet
        self._unit = 1.0 / sheet.per_mm
        self._styles: dict[float, str] = {}

    def write(self) -> None:
        """Write settings, lines, words and dimensions."""
        self._settings()
        space = self._document.modelspace()
        for shape in self._sheet.shapes:
            if isinstance(shape, Stroke):
                self._stroke(space, shape, {"layer": shape.pen.name})
            elif isinstance(shape, Fill):
                self._fill(space, shape, {"layer": Pen.THIN.name})
            elif isinstance(shape, Text):
                self._text(space, shape)
            else:
                self._dimension(space, shape)

    def _settings(self) -> None:
        document, unit = self._document, self._unit
        header = document.header
        header["$INSUNITS"], header["$MEASUREMENT"] = _MILLIMETRES, _METRIC
        header["$LTSCALE"], header["$LWDISPLAY"] = 1.0, 1
        # Some programs draw dimensions anew and take their sizes from here, not from the styles.
        for name, value in self._variables(1.0).items():
            header[f"${name.upper()}"] = value
        low, high = self._at((0.0, 0.0)), self._at((self._sheet.width_mm, self._sheet.height_mm))
        header["$EXTMIN"], header["$EXTMAX"] = (*low, 0.0), (*high, 0.0)
        header["$LIMMIN"], header["$LIMMAX"] = low, high
        document.styles.add(TEXT_STYLE, font=FONT_FILE)
        for pen in SHEET_PENS:
            dashes = DASHES_MM.get(pen)
            if dashes:
                signs = [unit * one * (-1) ** index for index, one in enumerate(dashes)]
                document.linetypes.add(_LINE_TYPES[pen], [sum(map(abs, signs)), *signs])
            layer = document.layers.add(pen.name, linetype=_LINE_TYPES.get(pen, "Continuous"))
            layer.dxf.lineweight = round(WIDTH_MM[pen] * 100)
        for name in (TEXT_LAYER, DIMENSION_LAYER):
            document.layers.add(name).dxf.lineweight = round(WIDTH_MM[Pen.THIN] * 100)

    def _variables(self, factor: float) -> dict[str, float]:
        """Give what dimensions look like, by the names of the DXF reference.

        Args:
            factor: On the lengths that they measure.
        """
        lengths = {
            "dimtxt": TEXT_MM, "dimasz": ARROW_MM, "dimexo": GAP_MM, "dimexe": PAST_MM,
            "dimgap": ABOVE_MM,
        }
        return {
            **{name: length * self._unit for name, length in lengths.items()},
            "dimlfac": factor, "dimscale": 1.0, "dimtad": 1, "dimtih": 0, "dimtoh": 0,
            "dimtsz": 0.0, "dimzin": 8, "dimdsep": ord("."),
        }

    def _at(self, point: Point2) -> Point2:
        return (written(point[0] * self._unit, DECIMALS), written(point[1] * self._unit, DECIMALS))

    def _stroke(self, space: BaseLayout, stroke: Stroke, attributes: dict[str, Any]) -> None:
        piece = stroke.piece
        if isinstance(piece, Line):
            space.add_line(self._at(piece.start), self._at(piece.end), attributes)
            return
        center, radius = self._at(piece.center), written(piece.radius * self._unit, DECIMALS)
        if abs(piece.sweep_deg) >= 360.0:
            space.add_circle(center, radius, attributes)
            return
        ends = sorted((0.0, piece.sweep_deg))
        first, last = (written((piece.start_deg + end) % 360.0, DECIMALS) for end in ends)
        space.add_arc(center, radius, first, last, dxfattribs=attributes)

    def _fill(self, space: BaseLayout, fill: Fill, attributes: dict[str, Any]) -> None:
        for loop in fill.loops:
            space.add_solid([self._at(at(piece, 0.0)) for piece in loop], attributes)

    def _text(self, space: BaseLayout, text: Text) -> None:
        pieces = literal_pieces(text.words)
        filled = text.width_mm > _FILLED * text.most_mm
        if len(pieces) == 1 and (text.turn_deg or not filled):
            self._placed(space, pieces[0], text, text.at, None)
            return
        left, _, bottom, _ = text.box()
        for piece in pieces:
            right = left + width_mm(piece, text.height_mm) * text.squeeze
            self._placed(space, piece, text, (left, bottom), (right, bottom))
            left = right

    def _placed(
        self, space: BaseLayout, words: str, text: Text, at: Point2, to: Point2 | None
    ) -> None:
        """Add one TEXT, at a point or fitted between two."""
        from ezdxf.enums import TextEntityAlignment

        entity = space.add_text(
            content(words), height=text.height_mm * self._unit,
            dxfattribs={
                "layer": TEXT_LAYER, "style": TEXT_STYLE, "rotation": text.turn_deg,
                "width": written(text.squeeze, 4),
            },
        )
        if to is None:
            align = TextEntityAlignment[_PLACES[text.align]]
            entity.set_placement(self._at(at), align=align)
        else:
            entity.set_placement(self._at(at), self._at(to), align=TextEntityAlignment.FIT)

    def _style(self, per_mm: float) -> str:
        """Give the dimension style of views at a scale, made on first use."""
        if per_mm not in self._styles:
            factor = self._sheet.per_mm / per_mm
            name = "ISO-129" if factor == 1.0 else f"ISO-129-{factor:g}"
            style = self._document.dimstyles.add(name)
            own = {"dimblk": "", "dimdec": 3, "dimtxsty": TEXT_STYLE}
            for key, value in {**self._variables(factor), **own}.items():
                style.dxf.set(key, value)
            self._styles[per_mm] = name
        return self._styles[per_mm]

    def _dimension(self, space: BaseLayout, one: Dimension) -> None:
        block = self._document.blocks.new_anonymous_block(type_char="D")
        for line in one.lines:
            if isinstance(line, Stroke):
                self._stroke(block, line, {"layer": "0"})
            else:
                self._fill(block, line, {"layer": "0"})
        words, height = dimension_words(one.text.words), one.text.height_mm * self._unit
        block.add_mtext(words, {
            "layer": "0", "style": TEXT_STYLE, "char_height": height,
            "insert": self._at(one.text.at), "attachment_point": _ATTACHED[one.text.align],
            "rotation": one.text.turn_deg,
        })
        left, right, bottom, top = one.text.box()
        first, second = (self._at(point) for point in one.points)
        attributes: dict[str, Any] = {
            "layer": DIMENSION_LAYER, "dimstyle": self._style(one.per_mm), "geometry": block.name,
            "dimtype": _TYPES[one.kind] + _OWN_BLOCK + _WORDS_PLACED, "text": words,
            "actual_measurement": one.value_mm,
            "text_midpoint": self._at(((left + right) / 2, (bottom + top) / 2)),
        }
        if one.kind in (Kind.HORIZONTAL, Kind.VERTICAL):
            turn = 90.0 if one.kind is Kind.VERTICAL else 0.0
            place = {"defpoint": self._at(one.line_at), "defpoint2": first, "defpoint3": second}
            space.new_entity("DIMENSION", attributes | place | {"angle": turn})
        else:
            space.new_entity("DIMENSION", attributes | {"defpoint": first, "defpoint4": second})


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
