"""What was seen at trial fits, told for tests by how far a rod reaches past its seat."""

from __future__ import annotations

from decimal import Decimal

from labkit.core.case.cover import TolerancedRod
from labkit.core.case.trial_seen import Seen, SideSeen, TrialSeen
from labkit.core.grading.grade import length_tolerance


def as_made(rods, prescription, limits):
    """Give rods the tolerance that the prescription makes them with."""
    return tuple(
        TolerancedRod(rod, length_tolerance(rod.length, prescription.grading, limits))
        for rod in rods
    )


def side_seen(label, past=0):
    """A rod that reaches past its seat by so many mm; below 0 it falls short of it."""
    past = Decimal(str(past))
    if not past:
        return SideSeen(label)
    return SideSeen(label, Seen.TOO_LONG if past > 0 else Seen.TOO_SHORT, abs(past))


def trial_seen(labels, past=(0, 0), **more):
    """What was seen of a left and a right rod."""
    left, right = map(side_seen, labels, past)
    return TrialSeen(left, right, **more)


def words(label, past=0):
    """The same as it is typed."""
    return side_seen(label, past).words
