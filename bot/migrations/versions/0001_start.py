"""The first tables: register, batches with their logs, conditions of sets, running totals."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def _words(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _numbers(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, sa.Integer, nullable=False) for name in names]


def _counts() -> list[sa.Column[int]]:
    names = ("batches", "sets", "aside", "segments")
    return [sa.Column(name, sa.BigInteger, nullable=False) for name in names]


def _time(name: str, *, nullable: bool = True) -> sa.Column[datetime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _key(table: str, *columns: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint(*columns, name=f"pk_{table}")


def _refers(table: str, column: str, to: str, ondelete: str | None = None,
            ) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{to}.id"], name=f"fk_{table}_{column}",
                                   ondelete=ondelete)


def upgrade() -> None:
    _register()
    _batches()
    _entries()
    _states_and_totals()


def _register() -> None:
    op.create_table("districts", *_words("id", "name"), _key("districts", "id"))
    op.create_table(
        "facilities", *_words("id", "name", "district"),
        sa.Column("altitude_m", sa.Float, nullable=False),
        *_words("zone", "methods", "autoclave", "measures", "protocol"),
        _key("facilities", "id"), _refers("facilities", "district", "districts"),
    )
    op.create_table("models", *_words("id", "kind", "pieces", "methods"), _key("models", "id"))
    op.create_table(
        "sets", *_words("id", "facility", "model"), _key("sets", "id"),
        _refers("sets", "facility", "facilities"), _refers("sets", "model", "models"),
    )
    op.create_index("ix_sets_facility", "sets", ["facility"])
    op.create_table(
        "people", *_words("id", "name", "phone", "role", "place", "language"),
        _key("people", "id"), sa.UniqueConstraint("phone", name="uq_people_phone"),
    )


def _batches() -> None:
    op.create_table(
        "batches", *_words("id", "facility", "district"), _time("opened_at", nullable=False),
        _time("closed_at"), _time("expires_at"),
        *_words("day", "month", "method", "outcome", "protocol", "flow", "sets"),
        *_numbers("set_count", "aside_count", "segments", "version"), *_words("doc"),
        _key("batches", "id"),
    )
    for columns in (["opened_at", "id"], ["district", "opened_at", "id"],
                    ["facility", "opened_at", "id"]):
        op.create_index(f"ix_batches_{'_'.join(columns)}", "batches", columns)
    op.create_index("ix_batches_month_district_method", "batches",
                    ["month", "district", "method", "outcome"])


def _entries() -> None:
    op.create_table(
        "entries", *_words("batch"), *_numbers("n"), _time("at", nullable=False),
        *_words("kind", "stage", "by_id", "via", "said", "mark", "set_id"),
        sa.Column("voids", sa.Integer), *_words("facts"),
        _key("entries", "batch", "n"), _refers("entries", "batch", "batches", "CASCADE"),
    )
    op.create_index("ix_entries_kind_mark_at", "entries", ["kind", "mark", "at"])


def _states_and_totals() -> None:
    op.create_table(
        "set_states", *_words("id", "condition"), _time("since"), _time("expires_at"),
        *_words("batch", "load"), *_numbers("version"), _key("set_states", "id"),
    )
    op.create_table(
        "totals", *_words("day", "district", "facility", "method", "outcome", "month", "week"),
        *_counts(), _key("totals", "day", "district", "facility", "method", "outcome"),
    )
    op.create_index("ix_totals_district_day", "totals", ["district", "day"])
    op.create_table(
        "totals_month", *_words("month", "district", "method", "outcome"), *_counts(),
        _key("totals_month", "month", "district", "method", "outcome"),
    )
    op.create_index("ix_totals_month_district_month", "totals_month", ["district", "month"])
