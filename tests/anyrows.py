"""Rows for every table that a database has, whatever its version: all kinds of values in them."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection

from service.store.per_shop import SHOP_ID
from service.store.registry import REGISTRY

__all__ = ["content", "fill", "insert"]

NO_SHOPS = {"alembic_version", *REGISTRY.tables}
"""Tables that hold nothing of a shop."""

ROWS = 3
TEXTS = ("as it was", "Größe „3 mm“, 'x' \\ \t\n 日本 🎻", "")
WHOLE = (0, -1, 2_000_000_000)
INSTANTS = (1_772_442_000_123, 1_772_445_599_999, 1_772_528_400_000)
FIGURES = (0.1, -1e-9, 98_765.432_109_876)
DATA: tuple[Any, ...] = (
    {"b": 1.0, "a": [1, None, "ü\u0001"], "n": {"z": 0.1, "big": 12345678901234567890}},
    {},
    {"text": "\u2028 </script>", "no": False},
)


def fill(connection: Connection) -> dict[str, list[dict[str, Any]]]:
    """Write some rows into every table; return them."""
    made: dict[str, list[dict[str, Any]]] = {}
    for table in _tables(connection):
        made[table.name] = [_row(table, n, made) for n in range(ROWS)]
    insert(connection, made)
    return made


def insert(connection: Connection, rows: dict[str, list[dict[str, Any]]]) -> None:
    """Write rows into tables as they lie there now."""
    for table in _tables(connection):
        if rows.get(table.name):
            connection.execute(sa.insert(table), rows[table.name])


def content(connection: Connection) -> dict[str, list[dict[str, Any]]]:
    """Every row of every table, in the order of their keys; which shop's it is is left out."""
    found = {}
    for table in _tables(connection):
        asked = sa.select(*_columns(table))
        rows = [dict(row) for row in connection.execute(asked).mappings()]
        keys = [column.name for column in table.primary_key if column.name != SHOP_ID]
        found[table.name] = sorted(rows, key=lambda row, k=keys: [row[name] for name in k])
    return found


def _tables(connection: Connection) -> list[sa.Table]:
    metadata = sa.MetaData()
    metadata.reflect(connection)
    return [t for t in metadata.sorted_tables if t.name not in NO_SHOPS]


def _columns(table: sa.Table) -> list[sa.Column[Any]]:
    """Columns of the shop's own; PostgreSQL fills in itself whose a row is."""
    return [column for column in table.columns if column.name != SHOP_ID]


def _row(table: sa.Table, n: int, made: dict[str, list[dict[str, Any]]]) -> dict[str, Any]:
    inspector_unique = {
        column.name
        for constraint in table.constraints
        if isinstance(constraint, sa.UniqueConstraint)
        for column in constraint.columns
    }
    row: dict[str, Any] = {}
    for column in _columns(table):
        named = column.primary_key or column.name in inspector_unique or column.unique
        row[column.name] = _value(table, column, n, made, named=bool(named))
    return row


def _value(
    table: sa.Table,
    column: sa.Column[Any],
    n: int,
    made: dict[str, list[dict[str, Any]]],
    *,
    named: bool,
) -> Any:
    for key in column.foreign_keys:
        there = made.get(key.column.table.name)
        if there is None:  # to itself
            return None
        return there[n][key.column.name]
    if column.nullable and n == ROWS - 1:
        return None
    return _of_kind(column.type, n, f"{table.name}.{column.name}.{n}" if named else None)


def _of_kind(kind: Any, n: int, name: str | None) -> Any:
    values: tuple[tuple[type[Any], Any], ...] = (
        (sa.BigInteger, INSTANTS[n]),
        (sa.Boolean, n % 2 == 0),
        (sa.Integer, WHOLE[n] if name is None else 3 * n + 2),
        (sa.Float, FIGURES[n]),
        (sa.JSON, DATA[n]),
        (sa.LargeBinary, bytes(range(n, 256))),
    )
    for base, value in values:
        if isinstance(kind, base):
            return value
    assert isinstance(kind, sa.String), f"what may a {kind!r} hold?"
    said = TEXTS[n] if name is None else name
    return said if kind.length is None else said[-kind.length :]
