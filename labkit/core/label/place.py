"""The place of the label on a rod, and whether a label fits there and stays legible."""

from __future__ import annotations

import math
from dataclasses import dataclass

from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.numbers import Finite
from labkit.core.rod.rods import Process, RodTemplate
from labkit.errors import LabelError

#: Sums of a few lengths in binary; what fits to this fits.
ROOM_MM = 1e-9


@dataclass(frozen=True)
class LabelSpace(Finite):
    """The flat area of the inward face that may bear the label.

    Args:
        width_mm: Along the rod.
        center_x_mm: Its centre along x of the rod frame.
    """

    width_mm: float
    height_mm: float
    corner_radius_mm: float
    center_x_mm: float


def label_space(template: RodTemplate, length_mm: float) -> LabelSpace:
    """Work out the area of a rod's inward face that may bear the label.

    Formula: flat bar: between bore or pin edges, as high as the bar without its rounded edges;
    round bar: the flat, a stadium of half width w = √(r² − (r − f)²) between the dome centres.

    Returns:
        The area; its width falls by 1 mm for each mm that the rod is shorter.

    Validity: any length; a width below zero means that there is no place.

    Raises:
        LabelError: Fittings that do not belong on the bar.
    """
    body = template.body
    for fitting in (template.lower, template.upper):
        if not body.takes(fitting):
            raise LabelError(
                f"a {fitting.kind} has no place on this bar, so the label has none either"
            )
    reach = [body.keep_out_mm(fitting) for fitting in (template.lower, template.upper)]
    width = length_mm - reach[0] - reach[1] + 2 * body.label_corner_mm
    center = (reach[0] - reach[1]) / 2
    return LabelSpace(width, body.label_height_mm, body.label_corner_mm, center)


def excess_mm(engraving: Engraving, space: LabelSpace, margin_mm: float) -> tuple[float, float]:
    """Work out by how much a label is too wide and too high for its place.

    Formula: the corner of the label's box must stay margin clear of the area's border; in a
    rounded corner the clear area is bounded by a circle of radius R − margin.

    Args:
        margin_mm: Least distance of a stroke from the border.

    Returns:
        Excess along and across the rod, mm; at most 0 where it fits.
    """
    width, height = engraving.width_mm, engraving.depth_mm
    clear = space.corner_radius_mm - margin_mm
    free_height = space.height_mm - 2 * margin_mm
    free_width = space.width_mm - 2 * margin_mm
    if space.corner_radius_mm > 0:
        rise = max(0.0, height / 2 - (space.height_mm / 2 - space.corner_radius_mm))
        if rise < clear:
            straight = space.width_mm - 2 * space.corner_radius_mm
            free_width = straight + 2 * math.sqrt(clear**2 - rise**2)
    return width - free_width, height - free_height


def check_label(
    lettering: Lettering,
    template: RodTemplate,
    process: Process,
    engraving: Engraving,
    length_mm: float,
) -> None:
    """Check that a label fits its place and that the process can show it.

    Raises:
        LabelError: It does not fit (by how much, and which height or length would), or stroke,
            depth, height or remaining wall is below what the process can show.
    """
    require_fit(lettering, template, engraving, length_mm)
    limits, label = process.legibility, template.label
    for what, value, least in (
        ("stroke width", engraving.stroke_mm, limits.least_stroke_mm),
        ("depth", label.depth_mm, limits.least_depth_mm),
        ("height", engraving.height_mm, limits.least_height_mm),
        ("remaining wall", remaining_wall_mm(template), limits.least_wall_mm),
    ):
        if value < least - ROOM_MM:
            raise LabelError(
                f"label {engraving.text} on {template.name}: its {what} is {value:g} mm, but "
                f"process {process.name} needs at least {least:g} mm; choose another template "
                "or process",
                field=what,
                value=value,
                allowed=f"at least {least:g} mm",
            )


def remaining_wall_mm(template: RodTemplate) -> float:
    """Work out how thick the bar is under the engraving, mm."""
    body = template.body
    return body.outward_mm + body.label_level_mm - template.label.depth_mm


def require_fit(
    lettering: Lettering, template: RodTemplate, engraving: Engraving, length_mm: float
) -> None:
    """Refuse a label that does not fit its place.

    Raises:
        LabelError: By how much it does not fit, and which height or length would.
    """
    margin = template.label.margin_mm
    space = label_space(template, length_mm)
    wide, high = excess_mm(engraving, space, margin)
    if max(wide, high) <= ROOM_MM:
        return
    ways = [
        f"{value:.2f} mm too {word}"
        for value, word in ((wide, "wide"), (high, "high"))
        if value > ROOM_MM
    ]
    raise LabelError(
        f"label {engraving.text} at {engraving.height_mm:g} mm height is {' and '.join(ways)} for "
        f"its place on {template.name} of {length_mm:g} mm; "
        f"{_remedy(lettering, engraving, space, margin, length_mm)}",
        field="label",
        value=engraving.text,
    )


def _remedy(
    lettering: Lettering,
    engraving: Engraving,
    space: LabelSpace,
    margin_mm: float,
    length_mm: float,
) -> str:
    """Name the largest height that would fit, or else the shortest rod that would."""
    for height in sorted(lettering.heights_mm, reverse=True):
        smaller = lay_out(lettering, engraving.text, engraving.bar, height)
        if height < engraving.height_mm and max(excess_mm(smaller, space, margin_mm)) <= ROOM_MM:
            return f"a height of {height:g} mm would fit"
    wide, high = excess_mm(engraving, space, margin_mm)
    if high <= ROOM_MM:
        # Rounded up, so that the rod named does fit.
        shortest = math.ceil((length_mm + wide - ROOM_MM) * 10) / 10
        return f"no height of the series fits; a rod of {shortest:.1f} mm or longer would"
    return "no height of the series fits: choose a template with a higher bar"
