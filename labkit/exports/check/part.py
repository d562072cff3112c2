"""All checks of one part's written files: STEP, STL and the label engraved in it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labkit.core.label.lettering import Lettering
from labkit.core.label.place import lay_out_rod
from labkit.core.rod.rods import NOMINAL, Compensation, Rod
from labkit.core.rod.volume import rod_volume_mm3
from labkit.errors import InputError
from labkit.exports.check import limits
from labkit.exports.check.checks import Check, Checked, Checker
from labkit.exports.check.measure_mesh import MeshMeasure, measure_mesh
from labkit.exports.check.measure_step import AP242, StepMeasure, measure_step
from labkit.exports.check.measured import Ends, Wanted, wanted_ends
from labkit.exports.check.outward_face import outward_roughness
from labkit.exports.check.read_label import (
    LabelReading,
    MarkedReading,
    read_label,
    read_marked,
)
from labkit.exports.check.stl_reader import FacetMesh, read_stl
from labkit.exports.expected import expected_bar, expected_ends
from labkit.exports.expected.rod import Corner, built_length_mm, expected_box, inward_of
from labkit.units import CHECK_DECIMALS, written

VOLUME = "volume against the rod asked for"


@dataclass(frozen=True)
class PartCheck(Checked):
    """What one part's files measure.

    Args:
        step: What the STEP measures, None where it cannot be read.
        mesh: What the STL measures, None where it cannot be read.
        label: The label as read from the STL, None where that cannot be read.
        case_mark: The case mark as read from the STL, None where the rod has none.
    """

    part: str
    checks: tuple[Check, ...]
    step: StepMeasure | None
    mesh: MeshMeasure | None
    label: LabelReading | None
    case_mark: LabelReading | None = None

    @property
    def step_length_mm(self) -> float | None:
        """Functional length measured from the STEP."""
        return self.step.ends.length_mm if self.step else None

    @property
    def stl_length_mm(self) -> float | None:
        """Functional length measured from the STL."""
        return self.mesh.ends.length_mm if self.mesh else None

    @property
    def label_read(self) -> str:
        """Characters read from the STL, without the bar."""
        return self.label.text if self.label else ""

    def to_json(self) -> dict[str, Any]:
        """Give the result as plain values, in a fixed order."""
        label, mark = self.label, self.case_mark
        own_mark = {} if mark is None else {
            "case_mark_read": mark.text, "case_mark_characters": _characters(mark),
        }
        return {
            "part": self.part,
            "passed": self.passed,
            "step_length_mm": _length(self.step_length_mm),
            "stl_length_mm": _length(self.stl_length_mm),
            "label_read": self.label_read,
            "label_bar": label.bar if label else None,
            "label_characters": _characters(label),
            **own_mark,
            "checks": [check.to_json() for check in self.checks],
        }


def _characters(read: LabelReading | None) -> list[dict[str, Any]]:
    return [
        {"char": c.char, "score": c.score, "second": c.second, "margin": c.margin}
        for c in (read.chars if read else ())
    ]


def _length(measured_mm: float | None) -> float | None:
    return None if measured_mm is None else written(measured_mm, CHECK_DECIMALS["mm"])


def check_part(
    rod: Rod,
    compensation: Compensation,
    step_path: Path,
    stl_path: Path,
    lettering: Lettering,
) -> PartCheck:
    """Measure one part's written files and hold them against what was asked.

    Args:
        compensation: What the process adds in the STL; the STEP is nominal.

    Returns:
        Every check with its numbers; a failed check is a result, not an error.

    Validity: rods in the rod frame. Nothing is taken from the building code: the volumes follow
    from the rod by closed formulas.
    """
    engraving = lay_out_rod(lettering, rod)
    volumes = tuple(rod_volume_mm3(rod, engraving, by) for by in (NOMINAL, compensation))
    return check_part_of(rod, compensation, (step_path, stl_path), lettering, volumes)


def check_part_of(
    rod: Rod,
    compensation: Compensation,
    files: tuple[Path, Path],
    lettering: Lettering,
    volumes_mm3: tuple[float, ...],
) -> PartCheck:
    """Measure a part as `check_part`, with volumes of another source.

    Args:
        files: STEP and STL.
        volumes_mm3: Of the nominal part (STEP) and of the built one (STL).
    """
    step_path, stl_path = files
    nominal_mm3, built_mm3 = volumes_mm3
    step, step_checks = check_step(rod, step_path, lettering, nominal_mm3)
    mesh_checker = Checker("STL")
    try:
        facets = read_stl(stl_path)
    except InputError as error:
        failed = mesh_checker.unreadable(error.message)
        return PartCheck(rod.part, (*step_checks, failed), step, None, None)
    mesh = measure_mesh(facets, rod.template)
    room = _volume_room(mesh)
    volumes = [
        mesh_checker.near(VOLUME, mesh.volume_mm3, built_mm3, room, "mm³")
    ]
    if step is not None and step.volume_mm3 is not None:
        added = built_mm3 - nominal_mm3
        volumes.append(
            mesh_checker.near(
                "volume against the STEP", mesh.volume_mm3 - added, step.volume_mm3, room, "mm³"
            )
        )
    wider = compensation.label_stroke_offset_mm / rod.template.label.height_mm
    read = _read(rod, facets, lettering.wider(wider) if wider else lettering)
    outward = outward_roughness(facets, -inward_of(rod), rod.template, mesh.ends)
    checks = (
        *step_checks, *_mesh_checks(mesh_checker, rod, compensation, mesh), *volumes,
        *_reading_checks(mesh_checker, rod, read),
        mesh_checker.at_most(
            "unevenness of the outward face", outward, limits.OUTWARD_SMOOTH_MM
        ),
    )
    mark = read.mark if rod.case_mark else None
    return PartCheck(rod.part, checks, step, mesh, read.label, mark)


def check_step(
    rod: Rod, path: Path, lettering: Lettering, nominal_mm3: float
) -> tuple[StepMeasure | None, list[Check]]:
    """Measure a part's STEP file and hold it against what was asked."""
    checker = Checker("STEP")
    try:
        step = measure_step(path, rod.template, inward_of(rod))
    except InputError as error:
        return None, [checker.unreadable(error.message)]
    low, high = expected_box(rod, NOMINAL)
    checks = [
        checker.same("schema", step.file.schema.split(" ")[0].removesuffix("_MIM_LF"), AP242),
        checker.same("length units", "; ".join(step.file.length_units), ".MILLI.,.METRE."),
        checker.same("header and sections complete", step.file.complete, True),
        checker.same("solids", step.solids, 1),
        checker.same("faces outside the solid", step.loose, 0),
        checker.holds("solid valid", step.valid, step.fault),
        checker.near(
            "functional length", step.ends.length_mm, float(rod.length), limits.STEP_LENGTH_MM
        ),
        *_end_checks(checker, rod, NOMINAL, step.ends, limits.STEP_DIAMETER_MM),
        *_box_checks(checker, (step.low, step.high), (low, high), limits.STEP_BOX_MM),
        checker.near(
            VOLUME, step.volume_mm3, nominal_mm3, limits.STEP_VOLUME_MM3, "mm³",
        ),
        *_reading_checks(checker, rod, _read(rod, step.inward, lettering)),
    ]
    return step, checks


def _read(rod: Rod, facets: FacetMesh, lettering: Lettering) -> MarkedReading:
    """Read what is engraved; where the rod has no case mark, all of it must be the label."""
    label, mark = rod.template.label, rod.template.case_mark
    if rod.case_mark and mark is not None:
        return read_marked(facets, inward_of(rod), lettering, label, mark)
    whole = read_label(facets, inward_of(rod), lettering, label.height_mm, label.margin_mm)
    return MarkedReading(whole, whole, 0.0)


def _end_checks(
    checker: Checker, rod: Rod, compensation: Compensation, ends: Ends, tolerance: float
) -> list[Check]:
    checks = []
    step = checker.file == "STEP"
    tilt = limits.STEP_AXIS_TILT if step else limits.MESH_AXIS_TILT
    place = limits.STEP_LENGTH_MM if step else limits.FRAME_MM
    half = built_length_mm(rod, compensation) / 2.0
    for wanted, found in zip(wanted_ends(rod.template), (ends.lower, ends.upper), strict=True):
        added = wanted.surface.offset_mm(compensation)
        diameter = wanted.diameter_mm + added
        name = wanted.named()
        if found is None:
            checks.append(checker.near(f"diameter of the {name}", None, diameter, tolerance))
            continue
        checks += [
            checker.near(f"diameter of the {name}", found.diameter_mm, diameter, tolerance),
            _inspection_check(checker, wanted, found.diameter_mm - added),
            checker.near(f"x of the {name}", found.center[0], wanted.sense * half, place),
            checker.near(f"z of the {name}", found.center[2], 0.0, place),
            checker.at_most(f"tilt of the {name}", found.tilt, tilt, ""),
        ]
        if wanted.sphere:
            checks.append(checker.near(f"y of the {name}", found.center[1], 0.0, place))
        if not step:
            checks += [
                checker.at_most(f"form error of the {name}", found.form_mm, limits.MESH_FORM_MM),
                checker.at_most(
                    f"chord error of the {name}", found.chord_mm,
                    limits.BALL_CHORD_MM if wanted.sphere else limits.CYLINDER_CHORD_MM,
                ),
            ]
    return checks


def _inspection_check(checker: Checker, wanted: Wanted, finished_mm: float) -> Check:
    """Hold what is left of a diameter without the compensation against the inspection's limits."""
    of = wanted.fitting.limits
    half = float(of.upper_mm - of.lower_mm) / 2.0
    name = f"{wanted.named()} against its inspection limits"
    return checker.near(name, finished_mm, float(of.middle_mm), half)


def _mesh_checks(
    checker: Checker, rod: Rod, compensation: Compensation, mesh: MeshMeasure
) -> list[Check]:
    holes = sum(end.holes for end in expected_ends(rod.template))
    box = expected_box(rod, compensation)
    return [
        checker.near(
            "functional length", mesh.ends.length_mm, built_length_mm(rod, compensation),
            limits.MESH_LENGTH_MM,
        ),
        *_end_checks(checker, rod, compensation, mesh.ends, limits.MESH_DIAMETER_MM),
        checker.same("watertight", mesh.watertight, True),
        checker.same("winding consistent", mesh.winding, True),
        checker.same("manifold", mesh.manifold, True),
        checker.same("through holes", mesh.genus, holes),
        checker.same("bodies", mesh.bodies, 1),
        *_box_checks(checker, (mesh.low, mesh.high), box, limits.MESH_BOX_MM),
    ]


def _volume_room(mesh: MeshMeasure) -> float:
    """Give what facets may lose over all curved surfaces."""
    return limits.MEAN_CHORD_SHARE * limits.MESH_CHORD_MM * mesh.curved_area_mm2


def _box_checks(
    checker: Checker,
    measured: tuple[Corner, Corner],
    expected: tuple[Corner, Corner],
    tolerance: float,
) -> list[Check]:
    checks = []
    for end, found, asked in zip(("low", "high"), measured, expected, strict=True):
        for axis, value, wanted in zip("xyz", found, asked, strict=True):
            if wanted is not None:
                checks.append(checker.near(f"{end} {axis} of the box", value, wanted, tolerance))
    return checks


def _reading_checks(checker: Checker, rod: Rod, read: MarkedReading) -> list[Check]:
    """Hold label and case mark as read from a file against what was asked."""
    label, mark = rod.template.label, rod.template.case_mark
    words = _text_checks(checker, "label", read.label, label.height_mm, label.depth_mm)
    checks = [
        words[0],
        checker.same("label", read.label.text, rod.engraving),
        checker.same("bar under the label", read.label.bar, rod.bar),
        *words[1:5],
        checker.near("level of the label's face", read.label.face_mm,
                     expected_bar(rod.template).label_level_mm, limits.LABEL_FACE_MM),
        *words[5:],
    ]
    if rod.case_mark and mark is not None:
        checks += [
            checker.same("case mark", read.mark.text, rod.case_mark),
            *_text_checks(checker, "case mark", read.mark, mark.height_mm, label.depth_mm),
            checker.at_least(
                "distance of the case mark from the label", read.apart_mm,
                mark.clear_mm - limits.MARK_APART_MM,
            ),
        ]
    return checks


def _text_checks(
    checker: Checker, noun: str, read: LabelReading, height_mm: float, depth_mm: float
) -> list[Check]:
    """Hold how a text is engraved against what was asked, whatever it says."""
    of = "" if noun == "label" else f" of the {noun}"
    return [
        checker.holds(f"{noun} can be read", not read.problem, read.problem),
        checker.at_least(f"score of the least certain character{of}", read.least_score,
                         limits.LEAST_SCORE),
        checker.at_least(f"margin of the least certain character{of}", read.least_margin,
                         limits.LEAST_MARGIN),
        checker.near(f"depth of the {'engraving' if not of else noun}", read.depth_mm, depth_mm,
                     limits.LABEL_DEPTH_MM),
        checker.at_most(f"unevenness of the {'engraving' if not of else noun}",
                        read.depth_spread_mm, limits.LABEL_DEPTH_MM),
        checker.near(f"height of the characters{of}", read.height_mm, height_mm,
                     limits.LABEL_HEIGHT_SHARE * height_mm),
        checker.same(f"plane face within the {noun}'s margin", read.clear, True),
    ]
