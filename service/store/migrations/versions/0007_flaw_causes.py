"""causes that a shop has confirmed."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "flawcause",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("flaw_id", sa.Integer(), nullable=False),
        sa.Column("cause", sa.String(length=64), nullable=False),
        sa.Column("who", sa.String(length=80), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["flaw_id"], ["flaw.id"], name=op.f("fk_flawcause_flaw_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_flawcause")),
    )
    with op.batch_alter_table("flawcause", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_flawcause_flaw_id"), ["flaw_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("flawcause", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_flawcause_flaw_id"))
    op.drop_table("flawcause")
