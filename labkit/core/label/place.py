"""The place of label and case mark on a rod, and whether they fit there and stay legible."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from labkit.core.label.layout import lay_out
from labkit.core.label.lettering import Engraving, Lettering
from labkit.core.numbers import Finite
from labkit.core.rod.rods import CaseMarkPlace, Hand, Process, Rod, RodTemplate
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


def lay_out_rod(lettering: Lettering, rod: Rod) -> Engraving:
    """Lay out everything that is engraved on a rod: its label, and the case mark where it has one.

    Raises:
        LabelError: A character or a height that the lettering does not have, or a case mark on a
            template without a place for one.
    """
    label = lay_out(lettering, rod.engraving, rod.bar, rod.template.label.height_mm)
    if not rod.case_mark:
        return label
    height = _mark_place(rod.template).height_mm
    return replace(
        label, case_mark=lay_out(lettering.of_case_marks, rod.case_mark, False, height)
    )


def _mark_place(template: RodTemplate) -> CaseMarkPlace:
    if template.case_mark is None:
        raise LabelError(
            f"{template.name} has no place for a case mark; leave case_mark out, or choose a "
            "template with a place for it (`labkit templates`)",
            field="case_mark",
        )
    return template.case_mark


@dataclass(frozen=True)
class Spans(Finite):
    """Where label and case mark may stand along a rod, about the middle of the label's area.

    Args:
        label: Ends of the label's part at the reader's left and right, mm.
        mark: Ends of the case mark's place, at the right; None without one.
    """

    label: tuple[float, float]
    mark: tuple[float, float] | None = None

    @property
    def label_mm(self) -> float:
        """Room for the label, below zero where there is none."""
        return self.label[1] - self.label[0]


def spans(template: RodTemplate, engraving: Engraving, space: LabelSpace) -> Spans:
    """Divide the label's area between label and case mark.

    Formula: the case mark's place ends at the reader's right border, margin clear; the label has
    what is left of it, `clear` away. Both keep from under a lip, at either end alike, since a
    part's reader may stand on either side.
    """
    margin = template.label.margin_mm
    half = _free_width_mm(engraving.depth_mm, space, margin) / 2
    if engraving.case_mark is None:
        return Spans((-half, half))
    place, lip = _mark_place(template), max(template.lower.overhang_mm, template.upper.overhang_mm)
    right = _free_width_mm(engraving.case_mark.depth_mm, space, margin) / 2 - lip
    left = right - place.width_mm
    return Spans((lip - half, left - place.clear_mm), (left, right))


def centers_u_mm(rod: Rod, engraving: Engraving) -> tuple[float, ...]:
    """Give how far the middles of label and case mark lie to the reader's right of the rod's."""
    hand = rod.hand if rod.template.handed else Hand.MINUS_Y
    space = label_space(rod.template, float(rod.length))
    found, middle = spans(rod.template, engraving, space), -hand.inward_y * space.center_x_mm
    return tuple(
        middle + (span[0] + span[1]) / 2 for span in (found.label, found.mark) if span is not None
    )


def excess_mm(engraving: Engraving, space: LabelSpace, margin_mm: float) -> tuple[float, float]:
    """Work out by how much a label alone is too wide and too high for its place.

    Formula: the corner of the label's box must stay margin clear of the area's border.

    Args:
        margin_mm: Least distance of a stroke from the border.

    Returns:
        Excess along and across the rod, mm; at most 0 where it fits.
    """
    free_width = _free_width_mm(engraving.depth_mm, space, margin_mm)
    return engraving.width_mm - free_width, engraving.depth_mm - (space.height_mm - 2 * margin_mm)


def _free_width_mm(height_mm: float, space: LabelSpace, margin_mm: float) -> float:
    """Work out how wide a box of some height may be that stays margin clear of the border.

    Formula: in a rounded corner the clear area is bounded by a circle of radius R − margin.
    """
    clear = space.corner_radius_mm - margin_mm
    if space.corner_radius_mm > 0:
        rise = max(0.0, height_mm / 2 - (space.height_mm / 2 - space.corner_radius_mm))
        if rise < clear:
            straight = space.width_mm - 2 * space.corner_radius_mm
            return straight + 2 * math.sqrt(clear**2 - rise**2)
    return space.width_mm - 2 * margin_mm


def check_label(
    lettering: Lettering,
    template: RodTemplate,
    process: Process,
    engraving: Engraving,
    length_mm: float,
) -> None:
    """Check that a label, and a case mark beside it, fit and that the process can show them.

    Raises:
        LabelError: It does not fit (by how much, and which height or length would), or stroke,
            depth, height or remaining wall is below what the process can show.
    """
    by_mm = process.compensation.label_stroke_offset_mm
    require_fit(lettering, template, engraving, length_mm, max(0.0, by_mm) / 2)
    for noun, text in zip(("label", "case mark"), engraving.texts, strict=False):
        for what, value, least in _legibility(template, process, text):
            if value < least - ROOM_MM:
                leave = "" if noun == "label" else ", or leave case_mark out"
                raise LabelError(
                    f"{noun} {text.text} on {template.name}: its {what} is {value:g} mm, but "
                    f"process {process.name} needs at least {least:g} mm; choose another template "
                    f"or process{leave}",
                    field=what,
                    value=value,
                    allowed=f"at least {least:g} mm",
                )


def _legibility(
    template: RodTemplate, process: Process, text: Engraving
) -> Iterator[tuple[str, float, float]]:
    """List what a process can show least: what it is, its size, the least one."""
    limits = process.legibility
    narrowest = text.stroke_mm + min(0.0, process.compensation.label_stroke_offset_mm)
    yield "stroke width", narrowest, limits.least_stroke_mm
    yield "depth", template.label.depth_mm, limits.least_depth_mm
    yield "height", text.height_mm, limits.least_height_mm
    yield "remaining wall", remaining_wall_mm(template), limits.least_wall_mm


def remaining_wall_mm(template: RodTemplate) -> float:
    """Work out how thick the bar is under the engraving, mm."""
    body = template.body
    return body.outward_mm + body.label_level_mm - template.label.depth_mm


def require_fit(
    lettering: Lettering, template: RodTemplate, engraving: Engraving, length_mm: float,
    wider_mm: float = 0.0,
) -> None:
    """Refuse a label that does not fit its place.

    Args:
        wider_mm: How far a process builds its strokes out on each side.

    Raises:
        LabelError: By how much it does not fit, and which height or length would; or a case mark
            without room beside it.
    """
    margin = template.label.margin_mm + wider_mm
    space = label_space(template, length_mm)
    wide, high = excess_mm(engraving, space, margin)
    if max(wide, high) > ROOM_MM:
        ways = [
            f"{value:.2f} mm too {word}"
            for value, word in ((wide, "wide"), (high, "high"))
            if value > ROOM_MM
        ]
        raise LabelError(
            f"label {engraving.text} at {engraving.height_mm:g} mm height is {' and '.join(ways)} "
            f"for its place on {template.name} of {length_mm:g} mm; "
            f"{_remedy(lettering, engraving, space, margin, length_mm)}",
            field="label",
            value=engraving.text,
        )
    if engraving.case_mark is not None:
        widest = lay_out(lettering, _widest(engraving.text), engraving.bar, engraving.height_mm)
        _require_mark_fit(template, engraving, widest.width_mm, length_mm)


def _widest(text: str) -> str:
    """Give the widest label with as many digits: no rod longer than the one named needs more."""
    return "".join("0" if char.isdigit() else char for char in text)


def _require_mark_fit(
    template: RodTemplate, label: Engraving, widest_mm: float, length_mm: float
) -> None:
    """Refuse a case mark that is wider than its place, or that leaves the label too little.

    Args:
        widest_mm: Width of the widest label with as many digits.
    """
    place, mark = _mark_place(template), label.case_mark
    assert mark is not None
    if mark.width_mm > place.width_mm + ROOM_MM:
        raise LabelError(
            f"case mark {mark.text} is {mark.width_mm:.2f} mm wide at {mark.height_mm:g} mm "
            f"height, but its place on {template.name} is {place.width_mm:g} mm wide; use fewer or "
            "narrower characters",
            field="case_mark", value=mark.text,
        )
    room = spans(template, label, label_space(template, length_mm)).label_mm
    missing = label.width_mm - room
    if missing > ROOM_MM:
        # Rounded up, so that the rod named does fit.
        shortest = math.ceil((length_mm + widest_mm - room - ROOM_MM) * 10) / 10
        raise LabelError(
            f"case mark {mark.text} beside label {label.text} has {missing:.2f} mm too little room "
            f"on {template.name} of {length_mm:g} mm; a rod of {shortest:.1f} mm or longer has "
            "room: leave case_mark out, or choose a template with a smaller label",
            field="case_mark", value=mark.text,
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
