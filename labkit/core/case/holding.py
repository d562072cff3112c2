"""Which pairs of a case do not hold the jaw, by the rule that sets are made by today."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from labkit.core.case.case_standing import CaseStanding, PairNow
from labkit.core.case.standing import PairStanding
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.hold import HeldPair, Slip, far_from_asked, not_held
from labkit.core.grading.prescription import Prescription, Side
from labkit.core.jaw.build import jaw_model


@dataclass(frozen=True)
class NotHolding:
    """Pairs of a case that do not hold the jaw, and why."""

    slip: Slip
    pairs: tuple[PairNow, ...]

    @property
    def what(self) -> str:
        """Why, a sentence."""
        return self.slip.what


def not_holding(standing: CaseStanding) -> Iterator[NotHolding]:
    """Find the pairs in circulation that would be refused now, as those of a set are.

    Neighbours are those of one set, in the order of its steps.
    """
    for number in sorted({pair.set_number for pair in standing.pairs}):
        own = sorted((p for p in standing.pairs if p.set_number == number), key=lambda p: p.step)
        held = [one for pair in own if (one := _held(pair, pair.makes)) is not None]
        yield from _told(own, not_held(held, standing.most_sideways_mm))


def far_off(
    asked: Sequence[tuple[PairNow, PairStanding | None, float]], prescription: Prescription
) -> Iterator[NotHolding]:
    """Find pairs that hold the jaw further from what was asked than the length grid explains.

    Args:
        asked: Pairs, each with what it makes on the prescription and the percent asked for.
        prescription: The one that they were made for.
    """
    pairs = [(pair, held, percent) for pair, makes, percent in asked
             if (held := _held(pair, makes)) is not None]
    if not pairs:
        return
    scale = bite_scale(prescription.bite)
    model = jaw_model(prescription, scale.sideways_per_mm)
    wanted = np.array([percent for *_, percent in pairs]) / 100 * float(scale.range_mm)
    slopes = model.design(wanted - float(scale.registered_advancement_mm)).mm_per_mm
    grid = float(prescription.grading.grid_mm)
    for (pair, held, _), asked_mm, (left, right) in zip(pairs, wanted, slopes, strict=True):
        if np.isfinite((left, right)).all():
            slips = far_from_asked(held, float(asked_mm), (float(left), float(right)), grid)
            yield from _told([pair], slips)


def _held(pair: PairNow, makes: PairStanding | None) -> HeldPair | None:
    """Give a pair as the rule of holding knows it; None unless it is whole and can be read."""
    if makes is None or makes.hold is None or makes.advancement_mm is None:
        return None
    left, right = (pair.rods[side].rod.length for side in Side)
    return HeldPair(pair.name, makes.advancement_mm, left, right, makes.hold)


def _told(pairs: Iterable[PairNow], slips: Iterable[Slip]) -> Iterator[NotHolding]:
    """Give slips with the pairs that they are about."""
    by_name = {pair.name: pair for pair in pairs}
    for slip in slips:
        yield NotHolding(slip, tuple(by_name[held.name] for held in slip.pairs))
