"""The sheet as facts of its document template."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from labkit.documents.frame import frame_facts
from labkit.documents.rod_drawing.sheet import Sheet, Text
from labkit.documents.rod_drawing.svg import FONT_SIZE, to_svg
from labkit.units import written

TEMPLATE = "rod-drawing.typ"
#: The lines of a sheet, under the words.
LINES = "rod-drawing-lines-{}.svg"


def pdf_facts(spec: Mapping[str, Any], sheet: Sheet) -> dict[str, Any]:
    """Give what the document template needs to set the sheet.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        Facts of the pages and every line of words with its place, y downwards from the top, mm.
    """
    return {
        **frame_facts(spec),
        "title": sheet.title,
        "width_mm": sheet.width_mm,
        "height_mm": sheet.height_mm,
        "sheets": [
            {"lines": name, "texts": [_text_facts(one, text) for text in one.all_texts()]}
            for name, one in _named(sheet).items()
        ],
    }


def _named(sheet: Sheet) -> dict[str, Sheet]:
    """Give all sheets by the name of the picture with their lines."""
    return {LINES.format(number): one for number, one in enumerate((sheet, *sheet.further), 1)}


def _text_facts(sheet: Sheet, text: Text) -> dict[str, Any]:
    return {
        "words": text.words,
        "x_mm": written(text.at[0], 4),
        "y_mm": written(sheet.height_mm - text.at[1], 4),
        "size_mm": written(text.height_mm * FONT_SIZE, 4),
        "width_mm": written(text.width_mm, 4),
        "align": str(text.align),
        "turn_deg": text.turn_deg,
        "own": text.own,
    }


def pdf_pictures(sheet: Sheet) -> dict[str, bytes]:
    """Give the pictures that the document template puts under the words, one for each sheet."""
    return {name: to_svg(one, lettered=False) for name, one in _named(sheet).items()}
