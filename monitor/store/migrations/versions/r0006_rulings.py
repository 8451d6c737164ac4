"""What engineers said of findings."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    op.create_table(
        "ruling",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column(
            "finding_id",
            sa.String(length=255),
            nullable=False,
            comment="no foreign key: it outlives what a replay deletes",
        ),
        sa.Column("day", sa.Date(), nullable=False, comment="local day for which it holds"),
        sa.Column("said", sa.String(length=16), nullable=False, comment="confirmed, not-a-fault or repaired"),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("subject", sa.String(length=160), nullable=False, comment="of the finding"),
        sa.Column("cause", sa.String(length=64), nullable=False, comment="of the finding"),
        sa.Column("raised", sa.Date(), nullable=False, comment="of the finding"),
        sa.Column("renews", sa.JSON(), nullable=False, comment="subjects that begin anew with the day after"),
        sa.Column("given_at", sa.BigInteger(), nullable=False, comment="instant"),
        sa.Column("nights_until", sa.Date(), comment="last local day assessed when it was given; null: none"),
        sa.PrimaryKeyConstraint("site", "finding_id", "day", name=op.f("pk_ruling")),
        comment="what engineers said of findings",
    )
