"""Takes text and properties back out of PDF files, with a reader that shares nothing with typst."""

from __future__ import annotations

import io
import unicodedata

import pypdf


def reader(pdf: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(pdf))


def text_of(pdf: bytes) -> str:
    """All text, page by page."""
    return "\n".join(page.extract_text() for page in reader(pdf).pages)


def squeezed(text: str) -> str:
    """Text without the spaces and breaks that a line of print may or may not have."""
    return "".join(unicodedata.normalize("NFKC", text).split())


def page_sizes_mm(pdf: bytes) -> set[tuple[float, float]]:
    boxes = [page.mediabox for page in reader(pdf).pages]
    return {tuple(round(float(v) * 25.4 / 72, 1) for v in (b.width, b.height)) for b in boxes}
