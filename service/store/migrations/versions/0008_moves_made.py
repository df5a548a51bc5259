"""planned moves that fall due, and that they were made."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("hanging", schema=None) as batch_op:
        batch_op.add_column(sa.Column("planned_at", sa.BigInteger(), nullable=True))
        batch_op.add_column(sa.Column("moved_at", sa.BigInteger(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("hanging", schema=None) as batch_op:
        batch_op.drop_column("moved_at")
        batch_op.drop_column("planned_at")
