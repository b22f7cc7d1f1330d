"""Run by alembic; the connection comes from `capture.store.schema`, in a transaction that spans all steps."""

from __future__ import annotations

from alembic import context

from capture.store.models import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
    compare_type=True,
    transaction_per_migration=False,
)
with context.begin_transaction():
    context.run_migrations()
