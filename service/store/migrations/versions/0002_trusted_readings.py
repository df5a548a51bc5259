"""readings as sent and slim; corrections, roll-ups, sensor kinds, salt checks."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "sensorkind",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("spec", sa.JSON(), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("retired_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sensorkind")),
    )
    op.create_table(
        "fact",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_fact")),
    )
    op.create_table(
        "unsettled",
        sa.Column("place_id", sa.String(length=64), nullable=False),
        sa.Column("hour", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_unsettled_place_id")),
        sa.PrimaryKeyConstraint("place_id", "hour", name=op.f("pk_unsettled")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "rollup",
        sa.Column("sensor_id", sa.Integer(), nullable=False),
        sa.Column("step_s", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("doubtful", sa.Integer(), nullable=False),
        sa.Column("left_out", sa.Integer(), nullable=False),
        sa.Column("air_min", sa.Integer(), nullable=True),
        sa.Column("air_sum", sa.BigInteger(), nullable=False),
        sa.Column("air_max", sa.Integer(), nullable=True),
        sa.Column("rh_min", sa.Integer(), nullable=True),
        sa.Column("rh_sum", sa.BigInteger(), nullable=False),
        sa.Column("rh_max", sa.Integer(), nullable=True),
        sa.Column("surface_count", sa.Integer(), nullable=False),
        sa.Column("surface_sum", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_rollup_sensor_id")),
        sa.PrimaryKeyConstraint("sensor_id", "step_s", "at", name=op.f("pk_rollup")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sensor_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(length=16), nullable=False),
        sa.Column("from_at", sa.BigInteger(), nullable=False),
        sa.Column("slope", sa.Float(), nullable=False),
        sa.Column("offset", sa.Float(), nullable=False),
        sa.Column("sd", sa.Float(), nullable=True),
        sa.Column("method", sa.String(length=32), nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.Column("who", sa.String(length=80), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_correction_sensor_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
    )
    with op.batch_alter_table("correction", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_correction_sensor_id"), ["sensor_id"], unique=False)
    op.create_table(
        "saltcheck",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sensor_id", sa.Integer(), nullable=False),
        sa.Column("begun_at", sa.BigInteger(), nullable=False),
        sa.Column("jars", sa.JSON(), nullable=False),
        sa.Column("ended_at", sa.BigInteger(), nullable=True),
        sa.Column("correction_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["correction_id"], ["correction.id"], name=op.f("fk_saltcheck_correction_id")
        ),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_saltcheck_sensor_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_saltcheck")),
    )
    with op.batch_alter_table("saltcheck", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_saltcheck_sensor_id"), ["sensor_id"], unique=False)
    with op.batch_alter_table("sensor", schema=None) as batch_op:
        batch_op.add_column(sa.Column("kind_id", sa.String(length=64), nullable=True))
        batch_op.add_column(sa.Column("check_every_days", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("retired_at", sa.BigInteger(), nullable=True))
    _slim_readings()


def _slim_readings() -> None:
    """Keep what was sent, in whole parts; what had been copied beside it goes."""
    op.execute("CREATE TABLE reading_as_was AS SELECT * FROM reading")
    op.drop_table("reading")
    op.create_table(
        "reading",
        sa.Column("sensor_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("delay_ms", sa.BigInteger(), nullable=False),
        sa.Column("raw_air_c", sa.Integer(), nullable=False),
        sa.Column("raw_rh_pct", sa.Integer(), nullable=False),
        sa.Column("surface_c", sa.Integer(), nullable=True),
        sa.Column("pressure_pa", sa.Integer(), nullable=True),
        sa.Column("battery_pct", sa.Integer(), nullable=True),
        sa.Column("flags", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_reading_sensor_id")),
        sa.PrimaryKeyConstraint("sensor_id", "at", name=op.f("pk_reading")),
        sqlite_with_rowid=False,
    )
    op.execute(
        "INSERT INTO reading"
        " (sensor_id, at, delay_ms, raw_air_c, raw_rh_pct, surface_c, pressure_pa)"
        " SELECT sensor_id, at, received_at - at, CAST(ROUND(raw_air_c * 10000) AS INTEGER),"
        " CAST(ROUND(raw_rh_pct * 10000) AS INTEGER), CAST(ROUND(surface_c * 10000) AS INTEGER),"
        " CAST(ROUND(pressure_pa * 10) AS INTEGER) FROM reading_as_was"
    )
    op.drop_table("reading_as_was")
    # Flags and roll-ups are reckoned at the next start.
    op.execute(
        "INSERT INTO unsettled (place_id, hour) SELECT DISTINCT sensor.place_id,"
        " reading.at - reading.at % 3600000 FROM reading"
        " JOIN sensor ON sensor.id = reading.sensor_id"
    )


def downgrade() -> None:
    op.execute("CREATE TABLE reading_as_was AS SELECT * FROM reading")
    op.drop_table("reading")
    op.create_table(
        "reading",
        sa.Column("sensor_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.Column("raw_air_c", sa.Float(), nullable=False),
        sa.Column("raw_rh_pct", sa.Float(), nullable=False),
        sa.Column("air_c", sa.Float(), nullable=False),
        sa.Column("rh_pct", sa.Float(), nullable=False),
        sa.Column("surface_c", sa.Float(), nullable=True),
        sa.Column("pressure_pa", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_reading_sensor_id")),
        sa.PrimaryKeyConstraint("sensor_id", "at", name=op.f("pk_reading")),
        sqlite_with_rowid=False,
    )
    op.execute(
        "INSERT INTO reading SELECT sensor_id, at, at + delay_ms,"
        " raw_air_c / 10000.0, raw_rh_pct / 10000.0, raw_air_c / 10000.0,"
        " CASE WHEN raw_rh_pct > 1000000 THEN 100.0 ELSE raw_rh_pct / 10000.0 END,"
        " surface_c / 10000.0, pressure_pa / 10.0 FROM reading_as_was"
    )
    op.drop_table("reading_as_was")
    with op.batch_alter_table("sensor", schema=None) as batch_op:
        batch_op.drop_column("retired_at")
        batch_op.drop_column("check_every_days")
        batch_op.drop_column("kind_id")
    for table in ("saltcheck", "correction", "rollup", "unsettled", "fact", "sensorkind"):
        op.drop_table(table)
