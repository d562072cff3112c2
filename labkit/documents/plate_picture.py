"""A build plate as a drawing: the bed from above, every piece in its place, labels up."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from labkit.core.label.lettering import Lettering
from labkit.core.rod.rods import Rod
from labkit.documents import svg
from labkit.documents.rod_picture import box_mm, draw_rod
from labkit.documents.rod_values import rod_of, template_of

_MARGIN_MM = 5.0
_TICK_EVERY_MM = 10
_TICK_MM = 1.2
_TEXT_MM = 3.2
_THIN = {"stroke": svg.INK, "stroke_width": "0.2", "fill": "none"}


def plate_svg(spec: Mapping[str, Any], index: int, lettering: Lettering) -> bytes:
    """Draw one build plate from above.

    Args:
        spec: Content of spacer-set.json.
        index: Which of its plates, from 0.

    Returns:
        An SVG file, one unit being a millimetre: X to the right, Y up, origin lower left.
    """
    plate = spec["plates"][index]
    template = template_of(spec)
    rods = {part["part"]: rod_of(part, template) for part in spec["parts"]}
    width, depth = plate["bed_mm"]
    border = spec["process"]["plate"]["border_mm"]

    def content() -> Iterator[str]:
        inside: list[str] = list(_bed(width, depth, border))
        for placement in plate["placements"]:
            inside.append(_piece(rods[placement["part"]], placement, depth, lettering))
        yield svg.group(inside, _MARGIN_MM, _MARGIN_MM)

    pieces = len(plate["placements"])
    title = f"Build plate {index + 1} of {len(spec['plates'])}, {pieces} pieces, labels up"
    room = 2 * _MARGIN_MM
    return svg.document(width + room, depth + room + _TEXT_MM, title, content())


def _piece(
    rod: Rod, placement: Mapping[str, Any], depth_mm: float, lettering: Lettering
) -> str:
    """Draw a piece in the middle of its box; it lies turned where the box stands upright."""
    left, right, bottom, top = box_mm(rod)
    x = placement["x_mm"] + placement["width_mm"] / 2
    y = placement["y_mm"] + placement["depth_mm"] / 2
    middle = ((left + right) / 2, (bottom + top) / 2)
    drawn = draw_rod(rod, lettering)
    if placement["depth_mm"] > placement["width_mm"]:
        return svg.group(drawn, x + middle[1], depth_mm - y + middle[0], 90.0)
    return svg.group(drawn, x - middle[0], depth_mm - y + middle[1])


def _bed(width: float, depth: float, border: float) -> Iterator[str]:
    yield svg.rectangle(0, 0, width, depth, **{**_THIN, "stroke_width": "0.4"})
    yield svg.rectangle(
        border, border, width - 2 * border, depth - 2 * border, **_THIN, stroke_dasharray="1.5 1.5"
    )
    ticks = [f"M{x} {svg.number(depth)}v{_TICK_MM}" for x in _tens(width)]
    ticks += [f"M0 {svg.number(depth - y)}h{-_TICK_MM}" for y in _tens(depth)]
    yield f'<path d="{"".join(ticks)}" stroke="{svg.INK}" stroke-width="0.2" fill="none"/>'
    below = depth + _TICK_MM + _TEXT_MM
    yield svg.text(0, below, "0", _TEXT_MM, text_anchor="middle")
    yield svg.text(width, below, f"X {width:g} mm", _TEXT_MM, text_anchor="end")
    yield svg.group(
        [svg.text(0, 0, f"Y {depth:g} mm", _TEXT_MM, text_anchor="end")], -_TICK_MM - 0.8, 0, 90.0
    )


def _tens(size: float) -> range:
    return range(0, int(size) + 1, _TICK_EVERY_MM)
