"""What the nights remember of a site, packed, so that a pass need not read a year of daily rows."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.create_table(
        "memory",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("part", sa.Integer(), autoincrement=False, nullable=False, comment="local days, a hundred to a part"),
        sa.Column("until", sa.Date(), nullable=False, comment="last local day that went into it"),
        sa.Column("first", sa.Boolean(), nullable=False, comment="whether no night before this part left anything"),
        sa.Column("data", sa.LargeBinary(), nullable=False, comment="as monitor/nightly/memory.py packs it"),
        sa.PrimaryKeyConstraint("site", "part", name=op.f("pk_memory")),
        comment="the daily rows once more, packed for the next night; may be deleted at any time",
    )
