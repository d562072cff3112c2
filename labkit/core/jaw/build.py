"""From a prescription to its jaw model, and what the jaw model needs to be given."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from labkit.core.grading.prescription import Anchors, JawModelName, Point, Prescription
from labkit.core.jaw.hinged import HingedJaw
from labkit.core.jaw.model import JawModel
from labkit.core.jaw.rotation import Floats
from labkit.core.jaw.sliding import SlidingJaw
from labkit.core.jaw.straight import StraightJaw


def anchor_distance(anchors: Anchors) -> float | None:
    """Give the distance of the two anchor points, mm; None where one was not recorded."""
    if anchors.upper is None or anchors.lower is None:
        return None
    return math.dist(anchors.upper, anchors.lower)


def registered_length(anchors: Anchors) -> float | None:
    """Give the stated pin distance, or else the distance of the anchors, mm."""
    if anchors.pin_distance_mm is not None:
        return anchors.pin_distance_mm
    return anchor_distance(anchors)


def jaw_model(prescription: Prescription, sideways_per_mm: float) -> JawModel:
    """Make the jaw model of a prescription.

    Args:
        prescription: A prescription whose sides are complete for its jaw model.
        sideways_per_mm: Midline deviation for each mm forward, from the bite scale.

    Raises:
        ValueError: A side lacks what the model needs (refused earlier by the grading rules).
    """
    return _MAKERS[prescription.jaw.model](prescription, sideways_per_mm)


def _straight_jaw(prescription: Prescription, sideways_per_mm: float) -> StraightJaw:
    del sideways_per_mm  # it knows nothing but two distances
    left, right = registered_length(prescription.left), registered_length(prescription.right)
    if left is None or right is None:
        raise ValueError("the straight jaw model needs a length on both sides")
    return StraightJaw((left, right), prescription.action.sigma)


def _sliding_jaw(prescription: Prescription, sideways_per_mm: float) -> SlidingJaw:
    upper, lower = anchor_points(prescription)
    return SlidingJaw(upper, lower, prescription.jaw.path_inclination_deg, sideways_per_mm)


def hinged_jaw(prescription: Prescription, sideways_per_mm: float) -> HingedJaw:
    """Make the hinged jaw model of a prescription, whichever model it names.

    Args:
        prescription: Anchors and jaw, mm and degrees.
        sideways_per_mm: Midline deviation for each mm forward.

    Raises:
        ValueError: A side lacks an anchor point.
    """
    upper, lower = anchor_points(prescription)
    jaw = prescription.jaw
    return HingedJaw(
        incisal=_one(jaw.incisal),
        condyles=_one((jaw.condyle_left, jaw.condyle_right)),
        condylar_inclination_deg=_one(jaw.condylar_inclination_deg),
        pads=_one((jaw.pads_left, jaw.pads_right)),
        contact_inclination_deg=_one((jaw.contact_inclination_deg,)),
        upper=_one(upper), lower=_one(lower),
        sideways_per_mm=np.array([sideways_per_mm]),
    )


def anchor_points(prescription: Prescription) -> tuple[tuple[Point, Point], tuple[Point, Point]]:
    """Give the upper and the lower anchor points, each left and right.

    Raises:
        ValueError: A side lacks an anchor point.
    """
    left, right = prescription.left, prescription.right
    if left.upper is None or left.lower is None or right.upper is None or right.lower is None:
        raise ValueError("this jaw model needs both anchor points on both sides")
    return (left.upper, right.upper), (left.lower, right.lower)


def _one(value: object) -> Floats:
    return np.array([value], dtype=float)


#: How each jaw model is made from a prescription.
_MAKERS: dict[JawModelName, Callable[[Prescription, float], JawModel]] = {
    JawModelName.STRAIGHT: _straight_jaw,
    JawModelName.SLIDING: _sliding_jaw,
    JawModelName.HINGED: hinged_jaw,
}
