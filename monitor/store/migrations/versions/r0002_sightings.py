"""What lay where at the last look, when a file is due again, and which file of an archive a reject stands in."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "sighting",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("source", sa.String(length=64), nullable=False),
        sa.Column("path", sa.Text(), nullable=False, comment="relative to the fleet folder"),
        sa.Column("sha256", sa.String(length=64), nullable=False, comment="hash of the content found there"),
        sa.Column("config_hash", sa.String(length=64), nullable=False, comment="hash of the settings it was read with"),
        sa.Column(
            "stamp",
            sa.String(length=128),
            nullable=True,
            comment="size, times and inode of the file then; null: it may change unnoticed",
        ),
        sa.PrimaryKeyConstraint("site", "source", "path", name=op.f("pk_sighting")),
        comment="what lay where at the last look, so that an unchanged file need not be opened",
    )
    op.add_column(
        "ledger",
        sa.Column(
            "read_again_at",
            sa.BigInteger(),
            nullable=True,
            comment="instant from which a part that lay in the future is taken; null: none",
        ),
    )
    op.add_column(
        "reject", sa.Column("member", sa.Text(), nullable=True, comment="file of an archive; null: the file itself")
    )
