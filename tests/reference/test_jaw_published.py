"""The jaw models against published geometry."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from labkit.core.grading.jaw_averages import bonwill_condyles
from labkit.core.grading.prescription import Anchors
from labkit.core.jaw import HingedJaw, advancement_at_opening
from tests.support.patients import anchored, hinged

# Christensen angle γ in degrees at a = 87.9882 mm, by sin[(β − φ) + γ] = sin(β − φ) + (p/a) sin β
# (F. T. Christensen, J Prosthet Dent 1958 and 1959, with the sign as a direct construction of a
# bar on an inclined line confirms it); recomputed values, four decimals. Columns: p mm, β, φ, γ.
CHRISTENSEN = [
    (5, 20, 18, 1.1147), (5, 20, 22, 1.1139), (5, 20, 26, 1.1186),
    (5, 30, 18, 1.6697), (5, 30, 22, 1.6475), (5, 30, 26, 1.6338),
    (5, 33, 18, 1.8441), (5, 33, 22, 1.8123), (5, 33, 26, 1.7903),
    (5, 40, 18, 2.2761), (5, 40, 22, 2.2150), (5, 40, 26, 2.1676),
    (10, 33, 18, 3.7064), (10, 33, 22, 3.6378), (10, 33, 26, 3.5893),
]
# The same table's condylar travel s and drop s·sin β for φ = 22°.
CHRISTENSEN_TRAVEL = [(5, 33, 22, 4.7675, 2.5966), (10, 33, 22, 9.6260, 5.2427)]
# Hinge opening about the condyles, a = 87.99 mm: φ, opening, turn, way back, chord's angle.
HINGE = [
    (18, 5, 3.46, 1.793, 70.27), (18, 10, 7.00, 3.939, 68.50),
    (22, 5, 3.56, 2.203, 66.22), (22, 10, 7.23, 4.794, 64.39),
]
ORIGIN = (0.0, 0.0, 0.0)


def christensen_jaw(beta_deg: float, phi_deg: float) -> HingedJaw:
    """Pads at the incisal point, flat contact, both condyles on paths at β."""
    def one(value: object) -> np.ndarray:
        return np.array([value], dtype=float)

    condyles = bonwill_condyles(ORIGIN, 101.6, phi_deg)
    return HingedJaw(
        incisal=one(ORIGIN), condyles=one(condyles),
        condylar_inclination_deg=one((beta_deg, beta_deg)), pads=one((ORIGIN, ORIGIN)),
        contact_inclination_deg=one((0.0,)),
        upper=one(((5, 25, 5), (5, -25, 5))), lower=one(((-20, 25, -5), (-20, -25, -5))),
        sideways_per_mm=np.zeros(1),
    )


@pytest.mark.parametrize(("p", "beta", "phi", "gamma"), CHRISTENSEN)
def test_christensen_angle(p, beta, phi, gamma):
    designed = christensen_jaw(beta, phi).design(np.array([float(p)]))
    roll, pitch, yaw = np.degrees(designed.poses[0, 3:])
    # The condyles drop while the incisal point stays level: the chin turns up, pitch is −γ.
    assert -pitch == pytest.approx(gamma, abs=0.5e-4)
    assert (roll, yaw) == (pytest.approx(0, abs=1e-12), pytest.approx(0, abs=1e-12))
    a = 101.6 * math.sqrt(3) / 2
    inclined, turned = math.radians(beta - phi), math.radians(beta - phi - pitch)
    formula = math.sin(inclined) + p / a * math.sin(math.radians(beta))
    assert math.sin(turned) == pytest.approx(formula, abs=1e-12)


@pytest.mark.parametrize(("p", "beta", "phi", "travel", "drop"), CHRISTENSEN_TRAVEL)
def test_christensen_condylar_travel(p, beta, phi, travel, drop):
    jaw = christensen_jaw(beta, phi)
    pose = jaw.design(np.array([float(p)])).poses[0]
    condyle = jaw.condyles[0, 0]
    pitch = pose[4]
    turn = np.array([
        [math.cos(pitch), 0, math.sin(pitch)], [0, 1, 0], [-math.sin(pitch), 0, math.cos(pitch)],
    ])
    moved = turn @ condyle + pose[:3] - condyle
    assert np.linalg.norm(moved) == pytest.approx(travel, abs=0.5e-4)
    assert -moved[2] == pytest.approx(drop, abs=0.5e-4)
    assert moved[2] == pytest.approx(-moved[0] * math.tan(math.radians(beta)), abs=1e-10)


def test_christensen_gap_grows_with_the_distance_from_the_incisors():
    jaw = christensen_jaw(33, 22)
    poses = jaw.design(np.array([5.0])).poses
    # S = x sin γ at x = 40 mm, γ = 1.8123° as printed.
    pads = replace(jaw, pads=np.array([[(-40.0, 22.0, 0.0), (-40.0, -22.0, 0.0)]]))
    assert pads.pad_gaps(poses)[0] == pytest.approx(40 * math.sin(math.radians(1.8123)), abs=1e-4)


@pytest.mark.parametrize(("phi", "opening", "turn", "back", "chord"), HINGE)
def test_hinge_opening_about_the_condyles(phi, opening, turn, back, chord):
    # Rods held at the condyles' own centres keep them in place, so that the jaw can only hinge.
    left, right = bonwill_condyles(ORIGIN, 101.6, phi)
    ahead = [(x + 20 * math.cos(0.5), y, z - 20 * math.sin(0.5)) for x, y, z in (left, right)]
    jaw = hinged(
        incisal=ORIGIN, condyle_left=left, condyle_right=right,
        condylar_inclination_deg=(math.degrees(0.5),) * 2,
    )
    prescription = anchored(
        jaw, left=Anchors(upper=ahead[0], lower=left), right=Anchors(upper=ahead[1], lower=right)
    )
    pair, drop = np.array([[20.0, 20.0]]), np.array([float(opening)])
    registered = 7.0
    moved = advancement_at_opening(prescription, pair, drop)[0][0, 0] - registered
    assert -moved == pytest.approx(back, abs=0.5e-3)
    angle = math.degrees(math.atan2(opening, -moved))
    assert angle == pytest.approx(chord, abs=0.5e-2)
    a = 101.6 * math.sqrt(3) / 2
    half = math.hypot(opening, moved) / 2 / a
    assert 2 * math.degrees(math.asin(half)) == pytest.approx(turn, abs=0.5e-2)
