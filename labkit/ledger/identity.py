"""Which ledger a ledger is: the same wherever it is moved or copied to."""

from __future__ import annotations

from labkit.core.case.identifier import NO_LEDGER, ledger_number
from labkit.ledger.events import GENESIS
from labkit.ledger.queries import Reader

assert NO_LEDGER == GENESIS  # what the first event follows on is no ledger


def identity_of(reader: Reader) -> str:
    """Give the identity of a ledger: the digest of its first event, which tells the microsecond.

    Returns:
        64 hexadecimal digits, `GENESIS` where it has no event yet.
    """
    first = reader.event(1)
    return first.digest if first else GENESIS


def identity_words(identity: str) -> str:
    """Name a ledger for people: the number that its rods begin with, and its identity.

    >>> identity_words("0" * 63 + "1")
    'ledger 0002, identity 0000000000000000000000000000000000000000000000000000000000000001'
    >>> identity_words(GENESIS)
    'no entry yet, so no identity'
    """
    if identity == GENESIS:
        return "no entry yet, so no identity"
    return f"ledger {ledger_number(identity)}, identity {identity}"
