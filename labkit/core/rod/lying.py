"""How the rods of a template lie in a process: what touches the bed, hangs, and needs supports."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labkit.core.rod.building import BuildLimits, Carrying, Lowest, Place, Underside, Way
from labkit.core.rod.compensation import RodSizes, compensated
from labkit.core.rod.rods import Hand, Process, RodTemplate
from labkit.core.rod.volume import envelope_mm
from labkit.errors import GeometryError

#: Undersides this much above the lowest one touch the bed too, whatever binary arithmetic says.
SAME_MM = 1e-9


@dataclass(frozen=True)
class Lying:
    """How the rods of a template lie in a process.

    Args:
        rests: What touches the bed, or the supports where it is lifted.
        hangs: What is over the bed and does not rest on it, with the gap in mm.
        needs: Places at which undersides need supports.
        held: Whether it stands by itself, on a face.
        supports: Places at which supports stand; empty where it needs none.
        lift_mm: Height of its lowest point over the bed.
        problem: Why it does not do, empty where it does.
    """

    way: Way
    rests: tuple[Underside, ...]
    hangs: tuple[tuple[Underside, float], ...]
    needs: tuple[Place, ...]
    held: bool
    supports: tuple[Place, ...]
    lift_mm: float
    problem: str


def rotation_of(way: Way, hand: Hand) -> NDArray[np.float64]:
    """Give the rotation with which a rod lies so, shape (3, 3).

    A point p of the rod frame lies at `rotation @ p`: machine X to the right, Y away from the
    front, Z upward. The inward face looks up, or to the front.
    """
    s = float(hand.inward_y)
    rows = {
        Way.FLAT: [[-s, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, s, 0.0]],
        Way.ON_EDGE: [[-s, 0.0, 0.0], [0.0, -s, 0.0], [0.0, 0.0, 1.0]],
        Way.UPRIGHT: [[0.0, 0.0, s], [0.0, -s, 0.0], [1.0, 0.0, 0.0]],
    }
    return np.array(rows[way])


def height_mm(sizes: RodSizes, way: Way) -> float:
    """Work out how high a rod is as it lies."""
    low, high = envelope_mm(sizes, Hand.MINUS_Y)
    axis = {Way.FLAT: 1, Way.ON_EDGE: 2, Way.UPRIGHT: 0}[way]
    return high[axis] - low[axis]


def undersides(
    sizes: RodSizes, way: Way, label_depth_mm: float, angle_deg: float
) -> Iterator[Underside]:
    """Find everything of a rod that faces the bed.

    Args:
        angle_deg: Undersides at least this steep carry themselves.
    """
    flat_share = math.sin(math.radians(angle_deg))
    yield from sizes.body.undersides(way, sizes.fittings, sizes.length_mm, flat_share)
    for fitting, mount in sizes.body.mounted(sizes.fittings, sizes.length_mm):
        yield from fitting.undersides(way, mount, flat_share)
    if way is not Way.FLAT:  # ceilings of its grooves
        yield Underside(Place.LABEL, 0.0, Lowest.FACE, label_depth_mm, carried=True)


def lying(template: RodTemplate, process: Process, way: Way) -> Lying:
    """Work out how rods lie in one way, whether that does or not.

    Judged at the longest rod, whose undersides reach farthest.
    """
    rules = process.build
    sizes = compensated(template, template.longest_mm, process.compensation)
    angle = rules.overhang_angle_deg
    found = tuple(undersides(sizes, way, template.label.depth_mm, angle))
    low = min(one.height_mm for one in found)
    rests = tuple(
        one for one in found if not one.carried and one.height_mm - low <= SAME_MM
    )
    held = any(one.lowest is Lowest.FACE for one in rests)
    needs = tuple(dict.fromkeys(
        one.place for one in found
        if one.reach_mm > rules.overhang_mm or not (one.carried or one in rests)
    ))
    may = template.build.supports if template.build else ()
    carried = rules.supports is Carrying.CARRIED
    supports = () if carried else needs if needs or held else may
    problem = "" if carried else _problem(rules.supports, needs, held=held, may=may)
    problem = f"{way} {problem}" if problem else ""
    lifted = supports and not problem and all(one.place in may for one in rests)
    return Lying(
        way=way,
        rests=rests,
        hangs=tuple((one, one.height_mm - low) for one in found if one not in rests),
        needs=needs,
        held=held,
        supports=supports,
        lift_mm=rules.lift_mm if lifted else 0.0,
        problem=problem,
    )


def chosen(template: RodTemplate, process: Process) -> Lying:
    """Choose how rods lie: the first way of the process that the template allows and that does.

    Returns:
        The way; flat, as judged, where the template says nothing.

    Raises:
        GeometryError: No way does; each is named with its reason.
    """
    if template.build is None:
        return lying(template, process, Way.FLAT)
    found = [
        lying(template, process, way) for way in process.build.lies if way in template.build.lies
    ]
    for one in found:
        if not one.problem:
            return one
    reasons = "; ".join(one.problem for one in found) or (
        f"the template allows {_named(template.build)}, the process builds "
        f"{' or '.join(process.build.lies)}"
    )
    raise GeometryError(
        f"rods of {template.name} cannot lie in any way in process {process.name}: {reasons}; "
        "choose another template or process",
        field="lies", value=template.name, allowed=_named(template.build),
    )


def _named(build: BuildLimits) -> str:
    return " or ".join(build.lies)


def _problem(
    rules: Carrying, needs: tuple[Place, ...], *, held: bool, may: tuple[Place, ...]
) -> str:
    """Say why rods cannot lie so where nothing carries their undersides."""
    if held and not needs:
        return ""
    what = f"supports at {_words(needs)}" if needs else "supports to hold it"
    if rules is Carrying.NONE:
        return f"needs {what}, and none are built"
    if barred := [place for place in needs if place not in may]:
        return f"needs supports at {_words(barred)}, where none may stand"
    return "" if may else f"needs {what}, and the template lets none stand"


def _words(places: Iterable[Place]) -> str:
    return " and ".join(place.words for place in places)
