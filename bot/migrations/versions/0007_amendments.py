"""What was asked of the register by text, and the number of the register as it stands."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def _words(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def upgrade() -> None:
    op.create_table(
        "register_marks", *_words("id"), sa.Column("revision", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_register_marks"),
    )
    op.create_table(
        "amendments", *_words("id", "facility"),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        *_words("kind", "by_id", "about", "refused"),
        sa.PrimaryKeyConstraint("id", name="pk_amendments"),
    )
