"""The set as a drawing: every rod once, by length, its label readable."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from labkit.core.label.lettering import Lettering
from labkit.core.rod.by_length import LONGEST_COLUMN
from labkit.core.rod.rods import Rod
from labkit.documents.drawing import Drawing, Ink, Text
from labkit.documents.letters import CAPITAL, width_mm
from labkit.documents.rod_picture import box_mm, rod_ink
from labkit.documents.set_spec import SetUse, Spec, part_of, template_of

_MARGIN_MM = 3.0
_ROW_GAP_MM = 3.6
_ROW_GAP_OF_MANY_MM = 2.6
_CAPTION_GAP_MM = 3.0
_CAPTION_MM = 3.4 * CAPITAL
#: Size of captions in a picture of more than two columns, which is printed smaller.
_CAPTION_OF_MANY_MM = 4.8 * CAPITAL
#: Columns of a long kind: the captions of mirror parts are short, those of both sides long.
_PARTS_OF_A_KIND = {1: 3, 2: 2}
_COLUMN_GAP_MM = 12.0
_SCALE_MM = 10.0
_SCALE_ROOM_MM = 8.0

Row = tuple[Rod, str]


def set_drawing(spec: Spec, lettering: Lettering) -> Drawing:
    """Draw a set: rods to scale, longest first; mirror parts left and right beside one another."""
    columns = _columns(spec)
    boxes = [box_mm(rod) for column in columns for rod, _ in column]
    rod_width = max(right - left for left, right, _, _ in boxes)
    many = len(columns) > 2
    row_height = max(top - bottom for _, _, bottom, top in boxes)
    row_height += _ROW_GAP_OF_MANY_MM if many else _ROW_GAP_MM
    size = _CAPTION_OF_MANY_MM if many else _CAPTION_MM
    words = max(width_mm(caption, size) for column in columns for _, caption in column)
    pitch = rod_width + _CAPTION_GAP_MM + words + _COLUMN_GAP_MM
    height = (
        2 * _MARGIN_MM + max(len(column) for column in columns) * row_height + _SCALE_ROOM_MM
    )
    ink = Ink()
    for place, column in enumerate(columns):
        left = _MARGIN_MM + place * pitch
        for line, (rod, caption) in enumerate(column):
            y = height - _MARGIN_MM - (line + 0.5) * row_height
            ink += rod_ink(rod, lettering, (left - box_mm(rod)[0], y))
            ink.append(Text(caption, (left + rod_width + _CAPTION_GAP_MM, y - size / 2), size))
    _scale(ink)
    title = f"Rods of case {spec['case']}, set {spec['revision']}, by length"
    width = 2 * _MARGIN_MM + pitch * len(columns) - _COLUMN_GAP_MM
    return Drawing(width, height, title, tuple(ink))


def caption_of(uses: Sequence[SetUse]) -> str:
    """Say for which steps and sides a part is.

    >>> from labkit.core.grading.prescription import Side
    >>> caption_of([SetUse(1, Side.LEFT, ""), SetUse(1, Side.RIGHT, "")])
    'step 1, left and right'
    >>> caption_of([SetUse(1, Side.RIGHT, ""), SetUse(2, Side.LEFT, "")])
    'step 1, right; step 2, left'
    """
    ordered = sorted(uses, key=lambda use: (use.step, use.side))
    return "; ".join(
        f"step {step}, {' and '.join(use.side for use in group)}"
        for step, group in groupby(ordered, key=lambda use: use.step)
    )


def _columns(spec: Spec) -> list[list[Row]]:
    """Lay rods out longest first; many stand in more columns than the solids, to fit on paper."""
    template = template_of(spec)
    told = [part_of(part) for part in spec["parts"]]
    rows = [(part.rod(template), caption_of(part.uses)) for part in told]
    rows.sort(key=lambda row: (row[0].mark, -row[0].length))
    kinds = [list(group) for _, group in groupby(rows, key=lambda row: row[0].mark)]
    longest = max(len(kind) for kind in kinds)
    if longest <= LONGEST_COLUMN:
        return kinds
    parts = _PARTS_OF_A_KIND[len(kinds)]
    share = -(-longest // parts)
    columns = [kind[k * share : (k + 1) * share] for k in range(parts) for kind in kinds]
    return [column for column in columns if column]


def _scale(ink: Ink) -> None:
    """Draw a bar of 10 mm, so that a print at another scale is noticed."""
    (x, y), high = (_MARGIN_MM, _MARGIN_MM), _MARGIN_MM + 3.0
    ink.course((x, high), (x, y), (x + _SCALE_MM, y), (x + _SCALE_MM, high))
    ink.append(Text(f"{_SCALE_MM:g} mm", (x + _SCALE_MM + 2, y + 0.2), _CAPTION_MM))
