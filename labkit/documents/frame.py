"""The facts that stand on every page of every document."""

from __future__ import annotations

from typing import Any

from labkit.catalog.profiles import profile_of
from labkit.documents.set_spec import Spec
from labkit.documents.standing import standing_facts


def frame_facts(spec: Spec, document: str = "") -> dict[str, Any]:
    """Give what the frame of every page needs.

    Args:
        document: Name of the document if it may be translated, such as "case-sheet".

    Returns:
        Case, revision, date, what holds now where that is another range than the set was made
        for, and cautions, in the document's language.
    """
    texts = profile_of(spec).texts.of(document)
    return {
        "case": spec["case"],
        "revision": spec["revision"],
        "date": spec["date"],
        "standing": standing_facts(spec, texts),
        "cautions": texts.translated(spec["cautions"]),
    }
