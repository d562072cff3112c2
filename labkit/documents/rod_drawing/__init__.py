"""The dimensioned drawing of a set's rod, as one sheet value written as DXF, SVG and PDF."""

from labkit.documents.rod_drawing.draw import TEMPLATE, draw, pdf_facts
from labkit.documents.rod_drawing.dxf import to_dxf
from labkit.documents.rod_drawing.sheet import Sheet
from labkit.documents.rod_drawing.subject import subject_of

__all__ = ["TEMPLATE", "Sheet", "draw", "pdf_facts", "subject_of", "to_dxf"]
