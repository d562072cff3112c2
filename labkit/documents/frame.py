"""The facts that stand on every page of every document."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from labkit.catalog.profiles import profile_of


def frame_facts(spec: Mapping[str, Any]) -> dict[str, Any]:
    """Give what the frame of every page needs.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        Case, revision, date, prescriber, program and cautions, the last in the lab's language.
    """
    return {
        "case": spec["case"],
        "revision": spec["revision"],
        "date": spec["date"],
        "prescriber": spec["prescription"]["prescriber"],
        "program": f"{spec['program']['name']} {spec['program']['version']}",
        "cautions": profile_of(spec).texts.translated(spec["cautions"]),
    }
