"""What migrations make: the same on SQLite as with Alembic's own words, per shop on PostgreSQL.

A migration that is released stands for ever, so what these do may grow but not change.
"""

from __future__ import annotations

from typing import Any

from alembic import op
from sqlalchemy import MetaData, Table
from sqlalchemy.sql.schema import SchemaItem

from service.store.per_shop import index_of, parts_of, separation

__all__ = ["create_index", "create_table", "create_unique"]


def create_table(name: str, *parts: SchemaItem, **options: Any) -> None:
    """Make a table, as ``op.create_table`` does.

    On PostgreSQL every row of it is a shop's, its numbers are counted in that shop, its keys point
    to rows of that shop, and no other shop sees it. Its indexes are made by :func:`create_index`.
    """
    if not _by_shop():
        op.create_table(name, *parts, **options)
        return
    op.create_table(name, *parts_of(Table(name, MetaData(), *parts)))
    for statement in separation(name):
        op.execute(statement)


def create_index(name: str, table: str, columns: list[str]) -> None:
    """Make an index, on PostgreSQL by shop first."""
    op.create_index(name, table, list(index_of(*columns)) if _by_shop() else columns)


def create_unique(name: str, table: str, columns: list[str]) -> None:
    """Let no two rows of a shop be alike in these columns."""
    if _by_shop():
        op.create_unique_constraint(name, table, list(index_of(*columns)))
        return
    with op.batch_alter_table(table, schema=None) as batch:
        batch.create_unique_constraint(name, columns)


def _by_shop() -> bool:
    return op.get_context().dialect.name == "postgresql"
