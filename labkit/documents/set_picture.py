"""The set as a drawing: every rod once, by length, its label readable."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import groupby
from typing import Any

from labkit.core.label.lettering import Lettering
from labkit.core.rod.by_length import LONGEST_COLUMN
from labkit.core.rod.rods import Rod
from labkit.documents import svg
from labkit.documents.rod_picture import box_mm, draw_rod
from labkit.documents.rod_values import rod_of, template_of

_MARGIN_MM = 3.0
_ROW_GAP_MM = 3.6
_ROW_GAP_OF_MANY_MM = 2.6
_CAPTION_GAP_MM = 3.0
_CAPTION_MM = 3.4
#: Size of captions in a picture of more than two columns, which is printed smaller.
_CAPTION_OF_MANY_MM = 4.2
#: Columns of a long kind: the captions of mirror parts are short, those of both sides long.
_PARTS_OF_A_KIND = {1: 3, 2: 2}
#: Mean advance of a caption's characters in widths of its size; for laying out only.
_ADVANCE = 0.56
_COLUMN_GAP_MM = 8.0
_SCALE_MM = 10.0
_SCALE_ROOM_MM = 8.0

Row = tuple[Rod, str]


def set_svg(spec: Mapping[str, Any], lettering: Lettering) -> bytes:
    """Draw a set: rods to scale, longest first; mirror parts left and right beside one another.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        An SVG file, one unit being a millimetre; the same bytes for the same set.
    """
    columns = _columns(spec)
    rods = [rod for column in columns for rod, _ in column]
    boxes = [box_mm(rod) for rod in rods]
    rod_width = max(right - left for left, right, _, _ in boxes)
    many = len(columns) > 2
    row_height = max(top - bottom for _, _, bottom, top in boxes)
    row_height += _ROW_GAP_OF_MANY_MM if many else _ROW_GAP_MM
    words = max(len(caption) for column in columns for _, caption in column)
    size = _CAPTION_OF_MANY_MM if many else _CAPTION_MM
    column_width = rod_width + _CAPTION_GAP_MM + words * _ADVANCE * size
    pitch = column_width + _COLUMN_GAP_MM
    width = 2 * _MARGIN_MM + pitch * len(columns) - _COLUMN_GAP_MM
    rows = max(len(column) for column in columns)
    height = 2 * _MARGIN_MM + rows * row_height + _SCALE_ROOM_MM

    def content() -> Iterator[str]:
        for place, column in enumerate(columns):
            left = _MARGIN_MM + place * pitch
            for line, (rod, caption) in enumerate(column):
                y = _MARGIN_MM + (line + 0.5) * row_height
                yield from _row(rod, lettering, (left, y))
                yield from _words(caption, (left + rod_width + _CAPTION_GAP_MM, y), size)
        yield from _scale(_MARGIN_MM, height - _MARGIN_MM)

    title = f"Rods of case {spec['case']}, revision {spec['revision']}, by length"
    return svg.document(width, height, title, content())


def caption_of(uses: list[dict[str, Any]]) -> str:
    """Say for which steps and sides a part is.

    >>> caption_of([{"step": 1, "side": "left"}, {"step": 1, "side": "right"}])
    'step 1, left and right'
    >>> caption_of([{"step": 1, "side": "right"}, {"step": 2, "side": "left"}])
    'step 1, right; step 2, left'
    """
    ordered = sorted(uses, key=lambda use: (use["step"], use["side"]))
    return "; ".join(
        f"step {step}, {' and '.join(use['side'] for use in group)}"
        for step, group in groupby(ordered, key=lambda use: use["step"])
    )


def _columns(spec: Mapping[str, Any]) -> list[list[Row]]:
    """Lay rods out longest first; many stand in more columns than the solids, to fit on paper."""
    template = template_of(spec)
    rows = [(rod_of(part, template), caption_of(part["uses"])) for part in spec["parts"]]
    rows.sort(key=lambda row: (row[0].mark, -row[0].length))
    kinds = [list(group) for _, group in groupby(rows, key=lambda row: row[0].mark)]
    longest = max(len(kind) for kind in kinds)
    if longest <= LONGEST_COLUMN:
        return kinds
    parts = _PARTS_OF_A_KIND[len(kinds)]
    share = -(-longest // parts)
    columns = [kind[k * share : (k + 1) * share] for k in range(parts) for kind in kinds]
    return [column for column in columns if column]


def _row(rod: Rod, lettering: Lettering, at: tuple[float, float]) -> Iterator[str]:
    left, y = at
    yield svg.group(draw_rod(rod, lettering), left - box_mm(rod)[0], y)


def _words(caption: str, at: tuple[float, float], size: float) -> Iterator[str]:
    x, y = at
    yield svg.text(x, y + size * 0.36, caption, size)


def _scale(x: float, y: float) -> Iterator[str]:
    """Draw a bar of 10 mm, so that a print at another scale is noticed."""
    style = {"stroke": svg.INK, "stroke-width": "0.25", "fill": "none"}
    course = f"M{svg.number(x)} {svg.number(y - 3)}v3h{svg.number(_SCALE_MM)}v-3"
    yield f'<path d="{course}"' + "".join(f' {k}="{v}"' for k, v in style.items()) + "/>"
    yield svg.text(x + _SCALE_MM + 2, y - 0.2, f"{_SCALE_MM:g} mm", _CAPTION_MM)
