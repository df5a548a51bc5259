"""The database: one engine, short reads, and one door to commit."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import Session

__all__ = ["Database", "DatabaseError", "alembic_config", "sqlite_url"]

BUSY_TIMEOUT_MS = 10_000
MIGRATIONS = Path(__file__).parent / "migrations"


class DatabaseError(RuntimeError):
    """The database cannot be used; the message says what to do."""


def sqlite_url(data_folder: Path) -> str:
    """Address of the SQLite file in a data folder."""
    return f"sqlite:///{data_folder / 'boothglass.sqlite'}"


class Database:
    """An engine and the sessions over it.

    SQLite runs with write-ahead log and full sync, so that what was committed survives a power
    cut; every write takes its lock at the start, so that two writers queue instead of failing.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        self.engine: Engine = create_engine(url)
        if self.engine.dialect.name == "sqlite":
            event.listen(self.engine, "connect", _prepare_sqlite)
            event.listen(self.engine, "begin", _begin_immediate)

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Open a session to read from; nothing in it is ever committed."""
        with (
            self.engine.connect().execution_options(boothglass_reads=True) as connection,
            Session(connection, expire_on_commit=False) as session,
        ):
            yield session
            # What was read outlives the session; a rollback would empty it.
            session.expunge_all()

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Open a session that commits at the end, or changes nothing if an error escapes."""
        with Session(self.engine, expire_on_commit=False) as session:
            try:
                yield session
                session.commit()
            except BaseException:
                session.rollback()
                raise

    def upgrade(self) -> None:
        """Bring the tables up to this version; raises DatabaseError where they are newer."""
        config = alembic_config(self.url)
        known = {
            revision.revision for revision in ScriptDirectory.from_config(config).walk_revisions()
        }
        try:
            with self.engine.connect().execution_options(boothglass_reads=True) as connection:
                here = MigrationContext.configure(connection).get_current_revision()
            if here is not None and here not in known:
                raise DatabaseError(
                    "the database was made by a newer version of Boothglass; "
                    "install that version, or use another BOOTHGLASS_DATA"
                )
            command.upgrade(config, "head")
        except (SQLAlchemyError, CommandError) as error:
            raise DatabaseError(f"the database cannot be opened: {error}") from error

    def dispose(self) -> None:
        """Close every connection."""
        self.engine.dispose()


def alembic_config(url: str) -> Config:
    """Return Alembic's settings for a database address."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.set_main_option("sqlalchemy.url", url.replace("%", "%%"))
    return config


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    # The driver's own transaction handling is off: SQLAlchemy's "begin" event opens them.
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",
        "foreign_keys=ON",
        f"busy_timeout={BUSY_TIMEOUT_MS}",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_immediate(connection: Connection) -> None:
    reads = connection.get_execution_options().get("boothglass_reads", False)
    connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")
