"""Several people of one facility may share a phone; who may is the register's rule."""

from __future__ import annotations

from alembic import op

revision = "0010"
down_revision = "0009_late"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("people") as people:
        people.drop_constraint("uq_people_phone", type_="unique")
