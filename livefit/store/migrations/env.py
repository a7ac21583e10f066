"""Alembic's way in: runs the migrations on the connection that the store holds."""

from __future__ import annotations

from alembic import context

from livefit.store.schema import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,
)
context.run_migrations()
