"""The rods that each process made, and which of them are rejected, over the whole record."""

from __future__ import annotations

from collections import Counter

from labkit.core.case import rod_life
from labkit.ledger.bodies import RodState, said
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import SetState

REJECTED = rod_life.RodState.REJECTED


def made_and_rejected(reader: Reader) -> tuple[Counter[str], Counter[tuple[str, str]]]:
    """Count the rods of every process.

    Returns:
        Process → rods made; (process, cause) → rods rejected, the cause empty where nobody told it.
    """
    made: Counter[str] = Counter()
    rejected: Counter[tuple[str, str]] = Counter()
    cases = [each.case for each in reader.cases()]
    for case in reader.cases_ahead(cases):
        process = {
            one.name: one.process.name for one in reader.sets(case) if one.state is SetState.MADE
        }
        rods = [rod for rod in reader.rods(case) if rod.set_name in process]
        made.update(process[rod.set_name] for rod in rods)
        bad = [rod for rod in rods if rod.state == REJECTED]
        causes = _causes(reader, case) if bad else {}
        rejected.update(
            (process[rod.set_name], causes.get(rod.identifier, "")) for rod in bad
        )
    return made, rejected


def _causes(reader: Reader, case: str) -> dict[str, str]:
    """Give why each rod of a case was rejected."""
    told = (said(event, RodState) for event in reader.current(case, Kind.ROD_STATE))
    return {one.identifier: one.cause or "" for one in told if one.state == REJECTED}
