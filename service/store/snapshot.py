"""A consistent copy of the database while others write to it, and whether a copy is sound."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from service.store.db import Database, DatabaseError, sqlite_url

__all__ = ["check_copy", "copy_database", "upgrade", "upgrade_copy"]


def copy_database(source: Path, target: Path) -> None:
    """Copy a SQLite database as it is at one instant, by SQLite's own back-up.

    The log is read along, and nobody who writes has to wait. The copy is one file, without a log.

    Raises
    ------
    DatabaseError
        Where the source cannot be read or the copy is not sound.
    """
    try:
        with (
            closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True)) as live,
            closing(sqlite3.connect(target)) as copy,
        ):
            live.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")
    except sqlite3.Error as error:
        raise DatabaseError(f"the database {source} cannot be copied: {error}") from error
    check_copy(target)


def check_copy(path: Path) -> None:
    """See that a database is whole: pages, indices, and rows that point to rows.

    Raises
    ------
    DatabaseError
        Naming what is broken.
    """
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as copy:
            told = [row[0] for row in copy.execute("PRAGMA integrity_check(3)")]
            loose = copy.execute("PRAGMA foreign_key_check").fetchmany(3)
    except sqlite3.Error as error:
        raise DatabaseError(f"{path.name} is no sound database: {error}") from error
    if told != ["ok"]:
        raise DatabaseError(f"{path.name} is broken: {'; '.join(told)}")
    if loose:
        raise DatabaseError(f"{path.name}: rows point to nothing: {loose}")


def upgrade_copy(folder: Path) -> None:
    """Bring the database of a data folder up to this version; raises DatabaseError."""
    upgrade(sqlite_url(folder))


def upgrade(url: str) -> None:
    """Bring the database at an address up to this version; raises DatabaseError."""
    database = Database(url)
    try:
        database.upgrade()
    finally:
        database.dispose()
