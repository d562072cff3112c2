"""A small drawing as data: lines, marks and words that a document template puts on the page."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from labkit.units import written

#: Mean width of a character of the documents' font, in parts of its size (Noto Sans, measured).
CHARACTER_WIDTH = 0.56
MM_PER_POINT = 25.4 / 72


@dataclass(frozen=True)
class Line:
    """A straight line.

    Args:
        x1, y1, x2, y2: Its ends, mm, y downwards.
        weight: "hair", "thin", "strong" or "dashed".
    """

    x1: float
    y1: float
    x2: float
    y2: float
    weight: str = "thin"
    kind: str = "line"


@dataclass(frozen=True)
class Box:
    """A shaded rectangle with an outline.

    Args:
        x, y: Upper left corner, mm.
    """

    x: float
    y: float
    width: float
    height: float
    kind: str = "box"


@dataclass(frozen=True)
class Mark:
    """A point of a drawing.

    Args:
        shape: "dot", "ring", "cross", "down" (a triangle on its tip) or "square".
    """

    x: float
    y: float
    shape: str = "dot"
    size: float = 1.8
    kind: str = "mark"


@dataclass(frozen=True)
class Words:
    """Words in a drawing.

    Args:
        x, y: Their anchor, mm; y is the middle of the line.
        anchor: "start", "middle" or "end".
    """

    x: float
    y: float
    text: str
    anchor: str = "middle"
    size_pt: float = 8.5
    bold: bool = False
    kind: str = "words"

    @property
    def width_mm(self) -> float:
        """Estimated width."""
        return words_width_mm(self.text, self.size_pt)


Shape = Line | Box | Mark | Words


@dataclass(frozen=True)
class Drawing:
    """A drawing.

    Args:
        shapes: Its content, from back to front.
    """

    width_mm: float
    height_mm: float
    alt: str
    shapes: tuple[Shape, ...]


def words_width_mm(text: str, size_pt: float) -> float:
    """Estimate the width of words, mm."""
    return len(text) * size_pt * CHARACTER_WIDTH * MM_PER_POINT


def drawing_json(drawing: Drawing) -> dict[str, Any]:
    """Give a drawing as facts for a template; lengths are rounded to a micrometre."""
    return {
        "width_mm": written(drawing.width_mm, 3),
        "height_mm": written(drawing.height_mm, 3),
        "alt": drawing.alt,
        "shapes": [_rounded(asdict(shape)) for shape in drawing.shapes],
    }


def in_rows(widths_mm: Iterable[float], at_mm: Iterable[float], gap_mm: float = 3.0) -> list[int]:
    """Choose rows for words along an axis so that none overlap.

    Args:
        widths_mm: Width of each.
        at_mm: Middle of each.
        gap_mm: Least distance between neighbours in a row.

    Returns:
        Row of each, from 0; the first row that has room is taken, in the order given.

    >>> in_rows([10, 10, 10], [0, 5, 20])
    [0, 1, 0]
    """
    taken: list[list[tuple[float, float]]] = []
    rows = []
    for width, middle in zip(widths_mm, at_mm, strict=True):
        low, high = middle - width / 2 - gap_mm / 2, middle + width / 2 + gap_mm / 2
        row = 0
        while row < len(taken) and any(low < h and high > w for w, h in taken[row]):
            row += 1
        if row == len(taken):
            taken.append([])
        taken[row].append((low, high))
        rows.append(row)
    return rows


def _rounded(shape: dict[str, Any]) -> dict[str, Any]:
    return {k: written(v, 3) if isinstance(v, float) else v for k, v in shape.items()}
