"""Which monthly reports were sent, by which way: one row for each, claimed by whoever sends it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def _words(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def upgrade() -> None:
    op.create_table(
        "reports_sent", *_words("district", "month", "way", "state"),
        sa.Column("tries", sa.Integer, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("district", "month", "way", name="pk_reports_sent"),
    )  # fmt: skip
