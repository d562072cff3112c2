"""Average jaw geometry, for what was not recorded on this patient."""

from __future__ import annotations

import math

Point = tuple[float, float, float]

#: Side of the Bonwill triangle, 4 in (Bonwill, as quoted by Christensen 1959).
BONWILL_SIDE_MM = 101.6
#: Angle of the Bonwill triangle to the occlusal plane (average-value devices: about 22°).
BALKWILL_ANGLE_DEG = 22.0
#: Its cosine and sine to the last binary digit. Mathematical libraries differ in that digit, and a
#: set's digest and identifiers hang on every digit of what it is made from.
BALKWILL_COS, BALKWILL_SIN = 0.9271838545667874, 0.374606593415912
#: Condylar inclination to the occlusal plane (average-value devices: 30° to 34°).
CONDYLAR_INCLINATION_DEG = 30.0
#: Contact points of the splints' pads, left and right.
PADS_LEFT: Point = (-30.0, 22.0, 0.0)
PADS_RIGHT: Point = (-30.0, -22.0, 0.0)


def bonwill_condyles(
    incisal: Point,
    side_mm: float = BONWILL_SIDE_MM,
    balkwill_deg: float = BALKWILL_ANGLE_DEG,
) -> tuple[Point, Point]:
    """Place the condyles by the Bonwill triangle at the Balkwill angle.

    Formula: C = I + (−a cos φ, ± side/2, a sin φ), a = side·√3/2.

    Args:
        balkwill_deg: φ, triangle to the occlusal plane, + where the condyles lie above.

    Returns:
        Condyle centres, left and right, mm.

    >>> left, right = bonwill_condyles((0.0, 0.0, 0.0))
    >>> [round(value, 3) for value in left]
    [-81.581, 50.8, 32.961]

    Source: F. T. Christensen, J Prosthet Dent 1959 (Bonwill's triangle, Balkwill's angle).
    """
    height = side_mm * math.sqrt(3.0) / 2.0
    cosine, sine = BALKWILL_COS, BALKWILL_SIN
    if balkwill_deg != BALKWILL_ANGLE_DEG:
        angle = math.radians(balkwill_deg)
        cosine, sine = math.cos(angle), math.sin(angle)
    x = incisal[0] - height * cosine
    z = incisal[2] + height * sine
    half = side_mm / 2.0
    return (x, incisal[1] + half, z), (x, incisal[1] - half, z)
