"""Revision 0002: room for the purpose "replacement"; SQLite holds no column to its length."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Widen the one column on databases that hold it to its length."""
    if op.get_context().dialect.name != "sqlite":
        op.alter_column(
            "sets", "purpose", type_=sa.String(20), existing_type=sa.String(10),
            existing_nullable=False,
        )  # fmt: skip
