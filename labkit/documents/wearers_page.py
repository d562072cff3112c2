"""Facts of the wearer's page: large print, the words come from the texts file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from labkit.documents.frame import frame_facts

TEMPLATE = "wearers-page.typ"


def facts(spec: Mapping[str, Any]) -> dict[str, Any]:
    """Give what stands on the wearer's page besides its fixed words.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        JSON content for the template `wearers-page.typ`.
    """
    return frame_facts(spec)
