"""parts of instruments, verdicts, versions of materials and schedules, forecasts, cold arrivals."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

EVERYTHING = sa.text("'[]'")  # no part named: all of it


def upgrade() -> None:
    with op.batch_alter_table("place", schema=None) as batch_op:
        batch_op.add_column(sa.Column("air_changes_h", sa.Float(), nullable=True))
    with op.batch_alter_table("instrument", schema=None) as batch_op:
        batch_op.add_column(sa.Column("schedule_version", sa.Integer(), nullable=True))
        batch_op.add_column(
            sa.Column("parts", sa.JSON(), nullable=False, server_default=EVERYTHING)
        )
    with op.batch_alter_table("coat", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("parts", sa.JSON(), nullable=False, server_default=EVERYTHING)
        )
        batch_op.add_column(sa.Column("distance_cm", sa.Float(), nullable=True))
        batch_op.add_column(
            sa.Column("build", sa.String(length=16), nullable=False, server_default="")
        )
        batch_op.add_column(
            sa.Column("batch", sa.String(length=80), nullable=False, server_default="")
        )
        batch_op.add_column(sa.Column("material_version", sa.Integer(), nullable=True))
    with op.batch_alter_table("stepdone", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("parts", sa.JSON(), nullable=False, server_default=EVERYTHING)
        )
        batch_op.add_column(sa.Column("removed_um", sa.Float(), nullable=True))
    op.create_table(
        "verdict",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("coat_id", sa.Integer(), nullable=False),
        sa.Column("material_id", sa.String(length=64), nullable=False),
        sa.Column("mark", sa.String(length=32), nullable=False),
        sa.Column("said", sa.String(length=16), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("hours", sa.Float(), nullable=False),
        sa.Column("gap_h", sa.Float(), nullable=False),
        sa.Column("who", sa.String(length=80), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["coat_id"], ["coat.id"], name=op.f("fk_verdict_coat_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_verdict")),
    )
    with op.batch_alter_table("verdict", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_verdict_coat_id"), ["coat_id"], unique=False)
    op.create_table(
        "catalogueversion",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("entry_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("who", sa.String(length=80), nullable=False),
        sa.Column("note", sa.String(length=500), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_catalogueversion")),
        sa.UniqueConstraint("kind", "entry_id", "version", name="uq_catalogueversion_entry"),
    )
    op.create_table(
        "forecast",
        sa.Column("issued_at", sa.BigInteger(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("air_c", sa.Float(), nullable=False),
        sa.Column("rh_pct", sa.Float(), nullable=False),
        sa.Column("pressure_pa", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("issued_at", "at", name=op.f("pk_forecast")),
    )
    op.create_table(
        "coldarrival",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("instrument_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("wood_c", sa.Float(), nullable=False),
        sa.Column("wood_rh_pct", sa.Float(), nullable=True),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["instrument_id"], ["instrument.id"], name=op.f("fk_coldarrival_instrument_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_coldarrival")),
    )
    with op.batch_alter_table("coldarrival", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_coldarrival_instrument_id"), ["instrument_id"], unique=False
        )


def downgrade() -> None:
    for table in ("coldarrival", "forecast", "catalogueversion", "verdict"):
        op.drop_table(table)
    with op.batch_alter_table("stepdone", schema=None) as batch_op:
        batch_op.drop_column("removed_um")
        batch_op.drop_column("parts")
    with op.batch_alter_table("coat", schema=None) as batch_op:
        for column in ("material_version", "batch", "build", "distance_cm", "parts"):
            batch_op.drop_column(column)
    with op.batch_alter_table("instrument", schema=None) as batch_op:
        batch_op.drop_column("parts")
        batch_op.drop_column("schedule_version")
    with op.batch_alter_table("place", schema=None) as batch_op:
        batch_op.drop_column("air_changes_h")
