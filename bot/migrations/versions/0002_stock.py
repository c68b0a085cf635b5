"""What a facility has to mix chlorine with: its soak container and its stock."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column(
        "facilities", sa.Column("soak_ml", sa.Float, nullable=False, server_default="0")
    )
    # What used to be bare names of vessels says nothing of how much they hold.
    op.execute("UPDATE facilities SET measures = ''")
    op.create_table(
        "stock",
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("facility", sa.Text, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("product", "form")),
        sa.Column("strength", sa.Float, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("unit", "opened")),
        sa.Column("celsius", sa.Float),
        sa.PrimaryKeyConstraint("id", name="pk_stock"),
        sa.ForeignKeyConstraint(["facility"], ["facilities.id"], name="fk_stock_facility"),
    )
