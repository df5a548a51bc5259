"""Databases for tests: SQLite files, or those of a PostgreSQL server that is the tests' own.

Every data folder has one database. Tables are made once and copied, which is quick in both.
"""

from __future__ import annotations

import atexit
import contextlib
import hashlib
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from equipment import SetClock
from sqlalchemy import Connection, MetaData, create_engine, pool, text
from sqlmodel import SQLModel

from service.store.db import Database, sqlite_path, sqlite_url
from service.store.per_shop import as_on_postgresql
from service.store.registry import REGISTRY, Registry
from service.store.shops_on_server import ShopsOnServer

__all__ = [
    "ON_POSTGRESQL",
    "DurableServer",
    "Hosting",
    "address",
    "as_superuser",
    "asked",
    "copied",
    "ended",
    "environment",
    "fresh",
    "hosting",
    "locked",
    "names_its_own",
    "on_disk",
    "on_server",
    "reachable",
    "role",
    "server_pid",
    "set_in",
    "setting",
    "sqlite_only",
    "tables_of",
]

ON_POSTGRESQL = os.environ.get("BOOTHGLASS_TEST_DATABASE") == "postgresql"

_MADE: set[str] = set()
"""Names of the PostgreSQL databases that tests have made."""

sqlite_only = pytest.mark.skipif(ON_POSTGRESQL, reason="looks into the SQLite file itself")
names_its_own = pytest.mark.skipif(
    ON_POSTGRESQL, reason="names its databases itself, whatever the tests run on"
)


def address(folder: Path) -> str:
    """Address of a data folder's database; on PostgreSQL it is made, without tables."""
    if not ON_POSTGRESQL:
        return sqlite_url(folder)
    name = _name(folder)
    if name not in _MADE:
        _create(name)
    return _server().address(name)


def setting(folder: Path) -> str | None:
    """What ``BOOTHGLASS_DATABASE_URL`` is for a data folder; None: not set."""
    return address(folder) if ON_POSTGRESQL else None


def environment(folder: Path) -> dict[str, str]:
    """What a process of the service is told of a data folder and its database."""
    found = {"BOOTHGLASS_DATA": str(folder)}
    url = setting(folder)
    return found if url is None else found | {"BOOTHGLASS_DATABASE_URL": url}


def set_in(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    """Let commands that this process runs find a data folder and its database."""
    for name, value in environment(folder).items():
        monkeypatch.setenv(name, value)


def asked(folder: Path, statement: str) -> list[tuple[Any, ...]]:
    """Ask a data folder's database from outside of the service: values as they lie there."""
    with _from_outside(folder) as connection:
        return [tuple(row) for row in connection.exec_driver_sql(statement)]


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold the lock that writers take, as another process does."""
    take = ["BEGIN", "SELECT 1 FROM shopturn FOR UPDATE"] if ON_POSTGRESQL else ["BEGIN IMMEDIATE"]
    with _from_outside(folder) as connection:
        for statement in take:
            connection.exec_driver_sql(statement)
        try:
            yield
        finally:
            connection.exec_driver_sql("ROLLBACK")


@contextlib.contextmanager
def _from_outside(folder: Path) -> Iterator[Connection]:
    engine = create_engine(address(folder), isolation_level="AUTOCOMMIT", poolclass=pool.NullPool)
    with engine.connect() as connection:
        yield connection
    engine.dispose()


def fresh(folder: Path) -> str:
    """Give a data folder a database with all tables and no rows; return its address."""
    if not ON_POSTGRESQL:
        shutil.copy(_sqlite_with_tables(), folder)
        return sqlite_url(folder)
    _create(_name(folder), f"TEMPLATE {_postgres_with_tables()}")
    return _server().address(_name(folder))


@contextlib.contextmanager
def ended() -> Iterator[None]:
    """End, with the block, every PostgreSQL database that was made in it: each takes 9 MB."""
    before = set(_MADE)
    yield
    for name in _MADE - before:
        _server().do(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        _MADE.remove(name)


def reachable() -> Path:
    """Make a folder that the PostgreSQL server reaches."""
    return Path(tempfile.mkdtemp(dir=_server().folder))


@contextlib.contextmanager
def on_disk(folder: Path, disk: Path) -> Iterator[None]:
    """Let the database of a data folder lie on a disk of its own; SQLite's file lies there."""
    if not ON_POSTGRESQL:
        yield
        return
    name, server = _name(folder), _server()
    server.owns(disk)
    server.do(f"CREATE TABLESPACE {name} LOCATION '{disk}'")
    server.do(f"CREATE DATABASE {name} TEMPLATE {_postgres_with_tables()} TABLESPACE {name}")
    _MADE.add(name)
    try:
        yield
    finally:
        _MADE.discard(name)
        server.do(f"DROP DATABASE {name} WITH (FORCE)")
        server.do(f"DROP TABLESPACE {name}")


def on_server(name: str, owner: str = "tests") -> str:
    """Address of an empty PostgreSQL database, made anew, whatever the tests run on.

    It is that for its owner: a superuser, or ``keeper``, beside whom there is a role ``host`` then.
    """
    if owner == "keeper":
        _see_that_roles_are_there()
    _create(name, f"OWNER {owner}")
    return _server().address(name, owner)


@dataclass(frozen=True)
class Hosting:
    """A PostgreSQL database for many shops: an owner who is no superuser, and a role that hosts."""

    registry: Registry
    owner_url: str
    host_url: str
    secret: str

    def shops(self, folder: Path) -> ShopsOnServer:
        return ShopsOnServer(self.host_url, self.secret, folder)


def hosting(name: str, *keys: str) -> Hosting:
    """Make such a database anew, with these shops."""
    _create(name, f"OWNER keeper TEMPLATE {_postgres_with_tables('keeper')}")
    owner, host = (_server().address(name, role) for role in ("keeper", "host"))
    registry = Registry(owner, SetClock())
    secret = registry.let_host("host").hex()
    for key in keys:
        registry.add(key, f"Shop {key}")
    return Hosting(registry, owner, host, secret)


def role(name: str, *given: str) -> None:
    """Make a role that may come in, and give it what is asked for by these statements."""
    if _server().has_role(name):
        _server().do(f"DROP OWNED BY {name}")
        _server().do(f"DROP ROLE {name}")
    for statement in (f"CREATE ROLE {name} LOGIN", *given):
        _server().do(statement)


def tables_of(connection: Connection) -> MetaData:
    """Every table as it has to be in a database of this kind."""
    if connection.dialect.name != "postgresql":
        return SQLModel.metadata
    made = as_on_postgresql(SQLModel.metadata)
    for table in REGISTRY.sorted_tables:
        table.to_metadata(made)
    return made


def copied(source: Path, folder: Path) -> str:
    """Give a data folder a copy of another's database, which nobody uses now."""
    if not ON_POSTGRESQL:
        shutil.copy(sqlite_path(source), folder)
        return sqlite_url(folder)
    _create(_name(folder), f"TEMPLATE {_name(source)}")
    return _server().address(_name(folder))


def _create(name: str, how: str = "") -> None:
    if name in _MADE:
        _server().do(f"DROP DATABASE {name} WITH (FORCE)")
    _server().do(f"CREATE DATABASE {name} {how}")
    _MADE.add(name)


def _name(folder: Path) -> str:
    return "t" + hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:24]


@cache
def _sqlite_with_tables() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="boothglass-tests-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    made = Database(sqlite_url(folder))
    made.upgrade()
    made.dispose()  # the last to close it moves its log into the one file that is copied
    return sqlite_path(folder)


@cache
def _see_that_roles_are_there() -> None:
    for one in ("keeper", "host"):
        role(one)


@cache
def _postgres_with_tables(owner: str = "tests") -> str:
    name = f"tables_of_{owner}"
    if owner == "keeper":
        _see_that_roles_are_there()
    _server().do(f"CREATE DATABASE {name} OWNER {owner}")
    made = Database(_server().address(name, owner))
    made.upgrade()
    made.dispose()
    return name


def as_superuser(name: str) -> str:
    """Address of a database on that server for the role that no rule holds back."""
    return _server().address(name)


def server_pid() -> int:
    """Process id of the server that databases are made on."""
    return int((_server().folder / "data" / "postmaster.pid").read_text().split()[0])


@cache
def _server() -> _Server:
    server = _Server()
    atexit.register(server.stop)
    return server


QUICK = " -c fsync=off -c synchronous_commit=off -c full_page_writes=off -c max_wal_size=128MB"

DURABLE = os.environ.get("BOOTHGLASS_TEST_DURABLE") == "1"
"""The server keeps what it has committed, as a shop's own does: where that is to be measured."""


class _Server:
    """A PostgreSQL that only this process uses, on a socket of its own; quick, if not durable."""

    durable = DURABLE

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="boothglass-pg-"))
        # PostgreSQL refuses to run as root; its package brings a user.
        self._as = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        self.owns(self.folder)
        self._run("initdb", "--no-sync", "-A", "trust", "-U", "tests", "-E", "UTF8")
        self.start()
        self._engine = create_engine(
            self.address("postgres"), isolation_level="AUTOCOMMIT", poolclass=pool.NullPool
        )

    def start(self) -> None:
        options = (
            f"-c listen_addresses= -c unix_socket_directories={self.folder}"
            f" -c max_connections=300{'' if self.durable else QUICK}"
        )
        self._run("pg_ctl", "-w", "-l", str(self.folder / "log"), "-o", options, "start")

    def address(self, name: str, role: str = "tests") -> str:
        return f"postgresql+psycopg://{role}@/{name}?host={self.folder}"

    def owns(self, folder: Path) -> None:
        """Let the server write into a folder."""
        if self._as:
            shutil.chown(folder, "postgres")

    def do(self, statement: str) -> None:
        with self._engine.connect() as connection:
            connection.execute(text(statement))

    def has_role(self, name: str) -> bool:
        return self._knows("SELECT 1 FROM pg_roles WHERE rolname = :name", name)

    def _knows(self, asked: str, name: str) -> bool:
        with self._engine.connect() as connection:
            return connection.execute(text(asked), {"name": name}).scalar() is not None

    def stop(self) -> None:
        self._engine.dispose()
        self._run("pg_ctl", "-m", "immediate", "stop")
        shutil.rmtree(self.folder, ignore_errors=True)

    def _run(self, command: str, *arguments: str) -> None:
        found = _postgres(command)
        subprocess.run(
            [*self._as, found, "-D", str(self.folder / "data"), *arguments],
            check=True,
            stdout=subprocess.DEVNULL,
        )


class DurableServer(_Server):
    """One that keeps what it has committed, whatever ends it; and that may be ended."""

    durable = True

    def fresh(self, name: str) -> str:
        """Make an empty database; return its address."""
        self.do(f"CREATE DATABASE {name}")
        return self.address(name)

    def kill(self) -> None:
        """End it as a power cut would; whoever is connected is cut off."""
        os.kill(self._pid(), signal.SIGKILL)

    def start_again(self, within_s: float = 60.0) -> None:
        """Start it as soon as what was killed has let go of its memory."""
        until = time.monotonic() + within_s
        while True:
            try:
                self.start()
            except subprocess.CalledProcessError:
                if time.monotonic() > until:
                    raise
                time.sleep(0.2)
            else:
                return

    def _pid(self) -> int:
        return int((self.folder / "data" / "postmaster.pid").read_text().split()[0])


def _postgres(command: str) -> str:
    """Where a program of PostgreSQL lies; Debian keeps those of a server off the path."""
    found = shutil.which(command)
    if found is None:
        lying = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{command}"))
        assert lying, f"{command} is not installed; deploy/test.sh installs it"
        found = str(lying[-1])
    return found
