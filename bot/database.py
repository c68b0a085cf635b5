"""One database by its address: engine, transactions, schema steps. Its errors become ours."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, Engine, QueuePool, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import (
    ArgumentError,
    DataError,
    IntegrityError,
    NoSuchModuleError,
    SQLAlchemyError,
    StatementError,
)

from bot.errors import ConfigError, StoreDown
from bot.total_tables import metadata

SQLITE_WAIT_SECONDS = 10  # how long a writer waits for another before it gives up
POSTGRES_CONNECT_SECONDS = 5
MIGRATION_LOCK = 736_276_635  # any number, the same in every process that migrates


class Database:
    """Transactions on the database at *url*. Raises ConfigError on an address it cannot use."""

    def __init__(self, url: str) -> None:
        self.engine = _engine(_address(url))
        self.is_postgresql = self.engine.dialect.name == "postgresql"
        level = "REPEATABLE READ" if self.is_postgresql else None
        self._reading = self.engine.execution_options(isolation_level=level) if level else (
            self.engine)
        self._writing = self.engine.execution_options(writes=True)

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection that sees one moment of the database."""
        with translated(), self._reading.begin() as connection:
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A transaction: all of it, or none if the block raises."""
        with translated(), self._writing.begin() as connection:
            yield connection

    def migrate(self) -> None:
        """Bring the schema to the newest step. Any number of processes may do it at once.

        An empty database gets the tables as they are now: a test holds that the steps lead there.
        """
        config = Config()
        config.set_main_option("script_location", "bot:migrations")
        config.set_main_option("path_separator", "os")
        with self.write() as connection:
            if self.is_postgresql:
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"),
                                   {"key": MIGRATION_LOCK})
            config.attributes["connection"] = connection
            if inspect(connection).get_table_names():
                command.upgrade(config, "head")
            else:
                metadata.create_all(connection)
                command.stamp(config, "head")

    def close(self) -> None:
        """Give back every connection."""
        self.engine.dispose()


@contextmanager
def translated() -> Iterator[None]:
    """Errors of the database as ours: StoreDown to try again, ValueError for a value it refuses.

    Messages name the kind of error only: the database's own may quote a row, and a row a phone.
    """
    try:
        yield
    except (IntegrityError, DataError) as exc:
        raise ValueError(f"the store cannot hold this ({type(exc).__name__})") from None
    except OverflowError:
        raise ValueError("the store cannot hold a number of this size") from None
    except StatementError as exc:
        if isinstance(exc.orig, (ValueError, OverflowError)):  # raised by a column type of ours
            raise ValueError(str(exc.orig)) from None  # noqa: TRY004 (a value, not a type)
        raise StoreDown(f"the store failed ({type(exc).__name__})") from exc
    except SQLAlchemyError as exc:
        raise StoreDown(f"the store failed ({type(exc).__name__})") from exc


def _address(url: str) -> URL:
    try:
        address = make_url(url)
    except ArgumentError:
        raise ConfigError("the store's address cannot be read") from None
    if address.drivername in {"postgresql", "postgres"}:
        return address.set(drivername="postgresql+psycopg")
    if address.drivername in {"sqlite", "postgresql+psycopg"}:
        return address
    raise ConfigError("the store's address begins with sqlite: or postgresql:")


def _engine(address: URL) -> Engine:
    options: dict[str, Any] = {"hide_parameters": True}  # parameters hold phones
    try:
        if address.get_backend_name() == "sqlite":
            engine = create_engine(address, **options, **_sqlite_options(address))
            event.listen(engine, "connect", _on_sqlite_connect)
            event.listen(engine, "begin", _on_sqlite_begin)
            return engine
        return create_engine(address, pool_pre_ping=True, **options,
                             connect_args={"connect_timeout": POSTGRES_CONNECT_SECONDS})
    except (NoSuchModuleError, ImportError, ArgumentError):
        raise ConfigError("the driver of the store's address is not installed") from None


def _sqlite_options(address: URL) -> dict[str, Any]:
    arguments = {"timeout": SQLITE_WAIT_SECONDS, "check_same_thread": False}
    if address.database in {None, "", ":memory:"}:
        # A database in memory lives in one connection: every thread waits for its turn on it.
        return {"poolclass": QueuePool, "pool_size": 1, "max_overflow": 0,
                "connect_args": arguments}
    return {"connect_args": arguments}


def _on_sqlite_connect(connection: Any, _record: object) -> None:
    """The driver must not begin transactions on its own: `_on_sqlite_begin` does, at the start."""
    connection.isolation_level = None
    for pragma in ("foreign_keys=ON", "synchronous=FULL"):
        connection.execute(f"PRAGMA {pragma}").close()
    # The file remembers this mode. Setting it is refused, without waiting, while another
    # connection sets it or writes; then that one or the next will have done it.
    with suppress(sqlite3.OperationalError):
        connection.execute("PRAGMA journal_mode=WAL").close()


def _on_sqlite_begin(connection: Connection) -> None:
    """A writer takes its lock first: what it then reads cannot have changed when it writes."""
    writes = connection.get_execution_options().get("writes")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
