"""How the polling of each device stands."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    op.create_table(
        "poll_state",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("source", sa.String(length=64), nullable=False),
        sa.Column("last_try_at", sa.BigInteger(), nullable=False, comment="instant of the last poll"),
        sa.Column(
            "last_ok_at",
            sa.BigInteger(),
            nullable=True,
            comment="instant of the last poll that gave readings; null: none yet",
        ),
        sa.Column("failures", sa.Integer(), nullable=False, comment="polls without any reading since then"),
        sa.Column("trouble", sa.Text(), nullable=False, comment="what was wrong at the last poll, else empty"),
        sa.PrimaryKeyConstraint("site", "source", name=op.f("pk_poll_state")),
        comment="how the polling of each device stands",
    )
