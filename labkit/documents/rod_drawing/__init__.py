"""The dimensioned drawing of a set's rod, as one sheet value written as DXF, SVG and PDF."""

from labkit.documents.rod_drawing.draw import draw
from labkit.documents.rod_drawing.dxf import to_dxf
from labkit.documents.rod_drawing.facts import TEMPLATE, pdf_facts, pdf_pictures
from labkit.documents.rod_drawing.sheet import Sheet
from labkit.documents.rod_drawing.subject import step_file, subject_of
from labkit.documents.rod_drawing.svg import to_svg

__all__ = [
    "TEMPLATE",
    "Sheet",
    "draw",
    "pdf_facts",
    "pdf_pictures",
    "step_file",
    "subject_of",
    "to_dxf",
    "to_svg",
]
