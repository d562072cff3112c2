"""Rods for a page, to scale and as engraved; drawn once for each part of a set."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from functools import lru_cache

from labkit.catalog.lettering import load_lettering
from labkit.core.rod.rods import Rod
from labkit.documents.drawing import Drawing
from labkit.documents.rod_picture import box_mm, rod_ink
from labkit.documents.set_spec import part_of, template_of
from labkit.documents.svg import on_screen
from labkit.errors import LabkitError
from labkit.ledger.stored import StoredSet

#: Pixels of a millimetre on the screen, where a rod has room.
PER_MM = 7.0
MARGIN_MM = 0.3


@lru_cache(maxsize=512)
def rod_svg(rod: Rod) -> str:
    """Draw a rod as its reader sees it."""
    left, right, bottom, top = box_mm(rod)
    drawing = Drawing(
        right - left + 2 * MARGIN_MM, top - bottom + 2 * MARGIN_MM,
        f"Rod {rod.engraving}, {rod.length} mm between the centres of its fittings, to scale",
        tuple(rod_ink(rod, load_lettering())),
        corner=(left - MARGIN_MM, bottom - MARGIN_MM),
    )
    return on_screen(drawing, per_mm=PER_MM)


def drawn_rods(sets: Iterable[StoredSet]) -> Mapping[str, str]:
    """Draw the rods of made sets, by identifier; one that cannot be drawn is left out."""
    return {identifier: rod_svg(rod) for identifier, rod in rods_of(sets).items()}


def rods_of(sets: Iterable[StoredSet]) -> Mapping[str, Rod]:
    """Read the rods of made sets, by identifier; one that cannot be drawn is left out."""
    return {
        identifier: rod for stored in sets if stored.spec is not None
        for identifier, rod in _of_set(stored.spec.json).items()
    }


@lru_cache(maxsize=256)
def _of_set(json_text: str) -> Mapping[str, Rod]:
    spec = json.loads(json_text)
    found: dict[str, Rod] = {}
    try:
        template = template_of(spec)
        for told in spec["parts"]:
            part = part_of(told)
            for use in part.uses:
                found[use.identifier] = part.rod(template)
                rod_svg(found[use.identifier])
    except (KeyError, LabkitError):  # of a form that this program does not draw
        return {}
    return found


