"""What became of each text."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
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
        "messages", *_words("id", "site", "district", "about", "kind", "person"),
        _time("at"), _number("segments"), _time("sent_at", nullable=True),
        *_words("state", "reason"), _number("tries"), _number("version"),
        sa.PrimaryKeyConstraint("id", name="pk_messages"),
    )
    for columns in (["at", "id"], ["district", "at", "id"], ["site", "at", "id"], ["about"]):
        op.create_index(f"ix_messages_{'_'.join(columns)}", "messages", columns)
