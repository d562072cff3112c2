"""Setting a label: characters beside one another, each with its exact outline, in mm."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

from labkit.core.label.lettering import (
    Drawn,
    Engraving,
    Glyph,
    Lettering,
    Line,
    Mark,
    Piece,
    PlacedGlyph,
    Point2,
    Region,
    with_wider_points,
)
from labkit.core.rod.curves import box, moved, moved_piece
from labkit.core.rod.outline import outline
from labkit.errors import LabelError

#: The bar's name among the placed characters.
BAR = "_"


@lru_cache(maxsize=512)  # the rods of a case share labels, and a form asks for them at every key
def lay_out(lettering: Lettering, text: str, bar: bool, height_mm: float) -> Engraving:
    """Lay out a label of one line, with a bar under it where asked.

    Formula: cells side by side, the larger of two neighbours' spaces between them; everything
    times the height; the bar runs under the text over its whole width, bar_gap clear of it.

    Args:
        text: Characters, at least one.

    Returns:
        The engraving, origin at the centre of the box round all of it.

    Raises:
        LabelError: A character that the lettering does not have, no text, or another height.
    """
    _check(lettering, text, height_mm)
    placed = [_Placed(g.char, g.marks, (x, 0.0)) for g, x in _cells(lettering, text)]
    left, right, bottom, top = _whole_box(placed, lettering.stroke)
    if bar:
        under, bottom = _bar(lettering, left, right, bottom)
        placed.append(under)
    center = ((left + right) / 2.0, (bottom + top) / 2.0)
    return Engraving(
        text=text,
        bar=bar,
        height_mm=height_mm,
        stroke_mm=lettering.stroke * height_mm,
        width_mm=(right - left) * height_mm,
        depth_mm=(top - bottom) * height_mm,
        glyphs=tuple(_in_mm(item, center, lettering.stroke, height_mm) for item in placed),
    )


class _Placed(NamedTuple):
    """A character in units of the height, its cell's corner at shift."""

    char: str
    marks: tuple[Mark, ...]
    shift: Point2

    def box(self, stroke: float) -> tuple[float, float, float, float]:
        left, right, bottom, top = _box_of(outline(self.marks, stroke))
        x, y = self.shift
        return (left + x, right + x, bottom + y, top + y)


def _whole_box(placed: list[_Placed], stroke: float) -> tuple[float, float, float, float]:
    lefts, rights, bottoms, tops = zip(*(item.box(stroke) for item in placed), strict=True)
    return (min(lefts), max(rights), min(bottoms), max(tops))


def _bar(lettering: Lettering, left: float, right: float, bottom: float) -> tuple[_Placed, float]:
    """Make the bar under a text's box; also give the new bottom."""
    half = lettering.stroke / 2.0
    y = bottom - lettering.bar_gap - half
    # The line itself starts at 0, so that all labels of one width share one outline.
    line = Line((0.0, 0.0), (right - left - 2.0 * half, 0.0))
    return _Placed(BAR, (line,), (left + half, y)), y - half


def _check(lettering: Lettering, text: str, height_mm: float) -> None:
    known = {glyph.char for glyph in lettering.glyphs}
    unknown = [char for char in text if char not in known]
    if unknown or not text:
        what = f"the character {unknown[0]!r}" if unknown else "an empty text"
        raise LabelError(
            f"label {text!r}: {what} cannot be engraved; the lettering {lettering.name} has "
            f"{' '.join(sorted(known))}: use only these",
            field="text",
            value=text,
            allowed=" ".join(sorted(known)),
        )
    if height_mm not in lettering.heights_mm:
        series = ", ".join(f"{height:g}" for height in lettering.heights_mm)
        raise LabelError(
            f"label {text!r}: a height of {height_mm:g} mm is not in the series; choose one of "
            f"{series} mm",
            field="label.height",
            value=height_mm,
            allowed=series,
        )


def widened(engraving: Engraving, by_mm: float) -> Engraving:
    """Give a label with wider strokes, every character in its place, as a process builds it.

    Formula: stroke widths and the diameters of points + by_mm.

    Validity: below the clear space between characters, at least 0.2 of their height.

    Source: DEVELOPERS.md, The design (compensated on parameters, never stretched).
    """
    if not by_mm:
        return engraving
    height, mark = engraving.height_mm, engraving.case_mark
    return replace(
        engraving, stroke_mm=engraving.stroke_mm + by_mm,
        glyphs=tuple(_wider(glyph, by_mm / height, height) for glyph in engraving.glyphs),
        case_mark=widened(mark, by_mm) if mark else None,
    )


def _wider(glyph: PlacedGlyph, by: float, height_mm: float) -> PlacedGlyph:
    """Draw a character with wider strokes; the width is in units of its height."""
    marks = with_wider_points(glyph.drawn.marks, by)
    drawn = Drawn(marks, glyph.drawn.stroke + by)

    def loop(pieces: tuple[Piece, ...]) -> tuple[Piece, ...]:
        return tuple(moved_piece(piece, height_mm, glyph.corner) for piece in pieces)

    reach = by * height_mm / 2
    return replace(
        glyph, drawn=drawn, marks=tuple(moved(mark, height_mm, glyph.corner) for mark in marks),
        regions=tuple(
            Region(loop(region.outer), tuple(loop(hole) for hole in region.holes))
            for region in outline(drawn.marks, drawn.stroke)
        ),
        left=glyph.left - reach, right=glyph.right + reach,
        bottom=glyph.bottom - reach, top=glyph.top + reach,
    )


def _cells(lettering: Lettering, text: str) -> list[tuple[Glyph, float]]:
    by_char = {glyph.char: glyph for glyph in lettering.glyphs}
    cells: list[tuple[Glyph, float]] = []
    for char in text:
        glyph = by_char[char]
        x = 0.0
        if cells:
            before, start = cells[-1]
            x = start + before.width + max(before.space_after, glyph.space_before)
        cells.append((glyph, x))
    return cells


@lru_cache(maxsize=512)
def _box_of(regions: tuple[Region, ...]) -> tuple[float, float, float, float]:
    return box(tuple(piece for region in regions for piece in region.outer))


def _in_mm(item: _Placed, center: Point2, stroke: float, height_mm: float) -> PlacedGlyph:
    shift = ((item.shift[0] - center[0]) * height_mm, (item.shift[1] - center[1]) * height_mm)

    def loop(pieces: tuple[Piece, ...]) -> tuple[Piece, ...]:
        return tuple(moved_piece(piece, height_mm, shift) for piece in pieces)

    left, right, bottom, top = item.box(stroke)
    return PlacedGlyph(
        char=item.char,
        marks=tuple(moved(mark, height_mm, shift) for mark in item.marks),
        regions=tuple(
            Region(loop(region.outer), tuple(loop(hole) for hole in region.holes))
            for region in outline(item.marks, stroke)
        ),
        left=(left - center[0]) * height_mm,
        right=(right - center[0]) * height_mm,
        bottom=(bottom - center[1]) * height_mm,
        top=(top - center[1]) * height_mm,
        drawn=Drawn(item.marks, stroke),
        corner=shift,
    )
