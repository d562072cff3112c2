"""The one function that says which rows an event appends."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Table

from labkit.ledger.events import Event, Kind, canonical_json, sha256_of_text
from labkit.ledger.tables import (
    CASES,
    PRESCRIPTIONS,
    READINGS,
    RELEASES,
    ROD_STATES,
    RODS,
    SET_ENDS,
    SETS,
)


@dataclass(frozen=True)
class Row:
    """One row of a derived table.

    Args:
        values: Column name → value, for every column.
    """

    table: str
    values: Mapping[str, int | str | None]


#: Kind → the tables that it appends to, in an order that pleases the foreign keys.
_APPENDS: Mapping[Kind, tuple[Table, ...]] = {
    Kind.CASE_OPENED: (CASES,),
    Kind.PRESCRIPTION: (PRESCRIPTIONS,),
    Kind.SET_STARTED: (SETS, RODS),
    Kind.SET_MADE: (SET_ENDS,),
    Kind.SET_ABANDONED: (SET_ENDS,),
    Kind.READING: (READINGS,),
    Kind.RELEASE: (RELEASES,),
    Kind.ROD_STATE: (ROD_STATES,),
}
_OUTCOMES = {Kind.SET_MADE: "made", Kind.SET_ABANDONED: "abandoned"}


def rows_of(event: Event) -> tuple[Row, ...]:
    """Tell which rows an event appends to the derived tables.

    Used when an event is written, and again by `verify`: a row that this does not give
    was not written by the program.

    Args:
        event: An event whose body has passed `check_body`.

    Returns:
        Its rows, in an order that pleases the foreign keys.
    """
    tables = _APPENDS.get(event.kind, ())
    return tuple(row for table in tables for row in _rows(table, event, event.body))


def _rows(table: Table, event: Event, body: Mapping[str, Any]) -> Iterator[Row]:
    known = {**body, "seq": event.seq, "case_number": event.case, "set_name": body.get("set")}
    if table is SETS:
        known["template_name"] = body["template"]["name"]
        known["process_name"] = body["process"]["name"]
        known["process_sha256"] = content_sha256(body["process"])
    if table is SET_ENDS:
        known["outcome"] = _OUTCOMES[event.kind]
    for one in body["rods"] if table is RODS else ({},):
        yield Row(table.name, {c.name: (known | one).get(c.name) for c in table.columns})


def content_sha256(content: Mapping[str, Any]) -> str:
    """Give the content hash of a template, a process or a spec: SHA-256 of canonical JSON."""
    return sha256_of_text(canonical_json(dict(content)))
