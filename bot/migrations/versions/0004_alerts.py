"""Alerts: what somebody must know, who was told, and what became of it."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def _words(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _time(name: str, *, nullable: bool = False) -> sa.Column[datetime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _number(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer, nullable=False)


def upgrade() -> None:
    op.create_table(
        "alerts", *_words("id", "facility", "district", "rule", "matter", "batch"),
        _time("at"), _time("last_at"), _number("count"), *_words("state"),
        _time("closed_at", nullable=True), *_words("told"), _number("version"), *_words("doc"),
        sa.PrimaryKeyConstraint("id", name="pk_alerts"),
    )
    for columns in (["district", "closed_at", "at", "id"], ["at", "id"], ["district", "at", "id"],
                    ["facility", "at", "id"], ["batch"]):
        op.create_index(f"ix_alerts_{'_'.join(columns)}", "alerts", columns)
