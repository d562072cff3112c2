"""Closed-form volume, envelope and label volume of a rod, from its parameters alone.

Nothing here is shared with the code that builds the solids: two roads to one number.
"""

from __future__ import annotations

import math

from labkit.core.label.layout import widened
from labkit.core.label.lettering import Engraving
from labkit.core.rod.compensation import RodSizes, compensated
from labkit.core.rod.fittings import NeckFitting
from labkit.core.rod.outlines import region_area_mm2
from labkit.core.rod.rods import Compensation, Hand, Rod

Box = tuple[tuple[float, float, float], tuple[float, float, float]]


def body_volume_mm3(sizes: RodSizes) -> float:
    """Work out the volume of a rod without its label.

    Formula: flat bar: outline area × thickness − rounded edges (Pappus) − bores + pins;
    round bar: cylinder + two domes − flat + necks + balls.

    Validity: sizes that make a part (a straight piece between the blends or domes, edges rounded
    by less than half of the thickness, a flat that reaches neither neck).

    Raises:
        GeometryError: The fittings do not belong on this body.

    Source: Pappus's second theorem; spherical cap π h² (3 r − h) / 3.
    """
    mounts = sizes.body.mounts(sizes.fittings, sizes.length_mm)
    return sizes.body.bar_mm3(sizes.fittings, sizes.length_mm) + sum(
        fitting.added_mm3(mount) for fitting, mount in zip(sizes.fittings, mounts, strict=True)
    )


def label_volume_mm3(engraving: Engraving, depth_mm: float) -> float:
    """Work out the volume that an engraving takes away, with a case mark beside it.

    Formula: area of its regions × depth.
    """
    regions = (region for text in engraving.texts for region in text.regions())
    return math.fsum(region_area_mm2(region) for region in regions) * depth_mm


def rod_volume_mm3(rod: Rod, engraving: Engraving, compensation: Compensation) -> float:
    """Work out the volume of a rod with all that is engraved in it, as a process builds it.

    Formula: body at the compensated sizes − strokes widened by the compensation × depth.

    Raises:
        GeometryError: The fittings do not belong on this body.
    """
    sizes = compensated(rod.template, rod.length, compensation)
    built = widened(engraving, compensation.label_stroke_offset_mm)
    return body_volume_mm3(sizes) - label_volume_mm3(built, rod.template.label.depth_mm)


def envelope_mm(sizes: RodSizes, hand: Hand) -> Box:
    """Work out the bounding box of a rod in the rod frame.

    Returns:
        Least and greatest corner, mm.
    """
    half, body = sizes.length_mm / 2, sizes.body
    lower, upper = (fitting.reach_mm for fitting in sizes.fittings)
    # Bosses lie within the bar's thickness, what stands on a neck goes all round it.
    round_mm = max(f.reach_mm if isinstance(f, NeckFitting) else 0.0 for f in sizes.fittings)
    height = max(body.height_across_mm / 2, lower, upper)
    outward = max(body.outward_mm, round_mm)
    standing = max(fitting.stands_out_mm for fitting in sizes.fittings)
    inward = max(body.label_level_mm + standing, round_mm)
    low_y, high_y = sorted((hand.inward_y * inward, -hand.inward_y * outward))
    return ((-half - lower, low_y, -height), (half + upper, high_y, height))
