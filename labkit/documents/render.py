"""Sets a document: a typst template with facts as data, in the documents' own fonts."""

from __future__ import annotations

import functools
import json
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from labkit.catalog.places import templates_dir
from labkit.catalog.profiles import Profile
from labkit.catalog.texts import texts_json
from labkit.documents.glyphs import fonts_dir, showable
from labkit.errors import DeliveryError, InputError
from labkit.scratch import scratch
from labkit.units import as_written

#: Tagged for screen readers, every picture with words, every character with its code (PDF/UA-1).
STANDARD = "ua-1"
_PLACE = re.compile(r"(?P<file>[\w.-]+\.typ):(?P<line>\d+):\d+")


def compile_pdf(
    template: str,
    facts: Mapping[str, Any],
    profile: Profile,
    pictures: Mapping[str, bytes] | None = None,
) -> bytes:
    """Set a document as a PDF.

    The template finds its facts as `facts`, the lab's as `lab`, fixed words as `texts` and the
    names of pictures as `pictures` once it imports common.typ. All of it is data: no text can act
    as markup. The same input gives the same bytes.

    Args:
        template: File name in the folder of document templates, such as "case-sheet.typ".
        facts: JSON content; has at least what `frame_facts` gives.
        profile: The lab's profile; its own copy of the template comes first.
        pictures: PNG or SVG files by name.

    Raises:
        InputError: The template cannot be set; the sentence says why and where.
    """
    set_pages: bytes = _compile(
        template, facts, profile, pictures or {}, format="pdf", pdf_standards=STANDARD
    )
    return set_pages


def page_images(
    template: str,
    facts: Mapping[str, Any],
    profile: Profile,
    pictures: Mapping[str, bytes] | None = None,
    ppi: float = 80,
) -> list[bytes]:
    """Draw the pages of a document for looking at them, a PNG each; else as `compile_pdf`.

    Args:
        ppi: Pixels for each inch of paper.
    """
    drawn = _compile(template, facts, profile, pictures or {}, format="png", ppi=ppi)
    return drawn if isinstance(drawn, list) else [drawn]


def _compile(
    template: str,
    facts: Mapping[str, Any],
    profile: Profile,
    pictures: Mapping[str, bytes],
    **form: Any,
) -> Any:
    import typst

    with _between() as root:
        logo = _lay_out(root, profile, pictures)
        data = {
            "facts": facts,
            "lab": {
                "name": profile.name,
                "address": profile.address,
                "logo": logo,
                "paper": str(profile.paper),
                "projection": str(profile.projection),
            },
            "texts": texts_json(profile.texts.of(Path(template).stem)),
            "pictures": sorted(pictures),
        }
        try:
            return typst.compile(
                root / template,
                root=root,
                font_paths=_fonts(),
                sys_inputs={"data": json.dumps(showable(as_written(data)), ensure_ascii=False)},
                **form,
            )
        except typst.TypstError as error:
            raise InputError(
                f"the document template {template} cannot be set: {error.message}; "
                f"{_advice(profile)}",
                field="documents",
                value=template,
                where=_place(error.diagnostic, template),
            ) from error


@contextmanager
def _between() -> Iterator[Path]:
    """Open a folder for files in between, and name it where it takes none: it is not --out."""
    try:
        with scratch() as root:
            yield root
    except OSError as error:
        raise DeliveryError(
            f"the folder for temporary files, {tempfile.gettempdir()}, cannot be written: "
            f"{error.strerror or error}; make room there, or name another one with TMPDIR",
            field="TMPDIR",
        ) from error


def _lay_out(root: Path, profile: Profile, pictures: Mapping[str, bytes]) -> str | None:
    """Put templates, logo and pictures where typst may read them; give the logo's name."""
    for path in sorted((templates_dir() / "documents").glob("*.typ")):
        shutil.copyfile(path, root / path.name)
    for name, text in profile.documents.items():
        (root / name).write_text(text, "utf-8")
    (root / "pictures").mkdir()
    for name, content in pictures.items():
        (root / "pictures" / name).write_bytes(content)
    if profile.logo is None:
        return None
    (root / f"logo.{profile.logo.kind}").write_bytes(profile.logo.content)
    return f"logo.{profile.logo.kind}"


@functools.lru_cache(maxsize=1)
def _fonts() -> Any:
    import typst

    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[fonts_dir()]
    )


def _advice(profile: Profile) -> str:
    if profile.documents:
        return "correct the lab's own copy, or leave it out to use the program's"
    if profile.logo is not None:
        return "check that the logo of the lab profile opens in other programs"
    return "check that the pictures of the set are whole, or install labkit again"


def _place(diagnostic: str, template: str) -> str:
    """Find "file:line" in typst's own report."""
    found = _PLACE.search(diagnostic)
    return f"{found['file']}:{found['line']}" if found else template
