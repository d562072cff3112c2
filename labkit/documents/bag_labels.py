"""Facts of the bag labels: one for each rod, with its identifier as a QR code."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.documents.frame import frame_facts
from labkit.documents.inspection import lines_of
from labkit.documents.standing import at_step, is_out, mark

#: White border of a QR code, in modules, as its standard asks (ISO/IEC 18004, from memory).
_QUIET_MODULES = 4


def facts(spec: Mapping[str, Any]) -> dict[str, Any]:
    """Work out what stands on the bag labels; a percentage, which can go stale, does not.

    A rod that is not in circulation any more has none.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        JSON content for the template `bag-labels.typ`; numbers are texts, ready for paper.
    """
    return {
        **frame_facts(spec),
        "labels": [
            {
                "identifier": grouped(line.identifier),
                "picture": f"qr-{line.identifier}.svg",
                "step": line.step,
                "steps": len(spec["lengths"]["steps"]),
                "side": line.side,
                "length": line.label,
                "engraved": line.label + line.mark,
                "mark": mark(at_step(spec, line.step)),
            }
            for line in lines_of(spec)
            if is_out(spec, line.identifier)
        ],
    }


def pictures(spec: Mapping[str, Any]) -> dict[str, bytes]:
    """Make the QR code of every rod.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        SVG files by name, "qr-IDENTIFIER.svg".
    """
    names = [line.identifier for line in lines_of(spec)]
    return {f"qr-{identifier}.svg": qr_svg(identifier) for identifier in names}


def qr_svg(identifier: str) -> bytes:
    """Make a QR code of a rod's ten digits: version 1, a quarter of it may be damaged.

    Args:
        identifier: Ten digits.

    Returns:
        An SVG file, one unit being a module.
    """
    import segno

    stream = io.BytesIO()
    code = segno.make_qr(identifier, error="q", version=1, boost_error=True)
    code.save(
        stream, kind="svg", border=_QUIET_MODULES, xmldecl=True, svgclass=None, lineclass=None
    )
    return stream.getvalue()
