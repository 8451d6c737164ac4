"""Digests on their way by mail."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    op.create_table(
        "outbox",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False, comment="service or homeowner"),
        sa.Column("about", sa.String(length=64), nullable=False, comment="site, or fleet"),
        sa.Column("period", sa.String(length=10), nullable=False, comment="day or month that the digest tells of"),
        sa.Column("recipient", sa.String(length=320), nullable=False, comment="one address"),
        sa.Column("sender", sa.String(length=320), nullable=False, comment="address that the message comes from"),
        sa.Column(
            "message_id",
            sa.String(length=998),
            nullable=False,
            comment="settled when it was queued, the same at every try",
        ),
        sa.Column("message", sa.LargeBinary(), nullable=True, comment="as it goes over the wire; null: sent"),
        sa.Column("state", sa.String(length=16), nullable=False, comment="waiting, sent, refused or given_up"),
        sa.Column("queued_at", sa.BigInteger(), nullable=False, comment="instant"),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("next_try_at", sa.BigInteger(), nullable=False, comment="instant before which it rests"),
        sa.Column(
            "claimed_until",
            sa.BigInteger(),
            nullable=True,
            comment="instant until which one sender works on it; null: nobody does",
        ),
        sa.Column(
            "settled_at",
            sa.BigInteger(),
            nullable=True,
            comment="instant it was sent, refused or given up; null: waiting",
        ),
        sa.Column("trouble", sa.Text(), nullable=False, comment="what came of the last try that failed, else empty"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
        sa.UniqueConstraint("kind", "about", "period", "recipient", name=op.f("uq_outbox_kind_about_period_recipient")),
        comment="digests on their way by mail, a row a recipient; what is sent stays, so that nothing is sent again",
    )
    op.create_index(op.f("ix_outbox_state_next_try_at"), "outbox", ["state", "next_try_at"])
