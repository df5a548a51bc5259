"""Rows of one database poured into the tables of a shop in which nothing is kept."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection, Table, inspect
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import SQLModel

from service.store import signin_tables, tables  # noqa: F401 -- fills the metadata
from service.store.partitions import parts
from service.store.registry import COUNTER, REGISTRY
from service.store.shop_file import secret
from service.store.shop_file.form import ShopFileError, field_of, plainly

__all__ = ["ROWS", "VERSIONS", "pour", "reading", "see_that_nothing_is_kept", "see_whose_it_is"]

ROWS = 2000
"""Rows that are read, written and handed on at once."""

VERSIONS = "alembic_version"


def see_whose_it_is(connection: Connection) -> None:
    """Raise ShopFileError where a database has tables that are not ours."""
    there = set(inspect(connection).get_table_names()) - parts(connection)
    odd = there - SQLModel.metadata.tables.keys() - REGISTRY.tables.keys() - {VERSIONS}
    if odd or (there and VERSIONS not in there):
        odd = odd or there
        raise ShopFileError(f"the database is not empty, nor of this version: it has {min(odd)}")


def see_that_nothing_is_kept(connection: Connection) -> None:
    """Raise ShopFileError where a shop holds more than a service makes when it starts."""
    there = set(inspect(connection).get_table_names())
    for table in SQLModel.metadata.sorted_tables:
        if table.name not in there or table.name == "fact" or secret.left_out(table):
            continue
        if connection.execute(
            sa.select(sa.literal(1)).select_from(sa.table(table.name)).limit(1)
        ).first():
            raise ShopFileError(
                f"something is kept in this shop already (in {table.name}); a shop file only goes "
                "into an empty one: set BOOTHGLASS_DATA to a new folder, or take a new database"
            )


@contextmanager
def reading(url: str) -> Iterator[Connection]:
    """Open a database that nobody else uses to read from."""
    engine = sa.create_engine(url)
    try:
        with engine.connect() as connection:
            yield connection
    finally:
        engine.dispose()


def pour(source: Connection, target: Connection) -> None:
    """Write all rows of one database of this version into the shop that ``target`` has entered.

    What a service has made when it started goes; numbers go on from where those of the rows end.

    Raises
    ------
    ShopFileError
        Naming the table, where it cannot keep a row.
    """
    for table in reversed(SQLModel.metadata.sorted_tables):
        target.execute(sa.delete(table))
    for table in SQLModel.metadata.sorted_tables:
        _pour(source, target, table)
        if table.autoincrement_column is not None:
            _go_on_counting(target, table)


def _pour(source: Connection, target: Connection, table: Table) -> None:
    columns = [sa.column(c.name, field_of(c).database_type) for c in table.columns]
    into = sa.insert(sa.table(table.name, *columns))
    asked = source.execution_options(yield_per=ROWS).execute(plainly(table, source.dialect.name))
    line = 0
    for rows in asked.mappings().partitions(ROWS):
        try:
            target.execute(into, [dict(row) for row in rows])
        except SQLAlchemyError as error:
            why = getattr(error, "orig", None) or error
            raise ShopFileError(
                f"{table.name}, lines {line + 1} to {line + len(rows)}, cannot be kept: {why}"
            ) from error
        line += len(rows)


def _go_on_counting(target: Connection, table: Table) -> None:
    """Let PostgreSQL number new rows from where the numbers of the old ones end."""
    highest: Any = sa.func.max(table.autoincrement_column)
    last = target.execute(sa.select(highest)).scalar()
    if last is None:
        return
    start = insert(COUNTER).values(shop_id=sa.func.boothglass_shop(), name=table.name, last=last)
    target.execute(
        start.on_conflict_do_update(
            index_elements=[COUNTER.c.shop_id, COUNTER.c.name], set_={"last": last}
        )
    )
