"""A build plate as a drawing: the bed from above, every piece in its place as it lies."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from labkit.core.label.lettering import Lettering
from labkit.core.rod.building import Way
from labkit.core.rod.rods import Plate, Rod
from labkit.documents.drawing import Align, Drawing, Ink, Pen, Text
from labkit.documents.letters import CAPITAL
from labkit.documents.lying_words import way_of
from labkit.documents.rod_picture import box_mm, rod_ink
from labkit.documents.set_spec import Spec, process_of, rod_of, template_of

_MARGIN_MM = 5.0
_TICK_EVERY_MM = 10
_TICK_MM = 1.2
#: To this scale, and smaller ones, ticks of ten millimetres would lie too close.
_SMALL = 0.2
_TEXT_MM = 3.2 * CAPITAL
#: Names of pieces stand in the room between them.
_NAME_MM = 2.2 * CAPITAL
_NAME_GAP_MM = 0.5


def plate_drawing(spec: Spec, index: int, lettering: Lettering) -> Drawing:
    """Draw one build plate from above.

    Args:
        index: Which of its plates, from 0.

    Returns:
        The drawing, its origin the bed's lower left corner.
    """
    plate = spec["plates"][index]
    template = template_of(spec)
    rods = {part["part"]: rod_of(part, template) for part in spec["parts"]}
    width, depth = plate["bed_mm"]
    ink = Ink()
    draw_bed(ink, process_of(spec).plate)
    for placement in plate["placements"]:
        box = tuple(placement[name] for name in ("x_mm", "y_mm", "width_mm", "depth_mm"))
        ink += piece_ink(rods[placement["part"]], box, lettering, way_of(plate))
        if way_of(plate) is not Way.FLAT:
            ink.append(_name(placement))
    pieces = len(plate["placements"])
    title = (
        f"Build plate {index + 1} of {len(spec['plates'])}, {pieces} pieces, "
        f"{'labels up' if way_of(plate) is Way.FLAT else way_of(plate)}"
    )
    room, below = 2 * _MARGIN_MM, _MARGIN_MM + _TEXT_MM / CAPITAL
    return Drawing(
        width + room, depth + _MARGIN_MM + below, title, tuple(ink), corner=(-_MARGIN_MM, -below)
    )


def piece_ink(
    rod: Rod, lies_in: tuple[float, ...], lettering: Lettering, way: Way
) -> Ink:
    """Draw a piece in the middle of its box; it lies turned where the box stands upright.

    Args:
        lies_in: Left, front, width and depth of the box on the bed, mm.
    """
    left, right, bottom, top = box_mm(rod, way)
    x = lies_in[0] + lies_in[2] / 2
    y = lies_in[1] + lies_in[3] / 2
    middle = ((left + right) / 2, (bottom + top) / 2)
    if lies_in[3] > lies_in[2]:
        return rod_ink(rod, lettering, (x + middle[1], y - middle[0]), upright=True, way=way)
    return rod_ink(rod, lettering, (x - middle[0], y - middle[1]), way=way)


def _name(placement: Mapping[str, Any]) -> Text:
    """Write which part a piece is whose label does not look up, in the free room above it."""
    x = placement["x_mm"] + placement["width_mm"] / 2
    y = placement["y_mm"] + placement["depth_mm"]
    return Text(placement["part"], (x, y + _NAME_GAP_MM), _NAME_MM, Align.CENTRE)


def draw_bed(ink: Ink, plate: Plate, scale: float = 1.0) -> None:
    """Draw the bed's edge, its free border, zones where nothing may lie, a scale on two sides.

    Args:
        scale: To which the drawing is printed; words and ticks keep their size on paper.
    """
    width, depth, border = plate.width_mm, plate.depth_mm, plate.border_mm
    ink.box(0.0, width, 0.0, depth, Pen.VISIBLE)
    ink.box(border, width - border, border, depth - border, Pen.HIDDEN)
    for zone in plate.keep_out:
        left, bottom = zone.x_mm, zone.y_mm
        right = min(left + zone.width_mm, width)
        top = min(bottom + zone.depth_mm, depth)
        ink.box(left, right, bottom, top, Pen.THIN)
        ink.line((left, bottom), (right, top))
        ink.line((left, top), (right, bottom))
    tick, text = _TICK_MM / scale, _TEXT_MM / scale
    for x in _ticks(width, scale):
        ink.line((x, 0.0), (x, -tick))
    for y in _ticks(depth, scale):
        ink.line((0.0, y), (-tick, y))
    below = -tick - text / CAPITAL
    ink += [
        Text("0", (0.0, below), text, Align.CENTRE),
        Text(f"X {width:g} mm", (width, below), text, Align.RIGHT),
        Text(f"Y {depth:g} mm", (-tick - 0.8 / scale, depth), text, Align.RIGHT, 90.0),
    ]


def _ticks(size: float, scale: float) -> range:
    """Give every ten millimetres, or every hundred where those would lie too close on paper."""
    every = _TICK_EVERY_MM if scale > _SMALL else 10 * _TICK_EVERY_MM
    return range(0, int(size) + 1, every)
