"""The sheet as SVG, with real text, one unit a millimetre."""

from __future__ import annotations

from collections.abc import Iterator

from labkit.documents import svg
from labkit.documents.letters import CAPITAL, is_plain
from labkit.documents.rod_drawing.sheet import DASHES_MM, WIDTH_MM, Align, Pen, Sheet, Text
from labkit.units import written

#: Font size for each mm of capital height.
FONT_SIZE = 1 / CAPITAL
_ANCHOR = {Align.LEFT: "start", Align.CENTRE: "middle", Align.RIGHT: "end"}


def to_svg(sheet: Sheet, lettered: bool = True) -> bytes:
    """Write the sheet as an SVG file.

    Args:
        lettered: Whether words are drawn; without them it is the lines of the PDF.

    Returns:
        The file; lines of one pen are one path, words are text with their width fixed where it
        is known or limited, so that another font cannot push them into one another.
    """
    return svg.document(
        sheet.width_mm, sheet.height_mm, sheet.title, _content(sheet, lettered)
    )


def _content(sheet: Sheet, lettered: bool) -> Iterator[str]:
    if lettered:
        yield svg.rectangle(0.0, 0.0, sheet.width_mm, sheet.height_mm, fill="#ffffff")
    yield f'<g transform="translate(0 {svg.number(sheet.height_mm)})">'
    for pen in Pen:
        pieces = [stroke.piece for stroke in sheet.all_strokes() if stroke.pen is pen]
        if pieces:
            yield svg.path([[piece] for piece in pieces], **_style(pen))
    for fill in sheet.all_fills():
        corners = " ".join(f"{svg.number(x)},{svg.number(-y)}" for x, y in fill.corners)
        yield f'<polygon points="{corners}" fill="{svg.INK}"/>'
    if lettered:
        yield from (_words(text) for text in sheet.all_texts())
    yield "</g>"


def _style(pen: Pen) -> dict[str, str]:
    style = {
        "fill": "none", "stroke": svg.INK, "stroke_width": svg.number(WIDTH_MM[pen]),
        "stroke_linejoin": "round",
    }
    dashes = DASHES_MM.get(pen)
    if dashes:
        style["stroke_dasharray"] = " ".join(svg.number(one) for one in dashes)
    else:
        style["stroke_linecap"] = "round" if pen is not Pen.CUT else "butt"
    return style


def _words(text: Text) -> str:
    x, y = text.at
    style = {"text_anchor": _ANCHOR[text.align]}
    if text.turn_deg:
        turn = " ".join(svg.number(value) for value in (-text.turn_deg, x, -y))
        style["transform"] = f"rotate({turn})"
    made = svg.text(x, -y, text.words, written(text.height_mm * FONT_SIZE, 4), **style)
    if text.squeeze == 1.0 and not is_plain(text.words):
        return made
    fixed = f'textLength="{svg.number(text.width_mm)}" lengthAdjust="spacingAndGlyphs"'
    return made.replace("<text ", f"<text {fixed} ", 1)
