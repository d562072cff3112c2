"""What a part's files should measure, from its template, length and process alone."""

from __future__ import annotations

from labkit.core.rod.rods import (
    Ball,
    Compensation,
    Crosspin,
    Fitting,
    FittingKind,
    Hand,
    Rod,
    RodTemplate,
    RoundBar,
)

Corner = tuple[float | None, ...]


def built_length_mm(rod: Rod, compensation: Compensation) -> float:
    """Give the functional length that the compensated part should have."""
    return compensation.length_scale * float(rod.length) + compensation.length_offset_mm


def offset_of(kind: FittingKind, compensation: Compensation) -> float:
    """Give what the process adds to the diameters of a kind of fitting."""
    return {
        FittingKind.EYE: compensation.bore_offset_mm,
        FittingKind.CROSSPIN: compensation.pin_offset_mm,
        FittingKind.BALL: compensation.ball_offset_mm,
    }[kind]


def inward_of(rod: Rod) -> int:
    """Give the sign of y on the inward side; a part that serves both sides lies inward −y."""
    return rod.hand.inward_y if rod.template.handed else Hand.MINUS_Y.inward_y


def label_level(template: RodTemplate) -> float:
    """Give how far the label's face lies from the rod's axis, mm."""
    if isinstance(template.body, RoundBar):
        return template.body.diameter_mm / 2.0 - template.body.flat_depth_mm
    return template.body.thickness_mm / 2.0


def expected_box(rod: Rod, compensation: Compensation) -> tuple[Corner, Corner]:
    """Give the corners of the part's bounding box.

    Returns:
        Least and greatest corner in the rod frame, mm; None where the template leaves it open.
    """
    half = built_length_mm(rod, compensation) / 2.0
    template = rod.template
    low_x = -half - _reach(template.lower, compensation)
    high_x = half + _reach(template.upper, compensation)
    ends = max(_reach(template.lower, compensation), _reach(template.upper, compensation))
    if isinstance(template.body, RoundBar):
        radius = template.body.diameter_mm / 2.0
        height = max(radius, ends)
        # How far the flat runs into the domes decides where the inward side ends.
        inward, outward = None, max(radius, ends)
    else:
        height = max(template.body.height_mm / 2.0, ends)
        outward = template.body.thickness_mm / 2.0
        inward = outward + max(_stands_out(template.lower), _stands_out(template.upper))
    minus = inward if inward_of(rod) < 0 else outward
    plus = outward if inward_of(rod) < 0 else inward
    return (low_x, None if minus is None else -minus, -height), (high_x, plus, height)


def _reach(fitting: Fitting, compensation: Compensation) -> float:
    if isinstance(fitting, Ball):
        return (fitting.ball_diameter_mm + compensation.ball_offset_mm) / 2.0
    return fitting.boss_diameter_mm / 2.0


def _stands_out(fitting: Fitting) -> float:
    if isinstance(fitting, Crosspin):
        return fitting.pin_length_mm + fitting.lip_thickness_mm
    return 0.0
