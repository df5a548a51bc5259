# ruff: noqa: S608 -- statements are made up here, and none comes from outside
"""Somebody's statements run in one shop's session, as that of a host: they stay in that shop.

What could be smuggled is tried as raw SQL, under the role that hosts, on a real PostgreSQL.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import anyrows
import databases
import psycopg
import pytest
from databases import Hosting
from equipment import SetClock
from psycopg import errors
from sqlalchemy import Connection, make_url
from sqlalchemy.exc import DBAPIError
from sqlmodel import SQLModel

from service.store.db import Database, DatabaseError
from service.store.passes import entry_of
from service.store.shops_on_server import ShopsOnServer
from service.store.tables import Place

TABLES = sorted(SQLModel.metadata.tables)
HIDDEN = "hush of a"
"""Stands in the rows of shop a, and must never be met in shop b."""

PLACES = "ALTER TABLE place"
THEIRS = 5000
"""Number of an instrument that shop a has, and b has not."""


@pytest.fixture(scope="module")
def hosting() -> Hosting:
    return databases.hosting("hostile", "a", "b")


@pytest.fixture(scope="module")
def shops(hosting: Hosting, tmp_path_factory: pytest.TempPathFactory) -> Iterator[ShopsOnServer]:
    """Shops a and b with the same rows in every table, all keys and names alike."""
    made = hosting.shops(tmp_path_factory.mktemp("host"))
    for key in ("a", "b"):
        with made.open(key).engine.begin() as connection:
            anyrows.fill(connection)
    with made.open("a").engine.begin() as connection:
        connection.exec_driver_sql("UPDATE place SET name = %s", (HIDDEN,))
        connection.exec_driver_sql(
            "INSERT INTO instrument (id, shop_number, kind, woods, plate_mm, schedule_id, parts,"
            " made_at) SELECT %s, 'x', %s, woods, plate_mm, schedule_id, parts, made_at"
            " FROM instrument LIMIT 1",
            (THEIRS, HIDDEN),
        )
    yield made
    made.dispose()


@pytest.fixture
def b(shops: ShopsOnServer) -> Iterator[Connection]:
    """A session of shop b whose changes are not kept."""
    with shops.open("b").engine.connect() as connection:
        yield connection
        connection.rollback()


@pytest.fixture
def raw(hosting: Hosting) -> Iterator[psycopg.Connection[Any]]:
    """A session of the host's role that has entered nothing."""
    with connected(hosting.host_url) as connection:
        yield connection


@contextmanager
def connected(url: str) -> Iterator[psycopg.Connection[Any]]:
    parts = make_url(url)
    _, given = parts.get_dialect()().create_connect_args(parts)
    with psycopg.connect(**given) as connection:
        yield connection
        connection.rollback()


def values(connection: Connection, statement: str, *given: object) -> list[Any]:
    return list(connection.exec_driver_sql(statement, given or None).scalars())


def refused(
    connection: Connection, statement: str, *given: object, why: type[Exception] | None = None
) -> str:
    """Run what must fail; return what was said."""
    with pytest.raises(DBAPIError) as caught, connection.begin_nested():
        connection.exec_driver_sql(statement, given or None)
    assert isinstance(caught.value.orig, why or errors.InsufficientPrivilege), caught.value
    return str(caught.value.orig)


# -- rows ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", TABLES)
def test_rows_of_another_shop_are_neither_seen_nor_touched(b: Connection, table: str) -> None:
    assert values(b, f"SELECT DISTINCT shop_id FROM {table}") == [2]
    assert values(b, f"SELECT count(*) FROM {table}") == [anyrows.ROWS]
    for statement in (f"UPDATE {table} SET shop_id = shop_id WHERE shop_id = 1",
                      f"DELETE FROM {table} WHERE shop_id = 1"):  # fmt: skip
        assert b.exec_driver_sql(statement).rowcount == 0


@pytest.mark.parametrize("table", TABLES)
def test_no_row_is_put_into_another_shop(b: Connection, table: str) -> None:
    names = ", ".join(f'"{c.name}"' for c in SQLModel.metadata.tables[table].columns)
    said = refused(b, f"INSERT INTO {table} ({names}, shop_id) SELECT {names}, 1 FROM {table}")
    assert "row-level security" in said
    said = refused(b, f"UPDATE {table} SET shop_id = 1")
    assert "row-level security" in said


@pytest.mark.parametrize("table", TABLES)
def test_tables_can_neither_be_emptied_nor_watched(b: Connection, table: str) -> None:
    refused(b, f"TRUNCATE {table} CASCADE")
    refused(b, f"ALTER TABLE {table} DISABLE ROW LEVEL SECURITY")
    refused(b, f"DROP POLICY only_its_shop ON {table}")
    refused(b, f"CREATE POLICY all_of_it ON {table} USING (true)")
    refused(b, f"CREATE RULE also AS ON INSERT TO {table} DO ALSO SELECT 1")


def test_copy(b: Connection, shops: ShopsOnServer) -> None:
    assert values(b, "SELECT boothglass_shop()") == [2]
    cursor = b.connection.cursor()
    with cursor.copy("COPY place TO STDOUT") as copied:
        told = b"".join(bytes(piece) for piece in copied)
    assert told.count(b"\n") == anyrows.ROWS
    assert HIDDEN.encode() not in told
    refused(b, "COPY place FROM STDIN", why=errors.FeatureNotSupported)
    refused(b, "COPY shopsecret TO STDOUT")
    refused(b, "COPY (SELECT * FROM shopsecret) TO STDOUT")
    refused(b, "COPY place TO PROGRAM 'cat'")
    refused(b, "COPY place TO '/tmp/place'")


def test_nothing_points_into_another_shop_and_what_is_there_is_not_told(b: Connection) -> None:
    """A number that is another shop's fails as one that nobody has."""
    add = "INSERT INTO coldarrival (instrument_id, at, wood_c) VALUES (%s, 0, 1.0)"
    said = [
        refused(b, add, number, why=errors.ForeignKeyViolation).replace(str(number), "#")
        for number in (THEIRS, 999_999)
    ]
    assert said[0] == said[1]
    assert "#" not in said[0]


def test_an_error_tells_of_own_rows_alone(b: Connection) -> None:
    """A condition that fails on a value is never asked of rows of another shop."""
    asked = f"SELECT 1 / (CASE WHEN name = '{HIDDEN}' THEN 0 ELSE 1 END) FROM place"
    assert values(b, asked) == [1] * anyrows.ROWS
    assert values(b, "SELECT id FROM place WHERE 1 / (CASE name WHEN %s THEN 0 ELSE 1 END) > 0",
                  HIDDEN)  # fmt: skip
    said = refused(b, "SELECT name::integer FROM place", why=errors.InvalidTextRepresentation)
    assert HIDDEN not in said
    said = refused(b, "INSERT INTO place (id, name, kind, made_at) SELECT id, name, kind, 0"
                   " FROM place", why=errors.UniqueViolation)  # fmt: skip
    assert "=(" not in said


def test_joins_and_views_of_the_catalogue_show_no_more(b: Connection) -> None:
    assert values(b, "SELECT count(*) FROM place a JOIN place b USING (shop_id)") == [9]
    assert values(b, "SELECT xpath('//name/text()', table_to_xml('place', true, false, ''))::text"
                  f" LIKE '%%{HIDDEN}%%'") == [False]  # fmt: skip
    assert values(b, "SELECT query_to_xml('SELECT * FROM place', true, false, '')::text"
                  f" LIKE '%%{HIDDEN}%%'") == [False]  # fmt: skip


# -- entering another shop -----------------------------------------------------------------------


def test_no_guess_and_no_pass_of_ones_own_leads_into_another_shop(
    b: Connection, hosting: Hosting
) -> None:
    own = entry_of(bytes.fromhex(hosting.secret), 2)
    assert values(b, "SELECT current_setting('boothglass.shop')") == [own]
    mine = own.partition(":")[2]
    right = entry_of(bytes.fromhex(hosting.secret), 1)
    for guess in (
        f"1:{mine}", f"1:{'0' * 64}", "1:", "1", ":", "x", f"01:{mine}", f" 1:{mine}", f"1:{mine} ",
        f"1:{mine}\n", f"99999999999:{mine}", f"-1:{mine}", f"１:{mine}", f"1:{mine.upper()}",
        f"1:{mine};1", f"{right[:-1]}", f"{right}0", right.upper(), f"{right}:", "1:" + "%" * 64,
        "1:" + "." * 64,
    ):  # fmt: skip
        assert values(b, "SELECT set_config('boothglass.shop', %s, true)", guess) == [guess]
        assert values(b, "SELECT boothglass_shop()") == [None], guess
        assert values(b, "SELECT count(*) FROM place") == [0], guess
        refused(b, "INSERT INTO fact VALUES ('x', '{}')")
        assert values(b, "SELECT boothglass_enter(%s, true, 1000)", guess) == [None]
    assert values(b, "SELECT boothglass_enter(%s, false, 0)", own) == [2]


def test_without_an_entry_nothing_is_there(raw: psycopg.Connection[Any]) -> None:
    """Owning the only shop needs no entry; a host is no owner."""
    for reset in ("RESET ALL", "DISCARD ALL", "SELECT set_config('boothglass.shop', '', false)"):
        raw.rollback()
        raw.autocommit = True
        raw.execute(reset)
        for table in [*TABLES, "shop", "shopturn", "shopcounter"]:
            row = raw.execute(f"SELECT count(*) FROM {table}").fetchone()
            assert row == (0,)
        raw.autocommit = False


@pytest.mark.parametrize("statement", [
    "SET ROLE keeper", "SET SESSION AUTHORIZATION keeper", "SET LOCAL ROLE tests",
    "SET session_replication_role = replica", "ALTER ROLE CURRENT_USER BYPASSRLS",
    "ALTER ROLE CURRENT_USER SUPERUSER", "GRANT keeper TO CURRENT_USER", "CREATE ROLE another",
    "SELECT key FROM shopsecret", "SELECT * FROM shophost", "UPDATE shopsecret SET key = ''",
    "INSERT INTO shop (key, name, made_at) VALUES ('c', '', 0)", "DELETE FROM shop",
    "UPDATE shop SET closed_at = NULL", "INSERT INTO shopturn VALUES (1)", "DELETE FROM shopturn",
    "SELECT nextval('shop_id_seq')", "SELECT last_value FROM shop_id_seq",
    "UPDATE alembic_version SET version_num = 'x'", "SELECT * FROM pg_authid",
    "SELECT * FROM pg_statistic", "SELECT pg_read_file('PG_VERSION')", "SELECT pg_ls_dir('.')",
    "SELECT lo_import('/etc/passwd')", "CREATE EXTENSION dblink", "CREATE SCHEMA mine",
    "CREATE TABLE shopsecret2 (key bytea)", "CREATE TEMPORARY TABLE reading (x integer)",
    "CREATE FUNCTION boothglass_shop(x integer) RETURNS integer LANGUAGE sql AS 'SELECT 1'",
    "CREATE OR REPLACE FUNCTION boothglass_shop() RETURNS integer LANGUAGE sql AS 'SELECT 1'",
    "ALTER FUNCTION boothglass_shop() SECURITY INVOKER", "DROP FUNCTION boothglass_shop()",
    "CREATE VIEW all_places AS SELECT * FROM place", "REINDEX TABLE place",
])  # fmt: skip
def test_what_a_host_may_not_do(b: Connection, statement: str) -> None:
    refused(b, statement)


def test_row_security_turned_off_is_an_error_and_no_way_around(b: Connection) -> None:
    b.exec_driver_sql("SET LOCAL row_security = off")
    refused(b, "SELECT * FROM place")


def test_the_registry_shows_a_shop_itself_alone(b: Connection, hosting: Hosting) -> None:
    assert values(b, "SELECT key FROM shop") == ["b"]
    assert values(b, "SELECT shop_id FROM shopturn") == [2]
    for shown in ("", "x", hosting.secret, entry_of(bytes.fromhex(hosting.secret), 2)[2:]):
        assert values(b, "SELECT key FROM boothglass_shops(%s)", shown) == []


def test_numbers_tell_nothing_of_other_shops(b: Connection, shops: ShopsOnServer) -> None:
    counted = "SELECT boothglass_next('coat')"
    first = values(b, counted)[0]
    with shops.open("a").engine.begin() as other:
        assert [values(other, counted)[0] for _ in range(5)] == [1, 2, 3, 4, 5]
    assert values(b, counted) == [first + 1]
    assert values(b, "SELECT count(*) FROM shopcounter WHERE shop_id <> 2") == [0]


# -- things put in the way -----------------------------------------------------------------------


def test_names_put_in_the_way_of_ours_are_not_looked_up(hosting: Hosting) -> None:
    """Even a role that may make tables, which no host may, only fools itself."""
    with connected(hosting.owner_url) as owner:
        databases.role("sly")
        owner.execute("GRANT TEMPORARY, CREATE ON DATABASE hostile TO sly")
        owner.execute("GRANT USAGE ON SCHEMA public TO sly")
        owner.execute("GRANT SELECT, INSERT ON place, shop TO sly")
        owner.commit()
    with connected(hosting.host_url.replace("host@", "sly@")) as sly:
        sly.execute("CREATE TEMPORARY TABLE shop (id integer, key text, closed_at bigint)")
        sly.execute("CREATE TEMPORARY TABLE shopsecret (key bytea)")
        sly.execute("INSERT INTO pg_temp.shop VALUES (1, 'a')")
        sly.execute("INSERT INTO pg_temp.shopsecret VALUES ('')")
        for name, gives in (
            ("boothglass_shop()", "1"),
            ("sha256(bytea)", "''::bytea"),
            ("current_setting(text, boolean)", "'1:x'"),
            ("pg_has_role(name, name, text)", "true"),
        ):
            kind = {"1": "integer", "true": "boolean", "''::bytea": "bytea"}.get(gives, "text")
            body = f"LANGUAGE sql AS $$ SELECT {gives} $$"
            sly.execute(f"CREATE FUNCTION pg_temp.{name} RETURNS {kind} {body}")
        for path in ("pg_temp, public, pg_catalog", "pg_temp, pg_catalog, public"):
            sly.execute("SELECT set_config('search_path', %s, false)", (path,))
            for entry in (None, "", f"1:{'0' * 64}", entry_of(b"", 1)):
                sly.execute("SELECT set_config('boothglass.shop', %s, false)", (entry,))
                assert sly.execute("SELECT public.boothglass_shop()").fetchone() == (None,)
                assert sly.execute("SELECT count(*) FROM public.place").fetchone() == (0,)
        with pytest.raises(errors.InsufficientPrivilege, match="row-level security"):
            sly.execute("INSERT INTO public.place (id, name, kind, made_at) VALUES ('x','','',0)")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("ALTER ROLE strong BYPASSRLS", "it has BYPASSRLS"),
        ("ALTER ROLE strong CREATEROLE", "it has CREATEROLE"),
        ("ALTER ROLE strong REPLICATION", "it has REPLICATION"),
        ("ALTER ROLE strong SUPERUSER", "it is a superuser"),
        ("GRANT keeper TO strong", "it is a member of keeper"),
        ("GRANT pg_read_server_files TO strong", "it is a member of pg_read_server_files"),
    ],
)
def test_a_role_that_could_get_around_hosts_nothing(
    hosting: Hosting, tmp_path: Path, given: str, said: str
) -> None:
    databases.role("strong", given)
    with pytest.raises(DatabaseError, match=f"strong cannot host shops: .*{said}"):
        hosting.registry.let_host("strong")
    with pytest.raises(DatabaseError, match=f"cannot host shops: .*{said}"):
        ShopsOnServer(hosting.host_url.replace("host@", "strong@"), hosting.secret, tmp_path)


@pytest.mark.parametrize(
    ("given", "back"),
    [
        (f"{PLACES} DISABLE ROW LEVEL SECURITY", f"{PLACES} ENABLE ROW LEVEL SECURITY"),
        ("CREATE VIEW every_place AS SELECT * FROM place", "DROP VIEW every_place"),
    ],
)
def test_nobody_hosts_where_a_rule_is_missing(
    hosting: Hosting, tmp_path: Path, given: str, back: str
) -> None:
    with connected(hosting.owner_url) as owner:
        owner.execute(given)
        owner.commit()
        with pytest.raises(DatabaseError, match=r"row-level security is off for \w*place"):
            hosting.shops(tmp_path)
        owner.execute(back)
        owner.commit()
    hosting.shops(tmp_path).dispose()


def test_neither_does_the_owner_nor_somebody_unknown(hosting: Hosting, tmp_path: Path) -> None:
    with pytest.raises(DatabaseError, match="keeper cannot host shops: it owns"):
        ShopsOnServer(hosting.owner_url, hosting.secret, tmp_path)
    with pytest.raises(DatabaseError, match="no role nobody_of_that_name"):
        hosting.registry.let_host("nobody_of_that_name")
    wrong = ShopsOnServer(hosting.host_url, "00" * 32, tmp_path)
    with pytest.raises(DatabaseError, match="SHOPS_SECRET is not that of the database"):
        wrong.open("a")
    wrong.dispose()


# -- one connection, many shops ------------------------------------------------------------------


def test_a_plan_that_was_kept_is_of_the_shop_that_runs_it(
    raw: psycopg.Connection[Any], hosting: Hosting
) -> None:
    secret = bytes.fromhex(hosting.secret)
    raw.execute("SET plan_cache_mode = force_generic_plan")
    raw.execute("PREPARE seen AS SELECT DISTINCT shop_id FROM place WHERE made_at > $1")
    raw.execute("PREPARE made AS INSERT INTO fact VALUES ($1, '{}') RETURNING shop_id")
    raw.commit()
    for turn in range(8):
        shop = 1 + turn % 2
        raw.execute("SELECT boothglass_enter(%s, false, 0)", (entry_of(secret, shop),))
        assert raw.execute("EXECUTE seen(-1)").fetchall() == [(shop,)]
        assert raw.execute("EXECUTE made('planned')").fetchall() == [(shop,)]
        # Another shop within the same transaction, as nobody of ours does it.
        other = 3 - shop
        raw.execute("SELECT boothglass_enter(%s, false, 0)", (entry_of(secret, other),))
        assert raw.execute("EXECUTE seen(-1)").fetchall() == [(other,)]
        raw.rollback()
        assert raw.execute("EXECUTE seen(-1)").fetchall() == []
        raw.rollback()


def test_a_connection_that_is_given_back_forgets(hosting: Hosting, tmp_path: Path) -> None:
    shops = hosting.shops(tmp_path)
    backends = set()
    planted = (
        "DECLARE kept CURSOR WITH HOLD FOR SELECT * FROM place", "SET row_security = off",
        "SET statement_timeout = 100",
        "SET default_transaction_read_only = on", "SET boothglass.shop = '2:x'",
        "PREPARE _pg3_0 AS SELECT 1", "LISTEN eavesdropped", "SELECT pg_advisory_lock(7)",
        "SET search_path = pg_catalog",
    )  # fmt: skip
    with shops.open("b").engine.connect() as connection:
        for statement in planted:
            connection.exec_driver_sql(statement)
        backends.add(values(connection, "SELECT pg_backend_pid()")[0])
        connection.commit()
    with shops.open("a").engine.connect() as connection:
        backends.add(values(connection, "SELECT pg_backend_pid()")[0])
        assert len(backends) == 1
        left = (
            "SELECT name FROM pg_prepared_statements", "SELECT name FROM pg_cursors",
            "SELECT pg_listening_channels()",
            "SELECT objid FROM pg_locks WHERE locktype = 'advisory'",
        )  # fmt: skip
        for asked in left:
            assert values(connection, asked) == []
        assert values(connection, "SHOW statement_timeout") == ["0"]
        assert "public" in values(connection, "SHOW search_path")[0]
        assert values(connection, "SELECT count(*) FROM place") == [anyrows.ROWS]
    with shops.open("a").engine.connect() as connection:
        values(connection, "SELECT count(*) FROM place")
        connection.rollback()
        # A session outlives its transactions, an entry does not.
        connection.connection.driver_connection.rollback()
        cursor = connection.connection.cursor()
        assert cursor.execute("SELECT count(*) FROM place").fetchone() == (0,)
        assert cursor.execute("SELECT current_setting('boothglass.shop')").fetchone() == ("",)
    shops.dispose()


def test_a_connection_is_used_again_and_again(hosting: Hosting, tmp_path: Path) -> None:
    """A statement that is asked often is never taken for one that was prepared."""
    shops, backends, now = hosting.shops(tmp_path), set(), SetClock().now()
    for turn in range(60):
        database, shop = shops.open("ab"[turn % 2]), 1 + turn % 2
        with database.read() if turn % 3 else database.write() as session:
            asked = session.connection().exec_driver_sql
            backends.add(asked("SELECT pg_backend_pid()").scalar_one())
            for _ in range(turn % 8):
                assert asked("SELECT DISTINCT shop_id FROM place").scalar_one() == shop
            if turn % 3 == 0:
                places = [Place(id=f"{turn}-{n}", name="", made_at=now) for n in range(turn % 10)]
                session.add_all(places)
                session.flush()
                for row in places:
                    session.delete(row)
    shops.dispose()
    assert len(backends) == 1


def test_many_threads_over_few_connections_never_mix(hosting: Hosting, tmp_path: Path) -> None:
    shops, wrong = hosting.shops(tmp_path), []

    def look(database: Database, shop: int) -> None:
        for _ in range(40):
            with database.read() as session:
                ask = session.connection().exec_driver_sql
                first = ask("SELECT DISTINCT shop_id FROM place").scalars().all()
                wrong.extend(found for found in first if found != shop)
                if not first:
                    wrong.append(None)

    threads = [
        threading.Thread(target=look, args=(shops.open(key), shop))
        for key, shop in (("a", 1), ("b", 2)) * 3
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    shops.dispose()
    assert wrong == []


# -- what the server tells of itself -------------------------------------------------------------


def test_statistics_of_other_shops_values_are_not_shown(b: Connection, hosting: Hosting) -> None:
    with connected(hosting.owner_url) as owner:
        owner.execute("ANALYZE")
        owner.commit()
        row = owner.execute("SELECT count(*) FROM pg_stats WHERE tablename = 'place'").fetchone()
        assert row is not None
        assert row[0] > 3
    assert values(b, "SELECT tablename FROM pg_stats WHERE schemaname = 'public'") in (
        [], ["alembic_version"],
    )  # fmt: skip


def test_statements_that_others_run_are_seen_without_their_values(
    raw: psycopg.Connection[Any], shops: ShopsOnServer, hosting: Hosting
) -> None:
    """Sessions of one role see each other's statements; nothing of ours has a value in it."""
    asked, seen = "SELECT query FROM pg_stat_activity WHERE datname = 'hostile'", []
    raw.autocommit = True  # or it would look at the same instant each time
    for key in ("a", "b"):
        with shops.open(key).read() as session:
            values(session.connection(), "SELECT id FROM place WHERE name = %s", HIDDEN)
            seen += raw.execute(asked).fetchall()
    with shops.open("a").write() as session:
        session.connection()  # has entered, and waits
        seen += raw.execute(asked).fetchall()
    told = repr(seen)
    assert "boothglass_enter($1, $2, $3)" in told  # they are seen, so this test sees something
    assert "name = $1" in told
    assert HIDDEN not in told
    assert entry_of(bytes.fromhex(hosting.secret), 1)[2:] not in told
    assert hosting.secret not in told


def test_an_entry_is_in_no_error(shops: ShopsOnServer, hosting: Hosting) -> None:
    secret = entry_of(bytes.fromhex(hosting.secret), 1)[2:]
    with shops.open("a").engine.connect() as connection:
        with pytest.raises(DBAPIError) as caught:
            connection.exec_driver_sql("SELECT 1 / 0 WHERE %s <> ''", (secret,))
        assert secret not in str(caught.value)
    hosted = shops.open("a")._hosted
    assert hosted is not None
    assert secret in hosted.entry
    assert secret not in repr(hosted)


# -- waiting for each other ----------------------------------------------------------------------


def test_writers_of_one_shop_do_not_wait_for_those_of_another(shops: ShopsOnServer) -> None:
    with shops.open("a").write() as one:
        one.connection()
        with shops.open("b").write() as other:
            assert values(other.connection(), "SELECT shop_id FROM shopturn FOR UPDATE NOWAIT") == [
                2
            ]
        refused_here = one.connection()
        assert values(refused_here, "SELECT boothglass_shop()") == [1]


def test_a_shop_cannot_take_anothers_turn(b: Connection, shops: ShopsOnServer) -> None:
    assert values(b, "SELECT shop_id FROM shopturn FOR UPDATE") == [2]
    with shops.open("a").write() as session:
        assert values(session.connection(), "SELECT boothglass_shop()") == [1]


def test_a_closed_shop_is_left_at_once(hosting: Hosting, tmp_path: Path) -> None:
    hosting.registry.add("c", "")
    shops = hosting.shops(tmp_path)
    database = shops.open("c")
    with database.engine.begin() as connection:
        anyrows.fill(connection)
    with database.engine.connect() as connection:
        assert values(connection, "SELECT count(*) FROM place") == [anyrows.ROWS]
        hosting.registry.close("c")
        assert values(connection, "SELECT count(*) FROM place") == [0]
    with pytest.raises(DatabaseError, match="closed"), database.read() as session:
        session.connection()
    with pytest.raises(DatabaseError, match="was closed on 2026-03-02"):
        shops.open("c")
    hosting.registry.reopen("c")
    with shops.open("c").engine.connect() as connection:
        assert values(connection, "SELECT count(*) FROM place") == [anyrows.ROWS]
    shops.dispose()
