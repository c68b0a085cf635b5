"""The tables of the store but the running totals, the same on SQLite and PostgreSQL. Lists are
words in one text."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    DateTime,
    Dialect,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    TypeDecorator,
)

metadata = MetaData(naming_convention={
    "pk": "pk_%(table_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
})


class UtcTime(TypeDecorator[datetime]):
    """Aware UTC in, aware UTC out. A naive time is refused (ValueError): which hour was meant?"""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without its zone cannot be stored")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        if value is None:
            return None
        # SQLite gives back the UTC that went in, without saying so.
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Words(TypeDecorator[str]):
    """Text that both engines can hold: PostgreSQL takes no NUL, and neither a lone surrogate."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:  # noqa: ARG002
        if value is None:
            return None
        return value.encode("utf-8", "replace").decode().replace("\0", "\ufffd")


def _words(name: str) -> Column[str]:
    return Column(name, Words, nullable=False)


def _id() -> Column[str]:
    return Column("id", Words, primary_key=True)


districts = Table("districts", metadata, _id(), _words("name"))

facilities = Table(
    "facilities", metadata, _id(), _words("name"),
    Column("district", Words, ForeignKey("districts.id"), nullable=False),
    Column("altitude_m", Float, nullable=False),
    _words("zone"), _words("methods"), _words("autoclave"), _words("measures"),
    _words("protocol"), Column("soak_ml", Float, nullable=False, server_default="0"),
    Column("checks", Words, nullable=False, server_default=""),
    Column("least_ready", Words, nullable=False, server_default=""),
)

models = Table("models", metadata, _id(), _words("kind"), _words("pieces"), _words("methods"))

sets = Table(
    "sets", metadata, _id(),
    Column("facility", Words, ForeignKey("facilities.id"), nullable=False, index=True),
    Column("model", Words, ForeignKey("models.id"), nullable=False),
)

people = Table(
    "people", metadata, _id(), _words("name"),
    _words("phone"), _words("role"), _words("place"), _words("language"),
    Column("shift", Words, nullable=False, server_default=""),
)

# The chlorine that facilities hold: `opened` is a day or empty, `celsius` null where nobody knows.
stock = Table(
    "stock", metadata, _id(),
    Column("facility", Words, ForeignKey("facilities.id"), nullable=False), _words("product"),
    _words("form"), Column("strength", Float, nullable=False), _words("unit"),
    _words("opened"), Column("celsius", Float),
)

# One row: the number of the register as it stands. Who changes the register holds it until the end,
# so that changes come one after the other and each knows the one before.
register_marks = Table(
    "register_marks", metadata, _id(), Column("revision", BigInteger, nullable=False),
)

# What was asked of the register by text, once each. `refused` says why nothing was changed, or "";
# `about` is the id of the person or set that was changed or made, `by_id` a person's id.
amendments = Table(
    "amendments", metadata, _id(), _words("facility"), Column("at", UtcTime, nullable=False),
    _words("kind"), _words("by_id"), _words("about"), _words("refused"),
)

def _zone() -> Column[str]:
    # By whose calendar a row is counted: the facility's zone when it was written.
    return Column("zone", Words, nullable=False, server_default="UTC")


# One row a batch, its newest version; `doc` is the whole batch as JSON. `set_count` is all its
# sets, `aside_count` those of them that were set aside. `late` is 1 for one that was told after it
# was done. `missed` are the steps that were missed, each as " stage:reason "; the times are in
# minutes. Not tied to the register: a batch outlives its facility's row.
batches = Table(
    "batches", metadata, _id(), _words("facility"), _words("district"), _zone(),
    Column("opened_at", UtcTime, nullable=False),
    Column("closed_at", UtcTime),
    Column("expires_at", UtcTime),
    _words("method"), _words("outcome"),
    _words("protocol"), _words("flow"), _words("sets"),
    Column("set_count", Integer, nullable=False),
    Column("aside_count", Integer, nullable=False),
    Column("segments", Integer, nullable=False),
    Column("late", Integer, nullable=False, server_default="0"),
    Column("missed", Words, nullable=False, server_default=""),
    Column("use_to_wipe", Float), Column("use_to_ready", Float),
    Column("version", Integer, nullable=False),
    _words("doc"),
)
Index("ix_batches_opened_at_id", batches.c.opened_at, batches.c.id)
Index("ix_batches_district_opened_at_id", batches.c.district, batches.c.opened_at, batches.c.id)
Index("ix_batches_facility_opened_at_id", batches.c.facility, batches.c.opened_at, batches.c.id)

set_states = Table(
    "set_states", metadata, _id(), _words("condition"),
    Column("since", UtcTime), Column("expires_at", UtcTime),
    _words("batch"), _words("load"),
    Column("version", Integer, nullable=False),
)

# One row an alert, its newest version. `told` are the register ids of who was told, `closed_at`
# is null while something is still to be done; `doc` is the whole alert as JSON. Like a batch, it
# outlives its facility's row of the register.
alerts = Table(
    "alerts", metadata, _id(), _words("facility"), _words("district"), _zone(), _words("rule"),
    _words("matter"), _words("batch"),
    Column("at", UtcTime, nullable=False),
    Column("last_at", UtcTime, nullable=False),
    Column("count", Integer, nullable=False),
    _words("state"),
    Column("closed_at", UtcTime),
    _words("told"),
    Column("version", Integer, nullable=False),
    _words("doc"),
)
# What is open stays little however long the history grows, and a page asks for it all the time.
Index("ix_alerts_district_closed_at_at_id", alerts.c.district, alerts.c.closed_at, alerts.c.at,
      alerts.c.id)
Index("ix_alerts_at_id", alerts.c.at, alerts.c.id)
Index("ix_alerts_district_at_id", alerts.c.district, alerts.c.at, alerts.c.id)
Index("ix_alerts_facility_at_id", alerts.c.facility, alerts.c.at, alerts.c.id)
Index("ix_alerts_batch", alerts.c.batch)

# One row a message to somebody of the register, its newest state, without phone and words. `about`
# is a batch or an alert, `person` a register id, `site` a facility or a district's own page.
messages = Table(
    "messages", metadata, _id(), _words("site"), _words("district"), _zone(),
    _words("about"), _words("kind"), _words("person"),
    Column("at", UtcTime, nullable=False),
    Column("segments", Integer, nullable=False),
    Column("sent_at", UtcTime),
    _words("state"), _words("reason"),
    Column("tries", Integer, nullable=False),
    Column("version", Integer, nullable=False),
)
Index("ix_messages_at_id", messages.c.at, messages.c.id)
Index("ix_messages_district_at_id", messages.c.district, messages.c.at, messages.c.id)
Index("ix_messages_site_at_id", messages.c.site, messages.c.at, messages.c.id)
Index("ix_messages_about", messages.c.about)

# One row a shift check that was due, done or missed, and one done between the times (`slot` null).
# `moment` is when it was due, or done; `by_id` a person's id. What nobody said is null, never 0.
checks = Table(
    "checks", metadata, _id(), _words("facility"), _words("district"), _zone(),
    Column("moment", UtcTime, nullable=False),
    Column("slot", UtcTime), Column("at", UtcTime), _words("by_id"), Column("since", UtcTime),
    _words("sets"),
    Column("uses_said", Integer),
    Column("uses_counted", Integer, nullable=False),
    Column("births", Integer), Column("helped", Integer),
    Column("late_minutes", Float, nullable=False),
    Column("done", Boolean, nullable=False),
    Column("version", Integer, nullable=False),
)
Index("ix_checks_moment_id", checks.c.moment, checks.c.id)
Index("ix_checks_district_moment_id", checks.c.district, checks.c.moment, checks.c.id)
Index("ix_checks_facility_moment_id", checks.c.facility, checks.c.moment, checks.c.id)

# One row a time in which no set of a kind was READY at a facility; `until` is null while it lasts.
gaps = Table(
    "gaps", metadata, _id(), _words("facility"), _words("district"), _zone(),
    _words("kind"),
    Column("since", UtcTime, nullable=False),
    Column("until", UtcTime),
    Column("version", Integer, nullable=False),
)
Index("ix_gaps_since_id", gaps.c.since, gaps.c.id)
Index("ix_gaps_district_since_id", gaps.c.district, gaps.c.since, gaps.c.id)
Index("ix_gaps_facility_since_id", gaps.c.facility, gaps.c.since, gaps.c.id)
# What lasts stays little however long the history grows.
Index("ix_gaps_district_until", gaps.c.district, gaps.c.until)

# One row a chlorine solution that was made by MIX, of which stock of the register. `ended` is empty
# while it stands, `by_id` a person's id.
mixes = Table(
    "mixes", metadata, _id(), _words("facility"), _words("district"), _zone(),
    Column("at", UtcTime, nullable=False),
    Column("expires_at", UtcTime, nullable=False),
    Column("strength_percent", Float, nullable=False),
    Column("litres", Float, nullable=False),
    _words("product"), _words("stock"), _words("by_id"),
    Column("closed_at", UtcTime), _words("ended"),
    Column("version", Integer, nullable=False),
)
Index("ix_mixes_at_id", mixes.c.at, mixes.c.id)
Index("ix_mixes_district_at_id", mixes.c.district, mixes.c.at, mixes.c.id)
Index("ix_mixes_facility_at_id", mixes.c.facility, mixes.c.at, mixes.c.id)


# Who may log in at the desk. `place` is a facility, a district or "*", by the role; `password` an
# argon2 hash; `person` the register's id of whoever gets a code by SMS, or empty. Neither is tied
# to the register: an account outlives an import.
accounts = Table(
    "accounts", metadata, _id(), _words("name"), _words("role"), _words("place"),
    _words("password"), _words("person"),
    Column("created_at", UtcTime, nullable=False),
    Column("last_login_at", UtcTime),
    Column("failures", Integer, nullable=False),
    Column("locked_until", UtcTime),
    Column("disabled", Boolean, nullable=False),
)

# `id` is the SHA-256 of the token in the browser's cookie; `code` a digest made with that token.
account_sessions = Table(
    "account_sessions", metadata, _id(),
    Column("account", Words, ForeignKey("accounts.id", ondelete="CASCADE"), nullable=False,
           index=True),
    Column("created_at", UtcTime, nullable=False),
    Column("seen_at", UtcTime, nullable=False),
    Column("expires_at", UtcTime, nullable=False, index=True),
    Column("confirmed", Boolean, nullable=False),
    _words("code"),
    Column("code_until", UtcTime),
    Column("code_tries", Integer, nullable=False),
)

# Who may use the API. `id` is the name that people know it by, `digest` the SHA-256 of the token,
# `district` one or "*". One that was revoked stays, so that its name says for ever what it was.
tokens = Table(
    "tokens", metadata, _id(),
    Column("digest", Words, nullable=False, unique=True), _words("scope"), _words("district"),
    Column("created_at", UtcTime, nullable=False),
    Column("expires_at", UtcTime, nullable=False),
    Column("last_used_at", UtcTime),
    Column("revoked_at", UtcTime),
)

# Monthly reports that leave by themselves, one row for each way. `month` is 2026-10, `state`
# claimed, failed or sent; `at` is when it was sent, or from when on somebody may try again.
reports_sent = Table(
    "reports_sent", metadata,
    *(Column(name, Words, primary_key=True) for name in ("district", "month", "way")),
    _words("state"), Column("tries", Integer, nullable=False),
    Column("at", UtcTime, nullable=False))

# What was done, by whom, when: lines are added and never changed. `detail` is a JSON object.
audit = Table(
    "audit", metadata,
    Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True,
           autoincrement=True),
    Column("at", UtcTime, nullable=False),
    _words("who"), _words("what"), _words("about"), _words("district"), _words("detail"),
    sqlite_autoincrement=True,
)
Index("ix_audit_district_id", audit.c.district, audit.c.id)
