"""The sheet as facts of its document template."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from labkit.documents.frame import frame_facts
from labkit.documents.rod_drawing.sheet import Sheet
from labkit.documents.rod_drawing.svg import FONT_SIZE, to_svg

TEMPLATE = "rod-drawing.typ"
#: The lines of the sheet, under the words.
LINES = "rod-drawing-lines.svg"


def pdf_facts(spec: Mapping[str, Any], sheet: Sheet) -> dict[str, Any]:
    """Give what the document template needs to set the sheet.

    Args:
        spec: Content of spacer-set.json.
        sheet: The sheet.

    Returns:
        Facts of the page and every line of words with its place, y downwards from the top, mm.
    """
    return {
        **frame_facts(spec),
        "sheet": {
            "width_mm": sheet.width_mm,
            "height_mm": sheet.height_mm,
            "title": sheet.title,
            "lines": LINES,
            "texts": [
                {
                    "words": text.words,
                    "x_mm": round(text.at[0], 4),
                    "y_mm": round(sheet.height_mm - text.at[1], 4),
                    "size_mm": round(text.height_mm * FONT_SIZE, 4),
                    "width_mm": round(text.width_mm, 4),
                    "align": str(text.align),
                    "turn_deg": text.turn_deg,
                    "own": text.own,
                }
                for text in sheet.all_texts()
            ],
        },
    }


def pdf_pictures(sheet: Sheet) -> dict[str, bytes]:
    """Give the picture that the document template puts under the words."""
    return {LINES: to_svg(sheet, lettered=False)}
