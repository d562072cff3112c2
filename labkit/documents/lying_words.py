"""Words for how rods lie when built: what touches the bed, and where supports may stand."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from labkit.core.rod.building import Carrying, Lowest, Place, Way
from labkit.core.rod.compensation import compensated
from labkit.core.rod.lying import Lying, height_mm, lying
from labkit.core.rod.rods import Process, RodTemplate
from labkit.documents.figures import sentence
from labkit.documents.set_spec import SetPart

#: An upright rod on necks stands on one of its balls.
_END = "the end of the lower ball, at a point"
_TOUCH = {Lowest.FACE: "", Lowest.LINE: ", along a line", Lowest.POINT: ", at a point"}
_NEVER = "No support on the label, in a bore or on a surface that moves in a seat."


def way_of(plate: Mapping[str, Any]) -> Way:
    """Tell how pieces lie on one plate in the content of spacer-set.json."""
    return Way(plate.get("lies", Way.FLAT))


def build_height_mm(
    plate: Mapping[str, Any], parts: Iterable[SetPart], template: RodTemplate, process: Process
) -> float:
    """Work out how high what is built on a plate reaches over its bed."""
    way, names = way_of(plate), {item["part"] for item in plate["items"]}
    sizes = (
        compensated(template, part.length, process.compensation)
        for part in parts if part.part in names
    )
    tallest = max((height_mm(one, way) for one in sizes), default=0.0)
    return lying(template, process, way).lift_mm + tallest


def lying_sentences(template: RodTemplate, process: Process, way: Way) -> list[str]:
    """Say how rods lie, what touches the bed or hangs over it, and where supports may stand."""
    found = lying(template, process, way)
    bed = " ".join((*_rests(found), *_hangs(found, process)))
    smooth = (
        "The underside faces the cheek; finish it smooth."
        if way is Way.FLAT
        else "The outward face touches the cheek and the fittings move in seats; finish both "
             "smooth, also where they touched the bed."
    )
    return [
        f"All pieces {way.words}, as the plate file has them. Keep them so.",
        bed, f"{_supports(found, template, process)} {_NEVER}", smooth,
    ]


def _rests(found: Lying) -> Iterator[str]:
    lowest = " and ".join(dict.fromkeys(
        _END if found.way is Way.UPRIGHT and one.place is Place.BALL
        else one.place.words + _TOUCH[one.lowest] for one in found.rests
    ))
    if found.lift_mm:
        yield f"They stand on supports, {found.lift_mm:g} mm over the bed, by {lowest}."
    else:
        yield f"What touches the bed is {lowest}."


def _hangs(found: Lying, process: Process) -> Iterator[str]:
    """Tell what begins in the air: nothing of the rod carries it."""
    gaps = {one.place: gap for one, gap in found.hangs if not one.carried}
    for place, gap in gaps.items():
        carrier = "the powder" if process.build.supports is Carrying.CARRIED else "nothing"
        yield sentence(
            f"{place.words} hang {gap + found.lift_mm:.1f} mm over it; {carrier} carries what hangs"
        )


def _supports(found: Lying, template: RodTemplate, process: Process) -> str:
    if process.build.supports is Carrying.CARRIED:
        return "No supports are needed: the powder carries every underside."
    if template.build is None:
        return (
            "The template says neither how its rods may lie nor where supports may stand: settle "
            f"both before you build.{_needed(found)}"
        )
    if found.problem:
        return f"These rods cannot be built so: {found.problem}."
    if not found.supports:
        carried = dict.fromkeys(one.place for one, _ in found.hangs if one.carried)
        return "No supports are needed" + (
            f": forbid those that a slicer would put under {_listed(carried)} by itself."
            if carried else "."
        )
    why = "Supports are needed" if found.needs else "Supports are needed only to hold the rods"
    return f"{why}; they may stand at {_listed(found.supports)} and nowhere else."


def _needed(found: Lying) -> str:
    needs = _listed(found.needs)
    if needs:
        return f" Lying so, {needs} would need supports."
    return "" if found.held else " Lying so, something has to hold them."


def _listed(places: Iterable[Place]) -> str:
    return " and ".join(place.words for place in places)
