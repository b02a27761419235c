"""Run by Alembic. The connection, already in a transaction, comes from `open_registry`."""

from __future__ import annotations

from alembic import context

from fleet.registry.base.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
)
context.run_migrations()
