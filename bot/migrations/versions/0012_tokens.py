"""Tokens of the API in the store: digests, with what each may do and until when."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def _words(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _time(name: str, *, nullable: bool = True) -> sa.Column[datetime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def upgrade() -> None:
    op.create_table(
        "tokens", *_words("id", "digest", "scope", "district"),
        _time("created_at", nullable=False), _time("expires_at", nullable=False),
        _time("last_used_at"), _time("revoked_at"),
        sa.PrimaryKeyConstraint("id", name="pk_tokens"),
        sa.UniqueConstraint("digest", name="uq_tokens_digest"),
    )
