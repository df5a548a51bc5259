"""Readings on PostgreSQL in a part for each year: for installations that keep very many.

Nothing else has to know. A question about a span of time looks into the years that it touches, the
newest year's part stays small enough for memory, and an old year can be moved to another disk or
packed by itself. For one shop it is no use: its readings of ten years are one small table.

Only declarative partitions keep row-level security as it is; extensions that cut tables up by
themselves do not promise that, so none is used.
"""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import Connection, inspect, text

from service.store.db import Database, DatabaseError, known_schemas, remade
from service.store.hosts import let_in_again
from service.store.per_shop import separation
from service.store.types import to_millis

__all__ = ["AHEAD_YEARS", "is_partitioned", "partition", "parts"]

TABLE = "reading"
WHOLE = "reading_whole"
AHEAD_YEARS = 10
"""Years that get a part before they come; what comes later lies in one, until this is done anew."""


def is_partitioned(connection: Connection) -> bool:
    """Whether readings lie in parts."""
    asked = text("SELECT relkind = 'p' FROM pg_class WHERE oid = to_regclass(:table)")
    return bool(connection.execute(asked, {"table": TABLE}).scalar())


def parts(connection: Connection) -> set[str]:
    """Return the names of the tables that readings lie in, where they lie in parts."""
    if connection.dialect.name != "postgresql":
        return set()
    return set(_parts_of(connection, TABLE))


def partition(url: str, now: datetime) -> tuple[int, int]:
    """Put the readings into parts by year, all at once or not at all; by the tables' owner.

    May be done again, years later: parts are made for the years that have come since. Nobody may
    use the database meanwhile; it takes as long as copying all readings does.

    Returns
    -------
    tuple of int
        First and last year that has a part of its own.

    Raises
    ------
    DatabaseError
        Where the database is none of PostgreSQL, or its tables are not of this version.
    """
    database = Database(url)
    try:
        here = database.schema()
        if database.engine.dialect.name != "postgresql":
            raise DatabaseError("readings are put into parts on PostgreSQL only")
    finally:
        database.dispose()
    if here is None or here != max(known_schemas()):
        raise DatabaseError("bring the tables up to this version first: boothglass shops upgrade")
    with remade(url) as connection:
        return _partition(connection, now)


def _partition(connection: Connection, now: datetime) -> tuple[int, int]:
    connection.exec_driver_sql(f"LOCK TABLE {TABLE} IN ACCESS EXCLUSIVE MODE")
    count, oldest = connection.execute(text(f"SELECT count(*), min(at) FROM {TABLE}")).one()  # noqa: S608 -- a name of ours
    first = now.year if oldest is None else datetime.fromtimestamp(oldest / 1000, UTC).year
    years = min(first, now.year), now.year + AHEAD_YEARS
    connection.exec_driver_sql(f"ALTER TABLE {TABLE} RENAME TO {WHOLE}")
    for kept in (f"pk_{TABLE}", f"fk_{TABLE}_sensor_id"):
        connection.exec_driver_sql(f"ALTER TABLE {WHOLE} DROP CONSTRAINT {kept}")
    connection.exec_driver_sql(
        f"CREATE TABLE {TABLE} (LIKE {WHOLE} INCLUDING DEFAULTS, "
        f"CONSTRAINT pk_{TABLE} PRIMARY KEY (shop_id, sensor_id, at), "
        f"CONSTRAINT fk_{TABLE}_sensor_id FOREIGN KEY (shop_id, sensor_id) "
        "REFERENCES sensor (shop_id, id)) PARTITION BY RANGE (at)"
    )
    if inspect(connection).has_table(f"{TABLE}_before"):
        # Parts of an earlier time keep their names until the whole is gone.
        for part in _parts_of(connection, WHOLE):
            connection.exec_driver_sql(f"ALTER TABLE {part} RENAME TO former_{part}")
    bounds = [(f"{TABLE}_before", "MINVALUE", str(_begin(years[0])))]
    bounds += [
        (f"{TABLE}_{year}", str(_begin(year)), str(_begin(year + 1)))
        for year in range(years[0], years[1] + 1)
    ]
    bounds.append((f"{TABLE}_after", str(_begin(years[1] + 1)), "MAXVALUE"))
    for part, low, high in bounds:
        connection.exec_driver_sql(
            f"CREATE TABLE {part} PARTITION OF {TABLE} FOR VALUES FROM ({low}) TO ({high})"
        )
    for table in (TABLE, *(part for part, _, _ in bounds)):
        for statement in separation(table):
            connection.exec_driver_sql(statement)
    columns = ", ".join(column["name"] for column in inspect(connection).get_columns(WHOLE))
    moved = connection.exec_driver_sql(
        f"INSERT INTO {TABLE} ({columns}) SELECT {columns} FROM {WHOLE}"  # noqa: S608 -- names of ours
    ).rowcount
    if moved != count:
        raise DatabaseError(f"{moved} of {count} readings would be kept; nothing was changed")
    connection.exec_driver_sql(f"DROP TABLE {WHOLE}")
    let_in_again(connection)
    connection.exec_driver_sql(f"ANALYZE {TABLE}")
    return years


def _parts_of(connection: Connection, table: str) -> list[str]:
    asked = text(
        "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = to_regclass(:table)"
    )
    return [str(name) for name in connection.execute(asked, {"table": table}).scalars()]


def _begin(year: int) -> int:
    return to_millis(datetime(year, 1, 1, tzinfo=UTC))
