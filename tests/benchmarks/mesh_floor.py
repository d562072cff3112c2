"""The floor: the same rods as bare meshes by manifold3d, sharp edges and no STEP."""

from __future__ import annotations

from math import acos, ceil, pi
from pathlib import Path

import manifold3d
import numpy as np

from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.rod.curves import at
from labkit.core.rod.rods import Eye, FlatBar, Rod

Solid = manifold3d.Manifold
#: Points on each piece of a character's outline.
_TEXT_PARTS = 4


def mesh_floor(rod: Rod, lettering: Lettering, path: Path, chord_mm: float) -> None:
    """Put a rod together of triangulated primitives, and write it as binary STL."""
    label = lay_out(lettering, rod.engraving, rod.bar, rod.template.label.height_mm)
    body = rod.template.body
    flat = isinstance(body, FlatBar)
    solid = _flat(rod, chord_mm) if flat else _round(rod, chord_mm)
    level = body.thickness_mm / 2 if flat else body.diameter_mm / 2 - body.flat_depth_mm
    depth = rod.template.label.depth_mm
    text = Solid.extrude(_text(label), depth + 1.0).translate((0, 0, level - depth))
    turn = (90, 0, 0) if rod.hand.inward_y < 0 else (90, 0, 180)
    mesh = (solid - text.rotate(turn)).to_mesh()
    corners = mesh.vert_properties[:, :3][mesh.tri_verts]
    facets = np.zeros(len(corners), [("normal", "<f4", 3), ("at", "<f4", (3, 3)), ("own", "<u2")])
    facets["at"] = corners
    facets["normal"] = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    path.write_bytes(b"floor".ljust(80) + len(corners).to_bytes(4, "little") + facets.tobytes())


def _sides(radius_mm: float, chord_mm: float) -> int:
    return ceil(pi / acos(1 - chord_mm / radius_mm))


def _across(radius_mm: float, height_mm: float, chord_mm: float) -> Solid:
    """Make a cylinder about y."""
    sides = _sides(radius_mm, chord_mm)
    return Solid.cylinder(height_mm, radius_mm, radius_mm, sides, True).rotate((90, 0, 0))


def _flat(rod: Rod, chord_mm: float) -> Solid:
    bar, length, i = rod.template.body, float(rod.length), rod.hand.inward_y
    ends = ((-length / 2, rod.template.lower), (length / 2, rod.template.upper))
    solid = Solid.cube((length, bar.thickness_mm, bar.height_mm), True)
    for x, end in ends:
        boss = _across(end.boss_diameter_mm / 2, bar.thickness_mm, chord_mm)
        solid += boss.translate((x, 0, 0))
    for x, end in ends:
        if isinstance(end, Eye):
            bore = _across(end.bore_diameter_mm / 2, 2 * bar.thickness_mm, chord_mm)
            solid -= bore.translate((x, 0, 0))
            continue
        y = bar.thickness_mm / 2
        for radius, height in ((end.pin_diameter_mm / 2, end.pin_length_mm),
                               (end.lip_diameter_mm / 2, end.lip_thickness_mm)):
            solid += _across(radius, height, chord_mm).translate((x, i * (y + height / 2), 0))
            y += height
    return solid


def _round(rod: Rod, chord_mm: float) -> Solid:
    bar, ball, length = rod.template.body, rod.template.lower, float(rod.length)
    radius, i = bar.diameter_mm / 2, rod.hand.inward_y
    straight = length - 2 * (ball.neck_length_mm + radius)

    def along(size: float, long: float) -> Solid:
        sides = _sides(size, chord_mm)
        return Solid.cylinder(long, size, size, sides, True).rotate((0, 90, 0))

    solid, dome = along(radius, straight), Solid.sphere(radius, _sides(radius, chord_mm))
    for side in (-1, 1):
        solid += dome.translate((side * straight / 2, 0, 0))
    level = radius - bar.flat_depth_mm
    cutter = Solid.cube((length, radius, 2 * radius), True)
    solid -= cutter.translate((0, i * (level + radius / 2), 0))
    solid += along(ball.neck_diameter_mm / 2, length)
    end = Solid.sphere(ball.ball_diameter_mm / 2, _sides(ball.ball_diameter_mm / 2, chord_mm))
    for side in (-1, 1):
        solid += end.translate((side * length / 2, 0, 0))
    return solid


def _text(label: Engraving) -> manifold3d.CrossSection:
    """Give the outlines of a label as polygons."""
    loops = [
        [at(piece, part / _TEXT_PARTS) for piece in loop for part in range(_TEXT_PARTS)]
        for glyph in label.glyphs for region in glyph.regions
        for loop in (region.outer, *region.holes)
    ]
    return manifold3d.CrossSection(loops, manifold3d.FillRule.NonZero)
