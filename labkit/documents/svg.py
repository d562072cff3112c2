"""A drawing as SVG, with real text, one unit a millimetre: the same text for the same drawing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from html import escape
from itertools import groupby
from typing import Any

from labkit.core.label.lettering import Arc, Line, Piece, Point2
from labkit.core.rod.curves import at
from labkit.core.rod.outlines import Loop
from labkit.documents.drawing import (
    DASHES_MM,
    WIDTH_MM,
    Align,
    Drawing,
    Fill,
    Pen,
    Shade,
    Stroke,
    Text,
    single,
)
from labkit.documents.letters import CAPITAL, is_plain
from labkit.units import plain, written

#: The documents' own font first, so that a page never depends on the machine.
FONT = "Noto Sans, sans-serif"
_COLOUR = {Pen.HAIR: "#6e6e6e"}
#: Ink of paper → what a page colours, light or dark.
_ON_SCREEN = {
    Shade.BLACK: "currentColor", "#6e6e6e": "var(--hair)", Shade.GREY: "var(--grey)",
    Shade.TINT: "var(--tint)", Shade.WHITE: "var(--paper)",
}
_ANCHOR = {Align.LEFT: "start", Align.CENTRE: "middle", Align.RIGHT: "end"}
_DECIMALS = 4
_CLOSED_MM = 1e-6


def to_svg(
    drawing: Drawing, *, lettered: bool = True, paper: bool = False, lines: float = 1.0
) -> bytes:
    """Write a drawing as an SVG file.

    Args:
        lettered: Whether words are drawn; without them it is the lines of a page.
        paper: Whether it lies on white.
        lines: Factor on the widths of lines, for a drawing that is printed smaller.

    Returns:
        The file; words are text with their width fixed where it is known or limited, so that
        another font cannot push them into one another.
    """
    width, height = number(drawing.width_mm), number(drawing.height_mm)
    left, top = number(drawing.corner[0]), number(-drawing.top_mm)
    content = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="{left} {top} {width} {height}" role="img">',
        f"<title>{escape(drawing.title, quote=False)}</title>",
    ]
    if paper:
        content.append(
            f'<rect x="{left}" y="{top}" width="{width}" height="{height}" fill="#ffffff"/>'
        )
    content += _content(drawing, lettered, lines)
    return ("\n".join([*content, "</svg>"]) + "\n").encode()


def on_screen(drawing: Drawing, *, per_mm: float) -> str:
    """Write a drawing as SVG for within a page, whose own colours it takes.

    Args:
        per_mm: Size of a millimetre on the screen, in pixels.
    """
    width, height = number(drawing.width_mm), number(drawing.height_mm)
    left, top = number(drawing.corner[0]), number(-drawing.top_mm)
    lines = "".join(_content(drawing, lettered=True))
    for ink, name in _ON_SCREEN.items():
        lines = lines.replace(f'="{ink}"', f'="{name}"')
    return (
        f'<svg class="drawing" width="{number(drawing.width_mm * per_mm)}" '
        f'height="{number(drawing.height_mm * per_mm)}" viewBox="{left} {top} {width} {height}" '
        f'role="img" aria-label="{escape(drawing.title)}">{lines}</svg>'
    )


def drawing_facts(drawing: Drawing, *, lines: float = 1.0) -> dict[str, Any]:
    """Give a drawing as facts for a document template: its lines as a picture, its words as data.

    Args:
        lines: Factor on the widths of lines, for a drawing that is printed smaller.

    Returns:
        Sizes in mm; places of base lines from the upper left corner, y downwards.
    """
    return {
        "width_mm": drawing.width_mm,
        "height_mm": drawing.height_mm,
        "alt": drawing.title,
        "lines": to_svg(drawing, lettered=False, lines=lines).decode(),
        "texts": [
            {
                "words": text.words,
                "x_mm": written(text.at[0] - drawing.corner[0], _DECIMALS),
                "y_mm": written(drawing.top_mm - text.at[1], _DECIMALS),
                "size_mm": written(text.height_mm / CAPITAL, _DECIMALS),
                "width_mm": written(text.width_mm, _DECIMALS),
                "align": str(text.align),
                "turn_deg": text.turn_deg,
                "own": text.own,
                "bold": text.bold,
            }
            for text in drawing.every(Text)
        ],
    }


def number(value: float) -> str:
    """Write a number with at most four decimals (0.1 micrometre).

    >>> number(-0.00001), number(12.5)
    ('0', '12.5')
    """
    return plain(written(value, _DECIMALS))


def _content(drawing: Drawing, lettered: bool, lines: float = 1.0) -> Iterator[str]:
    """Write the shapes from back to front; lines of one pen in a row are one path."""
    for pen, shapes in groupby(single(drawing.shapes), key=_pen):
        if pen:
            courses = (_course((one.piece,)) for one in shapes if isinstance(one, Stroke))
            yield f'<path d="{" ".join(courses)}" fill="none" {_style(pen, lines)}/>'
            continue
        for shape in shapes:
            if isinstance(shape, Fill):
                course = " ".join(_course(loop) for loop in shape.loops)
                yield f'<path d="{course}" fill-rule="evenodd" fill="{shape.shade}"/>'
            elif isinstance(shape, Text) and lettered:
                yield _words(shape)


def _pen(shape: Stroke | Fill | Text) -> Pen | None:
    return shape.pen if isinstance(shape, Stroke) else None


def _style(pen: Pen, lines: float) -> str:
    width = number(lines * WIDTH_MM[pen])
    style = f'stroke="{_COLOUR.get(pen, "#000000")}" stroke-width="{width}"'
    if dashes := DASHES_MM.get(pen):
        lengths = " ".join(number(lines * one) for one in dashes)
        return f'{style} stroke-dasharray="{lengths}"'
    return f'{style} stroke-linecap="{"butt" if pen is Pen.CUT else "round"}"'


def _words(text: Text) -> str:
    x, y = number(text.at[0]), number(-text.at[1])
    style = f'x="{x}" y="{y}" font-size="{number(text.height_mm / CAPITAL)}"'
    style += f' font-family="{FONT}" text-anchor="{_ANCHOR[text.align]}"'
    if text.bold:
        style += ' font-weight="bold"'
    if text.turn_deg:
        style += f' transform="rotate({number(-text.turn_deg)} {x} {y})"'
    if text.squeeze < 1.0 or is_plain(text.words):
        style += f' textLength="{number(text.width_mm)}" lengthAdjust="spacingAndGlyphs"'
    return f"<text {style}>{escape(text.words, quote=False)}</text>"


def _course(loop: Loop) -> str:
    steps = [f"M{_point(at(loop[0], 0.0))}"]
    for piece in loop:
        steps.extend(_steps(piece))
    closed = math.dist(at(loop[0], 0.0), at(loop[-1], 1.0)) < _CLOSED_MM
    return "".join(steps) + ("Z" if closed else "")


def _steps(piece: Piece) -> list[str]:
    if isinstance(piece, Line):
        return [f"L{_point(piece.end)}"]
    # An SVG arc ends where it does not start: full circles go in two halves.
    halves = (0.5, 1.0) if abs(piece.sweep_deg) > 180.0 else (1.0,)
    return [_arc(piece, share) for share in halves]


def _arc(piece: Arc, share: float) -> str:
    radius, sweep = number(piece.radius), 0 if piece.sweep_deg > 0 else 1
    return f"A{radius} {radius} 0 0 {sweep} {_point(at(piece, share))}"


def _point(point: Point2) -> str:
    return f"{number(point[0])} {number(-point[1])}"
