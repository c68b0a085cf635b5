"""Shift checks, done and missed: what each set was found as, uses said and counted, births."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def _words(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _time(name: str, *, nullable: bool = True) -> sa.Column[datetime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _number(name: str, *, nullable: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.Integer, nullable=nullable)


def upgrade() -> None:
    op.create_table(
        "checks", *_words("id", "facility", "district"), _time("moment", nullable=False),
        _time("slot"), _time("at"), *_words("by_id"), _time("since"), *_words("sets"),
        _number("uses_said", nullable=True), _number("uses_counted"),
        _number("births", nullable=True), _number("helped", nullable=True),
        sa.Column("late_minutes", sa.Float, nullable=False),
        sa.Column("done", sa.Boolean, nullable=False), _number("version"),
        sa.PrimaryKeyConstraint("id", name="pk_checks"),
    )
    for columns in (["moment", "id"], ["district", "moment", "id"], ["facility", "moment", "id"]):
        op.create_index(f"ix_checks_{'_'.join(columns)}", "checks", columns)
