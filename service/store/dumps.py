"""PostgreSQL's own tools at work: a dump while others write, and a database out of a dump.

``pg_dump`` reads everything in one transaction that sees one instant, and nobody who writes has to
wait for it. ``pg_restore`` writes everything in one transaction: a database has all of it, or none.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

from sqlalchemy import Connection, make_url, text

from service.store import hosts
from service.store.db import RESTORING, Database, DatabaseError, remade

__all__ = ["dump", "end_restore", "fill", "schema_of", "tables_in"]

DEBIAN = Path("/usr/lib/postgresql")
"""Where Debian keeps the programs of each version."""


def dump(url: str, target: Path) -> None:
    """Write a PostgreSQL database as it is at one instant, in the custom format of ``pg_dump``.

    It is left uncompressed: whatever it is packed into compresses it.

    Raises
    ------
    DatabaseError
        Where the database cannot be read, or ``pg_dump`` is missing or older than the server.
    """
    arguments = ["--format=custom", "--compress=0", "--no-owner", "--no-privileges"]
    _run("pg_dump", url, [*arguments, f"--file={target}"])


def fill(url: str, source: Path, digest: str) -> None:
    """Bring a dump into an empty database: all of it, or nothing.

    The database is marked with the digest of what it is being filled from, and no service opens it
    until :func:`end_restore` takes the mark away. Called again with the same digest it goes on
    where it was broken off.

    Raises
    ------
    DatabaseError
        Where the database is not empty, or cannot take it.
    """
    with remade(url) as connection:
        _mark(connection, digest)
        if _is_full(connection):  # an earlier try came as far as this
            return
    arguments = ["--single-transaction", "--exit-on-error", "--no-owner", "--no-privileges"]
    try:
        _run("pg_restore", url, [*arguments, str(source)])
    except DatabaseError:
        # The program of an earlier try may have outlived it, and be through by now.
        with remade(url) as connection:
            if not _is_full(connection):
                raise


def end_restore(url: str) -> None:
    """Let services open a database that has been filled."""
    with remade(url) as connection:
        connection.execute(text(f"DROP TABLE IF EXISTS {RESTORING}"))
        # A dump holds no rights: its roles are of the server that it was made on.
        hosts.let_in_again(connection)


def schema_of(url: str) -> str | None:
    """Return the version of a database's tables, as migrations name it; None where it has none."""
    database = Database(url)
    try:
        return database.schema()
    finally:
        database.dispose()


def tables_in(connection: Connection) -> set[str]:
    """Tables, views and sequences of a PostgreSQL database that are not the server's own."""
    found = connection.execute(
        text(
            "SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace"
            " WHERE c.relkind IN ('r', 'p', 'v', 'm', 'S', 'f')"
            " AND n.nspname NOT LIKE 'pg\\_%' AND n.nspname <> 'information_schema'"
        )
    )
    return set(found.scalars())


def _is_full(connection: Connection) -> bool:
    return bool(tables_in(connection) - {RESTORING})


def _mark(connection: Connection, digest: str) -> None:
    marked = _marked(connection)
    if marked is not None and marked != digest:
        raise DatabaseError(
            "the database is half-way through the restore of another file; finish that one, "
            "or make the database anew"
        )
    if marked is None:
        if found := tables_in(connection):
            raise DatabaseError(
                f"the database is not empty (it has {', '.join(sorted(found)[:3])} ...); "
                "a back-up only goes into an empty one"
            )
        connection.execute(text(f"CREATE TABLE {RESTORING} (digest text NOT NULL)"))
        connection.execute(text(f"INSERT INTO {RESTORING} VALUES (:d)"), {"d": digest})  # noqa: S608 -- a constant


def _marked(connection: Connection) -> str | None:
    there = connection.execute(text("SELECT to_regclass(:name)"), {"name": RESTORING})
    if there.scalar() is None:
        return None
    found: str | None = connection.execute(text(f"SELECT digest FROM {RESTORING}")).scalar()  # noqa: S608 -- a constant
    return found


def _run(program: str, url: str, arguments: list[str]) -> None:
    """Run one of PostgreSQL's programs on a database; the password never is an argument."""
    conninfo, password = _conninfo(url)
    environment = os.environ | ({} if password is None else {"PGPASSWORD": password})
    done = subprocess.run(  # noqa: S603 -- a fixed program, arguments of our own
        [_program(program), "--no-password", f"--dbname={conninfo}", *arguments],
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        said = [line for line in done.stderr.splitlines() if line.strip()]
        raise DatabaseError(f"{program}: {' '.join(said[:3]) or f'status {done.returncode}'}")


def _conninfo(url: str) -> tuple[str, str | None]:
    from psycopg.conninfo import make_conninfo  # comes with the extra

    parts = make_url(url)
    _, given = parts.get_dialect()().create_connect_args(parts)
    password = given.pop("password", None)
    return make_conninfo("", **given), password


def _program(name: str) -> str:
    """Where one of PostgreSQL's programs lies: on the path, else the newest that Debian has."""
    found = shutil.which(name)
    if found is not None:
        return found
    lying = sorted(DEBIAN.glob(f"*/bin/{name}"), key=lambda path: _number(path.parts[-3]))
    if not lying:
        raise DatabaseError(
            f"{name} is not installed; Debian has it in the package postgresql-client"
        )
    return str(lying[-1])


def _number(version: str) -> float:
    try:
        return float(version)
    except ValueError:
        return 0.0
