"""Which template's rod a scan shows, where it lies, and in which unit the file is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from labkit.core.rods import FlatBar, RodTemplate
from labkit.errors import RefusedError
from labkit.exports.scan_ends import EndFit, fit_ends
from labkit.exports.scan_file import ScanMesh
from labkit.exports.scan_points import spread, spread_points
from labkit.exports.scan_pose import Pose, lay_in
from labkit.exports.scan_shape import RodShape, surface_points

Array = NDArray[np.float64]

#: Units that files are written in by mistake, and their millimetres.
UNITS = {"inches": 25.4, "metres": 1000.0, "centimetres": 10.0, "micrometres": 0.001}
#: A rod's extent may be this much off what the templates allow: stubs, a missing end.
EXTENT_SHORT, EXTENT_LONG = 0.5, 1.4
#: A point this near to the nominal surface is explained by it (noise, warp, printed oversize).
EXPLAINED_MM = 0.15
#: So much of the points must be explained, and so much of the surface be seen.
LEAST_EXPLAINED, LEAST_SEEN = 0.4, 0.25
#: Points of the nominal surface that are looked for, how near the scan must be (the engraving's
#: strokes are narrower), and how many points are spread over the scan of the rod for that.
ASKED_POINTS, NEAR_MM, SPREAD_ON_ROD = 4000, 0.2, 40_000
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
        template: Its template.
        pose: Where it lies, scan coordinates less their origin.
        ends: Lower and upper fitting.
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
    """Find the rod in a scan by every template in question.

    Args:
        mesh: The scan.
        templates: Templates by name; one alone where it is known.

    Returns:
        The rod by the template that fits best.

    Raises:
        RefusedError: No template fits, two fit equally, a fitting cannot be seen, or the file is
            in another unit than millimetres.
    """
    found, reasons = _by_all(mesh, templates)
    if not found:
        _refuse_units(mesh, templates)
        raise _no_rod(reasons, mesh)
    found.sort(key=lambda rod: rod.pose.cost)
    best = found[0]
    rivals = [
        other.template.name for other in found[1:]
        if other.pose.cost < best.pose.cost * (1.0 + EQUAL_SHARE) + 1e-4
    ]
    if rivals:
        names = ", ".join(sorted([best.template.name, *rivals]))
        raise RefusedError(
            f"the scan fits the templates {names} equally; name the rod's own with --template",
            field="template", allowed=names,
        )
    return best


def _by_all(
    mesh: ScanMesh, templates: Mapping[str, RodTemplate]
) -> tuple[list[RodInScan], dict[str, RefusedError]]:
    chosen = {name: one for name, one in templates.items() if _may_be(mesh.size, one)}
    found: list[RodInScan] = []
    reasons: dict[str, RefusedError] = {}
    if not chosen:
        return found, reasons
    cloud = spread_points(mesh, TABLE_FACTOR * max(widest_mm(one) for one in chosen.values()))
    # Everything first; the larger pieces alone only where that shows no rod.
    for points in cloud.candidates():
        for name, template in chosen.items():
            try:
                found.append(_by_one(mesh, points, template, cloud.table))
            except RefusedError as error:
                reasons.setdefault(name, error)
        if found:
            break
    return found, reasons


def _may_be(size: float, template: RodTemplate) -> bool:
    """Tell whether a scan is large enough for a rod; larger it may be by whatever else it shows."""
    reach = sum(RodShape(template).reach())
    shortest = EXTENT_SHORT * (float(template.shortest_mm) + reach)
    return shortest < size < 20.0 * EXTENT_LONG * (float(template.longest_mm) + reach)


def widest_mm(template: RodTemplate) -> float:
    """Give the width of the widest plane or disc of a template's rods, mm."""
    body = template.body
    bosses = [
        fitting.boss_diameter_mm for fitting in (template.lower, template.upper)
        if fitting.kind.value != "ball"
    ]  # fmt: skip
    return max([body.height_mm if isinstance(body, FlatBar) else body.diameter_mm, *bosses])


def _by_one(
    mesh: ScanMesh, points: Array, template: RodTemplate, table: bool
) -> RodInScan:
    shape = RodShape(template)
    pose = lay_in(shape, points)
    explained = 0.0
    if pose is not None:
        away = np.abs(shape.distance(pose.to_rod(points), pose.length_mm))
        explained = float((away < EXPLAINED_MM).mean())
    if pose is None or explained < LEAST_EXPLAINED:
        raise RefusedError(
            f"the nominal surface of {template.name} explains {100 * explained:.0f} % of the scan; "
            f"at least {100 * LEAST_EXPLAINED:.0f} % are needed"
        )
    seen = _seen(shape, pose, mesh)
    if seen < LEAST_SEEN:
        raise RefusedError(
            f"{100 * seen:.0f} % of the surface of a {template.name} are seen; at least "
            f"{100 * LEAST_SEEN:.0f} % are needed"
        )
    ends = fit_ends(template, pose.to_rod(mesh.vertices), pose.length_mm)
    _require_quiet(template, ends)
    return RodInScan(template, pose, ends, explained, seen, table)


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
            f"the scan is too noisy to measure a {template.name}: its points scatter by "
            f"{noise:.2f} mm about a fitting; at most {MOST_NOISE_MM:g} mm are allowed, scan again"
        )


def _refuse_units(mesh: ScanMesh, templates: Mapping[str, RodTemplate]) -> None:
    for unit, factor in UNITS.items():
        scaled = replace(mesh, vertices=mesh.vertices * factor)
        found, _ = _by_all(scaled, templates)
        if found:
            best = min(found, key=lambda rod: rod.pose.cost)
            raise RefusedError(
                f"the scan is a {best.template.name} in {unit}, not in millimetres (factor "
                f"{factor:g}); nothing is converted: export it in millimetres",
                field="unit", value=unit, allowed="millimetres",
            )


def _no_rod(reasons: Mapping[str, RefusedError], mesh: ScanMesh) -> RefusedError:
    if len(reasons) == 1:
        return next(iter(reasons.values()))
    # A fitting that cannot be seen is the nearest to a rod of all reasons.
    fittings = {name: error for name, error in reasons.items() if error.field}
    if len(fittings) == 1:
        return next(iter(fittings.values()))
    shown = fittings or reasons
    why = "; ".join(f"{name}: {error.message}" for name, error in shown.items())
    if not why:
        return RefusedError(
            f"the scan is {mesh.size:.4g} mm across, which is no rod of any template, and in no "
            "other unit either; give the scan of one rod, in millimetres"
        )
    return RefusedError(f"the scan shows no rod of a known template ({why})")
