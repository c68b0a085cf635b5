"""When a facility checks its sets, how many must be READY there, and who works when."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    for table, name in (("facilities", "checks"), ("facilities", "least_ready"),
                        ("people", "shift")):
        op.add_column(table, sa.Column(name, sa.Text, nullable=False, server_default=""))
