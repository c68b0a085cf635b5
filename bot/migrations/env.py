"""Runs the steps on the connection, and in the transaction, that the caller opened."""

from __future__ import annotations

from alembic import context

from bot.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,  # SQLite alters a table by copying it
)
with context.begin_transaction():
    context.run_migrations()
