"""many shops in one PostgreSQL database, kept apart by the server; nothing changes on SQLite."""

import sqlalchemy as sa
from alembic import op

from service.store.per_shop import separation

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

# Tables as they are at 0010: their keys, and what else has to be per shop.
PRIMARY: dict[str, tuple[str, ...]] = {
    "catalogueversion": ("id",),
    "fact": ("key",),
    "forecast": ("issued_at", "at"),
    "instrument": ("id",),
    "pairingcode": ("id",),
    "person": ("id",),
    "place": ("id",),
    "reject": ("id",),
    "sensorkey": ("user",),
    "sensorkind": ("id",),
    "signinfailure": ("key",),
    "tap": ("key",),
    "account": ("id",),
    "channel": ("id",),
    "coat": ("id",),
    "coldarrival": ("id",),
    "hanging": ("id",),
    "onetimelink": ("id",),
    "sensor": ("id",),
    "stepdone": ("id",),
    "unsettled": ("place_id", "hour"),
    "apitoken": ("id",),
    "auditentry": ("id",),
    "correction": ("id",),
    "delivery": ("id",),
    "devicesession": ("id",),
    "flaw": ("id",),
    "notice": ("id",),
    "passkey": ("id",),
    "reading": ("sensor_id", "at"),
    "rollup": ("sensor_id", "step_s", "at"),
    "verdict": ("id",),
    "flawcause": ("id",),
    "flawphoto": ("id",),
    "saltcheck": ("id",),
}
UNIQUE = (
    ("catalogueversion", "uq_catalogueversion_entry", ("kind", "entry_id", "version")),
    ("instrument", "uq_instrument_shop_number", ("shop_number",)),
    ("pairingcode", "uq_pairingcode_digest", ("digest",)),
    ("person", "uq_person_name", ("name",)),
    ("account", "uq_account_person_id", ("person_id",)),
    ("account", "uq_account_user_handle", ("user_handle",)),
    ("onetimelink", "uq_onetimelink_token_hash", ("token_hash",)),
    ("sensor", "uq_sensor_place_name", ("place_id", "name")),
    ("apitoken", "uq_apitoken_token_hash", ("token_hash",)),
    ("delivery", "uq_delivery_ack_token", ("ack_token",)),
    ("delivery", "uq_delivery_key", ("key",)),
    ("devicesession", "uq_devicesession_token_hash", ("token_hash",)),
    ("notice", "uq_notice_key", ("key",)),
    ("passkey", "uq_passkey_credential_id", ("credential_id",)),
)
INDEXES = (
    ("reject", "received_at"),
    ("signinfailure", "last_at"),
    ("tap", "at"),
    ("channel", "person_id"),
    ("coat", "instrument_id"),
    ("coldarrival", "instrument_id"),
    ("hanging", "instrument_id"),
    ("stepdone", "instrument_id"),
    ("auditentry", "account_id"),
    ("auditentry", "at"),
    ("correction", "sensor_id"),
    ("delivery", "channel_id"),
    ("delivery", "due_at"),
    ("delivery", "group_key"),
    ("delivery", "person_id"),
    ("delivery", "state"),
    ("devicesession", "account_id"),
    ("flaw", "instrument_id"),
    ("notice", "at"),
    ("notice", "told_at"),
    ("passkey", "account_id"),
    ("verdict", "coat_id"),
    ("flawcause", "flaw_id"),
    ("flawphoto", "flaw_id"),
    ("saltcheck", "sensor_id"),
)
FOREIGN = (
    ("account", "person_id", "person"),
    ("channel", "person_id", "person"),
    ("coat", "instrument_id", "instrument"),
    ("coat", "place_id", "place"),
    ("coldarrival", "instrument_id", "instrument"),
    ("hanging", "instrument_id", "instrument"),
    ("hanging", "place_id", "place"),
    ("onetimelink", "person_id", "person"),
    ("sensor", "place_id", "place"),
    ("stepdone", "instrument_id", "instrument"),
    ("unsettled", "place_id", "place"),
    ("apitoken", "made_by", "account"),
    ("auditentry", "account_id", "account"),
    ("correction", "sensor_id", "sensor"),
    ("delivery", "channel_id", "channel"),
    ("delivery", "person_id", "person"),
    ("devicesession", "account_id", "account"),
    ("flaw", "coat_id", "coat"),
    ("flaw", "instrument_id", "instrument"),
    ("notice", "coat_id", "coat"),
    ("notice", "instrument_id", "instrument"),
    ("passkey", "account_id", "account"),
    ("reading", "sensor_id", "sensor"),
    ("rollup", "sensor_id", "sensor"),
    ("verdict", "coat_id", "coat"),
    ("flawcause", "flaw_id", "flaw"),
    ("flawphoto", "flaw_id", "flaw"),
    ("saltcheck", "correction_id", "correction"),
    ("saltcheck", "sensor_id", "sensor"),
)

NAMED = frozenset({"place", "sensorkind"})
"""Tables whose rows are known by a word, not by a number."""

FUNCTIONS = (
    # The shop that the transaction has entered; NULL: none. Who owns the tables is in the only
    # shop without entering, as long as there is one only. Everybody else shows a pass, a keyed
    # digest of the shop's number, nested against extension. Passes are compared by their digests:
    # how long it takes says nothing of the right one. It is asked for each row that is written, so
    # it calls nothing that has to be planned.
    """
    CREATE FUNCTION boothglass_shop() RETURNS integer
    LANGUAGE plpgsql STABLE SECURITY DEFINER PARALLEL SAFE
    SET search_path = pg_catalog, here_it_is, pg_temp
    AS $f$
    DECLARE
        said text := current_setting('boothglass.shop', true);
        claimed integer;
        secret bytea;
        pass bytea;
    BEGIN
        IF said IS NULL OR said = '' THEN
            IF NOT pg_has_role(session_user, current_user, 'MEMBER') THEN
                RETURN NULL;
            END IF;
            RETURN (SELECT max(id) FROM shop HAVING count(*) = 1 AND count(closed_at) = 0);
        END IF;
        IF said !~ '^[1-9][0-9]{0,8}:[0-9a-f]{64}$' THEN
            RETURN NULL;
        END IF;
        SELECT shop.id, shopsecret.key INTO claimed, secret FROM shop, shopsecret
        WHERE shop.id = split_part(said, ':', 1)::integer AND shop.closed_at IS NULL;
        pass := sha256(secret || sha256(secret || convert_to('shop ' || claimed, 'UTF8')));
        IF sha256(pass) = sha256(decode(split_part(said, ':', 2), 'hex')) THEN
            RETURN claimed;
        END IF;
        RETURN NULL;
    END
    $f$
    """,
    # Enters a shop for the rest of the transaction; a writer waits for the shop's other writers.
    """
    CREATE FUNCTION boothglass_enter(entry text, writes boolean, wait_ms integer) RETURNS integer
    LANGUAGE plpgsql VOLATILE SET search_path = pg_catalog, here_it_is, pg_temp
    AS $f$
    DECLARE
        entered integer;
    BEGIN
        PERFORM set_config('boothglass.shop', entry, true);
        entered := boothglass_shop();
        IF writes AND entered IS NOT NULL THEN
            PERFORM set_config('lock_timeout', wait_ms::text, true);
            PERFORM 1 FROM shopturn WHERE shop_id = entered FOR UPDATE;
        END IF;
        RETURN entered;
    END
    $f$
    """,
    # Numbers of new rows are each shop's own: they tell nothing of how much others write.
    """
    CREATE FUNCTION boothglass_next(counted text) RETURNS integer
    LANGUAGE sql VOLATILE SET search_path = pg_catalog, here_it_is, pg_temp
    AS $f$
        INSERT INTO shopcounter (shop_id, name, last) VALUES (boothglass_shop(), counted, 1)
        ON CONFLICT (shop_id, name) DO UPDATE SET last = shopcounter.last + 1 RETURNING last
    $f$
    """,
    # Every shop, for who hosts them and can show it.
    """
    CREATE FUNCTION boothglass_shops(shown text) RETURNS SETOF shop
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, here_it_is, pg_temp
    AS $f$
        SELECT shop.* FROM shop, shopsecret AS k
        WHERE sha256(convert_to(shown, 'UTF8')) = sha256(convert_to(encode(
            sha256(k.key || sha256(k.key || convert_to('shops', 'UTF8'))), 'hex'
        ), 'UTF8')) ORDER BY shop.id
    $f$
    """,
)


def upgrade() -> None:
    if op.get_context().dialect.name != "postgresql":
        return
    _make_registry()
    for function in FUNCTIONS:
        # Names are looked up in the schema that they lie in, whatever a caller has set.
        op.execute(
            f"DO $do$ BEGIN EXECUTE replace($sql${function}$sql$, 'here_it_is',"
            " quote_ident(current_schema())); END $do$"
        )
    for statement in (
        *separation("shopturn"),
        *separation("shopcounter"),
        "ALTER TABLE shop ENABLE ROW LEVEL SECURITY",
        "CREATE POLICY only_its_shop ON shop FOR SELECT USING (id = (SELECT boothglass_shop()))",
        "ALTER TABLE shopsecret ENABLE ROW LEVEL SECURITY",
        "ALTER TABLE shophost ENABLE ROW LEVEL SECURITY",
    ):
        op.execute(statement)
    for table, column, _ in FOREIGN:
        op.drop_constraint(f"fk_{table}_{column}", table, type_="foreignkey")
    for table, key in PRIMARY.items():
        # What was kept until now is the first shop's.
        first = sa.Column("shop_id", sa.Integer(), nullable=False, server_default="1")
        op.add_column(table, first)
        op.alter_column(table, "shop_id", server_default=sa.text("boothglass_shop()"))
        if key == ("id",) and table not in NAMED:
            _count_by_shop(table)
    _make_keys(("shop_id",))
    for table, column, parent in FOREIGN:
        op.create_foreign_key(
            f"fk_{table}_{column}", table, parent, ["shop_id", column], ["shop_id", "id"]
        )
    for table in PRIMARY:
        for statement in separation(table):
            op.execute(statement)


def _make_registry() -> None:
    op.create_table(
        "shop",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=40), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("closed_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_shop"),
        sa.UniqueConstraint("key", name="uq_shop_key"),
    )
    # A row a shop, which its writers lock in turn.
    op.create_table(
        "shopturn",
        sa.Column("shop_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("shop_id", name="pk_shopturn"),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name="fk_shopturn_shop_id"),
    )
    op.create_table(
        "shopcounter",
        sa.Column("shop_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("last", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("shop_id", "name", name="pk_shopcounter"),
    )
    op.create_table("shopsecret", sa.Column("key", sa.LargeBinary(), nullable=False))
    # Roles that host shops: they are let in again where a back-up is brought back.
    op.create_table(
        "shophost",
        sa.Column("role", sa.String(length=63), nullable=False),
        sa.PrimaryKeyConstraint("role", name="pk_shophost"),
    )
    op.execute(
        "INSERT INTO shop (key, name, made_at)"
        " VALUES ('main', '', floor(extract(epoch FROM now()) * 1000)::bigint)"
    )
    op.execute("INSERT INTO shopturn (shop_id) SELECT id FROM shop")
    # Random numbers of the server that nobody can foretell, 244 bits of them.
    op.execute(
        "INSERT INTO shopsecret (key) VALUES"
        " (sha256(convert_to(gen_random_uuid()::text || gen_random_uuid()::text, 'UTF8')))"
    )


def _count_by_shop(table: str) -> None:
    op.execute(
        f"INSERT INTO shopcounter (shop_id, name, last) SELECT 1, '{table}', greatest("  # noqa: S608 -- names of ours
        f"(SELECT coalesce(max(id), 0) FROM {table}),"
        f" (SELECT CASE WHEN is_called THEN last_value ELSE 0 END FROM {table}_id_seq))"
    )
    op.alter_column(table, "id", server_default=sa.text(f"boothglass_next('{table}')"))
    op.execute(f"DROP SEQUENCE {table}_id_seq")


def _make_keys(first: tuple[str, ...]) -> None:
    """Make primary keys, unique constraints and indexes anew, these columns before the others."""
    for table, name, columns in UNIQUE:
        op.drop_constraint(name, table, type_="unique")
        op.create_unique_constraint(name, table, [*first, *columns])
    for table, key in PRIMARY.items():
        op.drop_constraint(f"pk_{table}", table, type_="primary")
        op.create_primary_key(f"pk_{table}", table, [*first, *key])
    for table, column in INDEXES:
        op.drop_index(f"ix_{table}_{column}", table)
        op.create_index(f"ix_{table}_{column}", table, [*first, column])


def downgrade() -> None:
    if op.get_context().dialect.name != "postgresql":
        return
    op.execute(
        "DO $do$ BEGIN IF (SELECT count(*) FROM shop) > 1 THEN RAISE EXCEPTION"
        " 'several shops are kept; earlier tables hold one'; END IF; END $do$"
    )
    for table, column, _ in FOREIGN:
        op.drop_constraint(f"fk_{table}_{column}", table, type_="foreignkey")
    for table in PRIMARY:
        op.execute(f"DROP POLICY only_its_shop ON {table}")
        op.execute(f"ALTER TABLE {table} DISABLE ROW LEVEL SECURITY")
    _make_keys(())
    for table, key in PRIMARY.items():
        op.drop_column(table, "shop_id")
        if key == ("id",) and table not in NAMED:
            series = f"{table}_id_seq"
            op.execute(f"CREATE SEQUENCE {series} AS integer OWNED BY {table}.id")
            op.alter_column(table, "id", server_default=sa.text(f"nextval('{series}')"))
            op.execute(f"SELECT setval('{series}', max(id)) FROM {table}")  # noqa: S608 -- a name of ours
    for table, column, parent in FOREIGN:
        op.create_foreign_key(f"fk_{table}_{column}", table, parent, [column], ["id"])
    op.execute("DROP FUNCTION boothglass_shops(text), boothglass_enter(text, boolean, integer)")
    for table in ("shopturn", "shopcounter", "shopsecret", "shophost"):
        op.drop_table(table)
    op.execute("DROP FUNCTION boothglass_next(text)")
    op.execute("DROP POLICY only_its_shop ON shop")
    op.execute("DROP FUNCTION boothglass_shop()")
    op.drop_table("shop")
