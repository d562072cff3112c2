"""Measuring a STEP file: read strictly, checked for soundness, measured in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labkit.core.rod.rods import RodTemplate
from labkit.exports.check import limits
from labkit.exports.check.measured import Ends, Found, Wanted, outermost, wanted_ends
from labkit.exports.check.step_box import bounding_box
from labkit.exports.check.step_courses import Courses, courses_of
from labkit.exports.check.step_faults import fault_of
from labkit.exports.check.step_label import facing_facets
from labkit.exports.check.step_reader import StepFile, read_step
from labkit.exports.check.step_solid import CYLINDER, SPHERE, solid_of
from labkit.exports.check.stl_reader import FacetMesh

AP242 = "AP242_MANAGED_MODEL_BASED_3D_ENGINEERING"
#: A face of a bore or pin looks across y: sine of its axis to y below which it is a candidate.
CANDIDATE_TILT = 0.05
#: Faces about one axis must together go all round (a full turn less 1 %).
FULL_TURN_RAD = 2.0 * math.pi * 0.99


@dataclass(frozen=True, eq=False)
class StepMeasure:
    """What a STEP file measures.

    Args:
        loose: Number of faces outside of shells.
        fault: What is wrong with the solid; empty where it is sound.
        volume_mm3, low, high: None where the solid is not sound.
        inward: Facets of the plane faces that look inward: the label's face and its floors.
    """

    file: StepFile
    ends: Ends
    solids: int
    loose: int
    fault: str
    volume_mm3: float | None
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    faces: int
    inward: FacetMesh

    @property
    def valid(self) -> bool:
        """Whether the solid is sound."""
        return not self.fault


@dataclass(frozen=True)
class _Round:
    """A cylinder or sphere face, or several about one axis."""

    center: tuple[float, float, float]
    radius: float
    tilt: float
    concave: bool
    turn: float
    ball: bool


def measure_step(path: Path, template: RodTemplate, inward_y: int = -1) -> StepMeasure:
    """Measure a STEP file that should be a rod of this template; a fitting not found is None.

    Args:
        inward_y: Sign of y on the inward side.

    Validity: rod frame; the kinds of entities that a rod is made of, lengths in the file's unit.

    Raises:
        InputError: The file cannot be read as a solid.
    """
    file = read_step(path)
    # A number that is none spoils what is worked out with it; the faults tell it.
    with np.errstate(all="ignore"):
        return _measured(file, template, inward_y)


def _measured(file: StepFile, template: RodTemplate, inward_y: int) -> StepMeasure:
    courses = courses_of(solid_of(file))
    fault = fault_of(courses)
    nothing = (None, None, None)
    low, high = (nothing, nothing) if fault else bounding_box(courses)
    shells = courses.solid.shells
    faces = len(courses.solid.faces.ids)
    return StepMeasure(
        file=file,
        ends=_find_ends(courses, template),
        solids=len(file.tables["MANIFOLD_SOLID_BREP"].ids),
        loose=faces - len(set(np.concatenate(shells).tolist())),
        fault=fault,
        volume_mm3=None if fault else courses.volume_mm3,
        low=low, high=high, faces=faces,
        inward=_NOTHING if fault else facing_facets(courses, inward_y),
    )


_NOTHING = FacetMesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32))


def _find_ends(courses: Courses, template: RodTemplate) -> Ends:
    lower, upper = wanted_ends(template)
    balls = lower.sphere and upper.sphere
    rounds = _together(_round_faces(courses))
    return Ends(_find(rounds, lower), _find(rounds, upper), balls)


def _find(rounds: list[_Round], wanted: Wanted) -> Found | None:
    candidates = [
        Found(one.center, 2.0 * one.radius, 0.0 if wanted.sphere else one.tilt)
        for one in rounds
        if one.ball == wanted.sphere and one.concave == wanted.surface.concave
        and (wanted.sphere or one.turn > FULL_TURN_RAD)
    ]
    return outermost(wanted, candidates)


def _round_faces(courses: Courses) -> list[_Round]:
    """List the faces that are cylinders about (nearly) y, or spheres."""
    faces, uses = courses.solid.faces, courses.solid.uses
    axis = faces.frames.axes[:, 2]
    tilt = np.hypot(axis[:, 0], axis[:, 2])
    upright = (faces.kind == CYLINDER) & (tilt < CANDIDATE_TILT * np.abs(axis[:, 1]))
    found = []
    for face in np.flatnonzero(upright | (faces.kind == SPHERE)).tolist():
        round_u = courses.u[uses.face == face]
        turn = float(np.ptp(round_u)) if len(round_u) else 0.0
        at, ball = faces.frames.origin[face], bool(faces.kind[face] == SPHERE)
        if not ball:
            at = at - at[1] / axis[face, 1] * axis[face]  # the axis point at y = 0
        x, y, z = map(float, at)
        found.append(_Round(
            (x, y, z), float(faces.radius[face]), 0.0 if ball else float(tilt[face]),
            bool(faces.sense[face] < 0.0), turn, ball,
        ))
    return found


def _together(rounds: list[_Round]) -> list[_Round]:
    """Join faces of one cylinder, adding up how far each goes round."""
    joined: list[_Round] = []
    for one in rounds:
        for place, other in enumerate(joined):
            if _one_surface(one, other):
                joined[place] = _Round(
                    other.center, other.radius, max(one.tilt, other.tilt), other.concave,
                    one.turn + other.turn, other.ball,
                )
                break
        else:
            joined.append(one)
    return joined


def _one_surface(one: _Round, other: _Round) -> bool:
    near = limits.STEP_LENGTH_MM
    return (
        one.ball == other.ball
        and one.concave == other.concave
        and abs(one.radius - other.radius) < near
        and math.dist(one.center, other.center) < near
    )
