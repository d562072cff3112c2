"""Measuring a scanned rod: functional length with its uncertainty, fittings, label."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

import numpy as np

from labkit.core.findings import Finding, note
from labkit.core.label.lettering import Lettering
from labkit.core.numbers import Finite
from labkit.core.rod.rods import RodTemplate
from labkit.core.rod.tolerances import SizeLimits, linear_tolerance
from labkit.errors import InputError, RefusedError
from labkit.exports.scan.ends import EndFit
from labkit.exports.scan.file import ScanMesh, read_scan
from labkit.exports.scan.find import RodInScan, find_rod
from labkit.exports.scan.form import form_factors
from labkit.exports.scan.label import (
    LEAST_FACE_SEEN,
    ScanLabel,
    read_in_a_mirror,
    read_scan_label,
)
from labkit.exports.scan.noise import Alike, alike
from labkit.exports.scan.shape import RodShape
from labkit.exports.scan.straight import BarShape, bar_shape

#: Degrees of freedom by which both ends' scatter is taken as one and the same beforehand.
POOLED_DOF = 20.0
#: The bar's faces, from which the direction of bores and pins is known, average the noise over
#: at least so many independent patches.
FACE_PATCHES = 20.0
#: Facets are chords and files have few digits: standard uncertainty of each fitting's place.
MESH_MM = 0.0005
#: Standard uncertainty that is allowed unless more is asked for: an error of 0.01 mm is then 2.5
#: times it or more.
USUAL_U_MM = 0.004
#: A standard uncertainty beyond this is no measurement of a rod, whatever is asked for.
MOST_U_MM = 0.02
#: Points of a noisy fitting that lie further apart let single lengths stray beyond 0.01 mm at a
#: noise of 0.02 mm, however well the scatter is known (vertices merged over 0.3 mm: 0.014 mm).
MOST_SPACING_MM = 0.3
#: Below this scatter a mesh is drawn, not scanned: few points lie on the surface itself.
DRAWN_RMS_MM = 0.002
#: A point of an even mesh has six neighbours.
NEIGHBOURS = 6
#: A standard uncertainty beyond this is said.
NOTED_U_MM = USUAL_U_MM
#: Missing surface beyond this is said.
NOTED_MISSING = 0.15
#: Bores and pins that lean more are said, where the scan can tell.
NOTED_TILT_DEG = 0.5
#: A radius that changes by more round a bore or pin makes it an oval.
MOST_OVAL_MM = 0.03
#: What a scan leaves open in a diameter beside its noise: powder, smoothing, chords of facets.
DIAMETER_ROOM_MM = 0.02
#: A label that is read names another rod where it is further from the measured length than this
#: many class tolerances.
LABEL_TOLERANCES = 2


@dataclass(frozen=True)
class EndSeen(Finite):
    """One fitting as measured.

    Args:
        end: "lower" or "upper"; "one" and "other" where it is not known which is which.
        kind: "bore", "pin" or "ball".
        diameter_mm, u_mm: Diameter and its standard uncertainty by the scan alone.
        limits: Limits of the diameter by the template's fit class, None outside the table.
        seen: Share of the fitting's surface in the scan.
        tilt_deg: Lean of its axis to the bar's faces; 0 for a ball.
        round_mm: How far its radius changes round it, greatest less least; None for a
            ball, and where too little is seen to tell.
    """

    end: str
    kind: str
    diameter_mm: float
    u_mm: float
    limits: SizeLimits | None
    seen: float
    rms_mm: float
    tilt_deg: float
    points: int
    round_mm: float | None


@dataclass(frozen=True)
class ScanMeasure(Finite):
    """What a scan of a rod measures.

    Args:
        length_mm: Functional length: between the axes of bores and pins, square to them, or
            between the centres of balls.
        u_mm, dof: Standard uncertainty of the fit, with its degrees of freedom; the scanner's own
            errors (scale, temperature) are not in it.
        ends_told: Whether it is known which is which: both ends of some templates are alike, and
            the label tells.
        form: How far a form error of the scanner of standard deviation 1 shifts the length, by
            its wavelength, mm.
        noise_mm: Scatter of the points about the fittings.
        mesh_sha256: Of the places of its points about their middle, in any order.
        alike_share, alike_mm: Share of it that neighbours have in common, and over which distance.
        missing: Share of the rod's surface that the scan lacks.
        bar: How straight its bar is; None where too little of it is seen.
        mirrored: Label that reads in a mirror only; empty where none does.
        turn, place_mm: Rod axes and origin in the file's coordinates.
    """

    template: str
    length_mm: float
    u_mm: float
    dof: float
    form: tuple[tuple[float, float], ...]
    lower: EndSeen
    upper: EndSeen
    ends_told: bool
    label: ScanLabel
    noise_mm: float
    mesh_sha256: str
    alike_share: float
    alike_mm: float
    missing: float
    facets: int
    turn: tuple[tuple[float, ...], ...]
    place_mm: tuple[float, ...]
    findings: tuple[Finding, ...]
    bar: BarShape | None
    mirrored: str

    @property
    def faults(self) -> tuple[str, ...]:
        """What is wrong with rod or scan whatever its length, in sentences without an end."""
        ends = (fault for end in (self.lower, self.upper) for fault in _oval(end))
        mirrored = (
            f"the scan is mirrored: its label reads {self.mirrored} in a mirror; look at the rod: "
            "export the scan again where its label is the right way round, else reject it",
        ) if self.mirrored else ()
        return (*mirrored, *(self.bar.faults if self.bar else ()), *ends)


def measure_scan(
    path: Path,
    templates: Mapping[str, RodTemplate],
    lettering: Lettering,
    most_u_mm: float = USUAL_U_MM,
) -> ScanMeasure:
    """Measure the rod that a scan shows.

    Formula: nominal surface laid in; each fitting by robust least squares with free radius; length
    = distance of the centres, across the fittings' axes; u by the fits' covariances with the
    points' errors correlated as their residuals show.

    Validity: see the guide, "scans"; bores and pins are taken as square to the bar within SQUARE.

    Raises:
        InputError: The file is no STL.
        RefusedError: No rod, not enough of a fitting, too noisy, too coarse, not millimetres; it
            says which.
    """
    mesh = read_scan(path)
    rod = find_rod(mesh, templates)
    for end in rod.ends:
        _require_fine(end)
    errors = alike([
        (end.fit.points[end.fit.used], end.fit.residuals[end.fit.used]) for end in rod.ends
    ])
    variances = _variances(rod.ends, errors)
    length, u, dof = _length(rod, errors, variances)
    _require_certain(u, most_u_mm, _why_uncertain(rod, errors))
    label, pose = read_scan_label(
        mesh.vertices, mesh.triangles, rod.pose, rod.template, lettering
    )
    mirrored = "" if label.text or label.seen < LEAST_FACE_SEEN else read_in_a_mirror(
        mesh.vertices, mesh.triangles, rod.pose, rod.template, lettering
    )
    shape = RodShape(rod.template)
    # The reader of an unhanded part tells which end is the lower one.
    turned = float(pose.turn[0] @ rod.pose.turn[0]) < 0.0
    ends = rod.ends[::-1] if turned and not rod.template.handed else rod.ends
    told = rod.template.handed or bool(label.text)
    names = ("lower", "upper") if told else ("one", "other")
    lower, upper = (
        _end(end, name, errors, variances)
        for end, name in zip(ends, names, strict=True)
    )
    return ScanMeasure(
        template=rod.template.name, length_mm=length, u_mm=u, dof=dof, form=_form(rod),
        lower=lower, upper=upper, ends_told=told, label=label,
        noise_mm=math.sqrt((lower.rms_mm**2 + upper.rms_mm**2) / 2.0),
        alike_share=errors.share, alike_mm=errors.length_mm, missing=1.0 - rod.seen,
        mesh_sha256=mesh.sha256, facets=len(mesh.triangles),
        turn=tuple(tuple(map(float, row)) for row in pose.turn),
        place_mm=tuple(map(float, pose.place + np.asarray(mesh.origin))),
        findings=_findings(mesh, rod, (length, u), (lower, upper), label),
        bar=bar_shape(shape, rod.pose.to_rod(mesh.vertices), rod.pose.length_mm),
        mirrored=mirrored,
    )


def _require_certain(u_mm: float, most_u_mm: float, why: str) -> None:
    """Refuse a length that the scan does not fix well enough."""
    allowed = min(most_u_mm, MOST_U_MM)
    if u_mm > allowed:
        raise RefusedError(
            f"the scan fixes the length only to {u_mm:.4f} mm (standard uncertainty); at most "
            f"{allowed:g} mm are allowed: {why}; scan again"
            + ("" if u_mm > MOST_U_MM else ", or allow more with --most-uncertainty")
        )


def _require_fine(end: EndFit) -> None:
    """Refuse a scan whose facets are too wide for its noise to average out on a fitting."""
    from scipy.spatial import cKDTree

    points = end.fit.points[end.fit.used]
    if end.fit.rms_mm < DRAWN_RMS_MM or len(points) <= NEIGHBOURS:
        return
    reach, _ = cKDTree(points).query(points, k=NEIGHBOURS + 1)
    spacing = float(np.median(reach[:, NEIGHBOURS]))
    if spacing > MOST_SPACING_MM:
        raise RefusedError(
            f"the scan is too coarse: its points on the {end.fitting.surface} at the "
            f"{end.end} end lie {spacing:.2f} mm apart and at most {MOST_SPACING_MM:g} mm are "
            "allowed; export it finer, with facets of 0.2 mm or less"
        )


def _variances(ends: tuple[EndFit, EndFit], errors: Alike) -> dict[str, tuple[float, float]]:
    """Estimate both ends' scatter; where one end alone says little, the other speaks for it."""
    spreads = [end.fit.spread(errors) for end in ends]
    freedom = sum(one[1] for one in spreads)
    pooled = sum(variance * own for variance, own in spreads) / freedom
    return {
        end.end: (
            (POOLED_DOF * pooled + own * variance) / (POOLED_DOF + own),
            min(freedom, POOLED_DOF + own),
        )
        for end, (variance, own) in zip(ends, spreads, strict=True)
    }


def _length(
    rod: RodInScan, errors: Alike, variances: Mapping[str, tuple[float, float]]
) -> tuple[float, float, float]:
    lower, upper = (np.asarray(end.fit.center) for end in rod.ends)
    apart = upper - lower
    balls = not rod.ends[0].fit.slopes
    along = apart if balls else apart[[0, 2]]
    length = float(np.linalg.norm(along))
    unit = along / length
    parts = [(2.0 * MESH_MM**2, FACE_PATCHES)]
    for end in rod.ends:
        variance, freedom = variances[end.end]
        covariance = end.fit.covariance(errors, variance)[: len(unit), : len(unit)]
        parts.append((float(unit @ covariance @ unit), freedom))
    noise = math.sqrt(max(variance for variance, _ in variances.values()))
    # Fittings at unlike heights: a turned bar shifts one against the other.
    lean = noise * math.sqrt(12.0 / FACE_PATCHES) / length
    parts.append(((float(apart[1]) * lean) ** 2 if not balls else 0.0, FACE_PATCHES))
    total = sum(part for part, _ in parts)
    dof = total**2 / sum(part**2 / freedom for part, freedom in parts) if total else math.inf
    return length, math.sqrt(total), max(dof, 1.0)


def _form(rod: RodInScan) -> tuple[tuple[float, float], ...]:
    lower, upper = rod.ends
    apart = np.asarray(upper.fit.center) - np.asarray(lower.fit.center)
    along = apart[[0, 2]] if lower.fit.slopes else apart
    length = float(np.linalg.norm(along))
    # No wave of standard deviation 1 turns a face of that length by more than √12 / length.
    lean = math.sqrt(12.0) * abs(float(apart[1])) / length if lower.fit.slopes else 0.0
    return form_factors((lower.fit, upper.fit), along / length, lean)


def _end(
    end: EndFit, name: str, errors: Alike, variances: Mapping[str, tuple[float, float]]
) -> EndSeen:
    fit = end.fit
    covariance = fit.covariance(errors, variances[end.end][0])
    try:
        limits = end.fitting.limits
    except InputError:
        limits = None
    return EndSeen(
        end=name, kind=end.fitting.surface, diameter_mm=2.0 * fit.radius_mm,
        u_mm=2.0 * math.sqrt(float(covariance[-1, -1])), limits=limits, seen=end.seen,
        rms_mm=fit.rms_mm,
        tilt_deg=math.degrees(math.atan(math.hypot(*fit.slopes))) if fit.slopes else 0.0,
        points=int(fit.used.sum()),
        round_mm=None if end.oval_mm is None else 2.0 * end.oval_mm,
    )


def _why_uncertain(rod: RodInScan, errors: Alike) -> str:
    least = min(rod.ends, key=lambda end: end.seen)
    why = f"{100 * least.seen:.0f} % of the {least.fitting.surface} at the {least.end} end are"
    why += f" seen, with a scatter of {least.fit.rms_mm:.3f} mm"
    if errors.share > 0.5 and errors.length_mm > 0.3:
        why += f" that neighbours within {errors.length_mm:g} mm have in common"
    return why


def _findings(
    mesh: ScanMesh,
    rod: RodInScan,
    length: tuple[float, float],
    ends: tuple[EndSeen, EndSeen],
    label: ScanLabel,
) -> tuple[Finding, ...]:
    found = [note("scan_left_out", text) for text in mesh.notes]
    if rod.table:
        found.append(note("scan_table", "a wide plane beside the rod was left out as a table"))
    if 1.0 - rod.seen > NOTED_MISSING:
        found.append(note(
            "scan_missing", f"{100 * (1.0 - rod.seen):.0f} % of the rod's surface are missing"
        ))
    if length[1] > NOTED_U_MM:
        found.append(note(
            "scan_uncertain",
            f"the length has a standard uncertainty of {length[1]:.3f} mm by the scan alone: "
            f"{_why_uncertain(rod, Alike(0.0, 0.1, 1))}",
        ))
    for end in ends:
        found += _about(end)
    if label.text:
        tolerance = float(linear_tolerance(rod.template.length_tolerance, Decimal(label.text)))
        off = length[0] - float(label.text)
        if abs(off) > LABEL_TOLERANCES * tolerance + 2.0 * length[1]:
            found.append(note(
                "label_contradicts",
                f"the label reads {label.engraving}, but the rod measures {length[0]:.2f} mm: "
                "hold it back and find out which of the two is wrong",
            ))
    return tuple(found)


def _oval(end: EndSeen) -> tuple[str, ...]:
    if end.round_mm is None or end.round_mm <= MOST_OVAL_MM:
        return ()
    least, most = (end.diameter_mm + sign * end.round_mm for sign in (-1.0, 1.0))
    return (
        f"the {end.kind} {_at(end)} is oval: {least:.3f} to {most:.3f} mm across; it is the rod "
        "and not the scan",
    )


def _at(end: EndSeen) -> str:
    return "at one end" if end.end == "one" else f"at the {end.end} end"


def _about(end: EndSeen) -> list[Finding]:
    found = []
    limits = end.limits
    if limits is not None:
        low, high = float(limits.least_mm), float(limits.most_mm)
        room = 2.0 * end.u_mm + DIAMETER_ROOM_MM
        if not low - room <= end.diameter_mm <= high + room:
            found.append(note(
                "scan_diameter",
                f"the {end.kind} {_at(end)} has a diameter of {end.diameter_mm:.3f} mm; "
                f"{low:.3f} to {high:.3f} mm are allowed",
                end.end,
            ))
    if end.tilt_deg > NOTED_TILT_DEG:
        lean = f"the {end.kind} {_at(end)} leans by {end.tilt_deg:.1f}°"
        found.append(note("scan_tilt", lean, end.end))
    return found
