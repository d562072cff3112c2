"""Which readings of a ledger came from one file."""

from __future__ import annotations

from sqlalchemy import select

from labkit.ledger.chain import event_of
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import StoredReading
from labkit.ledger.tables import EVENTS


def readings_of_file(reader: Reader, sha256: str) -> tuple[StoredReading, ...]:
    """Give every reading, of any case and corrected ones too, whose entry names a file's digest."""
    query = (
        select(EVENTS)
        .where(EVENTS.c.kind == str(Kind.READING), EVENTS.c.body.contains(sha256))
        .order_by(EVENTS.c.seq)
    )
    with reader.database.reading() as connection:
        return tuple(StoredReading.of(event_of(row)) for row in connection.execute(query))
