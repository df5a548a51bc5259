"""Every table is kept apart by shop on PostgreSQL, and so is what a later migration makes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import databases
import pytest
import sqlalchemy as sa
from alembic.migration import MigrationContext
from alembic.operations import Operations
from databases import Hosting
from sqlalchemy import Connection
from sqlmodel import SQLModel

from service.store.db import remade, sqlite_url
from service.store.hosts import let_in_again, weaknesses
from service.store.migrations import making
from service.store.per_shop import as_on_postgresql
from service.store.registry import REGISTRY

BESIDE = {"alembic_version", *REGISTRY.tables}
POLICY = "(shop_id = ( SELECT boothglass_shop() AS boothglass_shop))"


@pytest.fixture(scope="module")
def hosting() -> Hosting:
    return databases.hosting("per_shop", "a")


def asked(connection: Connection, statement: str, **given: Any) -> list[tuple[Any, ...]]:
    return [tuple(row) for row in connection.execute(sa.text(statement), given)]


def tables(connection: Connection) -> list[str]:
    found = asked(connection, "SELECT tablename FROM pg_tables WHERE schemaname = 'public'")
    return sorted(name for (name,) in found if name not in BESIDE)


def faults(connection: Connection, table: str) -> list[str]:
    """What of a table is not per shop."""
    found = []
    column = asked(
        connection,
        "SELECT data_type, is_nullable, column_default FROM information_schema.columns"
        " WHERE table_name = :t AND column_name = 'shop_id'",
        t=table,
    )
    if column != [("integer", "NO", "boothglass_shop()")]:
        found.append(f"its column is {column}")
    if asked(connection, "SELECT relrowsecurity FROM pg_class WHERE relname = :t", t=table) != [
        (True,)
    ]:
        found.append("row-level security is off")
    policies = asked(
        connection,
        "SELECT permissive, roles::text, cmd, qual, with_check FROM pg_policies"
        " WHERE tablename = :t",
        t=table,
    )
    if policies != [("PERMISSIVE", "{public}", "ALL", POLICY, POLICY)]:
        found.append(f"its policies are {policies}")
    found += [
        f"{name} begins with {first}"
        for name, first in asked(
            connection,
            "SELECT i.indexrelid::regclass::text, attname FROM pg_index i JOIN pg_attribute"
            " ON attrelid = i.indrelid AND attnum = i.indkey[0] WHERE i.indrelid = to_regclass(:t)",
            t=table,
        )
        if first != "shop_id"
    ]
    found += [
        f"{name} goes into any shop"
        for name, own, there in asked(
            connection,
            "SELECT conname, a.attname, f.attname FROM pg_constraint JOIN pg_attribute a"
            " ON a.attrelid = conrelid AND a.attnum = conkey[1] JOIN pg_attribute f"
            " ON f.attrelid = confrelid AND f.attnum = confkey[1]"
            " WHERE contype = 'f' AND conrelid = to_regclass(:t)",
            t=table,
        )
        if (own, there) != ("shop_id", "shop_id")
    ]
    if asked(connection, "SELECT 1 FROM pg_sequences WHERE sequencename = :s", s=f"{table}_id_seq"):
        found.append("its numbers are counted over all shops")
    for right in ("SELECT", "INSERT", "UPDATE", "DELETE"):
        if asked(connection, "SELECT has_table_privilege('host', :t, :r)", t=table, r=right) != [
            (True,)
        ]:
            found.append(f"a host may not {right}")
    return found


def test_every_table_is_per_shop(hosting: Hosting) -> None:
    with remade(hosting.owner_url) as connection:
        assert tables(connection) == sorted(SQLModel.metadata.tables)
        assert {t: found for t in tables(connection) if (found := faults(connection, t))} == {}


def test_nothing_else_runs_with_the_owners_rights(hosting: Hosting) -> None:
    """What a host can call as the owner is these two, which look at what lets in themselves."""
    with remade(hosting.owner_url) as connection:
        found = asked(connection, "SELECT proname FROM pg_proc WHERE prosecdef AND pronamespace ="
                      " 'public'::regnamespace ORDER BY 1")  # fmt: skip
        assert found == [("boothglass_shop",), ("boothglass_shops",)]
        paths = asked(connection, "SELECT DISTINCT proconfig[1] FROM pg_proc WHERE"
                      " proname LIKE 'boothglass%' AND prosecdef")  # fmt: skip
        assert paths == [("search_path=pg_catalog, public, pg_temp",)]
        assert asked(connection, "SELECT relname FROM pg_class WHERE relkind = 'v'"
                     " AND relnamespace = 'public'::regnamespace") == []  # fmt: skip
        assert weaknesses(connection, "host") == []


def jig(connection: Connection) -> None:
    """What a later migration makes: a table with every kind of key, and an index."""
    with Operations.context(MigrationContext.configure(connection)):
        making.create_table(
            "jig",
            sa.Column("id", sa.Integer(), nullable=False),
            sa.Column("name", sa.String(length=80), nullable=False),
            sa.Column("place_id", sa.String(length=64), nullable=False),
            sa.Column("over", sa.Integer(), nullable=True),
            sa.ForeignKeyConstraint(["place_id"], ["place.id"], name="fk_jig_place_id"),
            sa.ForeignKeyConstraint(["over"], ["jig.id"], name="fk_jig_over"),
            sa.PrimaryKeyConstraint("id", name="pk_jig"),
            sa.UniqueConstraint("name", name="uq_jig_name"),
        )
        making.create_index("ix_jig_over", "jig", ["over"])
        making.create_unique("uq_jig_place_id", "jig", ["place_id", "name"])


def test_a_later_table_is_per_shop_too(hosting: Hosting) -> None:
    with remade(hosting.owner_url) as connection:
        jig(connection)
        assert faults(connection, "jig") == []
        connection.execute(sa.text("DROP TABLE jig"))


def test_the_same_words_make_the_same_table_on_sqlite(tmp_path: Path) -> None:
    with remade(sqlite_url(tmp_path)) as connection:
        connection.execute(sa.text("CREATE TABLE place (id VARCHAR(64) PRIMARY KEY)"))
        jig(connection)
        found = sa.inspect(connection)
        assert [c["name"] for c in found.get_columns("jig")] == ["id", "name", "place_id", "over"]
        uniques = {u["name"]: u["column_names"] for u in found.get_unique_constraints("jig")}
        assert uniques == {"uq_jig_name": ["name"], "uq_jig_place_id": ["place_id", "name"]}
        assert [i["column_names"] for i in found.get_indexes("jig")] == [["over"]]


def test_a_table_made_without_them_is_found(hosting: Hosting) -> None:
    with remade(hosting.owner_url) as connection:
        connection.execute(sa.text("CREATE TABLE stray (id serial PRIMARY KEY, x text UNIQUE)"))
        let_in_again(connection)
        said = "; ".join(faults(connection, "stray"))
        for word in ("column", "is off", "policies", "stray_pkey begins", "stray_x_key begins",
                     "counted", "may not SELECT"):  # fmt: skip
            assert word in said
        connection.execute(sa.text("DROP TABLE stray"))


def test_an_unknown_kind_of_constraint_is_not_passed_over() -> None:
    strange = sa.MetaData()
    sa.Table("odd", strange, sa.Column("x", sa.Integer()), sa.CheckConstraint("x > 0"))
    with pytest.raises(NotImplementedError, match="per shop"):
        as_on_postgresql(strange)
