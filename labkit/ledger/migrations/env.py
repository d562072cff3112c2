"""Runs migrations on the connection that the program holds, inside its transaction."""

from __future__ import annotations

from alembic import context

from labkit.ledger.revision import VERSION_TABLE
from labkit.ledger.tables import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    version_table=VERSION_TABLE,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
