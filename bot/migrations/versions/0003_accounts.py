"""Who may log in at the desk, who is logged in, and the trail of what was done."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def _words(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _time(name: str, *, nullable: bool = True) -> sa.Column[datetime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _flag(name: str) -> sa.Column[bool]:
    return sa.Column(name, sa.Boolean, nullable=False)


def _number(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer, nullable=False)


def upgrade() -> None:
    op.create_table(
        "accounts", *_words("id", "name", "role", "place", "password", "person"),
        _time("created_at", nullable=False), _time("last_login_at"),
        _number("failures"), _time("locked_until"), _flag("disabled"),
        sa.PrimaryKeyConstraint("id", name="pk_accounts"),
    )
    op.create_table(
        "account_sessions", *_words("id", "account"),
        *(_time(name, nullable=False) for name in ("created_at", "seen_at", "expires_at")),
        _flag("confirmed"), *_words("code"), _time("code_until"), _number("code_tries"),
        sa.PrimaryKeyConstraint("id", name="pk_account_sessions"),
        sa.ForeignKeyConstraint(["account"], ["accounts.id"], name="fk_account_sessions_account",
                                ondelete="CASCADE"),
    )
    for column in ("account", "expires_at"):
        op.create_index(f"ix_account_sessions_{column}", "account_sessions", [column])
    op.create_table(
        "audit",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), nullable=False,
                  autoincrement=True),
        _time("at", nullable=False), *_words("who", "what", "about", "district", "detail"),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_audit_district_id", "audit", ["district", "id"])
