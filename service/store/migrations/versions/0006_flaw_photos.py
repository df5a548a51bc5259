"""flaws that can be undone, and their photos."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

RENAMED = (("checking", "cold_checks"), ("open_seam", "open_seams"), ("moved_plate", "plate_moved"))


def upgrade() -> None:
    with op.batch_alter_table("flaw", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("who", sa.String(length=80), nullable=False, server_default="")
        )
        batch_op.add_column(sa.Column("undone_at", sa.BigInteger(), nullable=True))
    op.create_table(
        "flawphoto",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("flaw_id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("who", sa.String(length=80), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["flaw_id"], ["flaw.id"], name=op.f("fk_flawphoto_flaw_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_flawphoto")),
    )
    with op.batch_alter_table("flawphoto", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_flawphoto_flaw_id"), ["flaw_id"], unique=False)
    for old, new in RENAMED:
        op.execute(
            sa.text("UPDATE flaw SET kind = :new WHERE kind = :old").bindparams(old=old, new=new)
        )


def downgrade() -> None:
    for old, new in RENAMED:
        op.execute(
            sa.text("UPDATE flaw SET kind = :old WHERE kind = :new").bindparams(old=old, new=new)
        )
    with op.batch_alter_table("flawphoto", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_flawphoto_flaw_id"))
    op.drop_table("flawphoto")
    with op.batch_alter_table("flaw", schema=None) as batch_op:
        batch_op.drop_column("undone_at")
        batch_op.drop_column("who")
