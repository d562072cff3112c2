"""The tables: events are the truth, the rest is derived from them by `rows_of`."""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.schema import SchemaItem

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _whole(name: str, *, key: bool = False) -> Column[int]:
    return Column(name, Integer, primary_key=key, autoincrement=False, nullable=False)


def _text(name: str, most: int, **how: Any) -> Column[str]:
    return Column(name, String(most), **{"nullable": False, **how})


def _refers(to: str, most: int = 0, *, key: bool = False, unique: bool = False) -> Column[Any]:
    """Make the column that names a row of another table, such as "cases.case_number"."""
    return Column(
        to.partition(".")[2], String(most) if most else Integer, ForeignKey(to),
        primary_key=key, autoincrement=False, nullable=False, unique=unique or None,
        index=not (key or unique) or None,
    )


#: Most characters of a rod's identifier.
_IDENTIFIER = 20
#: Everything that `rows_of` derives, in an order that pleases the foreign keys.
DERIVED: list[Table] = []


def _derived(name: str, *parts: SchemaItem) -> Table:
    DERIVED.append(Table(name, METADATA, *parts))
    return DERIVED[-1]


#: The truth. No migration changes it, so that every program reads it.
EVENTS = Table(
    "events",
    METADATA,
    _whole("seq", key=True),
    _text("at", 27),
    _text("operator", 32),
    _text("kind", 20),
    _text("case_number", 40, index=True),
    Column("body", Text, nullable=False),
    Column("corrects", Integer, nullable=True),
    _text("previous", 64),
    _text("digest", 64),
    ForeignKeyConstraint(["corrects"], ["events.seq"]),
    # One event is corrected once; who errs again corrects the correction.
    UniqueConstraint("corrects"),
    UniqueConstraint("previous"),
    UniqueConstraint("digest"),
)
#: One row, the only one that is ever changed: without it a cut tail would not show.
HEAD = Table("head", METADATA, _whole("id", key=True), _whole("event_count"), _text("digest", 64))
#: One row: the revision of the tables, and the least version of the program that may act on them.
FORM = Table(
    "labkit_ledger_revision",
    METADATA,
    _text("version_num", 32, primary_key=True),
    _text("least_program", 20),
)
CASES = _derived("cases", _text("case_number", 40, primary_key=True), _refers("events.seq"))
PRESCRIPTIONS = _derived(
    "prescriptions",
    _refers("events.seq", key=True),
    _refers("cases.case_number", 40),
    _whole("revision"),
    UniqueConstraint("case_number", "revision"),
)
SETS = _derived(
    "sets",
    _text("set_name", 80, primary_key=True),
    _refers("events.seq"),
    _refers("cases.case_number", 40),
    _text("purpose", 20),
    _text("template_name", 200),
    _text("process_name", 200, index=True),
    _text("process_sha256", 64),
)
SET_ENDS = _derived(
    "set_ends",
    _refers("events.seq", key=True),
    _refers("sets.set_name", 80, unique=True),
    _text("outcome", 10),
)
RODS = _derived(
    "rods",
    _text("identifier", _IDENTIFIER, primary_key=True),
    _refers("events.seq"),
    _refers("cases.case_number", 40),
    _refers("sets.set_name", 80),
    _whole("step"),
    _text("side", 5),
    _whole("length_um"),
    _text("label", 16),
    _text("percent", 32, nullable=True),
    _text("replaces", _IDENTIFIER, nullable=True),
    UniqueConstraint("set_name", "step", "side"),
)
READINGS = _derived(
    "readings", _refers("events.seq", key=True), _refers("rods.identifier", _IDENTIFIER)
)
RELEASES = _derived(
    "releases",
    _refers("events.seq", key=True),
    _refers("sets.set_name", 80),
    _text("decision", 10),
)
ROD_STATES = _derived(
    "rod_states",
    _refers("events.seq", key=True),
    _refers("rods.identifier", _IDENTIFIER),
    _text("state", 10),
)
