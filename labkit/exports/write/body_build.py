"""Takes a template's body down as plain data: the kernel builds it once, and it is moved then.

Rods of one template differ in the place of their ends and in what is engraved. So the kernel
builds and checks the body at three lengths; the first two tell how each point moves with the
length, and the third that this holds.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from labkit.collecting import loaded_for_good
from labkit.core.rod.compensation import RodSizes
from labkit.core.rod.rods import Hand
from labkit.core.rod.volume import body_volume_mm3, envelope_mm
from labkit.errors import GeometryError
from labkit.exports.write.body import Body, Flat, areas_mm2
from labkit.exports.write.mesh import (
    CHORD_MM,
    TURN_RAD,
    Mesher,
    Numbers,
    normals_of,
    triangulated,
)
from labkit.exports.write.solid_parts import Axes, Floats, SolidFace, SolidParts, Use
from labkit.exports.write.stations import Limits
from labkit.exports.write.step import FIRST, StepHeader, closed, step_file
from labkit.exports.write.step_text import MovingParts, StepText, write_parts

if TYPE_CHECKING:
    from OCP.TopoDS import TopoDS_Shape

#: Lengths at which the kernel builds, mm: beyond those of any template, so that the bar has room,
#: and so that their halves and differences are exact in binary.
LENGTHS_MM = (128.0, 144.0, 136.0)
#: No rod is longer than this, and none has less between its ends' blends.
LONGEST_MM, LEAST_BAR_MM = 1000.0, 1e-6
#: Two places nearer than this are one; the kernel's own tolerance is a hundred times as wide.
SAME_MM = 1e-9


def build_body(sizes: RodSizes, hand: Hand) -> Body:
    """Have the kernel build a body, and take it down as plain data.

    Args:
        sizes: As built; their length does not matter.

    Raises:
        GeometryError: Sizes that do not make a part, a solid that is not what was asked, or one
            that does not keep its form as it gets longer.
    """
    with loaded_for_good():
        from labkit.exports.write.solid_reader import read_solid
        from labkit.solids.build import build_plain

    built = [build_plain(replace(sizes, length_mm=length), hand) for length in LENGTHS_MM]
    first, second, third = (_anchored(read_solid(one.solid)) for one in built)
    for other in (second, third):
        _require_alike(first, other)
    shares = _shares([_places(solid) for solid in (first, second, third)])
    volume = _volume([one.volume_mm3 for one in built])
    moving = MovingParts(first, shares, LENGTHS_MM[0])
    step = write_parts(moving, open_face=len(first.faces) - 1).counted_from(FIRST)
    _read_back(step, replace(sizes, length_mm=LENGTHS_MM[2]), hand)
    return _meshed((first, second, third), step, volume)


def _read_back(step: StepText, sizes: RodSizes, hand: Hand) -> None:
    """Have the kernel read an unlabelled rod of the body as it is written.

    Raises:
        GeometryError: It is no solid, not valid, or another than was asked.
    """
    from OCP.STEPControl import STEPControl_Reader

    from labkit.solids.guard import Expectation, guarded, volume_near

    def read() -> TopoDS_Shape:
        data = step_file(
            StepHeader("body", "2031-03-14"), [step.at(sizes.length_mm), closed(step)]
        )
        reader = STEPControl_Reader()
        reader.ReadStream("body", io.BytesIO(data))
        reader.TransferRoots()
        return reader.OneShape()

    expected = Expectation(
        *volume_near(body_volume_mm3(sizes)), len(step.faces) + 1, envelope_mm(sizes, hand)
    )
    guarded("reading the body back", f"{sizes.length_mm:g}", read, expected)


def _not_kept(what: str) -> GeometryError:
    return GeometryError(
        f"a template's body does not keep its form from length to length: {what}; the part is not "
        "delivered, check its sizes"
    )


def _anchored(solid: SolidParts) -> SolidParts:
    """Give each plane a corner of its face as its origin: some stand about the rod's middle."""
    faces = []
    for face in solid.faces:
        corner = solid.vertices[solid.edges[face.loops[0][0].edge].vertices[0]]
        axes = replace(face.axes, origin=corner) if face.kind == "plane" else face.axes
        faces.append(replace(face, axes=axes))
    return replace(solid, faces=tuple(faces))


def _places(solid: SolidParts) -> Floats:
    """Give all points: vertices, the edges' centres, the surfaces' origins, shape (K, 3).

    A line, which has no centre, stands for its first vertex.
    """
    centers = [
        solid.vertices[edge.vertices[0]] if edge.axes is None else edge.axes.origin
        for edge in solid.edges
    ]
    return np.concatenate([solid.vertices, centers, [face.axes.origin for face in solid.faces]])


def _shares(places: Sequence[Floats]) -> Floats:
    """Tell by which share of the length each point moves, ½ up or down.

    Args:
        places: The same points at each of the lengths.

    Raises:
        GeometryError: A point moves otherwise.
    """
    first, second, third = LENGTHS_MM
    found = np.copysign(0.5, places[1][:, 0] - places[0][:, 0])
    way = np.outer(found, (1.0, 0.0, 0.0))
    for there, length in zip(places[1:], (second, third), strict=True):
        off = np.abs(there - places[0] - way * (length - first)).max()
        if off > SAME_MM:
            raise _not_kept(f"a point of it is {off:.3g} mm from where its end moved")
    return found


def _volume(volumes_mm3: Sequence[float]) -> tuple[float, float]:
    """Give the volume at the length 0, and what each mm adds."""
    first, second, third = LENGTHS_MM
    here, there, between = volumes_mm3
    each = (there - here) / (second - first)
    start = here - each * first
    if abs(start + each * third - between) > SAME_MM:
        raise _not_kept("its volume does not grow evenly")
    return start, each


def _require_alike(first: SolidParts, second: SolidParts) -> None:
    """Refuse other vertices, edges or faces, or others' sizes and directions."""
    same = (
        [edge.vertices for edge in first.edges] == [edge.vertices for edge in second.edges]
        and [_courses(face.loops) for face in first.faces]
        == [_courses(face.loops) for face in second.faces]
        and [(face.kind, face.reversed) for face in first.faces]
        == [(face.kind, face.reversed) for face in second.faces]
    )
    if not same:
        raise _not_kept("its faces or edges become others")
    here, there = (np.array(list(_sizes(solid))) for solid in (first, second))
    if here.shape != there.shape or np.abs(here - there).max() > SAME_MM:
        raise _not_kept("a radius or a direction of it changes")


def _courses(loops: Sequence[Sequence[Use]]) -> list[list[tuple[int, bool]]]:
    return [[(use.edge, use.forward) for use in loop] for loop in loops]


def _sizes(solid: SolidParts) -> Iterator[tuple[float, ...]]:
    for edge in solid.edges:
        yield (edge.radius, 0.0, *_ways(edge.axes))
    for face in solid.faces:
        yield (face.radius, face.more, *_ways(face.axes))


def _ways(axes: Axes | None) -> tuple[float, ...]:
    return (0.0,) * 9 if axes is None else (*axes.x, *axes.y, *axes.z)


def _meshed(
    solids: Sequence[SolidParts], step: StepText, volume: tuple[float, float]
) -> Body:
    """Mesh a body, and find the faces that each rod has to be triangulated anew on."""
    meshers = [Mesher(solid, Limits(CHORD_MM, TURN_RAD)) for solid in solids]
    first = solids[0]
    loose: list[Flat] = []
    for index, face in enumerate(first.faces):
        ends = {vertex for loop in face.loops for use in loop
                for vertex in first.edges[use.edge].vertices}
        sides = first.vertices[sorted(ends), 0]
        if face.kind == "plane" and sides.min() < 0.0 < sides.max():
            loose.append(_flat(meshers[0], face))
        else:
            for mesher in meshers:
                mesher.add(index)
    meshes = [mesher.mesh() for mesher in meshers]
    shares = _shares([mesh.vertices for mesh in meshes])
    points = meshes[0].vertices.copy()
    points[:, 0] -= shares * LENGTHS_MM[0]
    body = Body(
        points, shares, meshes[0].triangles, normals_of(meshes[0].vertices, meshes[0].triangles),
        tuple(loose), step, volume, _shortest(first),
    )
    return _with_fixed(body)


def _with_fixed(body: Body) -> Body:
    """Triangulate for good the loose faces whose triangles hold at every length.

    A triangle's area is linear in the length: above 0 at the shortest and the longest rod, it is so
    at all between. The label face stays loose.
    """
    triangles, facing, loose = [body.triangles], [body.normals], []
    ends = [body.corners(length) for length in (body.shortest_mm + LEAST_BAR_MM, LONGEST_MM)]
    for flat in body.loose[:-1]:
        found = _lasting(flat, ends)
        if found is None:
            loose.append(flat)
            continue
        triangles.append(found)
        facing.append(np.broadcast_to(flat.normal, (len(found), 3)))
    return replace(
        body, triangles=np.concatenate(triangles), normals=np.concatenate(facing),
        loose=(*loose, body.loose[-1]),
    )


def _flat(mesher: Mesher, face: SolidFace) -> Flat:
    side = -1.0 if face.reversed else 1.0
    axes = face.axes
    return Flat(
        tuple(mesher.corners(loop) for loop in face.loops),
        np.stack([axes.x, axes.y], axis=1), face.reversed, (side * axes.z).astype(np.float32),
    )


def _lasting(flat: Flat, ends: Sequence[Floats]) -> Numbers | None:
    """Find triangles of a plane face that hold at both ends of the lengths; None without any."""
    loops = [[corners[loop] @ flat.to_plane for loop in flat.loops] for corners in ends]
    for one in loops:
        found = triangulated(one)
        if min(areas_mm2(np.concatenate(every)[found]).min() for every in loops) > 0.0:
            numbers: Numbers = np.concatenate(flat.loops)[found]
            return numbers[:, ::-1] if flat.turned else numbers
    return None


def _shortest(solid: SolidParts) -> float:
    """Give the length at which the shortest line from end to end has shrunk to a point."""
    lines = [
        abs(solid.vertices[last][0] - solid.vertices[first][0])
        for edge in solid.edges if edge.axes is None
        for first, last in [edge.vertices]
        if solid.vertices[first][0] * solid.vertices[last][0] < 0.0
    ]
    return LENGTHS_MM[0] - float(min(lines))
