"""What each day told of the things before the sky, and the maps learned from it."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.create_table(
        "day_looks",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("day", sa.Date(), nullable=False, comment="local day"),
        sa.Column(
            "data", sa.LargeBinary(), nullable=False, comment="looks of all subjects, as monitor/store/skies.py says"
        ),
        sa.PrimaryKeyConstraint("site", "day", name=op.f("pk_day_looks")),
        comment="how much of the sun's beam came through to each subject, by its place in the sky",
    )
    op.create_table(
        "sky_map",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("subject", sa.String(length=160), nullable=False),
        sa.Column("epoch", sa.Integer(), autoincrement=False, nullable=False, comment="counts up with each new start"),
        sa.Column("learned_until", sa.Date(), nullable=False, comment="last local day that went into it"),
        sa.Column("data", sa.LargeBinary(), nullable=False, comment="the map, as monitor/store/skies.py says"),
        sa.PrimaryKeyConstraint("site", "subject", "epoch", "learned_until", name=op.f("pk_sky_map")),
        comment="what stands before the sky of a subject, as installed; every version that nights went by",
    )
