"""The first schema: readings, files, daily figures, baselines, findings, job runs."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "assessed",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.PrimaryKeyConstraint("site", name=op.f("pk_assessed")),
        comment="last local day of each site whose night was assessed",
    )
    op.create_table(
        "baseline",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("subject", sa.String(length=160), nullable=False),
        sa.Column("epoch", sa.Integer(), autoincrement=False, nullable=False, comment="counts up with each new start"),
        sa.Column("frozen_on", sa.Date(), nullable=True, comment="local day it was settled; null: still learning"),
        sa.Column("learned_from", sa.Date(), nullable=False),
        sa.Column("learned_until", sa.Date(), nullable=False, comment="last local day that went into it"),
        sa.Column("values", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("site", "subject", "epoch", name=op.f("pk_baseline")),
        comment="as-installed behaviour of a subject",
    )
    op.create_table(
        "changed_day",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("day", sa.Integer(), autoincrement=False, nullable=False, comment="UTC day, days since 1970-01-01"),
        sa.Column("changed_at", sa.BigInteger(), nullable=False, comment="instant of the last change"),
        sa.PrimaryKeyConstraint("site", "day", name=op.f("pk_changed_day")),
        comment="days whose readings changed and that wait to be assessed (again)",
    )
    op.create_table(
        "daily",
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("day", sa.Date(), nullable=False, comment="local day"),
        sa.Column("subject", sa.String(length=160), nullable=False),
        sa.Column("measured_kwh", sa.Float(), nullable=True),
        sa.Column("expected_kwh", sa.Float(), nullable=True),
        sa.Column("expected_low_kwh", sa.Float(), nullable=True),
        sa.Column("expected_high_kwh", sa.Float(), nullable=True),
        sa.Column(
            "irradiation_source",
            sa.String(length=16),
            nullable=True,
            comment="sensor, weather, neighbours or clear_sky",
        ),
        sa.Column("availability", sa.Float(), nullable=True, comment="0 to 1"),
        sa.Column("performance_ratio", sa.Float(), nullable=True),
        sa.Column(
            "usable", sa.Float(), nullable=False, comment="share of the day's expectation that can be judged, 0 to 1"
        ),
        sa.Column("features", sa.JSON(), nullable=False, comment="further figures of the day that detectors work on"),
        sa.PrimaryKeyConstraint("site", "day", "subject", name=op.f("pk_daily")),
        comment="energy of a subject and a local day, measured and expected",
    )
    op.create_table(
        "finding",
        sa.Column("id", sa.String(length=255), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("subject", sa.String(length=160), nullable=False),
        sa.Column("cause", sa.String(length=64), nullable=False),
        sa.Column("level", sa.String(length=16), nullable=False, comment="urgent, visit, watch or note"),
        sa.Column("state", sa.String(length=16), nullable=False, comment="open or cleared"),
        sa.Column("since", sa.Date(), nullable=False, comment="estimated first local day of the trouble"),
        sa.Column("raised", sa.Date(), nullable=False, comment="local day whose assessment first reported it"),
        sa.Column("cleared", sa.Date(), nullable=True, comment="local day whose assessment closed it"),
        sa.Column("last_seen", sa.Date(), nullable=False, comment="last local day on which it showed"),
        sa.Column("confidence", sa.Float(), nullable=False, comment="0 to 1"),
        sa.Column("lost_kwh", sa.Float(), nullable=False),
        sa.Column("lost_kwh_low", sa.Float(), nullable=False),
        sa.Column("lost_kwh_high", sa.Float(), nullable=False),
        sa.Column("lost_money", sa.Float(), nullable=True, comment="in the fleet's currency; null without a tariff"),
        sa.Column("summary", sa.Text(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.Column("advice", sa.JSON(), nullable=False, comment="text by reader: service, homeowner"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
        comment="troubles and notes",
    )
    op.create_index(op.f("ix_finding_site"), "finding", ["site"], unique=False)
    op.create_table(
        "heartbeat",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False, comment="always 1"),
        sa.Column("at", sa.BigInteger(), nullable=False, comment="instant of the daemon's last sign of life"),
        sa.Column("pid", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_heartbeat")),
        comment="one row: the daemon is alive",
    )
    op.create_table(
        "job_plan",
        sa.Column("job", sa.String(length=32), nullable=False),
        sa.Column("next_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("job", name=op.f("pk_job_plan")),
        comment="when each job runs next",
    )
    op.create_table(
        "job_run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job", sa.String(length=32), nullable=False),
        sa.Column("started_at", sa.BigInteger(), nullable=False),
        sa.Column("finished_at", sa.BigInteger(), nullable=True, comment="null: running, or cut short"),
        sa.Column("ok", sa.Boolean(), nullable=True, comment="null: not finished"),
        sa.Column("message", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job_run")),
        comment="runs of the daemon's jobs",
    )
    op.create_index(op.f("ix_job_run_job_started_at"), "job_run", ["job", "started_at"], unique=False)
    op.create_table(
        "ledger",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("source", sa.String(length=64), nullable=False),
        sa.Column("path", sa.Text(), nullable=False, comment="where the file was found, relative to the fleet folder"),
        sa.Column("sha256", sa.String(length=64), nullable=False, comment="hash of the content that was read"),
        sa.Column("size", sa.BigInteger(), nullable=False, comment="bytes"),
        sa.Column("taken_at", sa.BigInteger(), nullable=False, comment="instant of reading"),
        sa.Column(
            "config_hash",
            sa.String(length=64),
            nullable=False,
            comment="hash of the source's settings it was read with",
        ),
        sa.Column("rows", sa.Integer(), nullable=False, comment="data rows in the file"),
        sa.Column("readings_new", sa.Integer(), nullable=False),
        sa.Column("readings_same", sa.Integer(), nullable=False),
        sa.Column("conflicts", sa.Integer(), nullable=False, comment="readings that replaced another value"),
        sa.Column("rejects", sa.Integer(), nullable=False, comment="pieces of input set aside"),
        sa.Column("state", sa.String(length=16), nullable=False, comment="taken or refused"),
        sa.Column("reason", sa.Text(), nullable=False, comment="why the file was refused, else empty"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ledger")),
        sa.UniqueConstraint(
            "site", "source", "sha256", "config_hash", name=op.f("uq_ledger_site_source_sha256_config_hash")
        ),
        comment="every file content that was read, once for each settings it was read with",
    )
    op.create_index(op.f("ix_ledger_site_source_path"), "ledger", ["site", "source", "path"], unique=False)
    op.create_table(
        "source",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False, comment="id of the site file"),
        sa.Column("name", sa.String(length=64), nullable=False, comment="id of the source in the site file"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_source")),
        sa.UniqueConstraint("site", "name", name=op.f("uq_source_site_name")),
        comment="where readings come from: one [[source]] of a site file",
    )
    op.create_table(
        "block",
        sa.Column("source_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Integer(), autoincrement=False, nullable=False, comment="UTC day, days since 1970-01-01"),
        sa.Column("n", sa.Integer(), nullable=False, comment="readings in the block, gaps left out"),
        sa.Column(
            "data", sa.LargeBinary(), nullable=False, comment="the readings, packed as monitor/store/blocks.py says"
        ),
        sa.ForeignKeyConstraint(
            ["source_id"], ["source.id"], name=op.f("fk_block_source_id_source"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("source_id", "day", name=op.f("pk_block")),
        comment="the readings of one source and one UTC day",
    )
    op.create_table(
        "channel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("source_id", sa.Integer(), nullable=False),
        sa.Column(
            "subject", sa.String(length=160), nullable=False, comment="site, inverter:ID, string:ID, meter:ID, ..."
        ),
        sa.Column("quantity", sa.String(length=32), nullable=False),
        sa.Column("reads", sa.String(length=16), nullable=False, comment="mean, interval or counter"),
        sa.Column("unit", sa.String(length=16), nullable=False, comment="unit of the values as recorded"),
        sa.ForeignKeyConstraint(
            ["source_id"], ["source.id"], name=op.f("fk_channel_source_id_source"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_channel")),
        sa.UniqueConstraint(
            "source_id",
            "subject",
            "quantity",
            "reads",
            "unit",
            name=op.f("uq_channel_source_id_subject_quantity_reads_unit"),
        ),
        comment="the columns that a source ever had readings in",
    )
    op.create_table(
        "finding_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("finding_id", sa.String(length=255), nullable=False),
        sa.Column("night", sa.Date(), nullable=False, comment="local day whose assessment did it"),
        sa.Column("what", sa.String(length=32), nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False, comment="finding: the whole finding as that night left it"),
        sa.ForeignKeyConstraint(
            ["finding_id"], ["finding.id"], name=op.f("fk_finding_event_finding_id_finding"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding_event")),
        comment="the history of each finding",
    )
    op.create_index(op.f("ix_finding_event_finding_id"), "finding_event", ["finding_id"], unique=False)
    op.create_table(
        "loss",
        sa.Column("finding_id", sa.String(length=255), nullable=False),
        sa.Column("day", sa.Date(), nullable=False, comment="local day"),
        sa.Column(
            "night",
            sa.Date(),
            nullable=False,
            comment="local day whose assessment counted it; the latest one holds",
        ),
        sa.Column("lost_kwh", sa.Float(), nullable=False),
        sa.Column("low", sa.Float(), nullable=False, comment="kWh"),
        sa.Column("high", sa.Float(), nullable=False, comment="kWh"),
        sa.ForeignKeyConstraint(
            ["finding_id"], ["finding.id"], name=op.f("fk_loss_finding_id_finding"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("finding_id", "day", "night", name=op.f("pk_loss")),
        comment="what a finding cost, day by day",
    )
    op.create_table(
        "reject",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("ledger_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.Integer(), nullable=True, comment="1-based line of the file; null: the whole file"),
        sa.Column("field", sa.Text(), nullable=False, comment="column of the file, or empty"),
        sa.Column("text", sa.Text(), nullable=False, comment="what was found, shortened"),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["ledger_id"], ["ledger.id"], name=op.f("fk_reject_ledger_id_ledger"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reject")),
        comment="input set aside by the last reading of a file",
    )
    op.create_index(op.f("ix_reject_ledger_id"), "reject", ["ledger_id"], unique=False)

    if op.get_bind().dialect.name == "postgresql":
        # Blocks come compressed; trying again on every write costs time and gains nothing.
        op.execute("ALTER TABLE block ALTER COLUMN data SET STORAGE EXTERNAL")
