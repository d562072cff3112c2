"""The rods that can be tried at a trial fit, and those that are tried first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from types import MappingProxyType

from labkit.core.case.rods_out import length_of
from labkit.core.case.trial_seen import step_at_100
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.grade import check_recorded
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import Step
from labkit.workflow.sets.stored_case import StoredCase


def labels_to_try(stored: StoredCase, side: Side) -> list[str]:
    """List the rods of a side that can be tried, the longest first."""
    rods = {rod.rod.label: rod.rod.length for rod in stored.out
            if rod.rod.side is side and rod.rod.made}
    return sorted(rods, key=lambda label: -rods[label])


def at_100(stored: StoredCase) -> Step | None:
    """Work out the rods of 100 %; None where the range that holds gives none."""
    if check_recorded(stored.prescription):
        return None
    return step_at_100(bite_scale(stored.prescription.bite), stored.prescription, stored.limits)[0]


def nearest_label(labels: Sequence[str], length: Decimal) -> str:
    """Give the label of the rods that are tried first: those made for 100 %, or the nearest."""
    return min(labels, key=lambda label: abs(length_of(label) - length))


def tried_first(stored: StoredCase) -> Mapping[Side, str]:
    """Give the label of each side's rod that is tried first; sides without one are left out."""
    step = at_100(stored)
    found = {
        side: nearest_label(labels, step.rod(side).length) if step else labels[-1]
        for side in Side if (labels := labels_to_try(stored, side))
    }
    return MappingProxyType(found)
