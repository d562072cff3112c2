"""The clinic's sheet: one HTML file that asks nothing of any network and runs only its own code."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from html import escape
from pathlib import Path
from typing import Any

from labkit.catalog.places import templates_dir
from labkit.core.cautions import CAUTIONS
from labkit.documents.drawing import Drawing
from labkit.documents.svg import to_svg
from labkit.units import as_written

#: What a page may not have inside of a script, as JSON writes it.
_IN_SCRIPT = {ord(sign): f"\\u{ord(sign):04x}" for sign in "<>&\u2028\u2029"}
_PLACE = re.compile(r"\{\{(\w+)\}\}")


def clinic_sheet(
    content: Mapping[str, Any], drawings: Iterable[tuple[str, Drawing]]
) -> bytes:
    """Make the page.

    Args:
        content: What the page looks its answers up in.
        drawings: Each with its heading.

    Returns:
        An HTML file. Its policy lets the browser run the scripts and styles that are in it now,
        and fetch nothing.
    """
    place = templates_dir() / "clinic"
    style, script = _text(place / "sheet.css"), _text(place / "sheet.js")
    codes = f"const leanQr = {{}};\n((exports) => {{\n{_text(place / 'lean-qr.js')}\n}})(leanQr);\n"
    licence = _text(place / "lean-qr-LICENSE.txt")
    case = content["case"]
    facts = {
        "title": escape(f"Clinic's sheet, case {case}" if case else "Clinic's sheet"),
        "policy": escape(_policy(style, (codes, script))),
        "style": style, "codes": codes, "script": script,
        "data": json.dumps(as_written(content), ensure_ascii=False).translate(_IN_SCRIPT),
        "drawings": "\n".join(_figure(*each) for each in drawings),
        "cautions": "\n".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS),
        "licence": escape(licence.replace("--", "- -")),
    }
    page = _PLACE.sub(lambda found: facts[found[1]], _text(place / "sheet.html"))
    return page.encode()


def _text(path: Path) -> str:
    return path.read_text("utf-8")


def _policy(style: str, scripts: Iterable[str]) -> str:
    """Allow the style and the scripts of the page by what they are, and nothing else."""
    return "; ".join((
        "default-src 'none'",
        f"style-src {_digest(style)}",
        f"script-src {' '.join(map(_digest, scripts))}",
        "img-src data:", "base-uri 'none'", "form-action 'none'",
    ))


def _digest(code: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(code.encode()).digest()).decode()}'"


def _figure(heading: str, drawing: Drawing) -> str:
    svg = to_svg(drawing).decode().partition("?>\n")[2]
    return (
        f'<figure><figcaption>{escape(heading)}</figcaption><div class="drawing">{svg}</div>'
        "</figure>"
    )
