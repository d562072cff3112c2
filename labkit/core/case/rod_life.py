"""The life of a rod: the states that it can be in, who has it, and what may follow what."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType


class RodState(StrEnum):
    """A state of a rod; the first five are those of its set."""

    RESERVED = "reserved"
    ABANDONED = "abandoned"
    MADE = "made"
    RELEASED = "released"
    WITHHELD = "withheld"
    DELIVERED = "delivered"
    FITTED = "fitted"
    RETURNED = "returned"
    LOST = "lost"
    BROKEN = "broken"
    WITHDRAWN = "withdrawn"
    REJECTED = "rejected"


_S = RodState
#: States in which a rod lies in the lab or is with the wearer, and can be taken for another.
IN_CIRCULATION = (_S.RESERVED, _S.MADE, _S.RELEASED, _S.WITHHELD, _S.DELIVERED, _S.FITTED)
#: States in which it has left the lab and not come back.
OUT_OF_HOUSE = (_S.DELIVERED, _S.FITTED)
#: States that end a rod's life.
ENDS = (_S.REJECTED, _S.BROKEN, _S.LOST, _S.WITHDRAWN)

#: State → what a person may record next.
TRANSITIONS: Mapping[RodState, tuple[RodState, ...]] = MappingProxyType({
    _S.RESERVED: (),
    _S.ABANDONED: (),
    _S.MADE: (_S.DELIVERED, *ENDS),
    _S.RELEASED: (_S.DELIVERED, *ENDS),
    _S.WITHHELD: ENDS,
    _S.DELIVERED: (_S.FITTED, _S.RETURNED, *ENDS),
    _S.FITTED: (_S.DELIVERED, _S.RETURNED, *ENDS),
    _S.RETURNED: (_S.DELIVERED, *ENDS),
    _S.LOST: (),
    _S.BROKEN: (),
    _S.WITHDRAWN: (),
    _S.REJECTED: (),
})

#: State → who has the rod, for people.
WHO_HAS_IT: Mapping[RodState, str] = MappingProxyType({
    _S.RESERVED: "being made",
    _S.ABANDONED: "never made",
    _S.MADE: "in the lab, not released",
    _S.RELEASED: "in the lab, released",
    _S.WITHHELD: "in the lab, withheld",
    _S.DELIVERED: "clinic or wearer",
    _S.FITTED: "in the mouth",
    _S.RETURNED: "returned, in the lab",
    _S.LOST: "lost",
    _S.BROKEN: "broken",
    _S.WITHDRAWN: "withdrawn",
    _S.REJECTED: "rejected",
})


#: State → who has the rod, with the day since when, where that is not said by adding it.
_SINCE: Mapping[RodState, str] = MappingProxyType({
    _S.MADE: "in the lab since {}, not released",
    _S.RELEASED: "in the lab, released on {}",
    _S.DELIVERED: "with the clinic or wearer since {}",
    _S.RETURNED: "returned on {}, in the lab",
})


def who_since(state: RodState, day: str) -> str:
    """Say who has a rod, and since which day.

    >>> who_since(RodState.MADE, "2031-03-14"), who_since(RodState.FITTED, "2031-03-14")
    ('in the lab since 2031-03-14, not released', 'in the mouth since 2031-03-14')
    """
    return _SINCE.get(state, f"{WHO_HAS_IT[state]} since {{}}").format(day)


def state_words(state: str) -> str:
    """Say a state, and who has the rod, once.

    >>> state_words("delivered"), state_words("fitted")
    ('delivered (clinic or wearer)', 'fitted (in the mouth)')
    """
    who = WHO_HAS_IT[RodState(state)]
    return who if who.startswith(state) else f"{state} ({who})"


def may_follow(state: str, wanted: str) -> bool:
    """Tell whether a state may be recorded of a rod that is in another.

    >>> may_follow("delivered", "fitted"), may_follow("lost", "delivered")
    (True, False)
    """
    return RodState(wanted) in TRANSITIONS[RodState(state)]


def next_words(state: str) -> str:
    """Name what may be recorded of a rod in a state, for a sentence.

    >>> next_words("returned")
    'delivered, rejected, broken, lost or withdrawn'
    """
    allowed = [str(one) for one in TRANSITIONS[RodState(state)]]
    if not allowed:
        return "nothing more"
    return f"{', '.join(allowed[:-1])} or {allowed[-1]}"
