"""Running totals of everything that is counted; the log of a batch stands in its document alone."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

COUNTED = ("batches", "alerts", "checks", "messages")
MEASURES = (
    "started", "sets_begun", "bags_begun", "suctions_begun", "unfinished", "batches", "released",
    "set_aside", "cancelled", "sets", "sets_ready", "aside", "segments", "late", "missed", "timed",
    "timed_minutes", "exposures", "cut_short", "early", "tests", "tests_failed", "pieces_missing",
    "pieces_damaged", "cycles_good", "cycles_refused", "checks_due", "checks_done",
    "checks_on_time", "uses_asked", "uses_said", "uses_counted", "births", "helped", "alerts",
    "alerts_answered", "alerts_over", "recalls", "messages", "message_segments", "messages_sent",
    "messages_delivered", "messages_lost", "empty_minutes", "mixed", "outlived",
)  # fmt: skip
DAY = ("district", "day", "facility", "method")
MONTH = ("district", "month", "facility", "method")
DISTRICT = ("district", "month", "method")
MISSED, BINS = ("what", "stage", "reason"), ("what", "bin")
TABLES = {
    "measures_by_day": (DAY, MEASURES), "measures_by_month": (MONTH, MEASURES),
    "measures_by_district": (DISTRICT, MEASURES),
    "reasons_by_day": ((*DAY, *MISSED), ("n",)), "reasons_by_month": ((*MONTH, *MISSED), ("n",)),
    "reasons_by_district": ((*DISTRICT, *MISSED), ("n",)),
    "spans_by_month": ((*MONTH, *BINS), ("n",)), "spans_by_district": ((*DISTRICT, *BINS), ("n",)),
    "hours_by_month": ((*MONTH, *BINS), ("n",)), "hours_by_district": ((*DISTRICT, *BINS), ("n",)),
}  # fmt: skip


def upgrade() -> None:
    for name, (keys, values) in TABLES.items():
        kinds = {"bin": sa.Integer}
        op.create_table(
            name,
            *(sa.Column(k, kinds.get(k, sa.Text), primary_key=True, autoincrement=False)
              for k in keys),
            *(sa.Column(v, sa.BigInteger, nullable=False, server_default="0") for v in values))
        time = keys[1]
        op.create_index(f"ix_{name}_{time}", name, [time])
        if "facility" in keys:
            op.create_index(f"ix_{name}_facility_{time}", name, ["facility", time])
    op.create_table("heard", sa.Column("facility", sa.Text, primary_key=True),
                    sa.Column("day", sa.Text, nullable=False))
    op.create_table("total_marks", sa.Column("id", sa.Text, primary_key=True),
                    sa.Column("version", sa.Text, nullable=False))
    for name in COUNTED:
        op.add_column(name, sa.Column("zone", sa.Text, nullable=False, server_default="UTC"))
        place = "site" if name == "messages" else "facility"
        op.execute(f"UPDATE {name} SET zone = COALESCE((SELECT facilities.zone FROM facilities "  # noqa: S608
                   f"WHERE facilities.id = {name}.{place}), 'UTC')")
    op.add_column("batches", sa.Column("missed", sa.Text, nullable=False, server_default=""))
    op.add_column("batches", sa.Column("use_to_wipe", sa.Float))
    op.add_column("batches", sa.Column("use_to_ready", sa.Float))
    op.drop_index("ix_batches_month_district_method", "batches")
    for column in ("day", "month"):
        op.drop_column("batches", column)
    for table in ("totals", "totals_month", "entries"):
        op.drop_table(table)
