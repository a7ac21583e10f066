"""Riders, bicycles, sessions and their files."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def _kept() -> list[sa.Column[object]]:
    return [
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("changed", sa.DateTime, nullable=False),
        sa.Column("document", sa.JSON, nullable=False),
    ]


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "rider",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("sought", sa.Text, nullable=False, index=True),
        *_kept(),
    )
    op.create_table(
        "bicycle",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("rider", sa.String(32), sa.ForeignKey("rider.id"), nullable=False, index=True),
        sa.Column("sought", sa.Text, nullable=False),
        *_kept(),
    )
    op.create_table(
        "session",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("rider", sa.String(32), sa.ForeignKey("rider.id"), nullable=False, index=True),
        sa.Column("bicycle", sa.String(32), sa.ForeignKey("bicycle.id"), index=True),
        sa.Column("began", sa.DateTime, nullable=False, index=True),
        sa.Column("day", sa.Date, nullable=False, index=True),
        sa.Column("discipline", sa.Text, nullable=False, index=True),
        sa.Column("closed", sa.Boolean, nullable=False),
        *_kept(),
    )
    op.create_table(
        "file",
        sa.Column("session", sa.String(32), sa.ForeignKey("session.id"), primary_key=True),
        sa.Column("kind", sa.String(16), primary_key=True),
        sa.Column("name", sa.String(160), primary_key=True),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("added", sa.DateTime, nullable=False),
    )
