"""The same rods as a straightforward CadQuery script: fluent API, fillets, outline-font text."""

from __future__ import annotations

from pathlib import Path

import cadquery as cq

from labkit.core.rod.rods import Eye, FlatBar, Rod


def fluent_rod(rod: Rod) -> cq.Workplane:
    """Model one rod the way a CadQuery tutorial would."""
    body = _flat(rod) if isinstance(rod.template.body, FlatBar) else _round(rod)
    i = rod.hand.inward_y
    label = rod.template.label
    plane = cq.Plane(origin=(0, i * _depth(rod), 0), xDir=(-i, 0, 0), normal=(0, i, 0))
    text = cq.Workplane(plane).text(rod.engraving, label.height_mm, -label.depth_mm)
    return body.cut(text)


def export(body: cq.Workplane, folder: Path, chord_mm: float, turn_rad: float) -> None:
    """Write STEP and STL at the tolerances given."""
    cq.exporters.export(body, str(folder / "fluent.step"))
    cq.exporters.export(
        body, str(folder / "fluent.stl"), tolerance=chord_mm, angularTolerance=turn_rad
    )


def _depth(rod: Rod) -> float:
    body = rod.template.body
    if isinstance(body, FlatBar):
        return body.thickness_mm / 2
    return body.diameter_mm / 2 - body.flat_depth_mm


def _flat(rod: Rod) -> cq.Workplane:
    bar, length, i = rod.template.body, float(rod.length), rod.hand.inward_y
    ends = ((-length / 2, rod.template.lower), (length / 2, rod.template.upper))
    body = cq.Workplane("XZ").rect(length, bar.height_mm).extrude(bar.thickness_mm / 2, both=True)
    for x, fitting in ends:
        disc = (cq.Workplane("XZ").center(x, 0).circle(fitting.boss_diameter_mm / 2)
                .extrude(bar.thickness_mm / 2, both=True))
        body = body.union(disc)
    body = body.faces("<Y").edges().fillet(bar.edge_radius_mm)
    body = body.faces(">Y").edges().fillet(bar.edge_radius_mm)
    for x, fitting in ends:
        if isinstance(fitting, Eye):
            body = body.cut(cq.Workplane("XZ").center(x, 0).circle(fitting.bore_diameter_mm / 2)
                            .extrude(bar.thickness_mm, both=True))
            continue
        plane = cq.Plane(origin=(x, i * bar.thickness_mm / 2, 0), normal=(0, i, 0))
        pin = (cq.Workplane(plane).circle(fitting.pin_diameter_mm / 2)
               .extrude(fitting.pin_length_mm))
        lip = (cq.Workplane(plane).workplane(offset=fitting.pin_length_mm)
               .circle(fitting.lip_diameter_mm / 2).extrude(fitting.lip_thickness_mm)
               .edges().fillet(fitting.lip_thickness_mm / 4))
        body = body.union(pin).union(lip)
        if fitting.root_radius_mm:
            foot = [(x + s, i * bar.thickness_mm / 2 + s, s) for s in (-0.01, 0.01)]
            body = body.edges(cq.selectors.BoxSelector(*foot)).fillet(fitting.root_radius_mm)
    return body


def _round(rod: Rod) -> cq.Workplane:
    bar, ball, length, i = (rod.template.body, rod.template.lower, float(rod.length),
                            rod.hand.inward_y)
    radius = bar.diameter_mm / 2
    straight = length - 2 * (ball.neck_length_mm + radius)
    body = cq.Workplane("YZ").circle(radius).extrude(straight / 2, both=True)
    for side in (-1, 1):
        body = body.union(cq.Workplane("XY").sphere(radius).translate((side * straight / 2, 0, 0)))
    depth = radius - bar.flat_depth_mm
    cutter = cq.Workplane("XY").box(length, radius, 2 * radius).translate(
        (0, i * (depth + radius / 2), 0))
    body = body.cut(cutter)
    neck = cq.Workplane("YZ").circle(ball.neck_diameter_mm / 2).extrude(length / 2, both=True)
    body = body.union(neck)
    for side in (-1, 1):
        body = body.union(cq.Workplane("XY").sphere(ball.ball_diameter_mm / 2)
                          .translate((side * length / 2, 0, 0)))
    return body
