"""Plain parts to measure, made with the fluent CadQuery API, without the program's builder."""

from __future__ import annotations

import dataclasses
import functools
import itertools
import tempfile
from decimal import Decimal
from pathlib import Path

import numpy as np

from labkit.core.label.lettering import Disc, Glyph, Lettering, Line, Mark
from labkit.core.rod.rods import (
    Ball,
    Crosspin,
    Eye,
    FlatBar,
    Hand,
    LabelPlace,
    Rod,
    RodTemplate,
    RoundBar,
)

_LABEL = LabelPlace(height_mm=2.5, depth_mm=0.3, margin_mm=0.3, side_mark=False)


def _template(name, body, lower, upper) -> RodTemplate:
    return RodTemplate(
        name=name, title=name, description="Part to measure.",
        hardware="example, not validated hardware", body=body, lower=lower, upper=upper,
        label=_LABEL, shortest_mm=Decimal(16), longest_mm=Decimal(60), length_tolerance="f",
    )


# Limits evenly about the nominal: the parts below are made at that.
EYE = Eye(2.5, 7.5, "JS9")
PIN = Crosspin(3.0, 3.5, 4.2, 1.0, 7.5, "js9")
BALL = Ball(4.0, 2.4, 2.6, "js9")
EYE_EYE = _template("eye-eye-flat", FlatBar(6.5, 3.0, 0.5, 3.0), EYE, EYE)
PIN_EYE = _template("crosspin-eye-flat", FlatBar(5.5, 3.0, 0.5, 3.0), PIN, EYE)
BALL_BALL = _template("ball-ball-round", RoundBar(6.0, 1.2), BALL, BALL)
TEMPLATES = (EYE_EYE, PIN_EYE, BALL_BALL)


def rod(template: RodTemplate, length: str, hand: Hand = Hand.MINUS_Y, bar: bool = False) -> Rod:
    mark = "" if not template.handed else "L" if hand is Hand.MINUS_Y else "R"
    return Rod(template, Decimal(length), hand, mark, bar)


_STROKES = {
    "0": [[(.2, .07), (.35, .07), (.48, .25), (.48, .75), (.35, .93), (.2, .93), (.07, .75),
           (.07, .25), (.2, .07)]],
    "1": [[(.1, .72), (.28, .93), (.28, .07)], [(.07, .07), (.48, .07)]],
    "2": [[(.07, .75), (.2, .93), (.35, .93), (.48, .78), (.48, .62), (.07, .07), (.48, .07)]],
    "3": [[(.07, .93), (.48, .93), (.25, .56), (.35, .56), (.48, .4), (.48, .2), (.35, .07),
           (.2, .07), (.07, .2)]],
    "4": [[(.22, .93), (.07, .35), (.48, .35)], [(.36, .6), (.36, .07)]],
    "5": [[(.48, .93), (.07, .93), (.07, .56), (.35, .56), (.48, .4), (.48, .2), (.35, .07),
           (.07, .07)]],
    "6": [[(.42, .93), (.07, .45), (.07, .2), (.2, .07), (.35, .07), (.48, .2), (.48, .4),
           (.35, .52), (.12, .52)]],
    "7": [[(.07, .93), (.48, .93), (.2, .07)]],
    "8": [[(.2, .07), (.35, .07), (.48, .2), (.48, .38), (.1, .66), (.1, .8), (.2, .93),
           (.35, .93), (.45, .8), (.45, .66), (.07, .38), (.07, .2), (.2, .07)]],
    "9": [[(.3, .07), (.48, .6), (.48, .8), (.35, .93), (.2, .93), (.07, .8), (.07, .62),
           (.2, .48), (.43, .48)]],
    "L": [[(.07, .93), (.07, .07), (.48, .07)]],
    "R": [[(.07, .07), (.07, .93), (.35, .93), (.48, .8), (.48, .62), (.35, .48), (.07, .48)],
          [(.28, .48), (.48, .07)]],
}


def _marks(lines: list[list[tuple[float, float]]]) -> tuple[Mark, ...]:
    return tuple(
        Line(start, end) for line in lines for start, end in itertools.pairwise(line)
    )


LETTERING = Lettering(
    name="sample", stroke=0.14, bar_gap=0.25, heights_mm=(2.5,),
    glyphs=(
        *(Glyph(char, 0.55, _marks(lines), 0.2, 0.2) for char, lines in _STROKES.items()),
        Glyph(".", 0.26, (Disc((0.13, 0.13), 0.13),), 0.25, 0.25),
    ),
)


@dataclasses.dataclass(frozen=True)
class Wrong:
    """What is made differently from the drawing."""

    length_by_mm: float = 0.0
    bore_by_mm: float = 0.0
    text: str | None = None
    mirrored: bool = False
    outward: bool = False
    depth_mm: float = 0.3
    omit_bar: bool = False
    plain: bool = False


RIGHT = Wrong()


def solid(part: Rod, wrong: Wrong = RIGHT):
    """Build one part; with `wrong`, one that differs from what the rod asks for."""
    half = (float(part.length) + wrong.length_by_mm) / 2.0
    template = part.template
    made = _round_body(template, half) if isinstance(template.body, RoundBar) else None
    made = made or _flat_body(template, half, part.hand.inward_y, wrong.bore_by_mm)
    inward = part.hand.inward_y
    if isinstance(template.body, RoundBar):
        face = template.body.diameter_mm / 2 - template.body.flat_depth_mm
        made = _flatten(made, template, half, inward, face)
    else:
        face = template.body.thickness_mm / 2
    if not wrong.plain:
        made = made.cut(_text(part, wrong, face))
    return made.val().Solids()[0]


def _flat_body(template, half, inward, bore_by):
    import cadquery as cq

    body = template.body
    thick = body.thickness_mm / 2

    def disc(x, diameter, from_y, to_y):
        plane = cq.Workplane("XZ", origin=(x, to_y, 0))
        return plane.circle(diameter / 2).extrude(to_y - from_y)

    made = cq.Workplane("XY").box(2 * half, body.thickness_mm, body.height_mm)
    for x, fitting in ((-half, template.lower), (half, template.upper)):
        made = made.union(disc(x, fitting.boss_diameter_mm, -thick, thick))
    for x, fitting in ((-half, template.lower), (half, template.upper)):
        if isinstance(fitting, Eye):
            made = made.cut(disc(x, fitting.bore_diameter_mm + bore_by, -9, 9))
        else:
            tip = thick + fitting.pin_length_mm
            made = made.union(disc(x, fitting.pin_diameter_mm, *sorted((0.0, inward * tip))))
            end = tip + fitting.lip_thickness_mm
            made = made.union(
                disc(x, fitting.lip_diameter_mm, *sorted((inward * tip, inward * end)))
            )
    return made


def _round_body(template, half):
    import cadquery as cq

    radius = template.body.diameter_mm / 2
    apex = half - template.lower.neck_length_mm
    made = cq.Workplane("YZ", origin=(-(apex - radius), 0, 0)).circle(radius)
    made = made.extrude(2 * (apex - radius))
    for sign, fitting in ((-1, template.lower), (1, template.upper)):
        made = made.union(_ball(sign * (apex - radius), radius, sign))
        neck = cq.Workplane("YZ", origin=(sign * (apex - 1), 0, 0))
        neck = neck.circle(fitting.neck_diameter_mm / 2).extrude(sign * (half - apex + 1))
        made = made.union(neck)
        made = made.union(_ball(sign * half, fitting.ball_diameter_mm / 2, sign))
    return made


def _ball(x, radius, sign):
    import cadquery as cq

    # With its poles on the rod's axis, so that one of them is in the neck.
    arc = cq.Workplane("XZ").moveTo(0, -radius).threePointArc((radius, 0), (0, radius)).close()
    ball = arc.revolve(360, (0, 0), (0, 1)).rotate((0, 0, 0), (0, 1, 0), 90 * sign)
    return ball.translate((x, 0, 0))


def _flatten(made, template, half, inward, face):
    import cadquery as cq

    apex = half - template.lower.neck_length_mm
    deep = template.body.flat_depth_mm
    block = cq.Workplane("XY").box(2 * apex - 2, 2 * deep, 9)
    return made.cut(block.translate((0, inward * (face + deep), 0)))


def _text(part: Rod, wrong: Wrong, face: float):
    import cadquery as cq

    height = part.template.label.height_mm
    tools = []
    for glyph, left in _layout(wrong.text or part.engraving, height):
        for mark in glyph.marks:
            tools.append(_tool(mark, left, height, wrong.depth_mm))
    width = left + glyph.width * height
    if part.bar and not wrong.omit_bar:
        at = -(LETTERING.bar_gap + LETTERING.stroke / 2) * height
        bar = Line((0.07, at / height), (width / height - 0.07, at / height))
        tools.append(_tool(bar, 0.0, height, wrong.depth_mm))
    text = tools[0]
    for tool in tools[1:]:
        text = text.union(tool)
    under = (LETTERING.bar_gap + LETTERING.stroke) * height if part.bar else 0.0
    solid_text = text.val().translate(cq.Vector(-width / 2, (under - height) / 2, 0))
    if wrong.mirrored:
        solid_text = solid_text.mirror("YZ")
    placed = solid_text.rotate(cq.Vector(0, 0, 0), cq.Vector(1, 0, 0), 90)
    placed = placed.translate(cq.Vector(0, -face, 0))
    looks_minus = (part.hand is Hand.MINUS_Y) != wrong.outward
    return placed if looks_minus else placed.rotate(cq.Vector(0, 0, 0), cq.Vector(0, 0, 1), 180)


def _layout(text: str, height: float) -> list[tuple[Glyph, float]]:
    glyphs = {glyph.char: glyph for glyph in LETTERING.glyphs}
    placed, left = [], 0.0
    for char in text:
        placed.append((glyphs[char], left))
        left += (glyphs[char].width + 0.25) * height
    return placed


def _tool(mark: Mark, left: float, height: float, depth: float):
    import math

    import cadquery as cq

    base = cq.Workplane("XY", origin=(left, 0, -depth))
    if isinstance(mark, Disc):
        x, y = mark.center
        return base.center(x * height, y * height).circle(mark.radius * height).extrude(depth + 1)
    assert isinstance(mark, Line)
    (ax, ay), (bx, by) = mark.start, mark.end
    length = math.dist(mark.start, mark.end) * height
    turn = math.degrees(math.atan2(by - ay, bx - ax))
    base = base.center((ax + bx) / 2 * height, (ay + by) / 2 * height)
    stroke = LETTERING.stroke * height
    return base.slot2D(length + stroke, stroke, turn).extrude(depth + 1)


def export_step(shape, path: Path) -> Path:
    """Write one shape as STEP (AP242), curves in space alone; give its path."""
    import cadquery as cq
    from OCP.Interface import Interface_Static
    from OCP.STEPControl import STEPControl_Writer

    STEPControl_Writer()  # starts the kernel's writer, so that the schema can be set
    Interface_Static.SetCVal_s("write.step.schema", "AP242DIS")
    cq.exporters.export(cq.Workplane(shape), str(path), opt={"write_pcurves": False})
    return path


def write(shape, folder: Path, name: str = "part") -> tuple[Path, Path]:
    """Write one shape as STEP (AP242) and binary STL; give both paths."""
    stl = folder / f"{name}.stl"
    write_stl(stl, corners_of(shape))
    return export_step(shape, folder / f"{name}.step"), stl


@functools.cache
def _folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="sample-parts-")


@functools.cache
def made(part: Rod, wrong: Wrong = RIGHT) -> tuple[Path, Path, float]:
    """Give STEP, STL and volume of a part, built once a process."""
    shape = solid(part, wrong)
    name = f"{part.template.name}{abs(hash((part, wrong)))}"
    return *write(shape, Path(_folder().name), name), shape.Volume()


def corners_of(shape) -> np.ndarray:
    """Mesh a shape; corners of its facets, float32, shape (m, 3, 3), none without area."""
    from OCP.BRepMesh import BRepMesh_IncrementalMesh

    # Absolute, unlike tessellate; on spheres and fittings the angle makes it as fine as is asked.
    BRepMesh_IncrementalMesh(shape.wrapped, 0.005, False, 0.05, False)
    vertices, triangles = shape.tessellate(0.005, 0.3)
    points = np.array([v.toTuple() for v in vertices], dtype=np.float32)
    corners = points[np.array(triangles)]
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    same = (a == b).all(1) | (b == c).all(1) | (c == a).all(1)  # the kernel makes them at poles
    return corners[~same]


def write_stl(path: Path, corners: np.ndarray) -> None:
    """Write facets as binary STL, with normals from the corners."""
    normals = np.cross(
        corners[:, 1].astype(float) - corners[:, 0], corners[:, 2].astype(float) - corners[:, 0]
    )
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    normals = normals / np.where(lengths > 0, lengths, 1)
    facets = np.zeros(len(corners), [("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    facets["n"], facets["v"] = normals, corners
    path.write_bytes(b"sample".ljust(80) + len(corners).to_bytes(4, "little") + facets.tobytes())
