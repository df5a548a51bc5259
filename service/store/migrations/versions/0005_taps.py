"""taps."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "tap",
        sa.Column("key", sa.String(length=36), nullable=False),
        sa.Column("act", sa.String(length=200), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_tap")),
    )
    with op.batch_alter_table("tap", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_tap_at"), ["at"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("tap", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_tap_at"))
    op.drop_table("tap")
