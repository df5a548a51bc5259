"""people, channels, deliveries."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("prefs", sa.JSON(), nullable=False),
        sa.Column("telling", sa.JSON(), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("retired_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("name", name=op.f("uq_person_name")),
    )
    op.create_table(
        "channel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("config", sa.JSON(), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("retired_at", sa.BigInteger(), nullable=True),
        sa.Column("last_ok_at", sa.BigInteger(), nullable=True),
        sa.Column("last_error", sa.String(length=500), nullable=False),
        sa.Column("failing_since", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_channel_person_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_channel")),
    )
    with op.batch_alter_table("channel", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_channel_person_id"), ["person_id"], unique=False)

    op.create_table(
        "delivery",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=160), nullable=False),
        sa.Column("group_key", sa.String(length=120), nullable=False),
        sa.Column("notices", sa.JSON(), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("level", sa.Integer(), nullable=False),
        sa.Column("urgent", sa.Boolean(), nullable=False),
        sa.Column("due_at", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("claimed_at", sa.BigInteger(), nullable=True),
        sa.Column("last_error", sa.String(length=500), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("sent_at", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_at", sa.BigInteger(), nullable=True),
        sa.Column("ack_token", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["channel_id"], ["channel.id"], name=op.f("fk_delivery_channel_id")
        ),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_delivery_person_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery")),
        sa.UniqueConstraint("ack_token", name=op.f("uq_delivery_ack_token")),
        sa.UniqueConstraint("key", name=op.f("uq_delivery_key")),
    )
    with op.batch_alter_table("delivery", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_delivery_channel_id"), ["channel_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_delivery_due_at"), ["due_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_delivery_group_key"), ["group_key"], unique=False)
        batch_op.create_index(batch_op.f("ix_delivery_person_id"), ["person_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_delivery_state"), ["state"], unique=False)

    with op.batch_alter_table("notice", schema=None) as batch_op:
        batch_op.add_column(sa.Column("told_at", sa.BigInteger(), nullable=True))
        batch_op.create_index(batch_op.f("ix_notice_told_at"), ["told_at"], unique=False)
    # What was noticed before there were people to tell is no news to them.
    op.execute("UPDATE notice SET told_at = at")


def downgrade() -> None:
    with op.batch_alter_table("notice", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_notice_told_at"))
        batch_op.drop_column("told_at")
    for table in ("delivery", "channel", "person"):
        op.drop_table(table)
