"""Prescriptions as values, for tests: a plain one to change, and random ones. Invented data."""

from __future__ import annotations

import datetime
from dataclasses import replace
from decimal import Decimal

import numpy as np

from labkit.core.grading.jaw_averages import PADS_LEFT, PADS_RIGHT, bonwill_condyles
from labkit.core.grading.prescription import (
    Action,
    Anchors,
    Bite,
    Grading,
    GradingUnit,
    Jaw,
    JawModelName,
    Prescription,
    Zero,
)
from labkit.core.grading.steps import LengthLimits

LIMITS = LengthLimits(Decimal(16), Decimal(60), "f", "eye-eye-flat")
WIDE_LIMITS = LengthLimits(Decimal("0.6"), Decimal(120), "f", "any length")
PULL = Anchors(upper=(5.0, 24.0, 6.0), lower=(-24.0, 25.0, -6.0))
PULL_RIGHT = Anchors(upper=(5.0, -24.0, 6.0), lower=(-24.0, -25.0, -6.0))


def decimals(*values: object) -> tuple[Decimal, ...]:
    return tuple(Decimal(str(value)) for value in values)


def percents(*values: object, start: object = None, **more: object) -> Grading:
    begin = None if start is None else Decimal(str(start))
    return Grading(GradingUnit.PERCENT, decimals(*values), start=begin, **more)


def hinged(**changes: object) -> Jaw:
    incisal = (0.0, 0.0, -1.0)
    left, right = bonwill_condyles(incisal)
    jaw = Jaw(
        JawModelName.HINGED, condyle_left=left, condyle_right=right, pads_left=PADS_LEFT,
        pads_right=PADS_RIGHT, incisal=incisal,
    )
    return replace(jaw, **changes)


def sliding(path_inclination_deg: float = 10.0) -> Jaw:
    return Jaw(JawModelName.SLIDING, path_inclination_deg=path_inclination_deg)


def plain(**changes: object) -> Prescription:
    """A 9.2 mm range from −4 to 5.2, bite taken at 3, straight pull rods of 33.6 mm."""
    bite = Bite(Zero.RETRUDED, *decimals("5.2", 3, -4))
    prescription = Prescription(
        "QF-1043", datetime.date(2031, 3, 14), bite, Action.PULL, "eye-eye-flat",
        Anchors(33.6), Anchors(33.6), Jaw(JawModelName.STRAIGHT),
        percents(50, 60, 70, 80, 90, 100, start=60),
    )
    return replace(prescription, **changes)


def anchored(jaw: Jaw, **changes: object) -> Prescription:
    return plain(**{"left": PULL, "right": PULL_RIGHT, "jaw": jaw, **changes})


def random_prescription(
    rng: np.random.Generator, model: JawModelName, action: Action
) -> Prescription:
    """A prescription with unequal sides, a deviation and everything recorded."""
    left, right = _anchors(rng, action, 1), _anchors(rng, action, -1)
    percent = sorted(rng.choice(np.arange(0, 1001), size=2, replace=False))
    return plain(
        bite=_bite(rng), action=action, left=left, right=right, jaw=_jaw(rng, model),
        grading=percents(*(Decimal(int(value)) / 10 for value in percent)), sides_differ=True,
    )


def _bite(rng: np.random.Generator) -> Bite:
    def tenths(low: float, high: float) -> Decimal:
        return Decimal(int(rng.integers(round(10 * low), round(10 * high)))) / 10

    retruded, protruded = tenths(-7, -2), tenths(4, 9)
    habitual = retruded + tenths(0, 1.9)
    registered = retruded + (protruded - retruded) * tenths(0.1, 0.9)
    zero = Zero.RETRUDED if rng.random() < 0.5 else Zero.HABITUAL
    return Bite(zero, protruded, registered, retruded, habitual, tenths(-2.5, 2.5))


def _anchors(rng: np.random.Generator, action: Action, side: int) -> Anchors:
    front = np.array([rng.uniform(-6, 8), side * rng.uniform(20, 28), rng.uniform(2, 9)])
    back = np.array([rng.uniform(-32, -22), side * rng.uniform(20, 30), rng.uniform(-9, -2)])
    if action is Action.PUSH:
        front[2], back[2] = -front[2], -back[2]
    upper, lower = (front, back) if action is Action.PULL else (back, front)
    return Anchors(upper=tuple(upper.tolist()), lower=tuple(lower.tolist()))


def _jaw(rng: np.random.Generator, model: JawModelName) -> Jaw:
    incisal = tuple(rng.uniform([-4, -1.5, -6], [2, 1.5, 2]).tolist())
    shape = rng.uniform(92, 115), rng.uniform(15, 30)
    condyles = [
        tuple((np.array(point) + rng.uniform(-4, 4, 3)).tolist())
        for point in bonwill_condyles(incisal, *shape)
    ]
    pads = rng.uniform([-40, 16, -3], [-20, 26, 3]), rng.uniform([-40, -26, -3], [-20, -16, 3])
    alpha = rng.uniform(15, 50, 2)
    return Jaw(
        model, path_inclination_deg=rng.uniform(-5, 25),
        condylar_inclination_deg=(float(alpha[0]), float(alpha[1])),
        condyle_left=condyles[0], condyle_right=condyles[1],
        contact_inclination_deg=rng.uniform(-8, 8),
        pads_left=tuple(pads[0].tolist()), pads_right=tuple(pads[1].tolist()), incisal=incisal,
    )
