"""Facts of the bag labels: one for each rod, with its identifier as a QR code."""

from __future__ import annotations

from typing import Any

from labkit.core.case.identifier import grouped
from labkit.documents.frame import frame_facts
from labkit.documents.inspection import lines_of
from labkit.documents.qr import qr_svg
from labkit.documents.set_spec import Spec, prescription_of
from labkit.documents.standing import at_step, is_out, own_set, words_on

NAME = "bag-labels"


def facts(spec: Spec) -> dict[str, Any]:
    """Work out what stands on the bag labels; a percentage, which can go stale, does not.

    A rod that is no longer in circulation has none.
    """
    frame, words = frame_facts(spec, NAME), words_on(spec, NAME)
    return {
        **frame,
        "case_mark": prescription_of(spec).case_mark,
        "of_set": own_set(spec) or str(spec["revision"]),
        "labels": [
            {
                "identifier": grouped(line.identifier),
                "picture": f"qr-{line.identifier}.svg",
                "step": line.step,
                "steps": len(spec["lengths"]["steps"]),
                "side": line.side,
                "length": line.label,
                "engraved": line.label + line.mark,
                "mark": words.rod(at_step(spec, line.step), line.identifier),
            }
            for line in lines_of(spec)
            if is_out(spec, line.identifier)
        ],
    }


def pictures(spec: Spec) -> dict[str, bytes]:
    """Make the QR code of every rod, of its digits.

    Returns:
        SVG files by name, "qr-IDENTIFIER.svg".
    """
    names = [line.identifier for line in lines_of(spec)]
    return {f"qr-{identifier}.svg": qr_svg(identifier, version=1) for identifier in names}
