"""Measuring a STEP file: its text by an own scan, its solid by reading it back."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labkit.core.rod.rods import RodTemplate
from labkit.exports.check import limits
from labkit.exports.check.measured import Ends, Found, Wanted, outermost, wanted_ends
from labkit.exports.check.step_box import bounding_box
from labkit.exports.check.step_label import facing_facets
from labkit.exports.check.step_reader import HEADER, is_whole, read_shape, step_text
from labkit.exports.check.stl_reader import FacetMesh

AP242 = "AP242_MANAGED_MODEL_BASED_3D_ENGINEERING"
#: A face of a bore or pin looks across y: sine of its axis to y below which it is a candidate.
CANDIDATE_TILT = 0.05
#: Faces about one axis must together go all round (a full turn less 1 %).
FULL_TURN_RAD = 2.0 * math.pi * 0.99

_SI_UNIT = re.compile(r"SI_UNIT\s*\(([^)]*\.METRE\.[^)]*)\)")
_OTHER_UNIT = re.compile(r"CONVERSION_BASED_UNIT\s*\(\s*'([^']*(?:INCH|FOOT|METRE)[^']*)'", re.I)
_TIME = re.compile(r"'(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[^']*)'")


@dataclass(frozen=True)
class StepText:
    """What the text of a STEP file says of itself.

    Args:
        time_stamp: Time in FILE_NAME, as written.
        length_units: Distinct length units, such as (".MILLI.,.METRE.",).
        complete: Whether header, data and end are in the order of ISO 10303-21.
    """

    schema: str
    time_stamp: str
    length_units: tuple[str, ...]
    complete: bool


@dataclass(frozen=True, eq=False)
class StepMeasure:
    """What a STEP file measures.

    Args:
        loose: Number of shells or faces outside of solids.
        inward: Facets of the plane faces that look inward: the label's face and its floors.
    """

    text: StepText
    ends: Ends
    solids: int
    loose: int
    valid: bool
    volume_mm3: float
    low: tuple[float, ...]
    high: tuple[float, ...]
    faces: int
    inward: FacetMesh


@dataclass(frozen=True)
class _Round:
    """A cylinder or sphere face, or several about one axis."""

    center: tuple[float, float, float]
    radius: float
    tilt: float
    concave: bool
    turn: float
    ball: bool


def read_step_text(path: Path) -> StepText:
    """Read header, schema and units from the text of a STEP file.

    Raises:
        InputError: The file cannot be read as text.

    Source: ISO 10303-21 (header sections and their order).
    """
    text = step_text(path)
    header = HEADER.match(text)
    times = _TIME.findall(header["name"]) if header else []
    units = {re.sub(r"\s", "", unit) for unit in _SI_UNIT.findall(text)}
    units |= set(_OTHER_UNIT.findall(text))
    return StepText(
        schema=header["schema"] if header else "",
        time_stamp=times[0] if times else "",
        length_units=tuple(sorted(units)),
        complete=is_whole(text),
    )


def measure_step(path: Path, template: RodTemplate, inward_y: int = -1) -> StepMeasure:
    """Measure a STEP file that should be a rod of this template; a fitting not found is None.

    Args:
        inward_y: Sign of y on the inward side.

    Validity: rod frame; cylinders and spheres written as such, not as free-form surfaces.

    Raises:
        InputError: The file cannot be read as a solid.
    """
    from OCP.BRepCheck import BRepCheck_Analyzer
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps
    from OCP.TopAbs import TopAbs_ShapeEnum as Kind

    text, shape = read_step_text(path), read_shape(path)
    volume = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, volume)
    faces = _parts(shape, Kind.TopAbs_FACE)
    low, high = bounding_box(faces)
    return StepMeasure(
        text=text,
        ends=_find_ends(faces, template),
        solids=len(_parts(shape, Kind.TopAbs_SOLID)),
        loose=len(_parts(shape, Kind.TopAbs_FACE, Kind.TopAbs_SOLID)),
        valid=bool(BRepCheck_Analyzer(shape).IsValid()),
        volume_mm3=float(volume.Mass()),
        low=low, high=high, faces=len(faces),
        inward=facing_facets(faces, inward_y),
    )


def _parts(shape: Any, kind: Any, outside: Any = None) -> list[Any]:
    from OCP.TopExp import TopExp_Explorer

    walk = TopExp_Explorer(shape, kind) if outside is None else TopExp_Explorer(
        shape, kind, outside
    )
    found = []
    while walk.More():
        found.append(walk.Current())
        walk.Next()
    return found


def _find_ends(faces: list[Any], template: RodTemplate) -> Ends:
    lower, upper = wanted_ends(template)
    balls = lower.sphere and upper.sphere
    rounds = _together([found for face in faces if (found := _round_face(face)) is not None])
    return Ends(_find(rounds, lower), _find(rounds, upper), balls)


def _find(rounds: list[_Round], wanted: Wanted) -> Found | None:
    candidates = [
        Found(one.center, 2.0 * one.radius, 0.0 if wanted.sphere else one.tilt)
        for one in rounds
        if one.ball == wanted.sphere and one.concave == wanted.surface.concave
        and (wanted.sphere or one.turn > FULL_TURN_RAD)
    ]
    return outermost(wanted, candidates)


def _round_face(face: Any) -> _Round | None:
    """Read a face as a cylinder about (nearly) y, or as a sphere; None for any other face."""
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_SurfaceType as Surface
    from OCP.TopAbs import TopAbs_Orientation
    from OCP.TopoDS import TopoDS

    surface = BRepAdaptor_Surface(TopoDS.Face_s(face))
    reverse = face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED
    turn = surface.LastUParameter() - surface.FirstUParameter()
    if surface.GetType() == Surface.GeomAbs_Sphere:
        sphere = surface.Sphere()
        at = sphere.Location()
        concave = reverse == bool(sphere.Position().Direct())
        return _Round((at.X(), at.Y(), at.Z()), sphere.Radius(), 0.0, concave, turn, True)
    if surface.GetType() != Surface.GeomAbs_Cylinder:
        return None
    cylinder = surface.Cylinder()
    axis = cylinder.Axis().Direction()
    tilt = math.hypot(axis.X(), axis.Z())
    if tilt > CANDIDATE_TILT:
        return None
    at = cylinder.Axis().Location()
    along = -at.Y() / axis.Y()  # the axis point at y = 0
    center = (at.X() + along * axis.X(), 0.0, at.Z() + along * axis.Z())
    concave = reverse == bool(cylinder.Position().Direct())
    return _Round(center, cylinder.Radius(), tilt, concave, turn, False)


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
