"""Who records: asked for where a command only sometimes writes to the ledger."""

from __future__ import annotations

from labkit.errors import InputError


def who_records(by: str | None, what: str) -> str:
    """Give the operator code of whoever records.

    Args:
        what: What is recorded, such as "an order".

    Raises:
        InputError: Nobody is named.
    """
    if not by:
        raise InputError(
            f"{what} is recorded under an operator code; give yours with --by", field="by"
        )
    return by
