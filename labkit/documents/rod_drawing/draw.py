"""Puts the drawing of a set's rod together."""

from __future__ import annotations

from typing import Any

from labkit.documents.drawing import Ink
from labkit.documents.frame import frame_facts
from labkit.documents.rod_drawing.arrange import Layout, arrange
from labkit.documents.rod_drawing.common_dimensions import (
    Page,
    depth_dimension,
    label_note,
    length_dimensions,
)
from labkit.documents.rod_drawing.panels import draw_panels
from labkit.documents.rod_drawing.sheet import Place, Sheet
from labkit.documents.rod_drawing.sizes import dimension_sizes
from labkit.documents.rod_drawing.subject import subject_of
from labkit.documents.rod_drawing.views import draw_views
from labkit.documents.set_spec import Spec
from labkit.documents.svg import drawing_facts

TEMPLATE = "rod-drawing.typ"


def draw(spec: Spec) -> Sheet:
    """Draw the rod of a set: views, section, dimensions, table of lengths, title block.

    Returns:
        The sheet, in mm of paper, with further sheets where its table of lengths is longer.

    Validity: rods that fit the paper at one of the scales 5:1, 2:1, 1:1 or 1:2.

    Raises:
        InputError: A set that cannot be read, or a rod too large for the paper.

    Source: ISO 128 (lines), ISO 129-1 (dimensions), ISO 3098 (lettering), ISO 5455 (scales),
    ISO 5456-2 (views), ISO 5457 (sheet), ISO 7200 (title block); clauses from memory.
    """
    subject = subject_of(spec)
    layout = arrange(subject)
    page = Page(Ink(), subject, layout)
    draw_views(page.ink, subject, layout)
    length_dimensions(page)
    dimension_sizes(page)
    label_note(page)
    depth_dimension(page)
    further = draw_panels(page.ink, subject, layout)
    rest = tuple(_sheet(one, spec, layout, {}) for one in further)
    return _sheet(page.ink, spec, layout, layout.views, rest)


def _sheet(
    ink: Ink,
    spec: Spec,
    layout: Layout,
    views: dict[str, Place],
    further: tuple[Sheet, ...] = (),
) -> Sheet:
    return Sheet(
        width_mm=layout.paper[0],
        height_mm=layout.paper[1],
        per_mm=layout.per_mm,
        title=f"Rod drawing {spec['case']}",
        date=spec["date"],
        frame=layout.frame,
        views=views,
        shapes=tuple(ink),
        further=further,
    )


def pdf_facts(spec: Spec, sheet: Sheet) -> dict[str, Any]:
    """Give what the document template needs to set the sheets."""
    return {
        **frame_facts(spec),
        "title": sheet.title,
        "sheets": [drawing_facts(one) for one in (sheet, *sheet.further)],
    }
