"""Revision 0001: the events, the head, and the first derived tables."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables of an empty ledger."""
    _truth()
    _cases_and_sets()
    _what_follows()


def _truth() -> None:
    op.create_table(
        "events",
        sa.Column("seq", sa.Integer(), primary_key=True, autoincrement=False),
        _text("at", 27),
        _text("operator", 32),
        _text("kind", 20),
        _text("case_number", 40),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("corrects", sa.Integer(), nullable=True),
        _text("previous", 64),
        _text("digest", 64),
        sa.ForeignKeyConstraint(["corrects"], ["events.seq"]),
        sa.UniqueConstraint("corrects"),
        sa.UniqueConstraint("previous"),
        sa.UniqueConstraint("digest"),
    )
    op.create_table(
        "head",
        sa.Column("id", sa.Integer(), primary_key=True, autoincrement=False),
        _whole("event_count"),
        _text("digest", 64),
    )
    op.create_index("ix_events_case_number", "events", ["case_number"])
    op.execute(f"INSERT INTO head (id, event_count, digest) VALUES (1, 0, '{'0' * 64}')")


def _cases_and_sets() -> None:
    _derived("cases", _text("case_number", 40, key=True), _whole("seq"), indexed="seq")
    _derived(
        "prescriptions",
        _seq(),
        _text("case_number", 40),
        _whole("revision"),
        _text("text_sha256", 64),
        sa.UniqueConstraint("case_number", "revision"),
        indexed="case_number",
    )
    _derived(
        "sets",
        _text("set_name", 80, key=True),
        _whole("seq"),
        _text("case_number", 40),
        _whole("revision"),
        _whole("set_revision"),
        _text("purpose", 10),
        _text("inputs_sha256", 64),
        _text("template_name", 200),
        _text("template_sha256", 64),
        _text("process_name", 200),
        _text("process_sha256", 64),
        indexed="seq case_number",
    )
    _derived(
        "set_ends",
        _seq(),
        _text("set_name", 80),
        _text("outcome", 10),
        sa.Column("spec_sha256", sa.String(64), nullable=True),
        sa.UniqueConstraint("set_name"),
    )
    _derived(
        "rods",
        _text("identifier", 10, key=True),
        _whole("seq"),
        _text("case_number", 40),
        _text("set_name", 80),
        _whole("step"),
        _text("side", 5),
        _whole("length_um"),
        _text("label", 16),
        sa.Column("percent", sa.String(32), nullable=True),
        sa.UniqueConstraint("set_name", "step", "side"),
        indexed="seq case_number set_name",
    )


def _what_follows() -> None:
    _derived(
        "orders",
        _seq(),
        sa.Column("line", sa.Integer(), primary_key=True, autoincrement=False),
        _text("case_number", 40),
        _text("side", 5),
        _whole("length_um"),
        _text("label", 16),
        indexed="case_number",
    )
    _derived(
        "trial_fits", _seq(), _text("case_number", 40), _whole("revision"), indexed="case_number"
    )
    _derived(
        "trial_decisions",
        _seq(),
        _whole("trial"),
        _whole("revision"),
        sa.ForeignKeyConstraint(["trial"], ["trial_fits.seq"]),
        sa.UniqueConstraint("trial"),
    )
    _derived(
        "readings",
        _seq(),
        _text("identifier", 10),
        _text("quantity", 40),
        _whole("value_um"),
        indexed="identifier",
    )
    _derived("releases", _seq(), _text("set_name", 80), _text("decision", 10), indexed="set_name")
    _derived(
        "rod_states", _seq(), _text("identifier", 10), _text("state", 10), indexed="identifier"
    )
    _derived(
        "corrections",
        _seq(),
        _whole("corrects"),
        sa.ForeignKeyConstraint(["corrects"], ["events.seq"]),
        sa.UniqueConstraint("corrects"),
    )


#: Column → the table whose key it names.
_PARENTS = {"seq": "events", "case_number": "cases", "set_name": "sets", "identifier": "rods"}


def _derived(name: str, *parts: Any, indexed: str = "") -> None:
    """Make a derived table; columns that name another table's key refer to it."""
    referring = [
        sa.ForeignKeyConstraint([part.name], [f"{_PARENTS[part.name]}.{part.name}"])
        for part in parts
        if isinstance(part, sa.Column) and _PARENTS.get(part.name, name) != name
    ]
    op.create_table(name, *parts, *referring)
    for column in indexed.split():
        op.create_index(f"ix_{name}_{column}", name, [column])


def _seq() -> sa.Column[int]:
    return sa.Column("seq", sa.Integer(), primary_key=True, autoincrement=False)


def _whole(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer(), nullable=False)


def _text(name: str, most: int, *, key: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.String(most), nullable=False, primary_key=key)
