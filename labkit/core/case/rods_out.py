"""Rods that are out already, in pairs, and where they hold the jaw on a bite scale."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np

from labkit.core.findings import Finding, refused
from labkit.core.grading.bite import BiteScale
from labkit.core.grading.grade import made_at
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import Made
from labkit.core.jaw.model import JawModel
from labkit.core.jaw.path import LEFT, RIGHT, displacements_at, read_back_near_path
from labkit.errors import InputError

_LABEL = re.compile(r"[0-9]{1,3}(\.[0-9]{1,4})?")
_NOT_ON_PATH = "no point of the recorded path gives a rod of this length"


@dataclass(frozen=True)
class RodOut:
    """One rod that exists, or that is reserved for a set being made.

    Args:
        pair: Name of the setting that the rod was made for, the same for its left and right
            rod and for no other in the case, such as "1/3" (set 1, step 3).
        label: Functional length as engraved.
        made: False while it is only reserved.
        place: The setting for people, such as "set 1, step 3"; empty where only `pair` tells it.
        measured_mm: What it measures, where it is used although it does not conform; else None.

    Raises:
        InputError: The label is not a length.
    """

    pair: str
    side: Side
    label: str
    made: bool = True
    place: str = field(default="", compare=False)
    measured_mm: float | None = None

    def __post_init__(self) -> None:
        length_of(self.label)

    @property
    def length(self) -> Decimal:
        """Functional length, mm: what the label says."""
        return length_of(self.label)

    @property
    def worn_mm(self) -> float:
        """The length with which it holds the jaw: its label, or what it measures if used as is."""
        return float(self.length) if self.measured_mm is None else self.measured_mm


@dataclass(frozen=True)
class PairOut:
    """The rods of one setting, and where they hold the jaw.

    Args:
        left, right: Labels; empty where that side's rod is not out.
        made: Where the jaw stands with them. With one rod alone, only advancement and percent,
            read along the recorded path.
    """

    pair: str
    left: str
    right: str
    made: Made

    @property
    def name(self) -> str:
        """The pair in sentences, such as "31.4/31.6"."""
        return f"{self.left or 'none'}/{self.right or 'none'}"

    def label(self, side: Side) -> str:
        """Give one side's label, empty where that rod is not out."""
        return self.left if side is Side.LEFT else self.right


def length_of(label: str) -> Decimal:
    """Read a label as the length that it is.

    Args:
        label: Digits and at most one point.

    Raises:
        InputError: It is not a length.

    >>> length_of("31.40") == length_of("31.4")
    True
    """
    if not _LABEL.fullmatch(label) or not Decimal(label):
        raise InputError(
            f'"{label}" is not the label of a rod; give the length as engraved, such as 31.4',
            field="label", value=label, allowed="a length in mm above 0",
        )
    return Decimal(label)


def rods_of(rods: Iterable[RodOut], side: Side) -> tuple[RodOut, ...]:
    """Pick one side's rods, by rising length."""
    return tuple(sorted((r for r in rods if r.side is side), key=lambda r: (r.length, r.pair)))


def pairs_out(
    rods: Iterable[RodOut], model: JawModel, scale: BiteScale
) -> tuple[tuple[PairOut, ...], tuple[Finding, ...]]:
    """Read where existing rods hold the jaw.

    Args:
        rods: Rods out, in any order.
        scale: Bite scale on which advancement and percent are counted.

    Returns:
        The pairs by rising advancement, and a refusal for each that cannot be read.

    Raises:
        InputError: Two rods of one pair and side.
    """
    settings = _by_pair(rods)
    whole = [pair for pair, sides in settings.items() if len(sides) == len(Side)]
    made, findings = _read_pairs({pair: settings[pair] for pair in whole}, model, scale)
    for pair, sides in settings.items():
        if pair not in whole:
            (rod,) = sides.values()
            found = _read_single(rod, model, scale)
            if isinstance(found, Finding):
                findings.append(found)
            else:
                made[pair] = found
    pairs = [
        PairOut(pair, _label(sides, Side.LEFT), _label(sides, Side.RIGHT), made[pair])
        for pair, sides in settings.items() if pair in made
    ]
    return tuple(sorted(pairs, key=lambda p: (p.made.advancement_mm, p.pair))), tuple(findings)


def _by_pair(rods: Iterable[RodOut]) -> dict[str, dict[Side, RodOut]]:
    settings: dict[str, dict[Side, RodOut]] = {}
    for rod in rods:
        sides = settings.setdefault(rod.pair, {})
        if rod.side in sides:
            raise InputError(
                f"the pair {rod.pair} has two {rod.side} rods, {sides[rod.side].label} and "
                f"{rod.label}; a setting has one rod on each side, so give each setting a name "
                "of its own",
                field="pair", value=rod.pair,
            )
        sides[rod.side] = rod
    return settings


def _label(sides: dict[Side, RodOut], side: Side) -> str:
    return sides[side].label if side in sides else ""


def _read_pairs(
    settings: dict[str, dict[Side, RodOut]], model: JawModel, scale: BiteScale
) -> tuple[dict[str, Made], list[Finding]]:
    if not settings:
        return {}, []
    lengths = np.array(
        [[sides[side].worn_mm for side in Side] for sides in settings.values()]
    )
    read = read_back_near_path(model, lengths)
    made: dict[str, Made] = {}
    findings: list[Finding] = []
    for member, (pair, sides) in enumerate(settings.items()):
        reason = read.problems.get(member)
        if reason is None:
            made[pair] = made_at(read, member, scale)
        else:
            findings.append(_unread(" and ".join(sides[s].label for s in Side), pair, reason))
    return made, findings


def _read_single(rod: RodOut, model: JawModel, scale: BiteScale) -> Made | Finding:
    weights = LEFT if rod.side is Side.LEFT else RIGHT
    (displacement,) = displacements_at(model, np.array([rod.worn_mm]), weights)
    if not np.isfinite(displacement):
        return _unread(f"{rod.label} ({rod.side} alone)", rod.pair, _NOT_ON_PATH)
    advancement = float(displacement) + float(scale.registered_advancement_mm)
    return Made(advancement, 100.0 * advancement / float(scale.range_mm))


def _unread(labels: str, pair: str, reason: str) -> Finding:
    return refused(
        "jaw_pose", f"the rods {labels} of the pair {pair} cannot be read back: {reason}", pair
    )
