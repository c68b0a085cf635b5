"""Batches that were done on paper and told afterwards are counted apart."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009_late"
down_revision = "0008"
branch_labels = None
depends_on = None

TABLES = (("batches", sa.Integer), ("totals", sa.BigInteger), ("totals_month", sa.BigInteger))


def upgrade() -> None:
    # No batch was told so before this.
    for table, kind in TABLES:
        op.add_column(table, sa.Column("late", kind, nullable=False, server_default="0"))
