"""Drawing in SVG, in millimetres: exact lines and arcs, the same text for the same content."""

from __future__ import annotations

import math
from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr

from labkit.core.label.lettering import Arc, Line, Piece, Region
from labkit.core.rod.curves import at
from labkit.units import plain, written

#: The documents' own font first, so that a page never depends on the machine.
FONT = "Noto Sans, sans-serif"
INK = "#000000"
#: Rods are tinted so lightly that a copier leaves them white.
TINT = "#ececec"
_DECIMALS = 4
_CLOSED_MM = 1e-6


def number(value: float) -> str:
    """Write a number with at most four decimals (0.1 micrometre).

    >>> number(-0.00001), number(12.5)
    ('0', '12.5')
    """
    return plain(written(value, _DECIMALS))


def document(width_mm: float, height_mm: float, title: str, content: Iterable[str]) -> bytes:
    """Put a drawing together, one unit being a millimetre.

    Args:
        title: What it shows, for people who cannot see it.
        content: Elements, x to the right, y downwards from the upper left corner.
    """
    size = f"{number(width_mm)} {number(height_mm)}"
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{number(width_mm)}mm" '
        f'height="{number(height_mm)}mm" viewBox="0 0 {size}" role="img">',
        f"<title>{escape(title)}</title>",
        *content,
        "</svg>",
    ]
    return ("\n".join(lines) + "\n").encode()


def path(loops: Iterable[Iterable[Piece]], **style: str) -> str:
    """Draw closed loops or open courses of lines and arcs as one path.

    Args:
        loops: Pieces in the rod's coordinates, y up.
        style: Attributes; underscores stand for hyphens.

    Returns:
        The element, y turned downwards.
    """
    course = " ".join(_course(tuple(loop)) for loop in loops)
    return f'<path d="{course}"{_attributes(style)}/>'


def region(regions: Iterable[Region], **style: str) -> str:
    """Fill regions, their holes left open."""
    loops = [loop for one in regions for loop in (one.outer, *one.holes)]
    return path(loops, fill_rule="evenodd", **style)


def circle(x: float, y: float, radius: float, **style: str) -> str:
    """Draw a circle; y up."""
    place = f'cx="{number(x)}" cy="{number(-y)}" r="{number(radius)}"'
    return f"<circle {place}{_attributes(style)}/>"


def rectangle(x: float, y: float, width: float, height: float, **style: str) -> str:
    """Draw an upright rectangle from its upper left corner; y downwards, as on the page."""
    place = f'x="{number(x)}" y="{number(y)}"'
    size = f'width="{number(width)}" height="{number(height)}"'
    return f"<rect {place} {size}{_attributes(style)}/>"


def text(x: float, y: float, words: str, size_mm: float, **style: str) -> str:
    """Set words with their base line at y; y downwards, as on the page."""
    place = f'x="{number(x)}" y="{number(y)}" font-size="{number(size_mm)}"'
    own = {"font_family": FONT, "fill": INK, **style}
    return f"<text {place}{_attributes(own)}>{escape(words)}</text>"


def group(content: Iterable[str], x: float, y: float, turn_deg: float = 0.0) -> str:
    """Shift elements to a place of the page and turn them (+ counter-clockwise on the page)."""
    turn = f" rotate({number(-turn_deg)})" if turn_deg else ""
    inside = "\n".join(content)
    return f'<g transform="translate({number(x)} {number(y)}){turn}">\n{inside}\n</g>'


def _attributes(style: dict[str, str]) -> str:
    return "".join(f" {name.replace('_', '-')}={quoteattr(value)}" for name, value in style.items())


def _course(pieces: tuple[Piece, ...]) -> str:
    steps = [f"M{_point(at(pieces[0], 0.0))}"]
    for piece in pieces:
        steps.extend(_steps(piece))
    closed = math.dist(at(pieces[0], 0.0), at(pieces[-1], 1.0)) < _CLOSED_MM
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


def _point(point: tuple[float, float]) -> str:
    return f"{number(point[0])} {number(-point[1])}"
