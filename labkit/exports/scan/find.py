"""Which template's rod a scan shows, where it lies, and in which unit the file is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from labkit.core.rod.rods import RodTemplate
from labkit.errors import RefusedError
from labkit.exports.expected.base import Array
from labkit.exports.scan.ends import EndFit, fit_ends
from labkit.exports.scan.file import ScanMesh
from labkit.exports.scan.points import spread, spread_points
from labkit.exports.scan.pose import Pose, lay_in
from labkit.exports.scan.shape import RodShape, surface_points

#: Units that files are written in by mistake, and their millimetres.
UNITS = {"inches": 25.4, "metres": 1000.0, "centimetres": 10.0, "micrometres": 0.001}
#: A scan may be this much smaller than the shortest rod (a missing end), and larger than the
#: longest (a table); a guess at another unit must come nearer.
EXTENT_SHORT, EXTENT_LONG, EXTENT_GUESSED = 0.5, 30.0, 3.0
#: A point this near to the nominal surface is explained by it (noise, warp, printed oversize).
EXPLAINED_MM = 0.15
#: So much of the points must be explained, and so much of the surface be seen.
LEAST_EXPLAINED, LEAST_SEEN = 0.4, 0.25
#: Points of the nominal surface that are looked for, how near the scan must be (the engraving's
#: strokes are narrower), and how many points are spread over the scan of the rod for that.
ASKED_POINTS, NEAR_MM, SPREAD_ON_ROD = 4000, 0.2, 40_000
#: With less explained, the rest is searched for a second rod, which must be this well explained.
ALONE, SECOND_EXPLAINED = 0.75, 0.6
#: Two bodies do not stand in one place: a share of a surface that may lie within another's.
MOST_THROUGH = 0.05
#: Templates whose costs differ by less than this share fit equally.
EQUAL_SHARE = 0.05
#: Planes this many times wider than the widest rod are a table.
TABLE_FACTOR = 1.4
#: Round scatter of a fitting beyond this is no scan of a rod to be measured.
MOST_NOISE_MM = 0.08


@dataclass(frozen=True, eq=False)
class RodInScan:
    """A rod found in a scan.

    Args:
        pose: Where it lies, scan coordinates less their origin.
        explained: Share of the points that the nominal surface explains.
        seen: Share of the nominal surface that the scan shows.
        table: Whether a table was taken out of the scan.
    """

    template: RodTemplate
    pose: Pose
    ends: tuple[EndFit, EndFit]
    explained: float
    seen: float
    table: bool


def find_rod(mesh: ScanMesh, templates: Mapping[str, RodTemplate]) -> RodInScan:
    """Find the rod in a scan by that of the templates which fits best.

    Args:
        templates: Templates by name; one alone where it is known.

    Raises:
        RefusedError: No template fits, two fit equally, there are two rods, a fitting cannot be
            seen, or the file is in another unit than millimetres.
    """
    search = _Search(mesh, templates, EXTENT_LONG)
    if not search.found:
        _refuse_units(mesh, templates)
        raise _no_rod(search.reasons, mesh)
    best = search.found[0]
    _require_alone(best, search)
    rivals = [
        other.template.name for other in search.found[1:]
        if other.pose.cost < _equal_to(best.pose.cost)
    ]
    if rivals:
        names = ", ".join(sorted([best.template.name, *rivals]))
        raise RefusedError(
            f"the scan fits the templates {names} equally; name the rod's own with --template",
            field="template", allowed=names,
        )
    return best


class _UnfitError(RefusedError):
    """Why a template does not fit, and how much of the scan it explains all the same."""

    def __init__(self, message: str, explained: float, field: str = "") -> None:
        super().__init__(message, field=field)
        self.explained = explained


class _Search:
    """A scan tried with every template that its size allows; what is found lies best first.

    Args:
        longest: How many times the longest rod the scan may be.
    """

    def __init__(
        self, mesh: ScanMesh, templates: Mapping[str, RodTemplate], longest: float
    ) -> None:
        self.templates = {
            name: one for name, one in templates.items() if _may_be(mesh.size, one, longest)
        }
        self.found: list[RodInScan] = []
        self.reasons: dict[str, _UnfitError] = {}
        self.points = np.empty((0, 3))
        if not self.templates:
            return
        widest = max(RodShape(one).widest_mm for one in self.templates.values())
        cloud = spread_points(mesh, TABLE_FACTOR * widest)
        self.points = cloud.points
        # Everything first; from aside, and the larger pieces alone, only where that shows no rod.
        everything, *pieces = cloud.candidates()
        tries = [(everything, False), (everything, True), *((piece, False) for piece in pieces)]
        for points, aside in tries:
            laid = [
                (template, lay_in(RodShape(template), points, aside=aside))
                for template in self.templates.values()
            ]
            for template, pose in sorted(laid, key=lambda one: one[1].cost if one[1] else 1.0):
                if self.found and (not pose or pose.cost > _equal_to(self.found[0].pose.cost)):
                    break  # neither the best nor its equal
                self._try(mesh, points, template, pose, cloud.table)
            if self.found:
                break

    def _try(
        self, mesh: ScanMesh, points: Array, template: RodTemplate, pose: Pose | None, table: bool
    ) -> None:
        try:
            self.found.append(_by_one(mesh, points, template, pose, table))
        except _UnfitError as error:
            known = self.reasons.setdefault(template.name, error)
            if error.explained > known.explained:
                self.reasons[template.name] = error


def _equal_to(cost: float) -> float:
    """Give the cost up to which another template fits as well."""
    return cost * (1.0 + EQUAL_SHARE) + 1e-4


def _may_be(size: float, template: RodTemplate, longest: float) -> bool:
    """Tell whether a scan is large enough for a rod; larger it may be by whatever else it shows."""
    reach = sum(RodShape(template).reach())
    shortest = EXTENT_SHORT * (float(template.shortest_mm) + reach)
    return shortest < size < longest * (float(template.longest_mm) + reach)


def _by_one(
    mesh: ScanMesh, points: Array, template: RodTemplate, pose: Pose | None, table: bool
) -> RodInScan:
    shape = RodShape(template)
    explained = 0.0 if pose is None else _explained(shape, pose, points)
    if pose is None or explained < LEAST_EXPLAINED:
        raise _UnfitError(
            f"the nominal surface of {template.name} explains {100 * explained:.0f} % of the "
            f"scan; at least {100 * LEAST_EXPLAINED:.0f} % is needed", explained
        )
    seen = _seen(shape, pose, mesh)
    if seen < LEAST_SEEN:
        raise _UnfitError(
            f"{100 * seen:.0f} % of the surface of {template.name} is seen; at least "
            f"{100 * LEAST_SEEN:.0f} % is needed", explained
        )
    try:
        ends = fit_ends(template, pose.to_rod(mesh.vertices), pose.length_mm)
        _require_quiet(template, ends)
    except RefusedError as error:
        raise _UnfitError(error.message, explained, error.field) from None
    return RodInScan(template, pose, ends, explained, seen, table)


def _explained(shape: RodShape, pose: Pose, points: Array) -> float:
    away = np.abs(shape.distance(pose.to_rod(points), pose.length_mm))
    return float((away < EXPLAINED_MM).mean())


def _require_alone(rod: RodInScan, search: _Search) -> None:
    """Refuse a scan that shows another rod beside: nobody could tell which was measured."""
    shape = RodShape(rod.template)
    away = np.abs(shape.distance(rod.pose.to_rod(search.points), rod.pose.length_mm))
    if float((away < EXPLAINED_MM).mean()) >= ALONE:
        return
    rest = search.points[away > 4.0 * EXPLAINED_MM]
    for template in search.templates.values():
        other = lay_in(RodShape(template), rest)
        if other and _explained(RodShape(template), other, rest) >= SECOND_EXPLAINED and (
            _apart(shape, rod.pose, RodShape(template), other)
        ):
            raise RefusedError(
                f"the scan shows two rods, {rod.template.name} of about {rod.pose.length_mm:.1f} "
                f"mm and {template.name} of about {other.length_mm:.1f} mm; give each its own file"
            )


def _apart(one: RodShape, pose: Pose, other: RodShape, its: Pose) -> bool:
    """Tell whether two rods lie apart; what goes through the first is that one, bent."""
    points = surface_points(other, its.length_mm, ASKED_POINTS) @ its.turn + its.place
    inside = one.distance(pose.to_rod(points), pose.length_mm) < -EXPLAINED_MM
    return float(inside.mean()) < MOST_THROUGH


def _seen(shape: RodShape, pose: Pose, mesh: ScanMesh) -> float:
    """Ask how much of the nominal surface has a facet of the scan next to it."""
    from scipy.spatial import cKDTree

    corners = mesh.corners
    middles = pose.to_rod(corners.mean(axis=1))
    on_rod = corners[np.abs(shape.distance(middles, pose.length_mm)) < 2.0 * NEAR_MM]
    if not len(on_rod):
        return 0.0
    near, _ = spread(on_rod, SPREAD_ON_ROD)
    asked = surface_points(shape, pose.length_mm, ASKED_POINTS)
    away, _ = cKDTree(pose.to_rod(near)).query(asked, distance_upper_bound=1.0)
    return float((away < NEAR_MM).mean())


def _require_quiet(template: RodTemplate, ends: tuple[EndFit, EndFit]) -> None:
    noise = max(end.fit.rms_mm for end in ends)
    if noise > MOST_NOISE_MM:
        raise RefusedError(
            f"the scan is too noisy to measure {template.name}: its points scatter by "
            f"{noise:.2f} mm about a fitting; at most {MOST_NOISE_MM:g} mm are allowed, scan again"
        )


def _refuse_units(mesh: ScanMesh, templates: Mapping[str, RodTemplate]) -> None:
    for unit, factor in UNITS.items():
        scaled = replace(mesh, vertices=mesh.vertices * factor)
        if found := _Search(scaled, templates, EXTENT_GUESSED).found:
            best = found[0]
            raise RefusedError(
                f"the scan is written in {unit}, not in millimetres: with the factor {factor:g} it "
                f"shows a rod of {best.template.name}, {best.pose.length_mm:.1f} mm long; nothing "
                "is converted, export it in millimetres",
                field="unit", value=unit, allowed="millimetres",
            )


def _no_rod(reasons: Mapping[str, _UnfitError], mesh: ScanMesh) -> RefusedError:
    if not reasons:
        return RefusedError(
            f"the scan is {mesh.size:.4g} mm across, which fits no rod template, and in no other "
            "unit either; give the scan of one rod, in millimetres"
        )
    nearest = max(reasons.values(), key=lambda error: error.explained)
    if len(reasons) == 1:
        return RefusedError(nearest.message, field=nearest.field)
    name = next(name for name, error in reasons.items() if error is nearest)
    return RefusedError(
        f"the scan shows no whole rod of the {len(reasons)} templates; nearest is {name}: "
        f"{nearest.message}",
        field=nearest.field,
    )
