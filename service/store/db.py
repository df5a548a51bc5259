"""The database: one engine, short reads, and one door to commit."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from sqlite3 import Error as DriverError
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy import Connection, Engine, create_engine, event, inspect, make_url
from sqlalchemy.exc import (
    ArgumentError,
    DataError,
    DBAPIError,
    IntegrityError,
    OperationalError,
    SQLAlchemyError,
    StatementError,
)
from sqlmodel import Session

from service.store.memo import LOOK, PAST, Memo, PastKept
from service.store.turns import Turns
from service.store.wire import SEAL, SHARED, Seal

__all__ = [
    "RESTORING",
    "Database",
    "DatabaseAwayError",
    "DatabaseError",
    "Hosted",
    "alembic_config",
    "blames_data",
    "database_url",
    "known_schemas",
    "make_engine",
    "migrate",
    "remade",
    "sqlite_path",
    "sqlite_url",
    "unopened",
]

BUSY_TIMEOUT_MS = 10_000
MAKERS = 0x426F6F74
"""Key of the advisory lock that is held on PostgreSQL while tables are made or filled."""

ENTRY = "boothglass_entry"
"""Option of a connection: what its transactions enter a shop of a PostgreSQL database by."""

ALONE = ""
"""The entry of a database's owner into its only shop."""

NOT_ALONE = (
    "the database holds several shops, or its role does not own the tables: BOOTHGLASS_SHOP tells "
    "a command which one is meant, BOOTHGLASS_SHOPS_DOMAIN lets the service serve all of them; "
    "BOOTHGLASS_SHOPS_SECRET lets in"
)
NOT_LET_IN = "the database does not let into this shop: it is closed, or the secret is another"

TAPS = 0x42_74_61_70
"""Class of the locks under which the workers read first and then write."""

NOT_READY = ("starting up", "shutting down", "recovery", "not yet accepting", "too many clients")
"""What PostgreSQL says where a later try may do; other refusals are for somebody to see to."""

RESTORING = "boothglass_restoring"
"""Table that a PostgreSQL database has while a back-up is being brought into it."""

MIGRATIONS = Path(__file__).parent / "migrations"


class DatabaseError(RuntimeError):
    """The database cannot be used; the message says what to do."""


class DatabaseAwayError(DatabaseError):
    """The database's server does not answer now; nothing need be changed for it to do so later."""


def sqlite_path(data_folder: Path) -> Path:
    """Return the path of the SQLite file in a data folder."""
    return data_folder / "boothglass.sqlite"


def database_url(data_folder: Path, url: str | None) -> str:
    """Address of the shop's database: the one set, else the SQLite file in its data folder."""
    return url or sqlite_url(data_folder)


def sqlite_url(data_folder: Path) -> str:
    """Address of the SQLite file in a data folder."""
    return f"sqlite:///{sqlite_path(data_folder)}"


def blames_data(error: Exception) -> bool:
    """Whether a write failed for what was written, so that trying the same again is no use.

    A full disk, a lock or a lost server is not the data's fault.
    """
    if isinstance(error, DBAPIError):
        return isinstance(error, DataError | IntegrityError)
    return isinstance(error, StatementError | ValueError | TypeError | OverflowError)


@dataclass(frozen=True)
class Hosted:
    """How one shop of a PostgreSQL database of many is entered.

    ``shared`` says whether other shops use the engine too, so that it outlives this one; ``seal``
    seals what is told to other workers with a transaction.
    """

    server: Engine
    entry: str = field(repr=False)
    shared: bool = True
    seal: Seal | None = None


class Database:
    """An engine and the sessions over it.

    SQLite runs with write-ahead log and full sync, so that what was committed survives a power
    cut; every write takes its lock at the start, so that two writers queue instead of failing.
    PostgreSQL is asked for the same: one writer of a shop at a time over all processes, and reads
    that see one instant. Every transaction there begins with entering the shop.

    Parameters
    ----------
    url : str
        Address of the database.
    hosted : Hosted, optional
        How this shop is entered where the database holds many (:mod:`service.store.shops`). Unset:
        it holds one, and its engine is this one's own.
    """

    def __init__(self, url: str, *, hosted: Hosted | None = None) -> None:
        self.url, self._hosted = url, hosted
        self.shared_as: str | None = None
        """The shop's word on the wire between workers; None: no other worker serves it."""
        self._server = make_engine(url) if hosted is None else hosted.server
        # Connections of this engine come from the same pool, but each begins with the entry.
        entry = ALONE if hosted is None else hosted.entry
        self.engine = self._server.execution_options(**{ENTRY: entry})
        self._reads: dict[str, Any] = {"boothglass_reads": True}
        if self.engine.dialect.name == "postgresql":
            self._reads |= {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
        self._alone = threading.Lock()
        self._turns = Turns(BUSY_TIMEOUT_MS / 1000.0)
        self._memo, self._past = Memo(self.engine), PastKept()
        self._joined = threading.local()

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Open a session to read from; nothing in it is ever committed.

        Within :meth:`at_once` it is that one's session.
        """
        looking: Session | None = getattr(self._joined, "looking", None)
        if looking is not None:
            yield looking
            return
        carried = {LOOK: self._memo.look(), PAST: self._past}
        with (
            self.engine.connect().execution_options(**self._reads) as connection,
            Session(connection, expire_on_commit=False, info=carried) as session,
        ):
            yield session
            # What was read outlives the session; a rollback would empty it.
            session.expunge_all()

    @contextmanager
    def at_once(self) -> Iterator[Session]:
        """Make the reads of this thread one: all of them see the record of one instant."""
        with self.read() as session:
            outer = getattr(self._joined, "looking", None)
            self._joined.looking = session
            try:
                yield session
            finally:
                self._joined.looking = outer

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Open a session that commits at the end, or changes nothing if an error escapes.

        Within :meth:`together` it is that one's session, and commits with it.
        """
        joined: Session | None = getattr(self._joined, "session", None)
        if joined is not None:
            yield joined
            return
        with self._turns.turn(), self._writing() as session:
            try:
                yield session
                session.commit()
            except BaseException:
                session.rollback()
                raise

    def _writing(self) -> Session:
        carried = {SHARED: self.shared_as, SEAL: self._hosted.seal if self._hosted else None}
        return Session(self.engine, expire_on_commit=False, info=carried)

    @contextmanager
    def together(self) -> Iterator[Session]:
        """Make the writes of this thread one: all of them are committed at the end, or none.

        An error in one of them has to be let through.
        """
        with self.write() as session:
            outer = getattr(self._joined, "session", None)
            self._joined.session = session
            try:
                yield session
            finally:
                self._joined.session = outer

    @contextmanager
    def one_at_a_time(self) -> Iterator[None]:
        """Let what reads first and then writes be done by one thread at a time, in all workers."""
        with self._alone:
            if self.shared_as is None:
                yield
                return
            looks = self.engine.connect().execution_options(boothglass_reads=True)
            with looks as connection, connection.begin():
                connection.exec_driver_sql(f"SET LOCAL lock_timeout = {BUSY_TIMEOUT_MS}")
                connection.exec_driver_sql(
                    "SELECT pg_advisory_xact_lock(%s, hashtext(%s))", (TAPS, self.shared_as)
                )
                yield

    def upgrade(self) -> None:
        """Bring the tables up to this version, all at once or not at all.

        Raises
        ------
        DatabaseError
            If the database is newer than this version, is not one, or cannot be opened; or if it
            is another's to bring up, as that of many shops is.
        """
        try:
            here = self.schema()
            if self._hosted is not None:
                _see_that_it_is_up(here)
                return
            if here is not None and here not in known_schemas():
                raise DatabaseError(
                    f"the database was made by a newer version of Boothglass (its tables are "
                    f"version {here}); install that version, or use another BOOTHGLASS_DATA"
                )
            _migrate(self.url)
        except (SQLAlchemyError, DriverError, CommandError) as error:
            raise unopened(self.url, error) from error

    def schema(self) -> str | None:
        """Return the version of the tables, as migrations name it; None where there are none.

        Raises
        ------
        DatabaseError
            If the database cannot be opened, or a back-up was half brought into it.
        """
        try:
            with self._server.connect().execution_options(boothglass_reads=True) as connection:
                half = inspect(connection).has_table(RESTORING)
                here = MigrationContext.configure(connection).get_current_revision()
        except (SQLAlchemyError, DriverError) as error:
            raise unopened(self.url, error) from error
        if half:
            raise DatabaseError(
                "a back-up was not brought back to its end into this database; "
                "run boothglass restore once more, with the same file"
            )
        return here

    def dispose(self) -> None:
        """Close every connection of its own."""
        self._memo.close()
        if self._hosted is None or not self._hosted.shared:
            self._server.dispose()


def unopened(url: str, error: Exception) -> DatabaseError:
    """Return what is told where a database cannot be opened; no password is in it."""
    where = make_url(url).render_as_string(hide_password=True)
    why = getattr(error, "orig", None) or error
    kind = DatabaseAwayError if _is_away(error) else DatabaseError
    return kind(f"the database {where} cannot be opened: {why}")


def _is_away(error: Exception) -> bool:
    """Whether a server could not be reached, or said that it is not ready yet."""
    said = str(error)
    refused = "FATAL" in said and not any(reason in said for reason in NOT_READY)
    return isinstance(error, OperationalError) and "psycopg" in said and not refused


def _see_that_it_is_up(here: str | None) -> None:
    newest = ScriptDirectory.from_config(alembic_config("sqlite://")).get_current_head()
    if here != newest:
        raise DatabaseError(
            f"the tables of the database are version {here}, this program works with {newest}: "
            "its owner brings them up with boothglass shops upgrade"
        )


def make_engine(url: str, *, foreign_keys: bool = True, **pool: Any) -> Engine:
    """Make an engine with the promises of :class:`Database`; it enters no shop by itself.

    Raises
    ------
    DatabaseError
        Where the address is none of SQLite or PostgreSQL.
    """
    try:
        engine = create_engine(url, **pool)
    except (ArgumentError, ModuleNotFoundError) as error:
        raise DatabaseError(f"BOOTHGLASS_DATABASE_URL cannot be used: {error}") from error
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", partial(_prepare_sqlite, foreign_keys=foreign_keys))
        event.listen(engine, "begin", _begin_immediate)
    elif engine.dialect.name == "postgresql":
        event.listen(engine, "begin", _begin_postgresql)
    else:
        raise DatabaseError("BOOTHGLASS_DATABASE_URL: expected postgresql+psycopg://...")
    return engine


def known_schemas() -> set[str]:
    """Versions of the tables that this program can bring up to its own, as migrations name them."""
    script = ScriptDirectory.from_config(alembic_config("sqlite://"))
    return {revision.revision for revision in script.walk_revisions()}


def _migrate(url: str) -> None:
    with remade(url) as connection:
        migrate(connection, "head")


@contextmanager
def remade(url: str) -> Iterator[Connection]:
    """Open one transaction in which tables may be made anew; all of it is kept, or nothing.

    SQLite alters a table by making it anew; the keys that point to it are looked at in the end.
    """
    engine = make_engine(url, foreign_keys=False)
    try:
        with engine.begin() as connection:
            yield connection
            if engine.dialect.name == "sqlite":
                broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchmany(3)
                if broken:
                    raise DatabaseError(f"rows point to nothing after the upgrade: {broken}")
    finally:
        engine.dispose()


def migrate(connection: Connection, schema: str) -> None:
    """Bring tables up to a version within a transaction under way."""
    config = alembic_config("sqlite://")  # its address is not used
    config.attributes["connection"] = connection
    command.upgrade(config, schema)


def alembic_config(url: str) -> Config:
    """Return Alembic's settings for a database address."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.set_main_option("sqlalchemy.url", url.replace("%", "%%"))
    return config


def _prepare_sqlite(connection: Any, _record: Any, *, foreign_keys: bool) -> None:
    # The driver's own transaction handling is off: SQLAlchemy's "begin" event opens them.
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",
        f"foreign_keys={'ON' if foreign_keys else 'OFF'}",
        f"busy_timeout={BUSY_TIMEOUT_MS}",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_immediate(connection: Connection) -> None:
    reads = connection.get_execution_options().get("boothglass_reads", False)
    connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")


def _begin_postgresql(connection: Connection) -> None:
    """Enter the shop, and let its writers of all processes take turns, as SQLite's own lock does.

    Who makes or fills tables enters none, and waits for the others who do so.
    """
    options = connection.get_execution_options()
    writes, entry = not options.get("boothglass_reads", False), options.get(ENTRY)
    if entry is not None:
        # What lets in is never part of a statement: other sessions of the role can read those.
        asked = "SELECT boothglass_enter(%s, %s, %s)"
        given = (entry, writes, BUSY_TIMEOUT_MS)
        if connection.exec_driver_sql(asked, given).scalar() is None:
            raise DatabaseError(NOT_ALONE if entry == ALONE else NOT_LET_IN)
    elif writes:
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {BUSY_TIMEOUT_MS}")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({MAKERS})")
