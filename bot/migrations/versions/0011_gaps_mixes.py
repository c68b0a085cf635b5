"""Times in which no set of a kind was READY, and the chlorine solutions that were made."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def _words(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _zone() -> sa.Column[str]:
    """By whose calendar a row is counted."""
    return sa.Column("zone", sa.Text, nullable=False, server_default="UTC")


def _time(name: str, *, nullable: bool = False) -> sa.Column[datetime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _number(name: str) -> sa.Column[float]:
    return sa.Column(name, sa.Float, nullable=False)


def upgrade() -> None:
    op.create_table(
        "gaps", *_words("id", "facility", "district"), _zone(), *_words("kind"), _time("since"),
        _time("until", nullable=True), sa.Column("version", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_gaps"),
    )
    op.create_table(
        "mixes", *_words("id", "facility", "district"), _zone(), _time("at"), _time("expires_at"),
        _number("strength_percent"), _number("litres"), *_words("product", "stock", "by_id"),
        _time("closed_at", nullable=True), *_words("ended"),
        sa.Column("version", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_mixes"),
    )
    for table, columns in (
        ("gaps", ["since", "id"]), ("gaps", ["district", "since", "id"]),
        ("gaps", ["facility", "since", "id"]), ("gaps", ["district", "until"]),
        ("mixes", ["at", "id"]), ("mixes", ["district", "at", "id"]),
        ("mixes", ["facility", "at", "id"]),
    ):
        op.create_index(f"ix_{table}_{'_'.join(columns)}", table, columns)
