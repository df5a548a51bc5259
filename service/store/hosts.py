"""Roles of PostgreSQL that host shops: what they may do, and that they can do no more.

Row-level security holds for a role that neither owns the tables nor is above them. So a host's role
has the rights to read and write rows, and is refused where it could get around that.
"""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy import Column, Connection, MetaData, String, Table, inspect, select, text
from sqlalchemy.dialects.postgresql import insert
from sqlmodel import SQLModel

from service.store import signin_tables, tables  # noqa: F401 -- fills the metadata
from service.store.db import DatabaseError

__all__ = ["HOST", "let_in", "let_in_again", "weaknesses"]

HOST = Table("shophost", MetaData(), Column("role", String(63), primary_key=True))
"""Roles that were let in, so that they are again where a back-up is brought back."""

ROWS = "SELECT, INSERT, UPDATE, DELETE"
"""What a host may do with the tables of shops."""

BESIDE: Mapping[str, str] = {
    "alembic_version": "SELECT",
    "shop": "SELECT",
    "shopturn": "SELECT, UPDATE",
    "shopcounter": "SELECT, INSERT, UPDATE",
}
"""And with those that stand beside them; with all others it may do nothing."""

WEAK = text(
    """
    SELECT 'it is a superuser' FROM pg_roles WHERE rolname = :role AND rolsuper
    UNION ALL
    SELECT 'it has BYPASSRLS' FROM pg_roles WHERE rolname = :role AND rolbypassrls
    UNION ALL
    SELECT 'it has CREATEROLE' FROM pg_roles WHERE rolname = :role AND rolcreaterole
    UNION ALL
    SELECT 'it has REPLICATION' FROM pg_roles WHERE rolname = :role AND rolreplication
    UNION ALL
    SELECT 'it is a member of ' || above.rolname
    FROM pg_auth_members JOIN pg_roles above ON above.oid = roleid
    JOIN pg_roles own ON own.oid = member WHERE own.rolname = :role
    UNION ALL
    SELECT 'it owns ' || relname FROM pg_class
    JOIN pg_roles ON pg_roles.oid = relowner WHERE rolname = :role AND relpersistence <> 't'
    UNION ALL
    SELECT 'it may create in the schema ' || nspname FROM pg_namespace
    WHERE has_schema_privilege(CAST(:role AS name), oid, 'CREATE')
    UNION ALL
    SELECT 'it may make schemas or temporary tables in the database'
    WHERE has_database_privilege(CAST(:role AS name), current_database(), 'CREATE, TEMPORARY')
    UNION ALL
    SELECT 'it may read the secret'
    WHERE has_table_privilege(
        CAST(:role AS name), to_regclass('shopsecret'), 'SELECT, INSERT, UPDATE, DELETE'
    )
    UNION ALL
    SELECT 'it may empty or watch ' || relname FROM pg_class
    WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p')
    AND has_table_privilege(CAST(:role AS name), oid, 'TRUNCATE, REFERENCES, TRIGGER')
    UNION ALL
    SELECT 'row-level security is off for ' || relname FROM pg_class
    JOIN pg_attribute ON attrelid = pg_class.oid AND attname = 'shop_id'
    WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p', 'v', 'm')
    AND NOT relrowsecurity
    AND has_table_privilege(CAST(:role AS name), pg_class.oid, 'SELECT, INSERT, UPDATE, DELETE')
    """
)


def weaknesses(connection: Connection, role: str) -> list[str]:
    """Say why a role could reach rows of shops that it has not entered; empty: it cannot."""
    return [str(said) for said in connection.execute(WEAK, {"role": role}).scalars()]


def let_in(connection: Connection, role: str) -> None:
    """Let a role host the shops, by its owner.

    Raises
    ------
    DatabaseError
        Where there is no such role, or it could reach more than it shall.
    """
    if not _is_there(connection, role):
        raise DatabaseError(
            f"there is no role {role}; an administrator makes it: "
            f"CREATE ROLE {role} LOGIN PASSWORD '...'"
        )
    connection.execute(insert(HOST).values(role=role).on_conflict_do_nothing())
    _grant(connection, role)
    if weak := weaknesses(connection, role):
        raise DatabaseError(f"the role {role} cannot host shops: {'; '.join(weak)}")


def let_in_again(connection: Connection) -> None:
    """Give every host its rights anew: to tables that have come since, or in a database restored.

    A role that this server does not know is passed over.
    """
    if not inspect(connection).has_table(HOST.name):
        return
    for role in connection.execute(select(HOST.c.role)).scalars().all():
        if _is_there(connection, role):
            _grant(connection, role)


def _is_there(connection: Connection, role: str) -> bool:
    asked = text("SELECT 1 FROM pg_roles WHERE rolname = :role")
    return connection.execute(asked, {"role": role}).first() is not None


def _grant(connection: Connection, role: str) -> None:
    quote = connection.dialect.identifier_preparer.quote
    to = quote(role)
    here = connection.execute(text("SELECT current_database(), current_schema()")).one()
    database, schema = quote(here[0]), quote(here[1])
    statements = [
        # Whoever can make a table or a function could put it in the way of ours.
        f"REVOKE CREATE ON SCHEMA {schema} FROM PUBLIC",
        f"REVOKE CREATE, TEMPORARY ON DATABASE {database} FROM PUBLIC",
        f"REVOKE CREATE, TEMPORARY ON DATABASE {database} FROM {to}",
        f"GRANT CONNECT ON DATABASE {database} TO {to}",
        f"REVOKE ALL ON SCHEMA {schema} FROM {to}",
        f"GRANT USAGE ON SCHEMA {schema} TO {to}",
        f"REVOKE ALL ON ALL TABLES IN SCHEMA {schema} FROM {to}",
        f"REVOKE ALL ON ALL SEQUENCES IN SCHEMA {schema} FROM {to}",
        f"ALTER DEFAULT PRIVILEGES IN SCHEMA {schema} GRANT {ROWS} ON TABLES TO {to}",
    ]
    rights = dict.fromkeys(SQLModel.metadata.tables, ROWS) | dict(BESIDE)
    there = inspect(connection).get_table_names()
    statements += [
        f"GRANT {rights[name]} ON {quote(name)} TO {to}" for name in there if name in rights
    ]
    for statement in statements:
        connection.exec_driver_sql(statement)
