"""Sessions are found by fitter and studio; of what is deleted a trace remains."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the columns, fill them from the documents, and make the table of traces."""
    for name in ("fitter", "studio"):
        op.add_column("session", sa.Column(name, sa.Text, nullable=False, server_default=""))
    session = sa.table(
        "session",
        sa.column("id", sa.String),
        sa.column("document", sa.JSON),
        sa.column("fitter", sa.Text),
        sa.column("studio", sa.Text),
    )
    connection = op.get_bind()
    for (found,) in connection.execute(sa.select(session.c.id)).all():
        document = connection.execute(
            sa.select(session.c.document).where(session.c.id == found)
        ).scalar_one()
        connection.execute(
            sa.update(session)
            .where(session.c.id == found)
            .values(fitter=document.get("fitter", ""), studio=document.get("studio", ""))
        )
    op.create_table(
        "trace",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("at", sa.DateTime, nullable=False),
        sa.Column("what", sa.String(16), nullable=False),
        sa.Column("id", sa.String(32), nullable=False),
        sa.UniqueConstraint("what", "id", name="trace_once"),
    )
