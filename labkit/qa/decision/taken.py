"""Whether readings were really taken: copies, and scatter smaller than the gauge can have."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from labkit.core.gauging.ways_of_measuring import Method
from labkit.qa.decision.rod_decision import MeasuredRod

#: Honest readings of a set look like this once in a thousand sets at most; the kinds of doubt and
#: the gauges of a set share it.
CHANCE = 0.001
_KINDS = 3
#: The repeatability that an instrument's file states is itself an estimate: it may be smaller, down
#: to the lower bound of its 95 % interval.
_LOWER_TAIL = 0.975
#: Where in a step of the scale the true length lies, in steps; the worst of them counts.
_PHASES = np.linspace(0.0, 0.5, 11)
#: How far from the true length readings are counted, in standard deviations.
_REACH = 9.0
#: Standard deviations between two lengths beyond which their readings are not the same by chance.
_APART = 6.0
#: Standard deviations between two lengths of one rod beyond which they contradict each other.
CONTRADICTION = 3.29
#: Points of a scan scatter by more about bores, pins and balls; those of a drawn mesh by less.
LEAST_NOISE_MM = 0.001
#: One value of these ways holds two readings, or one and half of two more: scatter and step.
_FACTORS = {Method.HALF_SUM: (math.sqrt(0.5), 0.5), Method.OVER_LESS_OWN: (math.sqrt(1.5), 0.5)}


@dataclass(frozen=True)
class Doubt:
    """Readings of which it is asked whether they were taken.

    Args:
        sentence: What was found, without its end.
        identifiers: The rods that it holds.
    """

    code: str
    sentence: str
    identifiers: tuple[str, ...]


@dataclass(frozen=True)
class Scatter:
    """How readings of a gauge scatter and step, mm."""

    sd_mm: float
    step_mm: float

    @cached_property
    def _cells(self) -> tuple[NDArray[np.float64], ...]:
        """Probability of every reading that the scale shows, for each phase."""
        from scipy.special import ndtr

        steps = math.ceil(_REACH * self.sd_mm / self.step_mm) + 1
        edges = (np.arange(-steps, steps + 2) - 0.5) * self.step_mm / self.sd_mm
        shift = self.step_mm / self.sd_mm
        return tuple(np.diff(ndtr(edges - phase * shift)) for phase in _PHASES)

    def alike(self, rods: int, readings: int) -> float:
        """Give the chance that rods of one true length give the same readings in the same order.

        Formula: (Σ pₖᵍ)ⁿ over the readings k of the scale, g rods, n readings; the largest over
        where the length lies between two steps. Rods whose true lengths differ do so more rarely.

        >>> round(Scatter(0.01, 0.01).alike(3, 1), 3)
        0.085
        """
        return max(float((cells**rods).sum() ** readings) for cells in self._cells)

    def within(self, steps: int, readings: int) -> float:
        """Give the chance that readings of one rod lie within so many steps of the scale.

        Formula: Σ [S(j … j+m)ⁿ − S(j+1 … j+m)ⁿ], S the probability of m + 1 neighbouring readings.
        """
        if readings < 2:
            return 1.0
        return min(1.0, max(self._within(cells, steps, readings) for cells in self._cells))

    def ranges_within(self, steps: int, readings: int, rods: int) -> float:
        """Give the chance that the ranges of several rods sum up to so many steps at the most."""
        most = max(steps, 1)
        below = np.array([self.within(one, readings) for one in range(most + 1)])
        one_rod = np.diff(below, prepend=0.0)
        total = np.ones(1)
        for _ in range(rods):
            total = np.convolve(total, one_rod)[: most + 1]
        return min(1.0, float(total[: steps + 1].sum()))

    @staticmethod
    def _within(cells: NDArray[np.float64], steps: int, readings: int) -> float:
        total = np.concatenate([[0.0], np.cumsum(cells), np.full(steps + 1, float(cells.sum()))])
        first = np.arange(len(cells))
        whole = total[first + steps + 1] - total[first]
        rest = total[first + steps + 1] - total[first + 1]
        return float((whole**readings - rest**readings).sum())


def doubts(rods: Sequence[MeasuredRod]) -> tuple[Doubt, ...]:
    """Find readings of a set that chance explains in fewer than one set in a thousand.

    Returns:
        A doubt for each kind and gauge, and one for scans without noise; none for rods whose
        instrument is not named. Honest readings give any in at most one set of a thousand.
    """
    found = list(_drawn(rods))
    by_hand = [rod for rod in rods if rod.way is not None and rod.readings.instrument is not None]
    groups = [list(same) for _, same in groupby(sorted(by_hand, key=_gauge), _gauge)]
    for members in groups:
        share = CHANCE / (_KINDS * len(groups))
        copied = list(_copied_sides(members, share))
        held = {one for doubt in copied for one in doubt.identifiers}
        same = _same_readings(members, share)
        found += [
            *copied, *(doubt for doubt in same if not held.issuperset(doubt.identifiers)),
            *_small_scatter(members, share),
        ]
    return tuple(found)


def _drawn(rods: Sequence[MeasuredRod]) -> Iterator[Doubt]:
    """Hold scans that have no noise: the file that a rod is built from measures what it should."""
    drawn = [
        rod for rod in rods
        if (noise := (rod.readings.scan or {}).get("noise_mm")) is not None
        and noise < LEAST_NOISE_MM
    ]
    if drawn:
        yield Doubt(
            "no_noise",
            f"the points of the scan of {', '.join(rod.expected.name for rod in drawn)} scatter by "
            f"less than {LEAST_NOISE_MM:g} mm, as those of a drawn model do and of a scan never: "
            "was the rod scanned, or its own file read",
            tuple(rod.identifier for rod in drawn),
        )


def contradicts(now: tuple[float, float], before: tuple[float, float]) -> bool:
    """Tell whether two lengths of one rod lie further apart than their uncertainties explain.

    Formula: |y₁ − y₂| > 3.29 √(u₁² + u₂²): once in a thousand.

    Args:
        now, before: Length and standard uncertainty, mm.

    >>> contradicts((33.608, 0.011), (33.738, 0.011)), contradicts((33.608, 0.02), (33.68, 0.02))
    (True, False)
    """
    return abs(now[0] - before[0]) > CONTRADICTION * math.hypot(now[1], before[1])


def _gauge(rod: MeasuredRod) -> tuple[str, str, int]:
    read = rod.readings
    assert read.instrument is not None
    return read.instrument.name, str(read.method), len(read.readings_mm)


def scatter_of(rods: Sequence[MeasuredRod]) -> Scatter:
    """Give how the readings of rods measured alike scatter at the least, and step at the most."""
    from scipy.special import chdtri

    read = rods[0].readings
    tool, factor = read.instrument, _FACTORS.get(read.method or Method.OVER, (1.0, 1.0))
    assert tool is not None
    dof = tool.repeatability_dof
    doubt = 1.0 if dof is None else math.sqrt(dof / float(chdtri(dof, 1 - _LOWER_TAIL)))
    typed = max(_step(one) for rod in rods for one in rod.readings.readings_mm)
    return Scatter(
        factor[0] * doubt * tool.repeatability_mm,
        max(factor[1] * tool.resolution_mm, float(typed)),
    )


def _step(reading: Decimal) -> Decimal:
    """Give the last digit that was written."""
    return Decimal(1).scaleb(min(int(reading.as_tuple().exponent), 0))


def _off(rod: MeasuredRod) -> tuple[Decimal, ...]:
    """Give the readings as they differ from that of a rod in the middle of everything."""
    assert rod.way is not None
    nominal = rod.expected.length_mm + rod.way.shift_mm
    return tuple(one - nominal for one in rod.readings.readings_mm)


def _copied_sides(rods: Sequence[MeasuredRod], share: float) -> Iterator[Doubt]:
    """Compare the readings of left and right of every step, as they are and less their lengths."""
    from scipy.special import bdtrc

    sides = {(rod.expected.step, rod.expected.side): rod for rod in rods}
    pairs = [
        (rod, sides[step, "right"]) for (step, side), rod in sides.items()
        if side == "left" and (step, "right") in sides
    ]
    copies = [(pair, how) for pair in pairs if (how := _copied_how(*pair))]
    if not copies:
        return
    scatter, count = scatter_of(rods), len(rods[0].readings.readings_mm)
    apart = {abs(a.expected.length_mm - b.expected.length_mm) for a, b in pairs}
    # Turned round is a way of its own; against own lengths is one where the lengths are nearly
    # the same, else a pair that can be alike in one of the two cannot in the other.
    ways = (1 + (count > 1)) * (1 + any(0 < each < _APART * scatter.sd_mm for each in apart))
    chance = scatter.alike(2, count) * ways
    if float(bdtrc(len(copies) - 1, len(pairs), min(chance, 1.0))) < share:
        steps = ", ".join(str(a.expected.step) for (a, _), _ in copies)
        where = f"{'steps' if len(copies) > 1 else 'step'} {steps}"
        orders = " or ".join(dict.fromkeys(order for _, (order, _) in copies))
        own = ", each against its own length" if any(own for _, (_, own) in copies) else ""
        yield Doubt(
            "copied_side",
            f"left and right have the same readings in {orders} order at {where}{own}, which "
            "chance gives in fewer than 1 of 1,000 sets: was one side copied from the other",
            tuple(rod.identifier for pair, _ in copies for rod in pair),
        )


def _copied_how(a: MeasuredRod, b: MeasuredRod) -> tuple[str, bool] | None:
    """Tell how one rod's readings repeat another's, and whether only against its own length.

    Returns:
        The order and that; None where they do not.
    """
    for own, one, other in (
        (False, a.readings.readings_mm, b.readings.readings_mm), (True, _off(a), _off(b)),
    ):
        for order, turned in (("the same", other), ("reversed", other[::-1])):
            if one == turned:
                return order, own
    return None


def _same_readings(rods: Sequence[MeasuredRod], share: float) -> Iterator[Doubt]:
    """Compare the readings of all rods, each against its own length."""
    alike: dict[tuple[Decimal, ...], list[MeasuredRod]] = {}
    for rod in rods:
        alike.setdefault(_off(rod), []).append(rod)
    for off, same in alike.items():
        if len(same) < 2:
            continue
        chance = math.comb(len(rods), len(same)) * scatter_of(rods).alike(len(same), len(off))
        if chance < share:
            names = ", ".join(rod.expected.name for rod in same)
            yield Doubt(
                "same_readings",
                f"{names} have the same readings in the same order, each against its own length, "
                "which chance gives in fewer than 1 of 1,000 sets: were they taken on each rod",
                tuple(rod.identifier for rod in same),
            )


def _small_scatter(rods: Sequence[MeasuredRod], share: float) -> Iterator[Doubt]:
    """Hold readings that together scatter less than those of the gauge can.

    Two tests share the chance: the sum of the ranges, which tells many small ones, and Fisher's
    product of each rod's chance, which tells a few that are far too small.

    Source: R. A. Fisher, Statistical Methods for Research Workers, 4th edition, 1932, section 21.1.
    """
    from scipy.special import chdtrc

    count = len(rods[0].readings.readings_mm)
    if count < 2:
        return
    scatter = scatter_of(rods)
    steps = [_range_steps(rod, scatter) for rod in rods]
    chances = [max(scatter.within(one, count), 1e-300) for one in steps]
    product = float(chdtrc(2 * len(rods), -2 * sum(map(math.log, chances))))
    if 2 * min(product, scatter.ranges_within(sum(steps), count, len(rods))) < share:
        small = [rod for rod, chance in zip(rods, chances, strict=True) if chance < 0.5]
        names = ", ".join(rod.expected.name for rod in small)
        yield Doubt(
            "small_scatter",
            f"the readings of {names} scatter less than this gauge would show in 999 of 1,000 "
            "sets: was each rod taken out and put back, or one reading written several times",
            tuple(rod.identifier for rod in small),
        )


def _range_steps(rod: MeasuredRod, scatter: Scatter) -> int:
    readings = rod.readings.readings_mm
    return round(float(max(readings) - min(readings)) / scatter.step_mm)
