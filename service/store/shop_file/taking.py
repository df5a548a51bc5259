"""A shop file taken into an empty shop, in one transaction."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection, inspect, make_url
from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import SQLModel

from service.store import signin_tables, tables  # noqa: F401 -- fills the metadata
from service.store.db import NOT_ALONE, Database, DatabaseError, migrate, remade, sqlite_url
from service.store.shop_file import secret
from service.store.shop_file.form import ShopFileError
from service.store.shop_file.pouring import (
    ROWS,
    VERSIONS,
    pour,
    reading,
    see_that_nothing_is_kept,
    see_whose_it_is,
)
from service.store.shop_file.reading import Listed, Progress, ShopFile, opened

__all__ = ["TakenIn", "take_in"]


@dataclass(frozen=True)
class TakenIn:
    """What was taken in."""

    schema: str
    """Version of the tables in the file, from which they were brought up to this version's."""
    rows: int
    files: int
    secrets: bool


def take_in(
    url: str,
    data: Path,
    path: Path,
    *,
    among: Database | None = None,
    progress: Progress = lambda _done, _total: None,
) -> TakenIn:
    """Make a shop of a shop file: whole, or not at all.

    The file is looked through before anything is touched. Then tables of the file's version are
    made, filled and brought up to this version's, photos and YAML are laid into the data folder,
    and all of it is committed at once. What goes to PostgreSQL is made up in a SQLite file first:
    there the tables may be those of many shops, so nothing but rows is written to them.

    Parameters
    ----------
    url, data : str, Path
        Address of the database, and data folder, of a shop in which nothing is kept yet.
    path : Path
        The shop file.
    among : Database, optional
        The shop, if it is one of many in a database; ``url`` is not used then.
    progress : callable
        Told how many bytes of how many are done.

    Raises
    ------
    ShopFileError
        Where the file is damaged, foreign or newer, or something is kept in the shop already.
    DatabaseError, OSError
        Where the database cannot be used, or the folder cannot be written.
    """
    with opened(path) as file:
        total = 2 * file.size
        file.check(lambda done, _: progress(done, total))
        _see_that_folder_is_empty(file, data)
        told = _Told(file.size, total, progress)
        try:
            if among is None and make_url(url).get_backend_name() == "sqlite":
                with remade(url) as connection:
                    rows = _make(connection, file, told)
                    _lay_all(file, data)
            else:
                rows = _pour_in(url, among, file, data, told)
        except SQLAlchemyError as error:
            why = getattr(error, "orig", None) or error
            raise DatabaseError(f"the database cannot take the shop: {why}") from error
        progress(total, total)
        return TakenIn(file.schema, rows, len(file.files), file.secrets)


@dataclass(frozen=True)
class _Told:
    """How far it is: reckoned by rows once the file has been looked through."""

    looked_through: int
    total: int
    progress: Progress

    def rows(self, count: int) -> None:
        self.progress(min(self.total, self.looked_through + count * 100), self.total)


def _make(connection: Connection, file: ShopFile, told: _Told) -> int:
    """Make tables as they were in the file's version, fill them, and bring them up to this one."""
    _clear(connection)
    migrate(connection, file.schema)
    rows = 0
    for table in file.tables:
        rows += _fill(connection, file, table)
        told.rows(rows)
    migrate(connection, "head")
    return rows


def _pour_in(url: str, among: Database | None, file: ShopFile, data: Path, told: _Told) -> int:
    with tempfile.TemporaryDirectory(prefix="boothglass-") as folder:
        made = sqlite_url(Path(folder))
        with remade(made) as connection:
            rows = _make(connection, file, told)
        with _open(url, among) as connection, reading(made) as source:
            see_that_nothing_is_kept(connection)
            pour(source, connection)
            _lay_all(file, data)
    return rows


@contextmanager
def _open(url: str, among: Database | None) -> Iterator[Connection]:
    """Open a transaction on the shop's tables; where it is the only one, they are made with it."""
    if among is not None:
        with among.write() as session:
            yield session.connection()
        return
    with remade(url) as connection:
        see_whose_it_is(connection)
        migrate(connection, "head")
        if connection.execute(sa.text("SELECT boothglass_shop()")).scalar() is None:
            raise DatabaseError(NOT_ALONE)
        yield connection


# -- the database --------------------------------------------------------------------------------


def _clear(connection: Connection) -> None:
    """Take tables away in which nothing is kept; raises ShopFileError where something is."""
    see_whose_it_is(connection)
    see_that_nothing_is_kept(connection)
    SQLModel.metadata.drop_all(connection)
    connection.execute(sa.text(f"DROP TABLE IF EXISTS {VERSIONS}"))


def _fill(connection: Connection, file: ShopFile, table: Listed) -> int:
    names = [field.name for field in table.fields]
    try:
        there = {column["name"] for column in inspect(connection).get_columns(table.name)}
    except sa.exc.NoSuchTableError:
        there = set()
    if there != set(names):
        raise ShopFileError(f"the file is damaged: {table.name} has other columns in that version")
    columns = [sa.column(field.name, field.database_type) for field in table.fields]
    insert = sa.insert(sa.table(table.name, *columns))
    read = _reader(table)
    rows, done = file.rows(table), 0
    while batch := list(islice(rows, ROWS)):
        try:
            connection.execute(insert, [read(line, row) for line, row in batch])
        except SQLAlchemyError as error:
            why = getattr(error, "orig", None) or error
            raise ShopFileError(
                f"{table.name}, lines {batch[0][0]} to {batch[-1][0]}, cannot be kept: {why}"
            ) from error
        done += len(batch)
    return done


def _reader(table: Listed) -> Callable[[int, dict[str, Any]], dict[str, Any]]:
    readers = [
        (field.name, field.reader(), secret.filled_in(table.name, field.name))
        for field in table.fields
    ]

    def read(line: int, row: dict[str, Any]) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for name, change, fill in readers:
            try:
                value = change(row[name])
            except (ValueError, TypeError, OverflowError) as error:
                raise ShopFileError(f"{table.name}, line {line}: {name}: {error}") from error
            values[name] = fill() if value is None and fill is not None else value
        return values

    return read


# -- the data folder -----------------------------------------------------------------------------


def _see_that_folder_is_empty(file: ShopFile, data: Path) -> None:
    """See that nothing in the data folder would be written over.

    What is there as it is in the file was laid there by a try that was broken off.
    """
    for folder in ("photos", "materials", "schedules", "flaws"):
        for path in (data / folder).rglob("*"):
            name = path.relative_to(data).as_posix()
            if not path.is_file() or name.endswith(PART):
                continue
            if name not in file.digests or _digest(path) != file.digests[name][1]:
                raise ShopFileError(
                    f"something is kept in {data} already ({name}); a shop file only goes into an "
                    "empty shop: set BOOTHGLASS_DATA to a new folder"
                )


PART = ".part"


def _lay_all(file: ShopFile, data: Path) -> None:
    for name in file.files:
        _lay(data / name, file, name)


def _lay(path: Path, file: ShopFile, name: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f"{path.name}{PART}")
    with part.open("wb") as out:
        for chunk in file.chunks(name):
            out.write(chunk)
        out.flush()
        os.fsync(out.fileno())
    part.replace(path)


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
