"""QR codes as SVG files."""

from __future__ import annotations

import io

#: White border of a QR code, in modules, as its standard asks (ISO/IEC 18004, from memory).
_QUIET_MODULES = 4


def qr_svg(content: str, version: int | None = None) -> bytes:
    """Make a QR code of which a quarter may be damaged.

    Args:
        version: Size as the standard numbers it; None for the least that holds the content.

    Returns:
        An SVG file, one unit being a module.
    """
    import segno

    stream = io.BytesIO()
    code = segno.make_qr(content, error="q", version=version, boost_error=True)
    code.save(
        stream, kind="svg", border=_QUIET_MODULES, xmldecl=True, svgclass=None, lineclass=None
    )
    return stream.getvalue()
