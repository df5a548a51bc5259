"""people sign in: accounts, devices, passkeys, tokens, one-time links, trail."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "signinfailure",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("last_at", sa.BigInteger(), nullable=False),
        sa.Column("wait_until", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_signinfailure")),
    )
    with op.batch_alter_table("signinfailure", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_signinfailure_last_at"), ["last_at"], unique=False)

    op.create_table(
        "account",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("password_hash", sa.String(length=200), nullable=False),
        sa.Column("user_handle", sa.String(length=64), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("closed_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_account_person_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
        sa.UniqueConstraint("person_id", name=op.f("uq_account_person_id")),
        sa.UniqueConstraint("user_handle", name=op.f("uq_account_user_handle")),
    )
    op.create_table(
        "onetimelink",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("purpose", sa.String(length=16), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("ends_at", sa.BigInteger(), nullable=False),
        sa.Column("used_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_onetimelink_person_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_onetimelink")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_onetimelink_token_hash")),
    )
    op.create_table(
        "apitoken",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("scope", sa.String(length=16), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=True),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("ends_at", sa.BigInteger(), nullable=True),
        sa.Column("used_at", sa.BigInteger(), nullable=True),
        sa.Column("revoked_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["made_by"], ["account.id"], name=op.f("fk_apitoken_made_by")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_apitoken")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_apitoken_token_hash")),
    )
    op.create_table(
        "auditentry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.String(length=200), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("act", sa.String(length=240), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_auditentry_account_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_auditentry")),
    )
    with op.batch_alter_table("auditentry", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_auditentry_account_id"), ["account_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_auditentry_at"), ["at"], unique=False)

    op.create_table(
        "devicesession",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("device", sa.String(length=80), nullable=False),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("seen_at", sa.BigInteger(), nullable=False),
        sa.Column("ended_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["account.id"], name=op.f("fk_devicesession_account_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_devicesession")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_devicesession_token_hash")),
    )
    with op.batch_alter_table("devicesession", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_devicesession_account_id"), ["account_id"], unique=False
        )

    op.create_table(
        "passkey",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("credential_id", sa.String(length=1400), nullable=False),
        sa.Column("public_key", sa.String(length=2800), nullable=False),
        sa.Column("sign_count", sa.BigInteger(), nullable=False),
        sa.Column("rp_id", sa.String(length=255), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("made_at", sa.BigInteger(), nullable=False),
        sa.Column("used_at", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_passkey_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_passkey")),
        sa.UniqueConstraint("credential_id", name=op.f("uq_passkey_credential_id")),
    )
    with op.batch_alter_table("passkey", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_passkey_account_id"), ["account_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("passkey", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_passkey_account_id"))

    op.drop_table("passkey")
    with op.batch_alter_table("devicesession", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_devicesession_account_id"))

    op.drop_table("devicesession")
    with op.batch_alter_table("auditentry", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_auditentry_at"))
        batch_op.drop_index(batch_op.f("ix_auditentry_account_id"))

    op.drop_table("auditentry")
    op.drop_table("apitoken")
    op.drop_table("onetimelink")
    op.drop_table("account")
    with op.batch_alter_table("signinfailure", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_signinfailure_last_at"))

    op.drop_table("signinfailure")
