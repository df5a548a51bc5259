"""The tables on PostgreSQL, where many shops share them and the server keeps them apart.

The models know no shop. On PostgreSQL every table has a column more, ``shop_id``, which comes
first in each of its keys and indexes; foreign keys go along with it, so that no row can point into
another shop; new rows get the shop that the transaction has entered, and a number that is counted
in that shop. Row-level security shows nothing else, and takes nothing else in.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    Column,
    Constraint,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    UniqueConstraint,
    text,
)
from sqlalchemy.sql.schema import SchemaItem

__all__ = ["POLICY", "SHOP_ID", "as_on_postgresql", "index_of", "parts_of", "separation"]

SHOP_ID = "shop_id"
POLICY = "only_its_shop"


def separation(table: str) -> tuple[str, ...]:
    """Statements that let the server keep the rows of a table apart by shop."""
    # Asked for in a query of its own, the shop is looked up once a statement, not once a row.
    same = f"{SHOP_ID} = (SELECT boothglass_shop())"
    return (
        f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY",
        f"CREATE POLICY {POLICY} ON {table} USING ({same}) WITH CHECK ({same})",
    )


def as_on_postgresql(metadata: MetaData) -> MetaData:
    """Return the tables as PostgreSQL has them."""
    made = MetaData()
    for table in metadata.sorted_tables:
        there = Table(table.name, made, *parts_of(table))
        for index in table.indexes:
            Index(index.name, *(there.c[name] for name in index_of(*index.columns.keys())))
    return made


def index_of(*columns: str) -> tuple[str, ...]:
    """Columns of an index or key as PostgreSQL has it."""
    return (SHOP_ID, *columns)


def parts_of(table: Table) -> list[SchemaItem]:
    """Return columns and constraints of a table as PostgreSQL has them; its indexes are left out.

    Raises
    ------
    NotImplementedError
        For a kind of constraint that nobody has thought of yet.
    """
    parts: list[SchemaItem] = [_column(table, column) for column in table.columns]
    parts.append(
        Column(SHOP_ID, Integer(), nullable=False, server_default=text("boothglass_shop()"))
    )
    parts += [_constraint(c) for c in sorted(table.constraints, key=lambda c: str(c.name))]
    return parts


def _column(table: Table, column: Column[Any]) -> Column[Any]:
    default = column.server_default
    if table.autoincrement_column is column and column.primary_key:
        default = text(f"boothglass_next('{table.name}')")  # type: ignore[assignment]
    return Column(
        column.name,
        column.type,
        nullable=column.nullable,
        autoincrement=False,
        server_default=default,
    )


def _constraint(constraint: Constraint) -> SchemaItem:
    name = None if constraint.name is None else str(constraint.name)
    if isinstance(constraint, PrimaryKeyConstraint):
        return PrimaryKeyConstraint(*index_of(*constraint.columns.keys()), name=name)
    if isinstance(constraint, UniqueConstraint):
        return UniqueConstraint(*index_of(*constraint.columns.keys()), name=name)
    if isinstance(constraint, ForeignKeyConstraint):
        targets = [element.target_fullname for element in constraint.elements]
        parent = targets[0].rpartition(".")[0]
        return ForeignKeyConstraint(
            index_of(*constraint.column_keys), [f"{parent}.{SHOP_ID}", *targets], name
        )
    raise NotImplementedError(f"{constraint!r}: how is that per shop?")
