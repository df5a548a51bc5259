"""A shop file taken into an empty shop, in one transaction."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection, inspect
from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import SQLModel

from service.store import signin_tables, tables  # noqa: F401 -- fills the metadata
from service.store.db import DatabaseError, migrate, remade
from service.store.shop_file import secret
from service.store.shop_file.form import ShopFileError
from service.store.shop_file.reading import Listed, Progress, ShopFile, opened

__all__ = ["TakenIn", "take_in"]

ROWS = 2000
"""Rows that are written at once."""

VERSIONS = "alembic_version"


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
    progress: Progress = lambda _done, _total: None,
) -> TakenIn:
    """Make a shop of a shop file: whole, or not at all.

    The file is looked through before anything is touched. Then tables of the file's version are
    made, filled and brought up to this version's, photos and YAML are laid into the data folder,
    and all of it is committed at once.

    Parameters
    ----------
    url, data : str, Path
        Address of the database, and data folder, of a shop in which nothing is kept yet.
    path : Path
        The shop file.
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
        rows = 0
        try:
            with remade(url) as connection:
                _clear(connection)
                migrate(connection, file.schema)
                for table in file.tables:
                    rows += _fill(connection, file, table)
                    progress(min(total, file.size + rows * 100), total)
                _go_on_counting(connection)
                migrate(connection, "head")
                for name in file.files:
                    _lay(data / name, file, name)
        except SQLAlchemyError as error:
            why = getattr(error, "orig", None) or error
            raise DatabaseError(f"the database cannot take the shop: {why}") from error
        progress(total, total)
        return TakenIn(file.schema, rows, len(file.files), file.secrets)


# -- the database --------------------------------------------------------------------------------


def _clear(connection: Connection) -> None:
    """Take tables away in which nothing is kept; raises ShopFileError where something is."""
    there = set(inspect(connection).get_table_names())
    ours = SQLModel.metadata.tables
    if there - ours.keys() - {VERSIONS} or (there and VERSIONS not in there):
        odd = sorted(there - {VERSIONS})
        raise ShopFileError(f"the database is not empty, nor of this version: it has {odd[0]}")
    for name in sorted(there & ours.keys() - {"fact"}):
        if secret.left_out(ours[name]):
            continue
        if connection.execute(
            sa.select(sa.literal(1)).select_from(sa.table(name)).limit(1)
        ).first():
            raise ShopFileError(
                f"something is kept in this shop already (in {name}); a shop file only goes into "
                "an empty one: set BOOTHGLASS_DATA to a new folder, or take a new database"
            )
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


def _go_on_counting(connection: Connection) -> None:
    """Let PostgreSQL number new rows from where the numbers of the old ones end."""
    if connection.dialect.name != "postgresql":
        return
    found = inspect(connection)
    for name in found.get_table_names():
        if "id" not in {column["name"] for column in found.get_columns(name)}:
            continue
        series = connection.execute(
            sa.text("SELECT pg_get_serial_sequence(:name, 'id')"), {"name": name}
        ).scalar()
        if series is not None:
            highest = sa.func.max(sa.column("id", sa.Integer))
            newest = sa.select(highest).select_from(sa.table(name))
            if (last := connection.execute(newest).scalar()) is not None:
                connection.execute(sa.select(sa.func.setval(series, last)))


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
