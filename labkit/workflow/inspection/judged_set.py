"""The set of a case that is measured, decided on and released as one."""

from __future__ import annotations

from collections.abc import Mapping

from labkit.catalog.profiles import Profile, profile_of
from labkit.core.gauging.instruments import Instrument
from labkit.errors import InputError, LedgerError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import SetState, StoredSet
from labkit.qa.decision.bench import Bench
from labkit.workflow.record.lookup import need_case
from labkit.workflow.rods.slots import Slot, first_set_of, slots_of, wanted_sets
from labkit.workflow.sets.bench import bench_of


def set_to_judge(reader: Reader, case: str, name: str | None) -> StoredSet:
    """Choose the set of a case that is measured, decided on and released as one.

    Args:
        name: Name of a set; of a replacement set, the set that it belongs to is taken. None for
            the last one made that is no replacement.

    Raises:
        InputError: There is no such case, or it has no set of that name.
        LedgerError: The set is not made, or the case has none that is.
    """
    need_case(reader, case)
    sets = {stored.name: stored for stored in reader.sets(case)}
    if name is None:
        whole = wanted_sets(reader, case)
        if not whole:
            raise LedgerError(
                f"the ledger has no finished set of the case {case!r}; make one with "
                "`labkit make --by`",
                field="case", value=case,
            )
        return whole[-1]
    if name not in sets:
        raise InputError(
            f"the case {case!r} has no set {name!r}; it has {', '.join(sets) or 'none'}",
            field="set", value=name,
        )
    found = sets[first_set_of(reader.rods(case), sets[name])]
    if found.state is not SetState.MADE:
        raise LedgerError(
            f"the set {found.name} is {found.state}, not made; name one that was made",
            field="set", value=name,
        )
    return found


def lay_out(
    reader: Reader, case: str, name: str | None, instruments: Mapping[str, Instrument]
) -> tuple[StoredSet, tuple[Slot, ...], Bench]:
    """Lay out the set that `set_to_judge` chooses, with the rods that fill its places now.

    Raises:
        InputError: There is no such case or set.
        LedgerError: The set is not made.
        RefusedError: It was recorded in a form that this program cannot measure against.
    """
    stored = set_to_judge(reader, case, name)
    slots = slots_of(reader, stored)
    sets = {each.name: each for each in reader.sets(case)}
    return stored, slots, bench_of(stored, slots, sets, instruments)


def own_profile(stored: StoredSet) -> Profile:
    """Give the profile that a set keeps; the default one where it keeps none."""
    return profile_of(stored.content)
